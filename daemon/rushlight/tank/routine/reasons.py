"""What brings the next test forward, how far, and why in words.  Pure; `next_test` makes a date of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from rushlight.localtime import DAY_S
from rushlight.localunits import METRIC, Units
from rushlight.tank.routine.care import LAPSES_S, POISONS, Mark, Wish

UNPROVEN = "one test is all the evidence of a change so far: another tells whether it was a slip"
SURPRISED = "something was higher than expected: another test tells whether it was a slip or a drift"

URGENT = {
    "gasping": "fish were seen gasping",
    "dead_fish": "a fish died",
    "smell": "the water smells",
    "cloudy": "the water turned cloudy",
}
"""Sightings that ask for a test of the poisons at once, whatever the shortest interval."""
SOON = {
    "algae": (1.0, "algae were seen"),
    "yellow_leaves": (3.0, "leaves turned yellow"),
    "stocking": (3.0, "new fish came in"),
    "harvest": (4.0, "plants were cut back"),
    "feed": (2.0, "more was fed than usual"),
}
"""Changes that ask for a test within so many days (common practice, no source)."""
AT_ONCE = {
    "chlorine_high": ("chlorine", 3600.0, "chlorine was in the water an hour ago"),
    "ammonia_high": ("ammonia", DAY_S, "ammonia was above its limit"),
    "nitrite_high": ("nitrite", DAY_S, "nitrite was above its limit"),
}
"""Standing alarms that ask for a test of one substance so long after its last, whatever the shortest interval
(common practice, no source)."""
RUNNING_OUT = {"alkalinity_low": ("kh", 0.5, "carbonate hardness is running out")}
"""The same, how far between the shortest and the longest interval after the last test of whatever (own choice)."""
MISFIT = "the last reading fits nothing that came before it; test again now, with three strips within a minute"
PRESSING = {
    "chlorine_high": (0.0, "chlorine was in the water"),
    "ammonia_high": (0.0, "ammonia was above its limit"),
    "nitrite_high": (0.0, "nitrite was above its limit"),
    "nitrate_high": (0.5, "nitrate stands above its limit"),
    "nitrate_rising": (0.5, "nitrate is on its way to its limit"),
    "uptake_behind": (0.7, "plants do not keep up with the feed"),
    "lamp_off": (0.5, "the lamp is not on its schedule"),
    "lamp_dimming": (0.5, "the lamp gives less light than it did"),
    "light_low": (0.5, "the plants got too little light"),
    "growth_slowing": (0.7, "the plants grow more slowly than they did"),
    "light_probe_fouled": (0.7, "the light probe cannot be trusted"),
    "probe_fault": (0.5, "a probe cannot be trusted, so the test is the only witness"),
    "probe_silent": (0.7, "a probe is silent, so the test is the only witness"),
}
"""Standing alarms: how far between the shortest and the longest interval the next test may lie (own choice)."""
MOVE_DATE = PRESSING.keys() | AT_ONCE.keys() | RUNNING_OUT.keys()
"""All alarms that may move the next test: where one rises or returns it is dated anew in the same instant."""
FINE_PADS = 1.25
"""Pads whose values lie no further apart than by this factor are as fine as a strip's reading error (own choice)."""


@dataclass(slots=True)
class Trigger:
    """Something that asks for an earlier test; `heard_s`: when it was told, which may be later."""

    at_s: float
    id: str
    what: str
    heard_s: float = 0.0

    def key(self) -> tuple[float, str, str]:
        """Order by time, then id and content, never by arrival."""
        return (self.at_s, self.id, self.what)


def of_poisons(alarms: AbstractSet[str], made: Sequence[Mark], measures: AbstractSet[str], at_s: float) -> list[Wish]:
    """What the standing poisons ask for, counted from the last test of each; nothing where no kit measures it."""
    wishes = []
    for name in sorted(alarms & AT_ONCE.keys()):
        substance, after_s, why = AT_ONCE[name]
        tested_s = _last_of(substance, made, at_s)
        if tested_s is not None and substance in measures:
            wishes.append(Wish(tested_s + after_s, f"{why}: test {substance} again", (substance,)))
    return wishes


def of_sights(triggers: Sequence[Trigger], made: Sequence[Mark], measures: AbstractSet[str], at_s: float) -> list[Wish]:
    """What was seen and cannot wait, until the poisons were tested, or any test was made where no kit measures them.

    What is heard of late asks for a test now, not for one last week; a week later it asks no more.
    """
    wanted = set(POISONS) & measures
    return [
        Wish(max(t.at_s, t.heard_s), URGENT[t.what], POISONS)
        for t in triggers
        if t.what in URGENT and t.at_s <= at_s < max(t.at_s, t.heard_s) + LAPSES_S
        if not any(t.at_s < m.at_s <= at_s and (not wanted or wanted & set(m.measured)) for m in made)
    ]


def _last_of(substance: str, made: Sequence[Mark], at_s: float) -> float | None:
    return max((m.at_s for m in made if m.at_s <= at_s and substance in m.measured), default=None)


def of_what_runs_out(
    since_s: Mapping[str, float],
    made: Sequence[Mark],
    measures: AbstractSet[str],
    at_s: float,
    after_s: Callable[[float], float],
) -> list[Wish]:
    """What is to be watched more closely while it runs out, by standing alarm and since when that is known to stand.

    `after_s` makes a wait of a share between the intervals, counted from the last test of whatever: who tests nitrate
    and leaves the hardness out hears of it from its alarm, and no louder by this date.
    """
    tested_s = max((m.at_s for m in made if m.at_s <= at_s), default=None)
    wishes = []
    for name in sorted(since_s.keys() & RUNNING_OUT.keys()):
        substance, share, why = RUNNING_OUT[name]
        again_s = since_s[name] if tested_s is None else max(since_s[name], tested_s + after_s(share))
        if substance in measures:
            wishes.append(Wish(again_s, why, (substance,)))
    return wishes


def coarse(pads: Sequence[float], limit: float, units: Units = METRIC) -> str:
    """Why a third strip settles nothing where pads cannot tell both sides of the limit apart; empty where they can."""
    below, above = max((p for p in pads if p < limit), default=0.0), min((p for p in pads if p >= limit), default=0.0)
    if not above or above <= FINE_PADS * below:
        return ""
    return (
        f"pads at {below:g} and {above:g} are too coarse beside a limit of {units.say(limit, 'mg/L as NO3', 'g')} "
        "for a third strip to settle it"
    )


def overdue_sentence(late_s: float, since_s: float | None, *, others: bool = False) -> str:
    """How late the test is and when the last one was, both in seconds; None: there was none, or only of `others`."""
    if since_s is None:
        return "nitrate has never been tested" if others else "the water has never been tested"
    late = round(late_s / DAY_S)
    when = "since yesterday" if late <= 1 else f"for {late} days"
    days = round(since_s / DAY_S)
    ago = "yesterday" if days <= 1 else f"{days} days ago"
    return f"a water test has been due {when}; the last one was {ago}"
