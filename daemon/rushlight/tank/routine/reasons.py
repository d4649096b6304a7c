"""What brings the next test forward, how far, and why in words.  Pure; `next_test` makes a date of them."""

from __future__ import annotations

from collections.abc import Sequence

from rushlight.localtime import DAY_S
from rushlight.localunits import METRIC, Units
from rushlight.tank.routine.care import REPEAT

SURPRISED = "something was higher than expected: another test tells whether it was a slip or a drift"

URGENT = {
    "gasping": "fish were seen gasping",
    "dead_fish": "a fish died",
    "smell": "the water smells",
    "cloudy": "the water turned cloudy",
}
"""Sightings that ask for a test at once, whatever the shortest interval."""
SOON = {
    "algae": (1.0, "algae were seen"),
    "yellow_leaves": (3.0, "leaves turned yellow"),
    "stocking": (3.0, "new fish came in"),
    "harvest": (4.0, "plants were cut back"),
    "feed": (2.0, "more was fed than usual"),
}
"""Changes that ask for a test within so many days."""
AT_ONCE = {
    "chlorine_high": ("chlorine", 3600.0, "chlorine was in the water an hour ago"),
    "ammonia_high": ("ammonia", DAY_S, "ammonia was above its limit"),
    "nitrite_high": ("nitrite", DAY_S, "nitrite was above its limit"),
}
"""Standing alarms that ask for a test of one substance so long after its last, whatever the shortest interval."""


def at_once_why(alarm: str) -> str:
    """What such an alarm asks for."""
    substance, _, why = AT_ONCE[alarm]
    return f"{why}: test {substance} again"


CALL_SITTER = "The water is to be tested. Do not feed more than agreed, then call"
MISFIT = "the last reading fits nothing that came before it; test again now, with three strips within a minute"
PRESSING = {
    "chlorine_high": (0.0, "chlorine was in the water"),
    "ammonia_high": (0.0, "ammonia was above its limit"),
    "nitrite_high": (0.0, "nitrite was above its limit"),
    "nitrate_high": (0.5, "nitrate stands above its limit"),
    "nitrate_rising": (0.5, "nitrate is on its way to its limit"),
    "uptake_behind": (0.7, "plants do not keep up with the feed"),
    "alkalinity_low": (0.5, "carbonate hardness is running out"),
    "lamp_off": (0.5, "the lamp is not on its schedule"),
    "lamp_dimming": (0.5, "the lamp gives less light than it did"),
    "light_low": (0.5, "the plants got too little light"),
    "growth_slowing": (0.7, "the plants grow more slowly than they did"),
    "light_probe_fouled": (0.7, "the light probe cannot be trusted"),
    "probe_fault": (0.5, "a probe cannot be trusted, so the test is the only witness"),
    "probe_silent": (0.7, "a probe is silent, so the test is the only witness"),
}
"""Standing alarms: how far between the shortest and the longest interval the next test may lie."""
OF_OTHERS = {
    **dict.fromkeys(URGENT.values(), ("ammonia", "nitrite")),
    **{at_once_why(name): (told[0],) for name, told in AT_ONCE.items()},
    REPEAT["kh"]: ("kh", "ph", "ammonia"),
    PRESSING["alkalinity_low"][1]: ("kh",),
}
"""Of which substances a test is that is asked for so, where that is not nitrate."""
FINE_PADS = 1.25
"""Pads whose values lie no further apart than by this factor are as fine as a strip's reading error."""


def coarse(pads: Sequence[float], limit: float, units: Units = METRIC) -> str:
    """Why a third strip settles nothing where pads cannot tell both sides of the limit apart; empty where they can."""
    below, above = max((p for p in pads if p < limit), default=0.0), min((p for p in pads if p >= limit), default=0.0)
    if not above or above <= FINE_PADS * below:
        return ""
    return (
        f"pads at {below:g} and {above:g} are too coarse beside a limit of {units.say(limit, 'mg/L as NO3', 'g')} "
        "for a third strip to settle it"
    )


def overdue_sentence(late_s: float, since_s: float | None) -> str:
    """How late the test is and when the last one was, both in seconds; None: there was none."""
    if since_s is None:
        return "the water has never been tested"
    late = round(late_s / DAY_S)
    when = "since yesterday" if late <= 1 else f"for {late} days"
    days = round(since_s / DAY_S)
    ago = "yesterday" if days <= 1 else f"{days} days ago"
    return f"a water test has been due {when}; the last one was {ago}"
