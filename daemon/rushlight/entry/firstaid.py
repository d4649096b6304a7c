"""What to do on the spot about what was just done to a tank, before any test: for whoever answers the entry.

Owns these words.  The tests that follow on the next days are `tank.routine.care`'s.  Common practice, no source, on
this ground: without a moving surface the oxygen goes, without oxygen the filter's bacteria die, and a closed filter
that stood still gives off what they left.  Pure.
"""

from __future__ import annotations

from rushlight.events import Event, FilterWork, Outage, Treatment
from rushlight.localtime import DAY_S

SHORT_OUTAGE_MIN = 120.0
"""A shorter one asks for nothing (common practice, no source)."""
FOUL_MIN = 360.0
"""A closed filter that stood for so long is emptied before it runs again (common practice, no source)."""
LASTS_S = DAY_S
AFTER_POWER = "See that the pump runs and the surface moves, and give no food today"
FILTER = {
    "stopped": "Move the surface by other means, and give no food until the filter runs again",
    "started": "See that the surface moves, and give no food today",
    "cleaned": "Give half the food for a week: the filter's bacteria have to grow again",
    "replaced": "Give half the food for a week: the filter's bacteria have to grow again",
}


def now(event: Event, at_s: float) -> str:
    """The same as seen at `at_s`: empty a day after it was done."""
    return of(event) if at_s - event.at_s < LASTS_S else ""


def of(event: Event) -> str:
    """The first aid that goes with an entry, one or two sentences; empty where nothing is to be done at once."""
    match event:
        case Outage() if event.minutes >= FOUL_MIN:
            return f"{AFTER_POWER}. Empty a closed filter that stood still, and rinse it in tank water, before it runs."
        case Outage() if event.minutes >= SHORT_OUTAGE_MIN:
            return f"{AFTER_POWER}."
        case FilterWork():
            return f"{FILTER[event.what]}."
        case Treatment():
            return "Keep the surface moving, as many remedies use up oxygen; keep to the label, and ask a vet."
    return ""
