"""Test plans that come with what is done to a tank: power cuts, filter work, treatments, and being new.

Owns which substances are to be tested on which days, and why.  `next_test` makes the next date of it; page and command
show the plan as it stands.  Days and substances are common practice, no source, on this ground: the bacteria of the
filter suffer without oxygen, when washed, and from remedies, and what they leave undone shows as ammonia within a day
and as nitrite within a week.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from rushlight.entry import firstaid
from rushlight.events import FilterWork, Outage, TankEvent, Test, Treatment
from rushlight.localtime import DAY_S
from rushlight.science.measuring.units import read_reported
from rushlight.settings import Substance

FOLLOW = (1.0, 3.0, 7.0)
POISONS: tuple[Substance, ...] = ("ammonia", "nitrite")
NEW_EVERY_S, NEW_NOUGHT_S, NEW_ENDS_S = 2 * DAY_S, 14 * DAY_S, 120 * DAY_S
"""A new tank: every other day until both poisons have been nought for two weeks; at most so long (own choice)."""
EARLY_S = DAY_S / 2
"""A test so long before its day still counts for it (own choice)."""
LAPSES_S = 7 * DAY_S
"""A planned test that was never made is given up so long after the plan's last day (own choice)."""
REPEAT = {
    "kh": ("KH read far lower than before: test it again now, and pH and ammonia with it", ("kh", "ph", "ammonia"))
}
"""Of a substance whose last reading is not believed: what is said, and what the next test is of."""
FILTER_WHY = {
    "cleaned": "the filter was cleaned",
    "replaced": "the filter or its material was replaced",
    "stopped": "the filter was stopped",
    "started": "the filter was started again",
}


@dataclass(frozen=True, slots=True, order=True)
class Wish:
    """A date that something asks for, why, and of which substances the test is where that is not nitrate.

    `why` carries no figure that moves from hour to hour: the date stands for days, and beside it the page tells the
    chance of this moment.
    """

    at_s: float
    why: str
    of: tuple[str, ...] = ()


@dataclass(slots=True)
class Cause:
    """What brought a plan: the days after `at_s` on which to test, and why."""

    at_s: float
    id: str
    heard_s: float
    days: list[float]
    why: str
    aid: str = ""
    """What to do on the spot."""


@dataclass(frozen=True, slots=True, order=True)
class Mark:
    """A test that was made: what it measured, and whether all ammonia and nitrite in it was nought."""

    at_s: float
    id: str
    measured: tuple[str, ...]
    nought: bool

    def any_of(self, substances: Iterable[str]) -> bool:
        """Whether it measured one of these."""
        return any(s in self.measured for s in substances)


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One planned test: when, what, why, and whether it has been made; `cannot` names what no kit here measures."""

    at_s: float
    substances: tuple[str, ...]
    why: str
    done: bool
    cannot: tuple[str, ...] = ()


def cause_of(event: TankEvent) -> Cause | None:
    """The plan that an entry brings; None for one that brings none."""
    match event:
        case Outage() if event.minutes >= firstaid.SHORT_OUTAGE_MIN:
            hours = event.minutes / 60.0
            why, days = f"power was out for {hours:.0f} h", list(FOLLOW)
        case FilterWork():
            why, days = FILTER_WHY[event.what], list(FOLLOW)
        case Treatment():
            ends = math.ceil(event.days or 0.0)
            days = sorted({*FOLLOW, *(ends + d for d in FOLLOW)} if ends else {*FOLLOW})
            why = f"{event.what.strip()} was given"
        case _:
            return None
    return Cause(event.at_s, event.id, event.arrived_s, days, why, firstaid.of(event))


def first_aid(causes: Sequence[Cause], marks: Sequence[Mark], at_s: float) -> tuple[str, str] | None:
    """Why, and what to do on the spot, of what was done last; None once the poisons were tested or a day is over."""
    for cause in reversed(causes):
        if cause.aid and cause.at_s <= at_s < cause.at_s + firstaid.LASTS_S:
            tested = any(cause.at_s < m.at_s <= at_s and m.any_of(POISONS) for m in marks)
            return None if tested else (f"{cause.why[:1].upper()}{cause.why[1:]}.", cause.aid)
    return None


def mark_of(test: Test) -> Mark:
    """What the routine remembers of a test."""
    noughts = []
    for name in POISONS:
        if name in test.values:
            amount = read_reported(name, test.values[name], test.units.get(name, ""))
            noughts.append(amount.bound == "<" or amount.value == 0.0)
    return Mark(test.at_s, test.id, tuple(sorted(test.values)), bool(noughts) and all(noughts))


def repeats(asked: Sequence[tuple[float, str]], marks: Sequence[Mark], at_s: float) -> list[Wish]:
    """Tests to be made again at once, of those `asked` for (when, and of which substance)."""
    return [
        Wish(since_s, *REPEAT[substance])
        for since_s, substance in asked
        if since_s <= at_s < since_s + LAPSES_S
        and not any(since_s < m.at_s <= at_s and substance in m.measured for m in marks)
    ]


def plan(
    causes: Sequence[Cause], marks: Sequence[Mark], at_s: float, measures: AbstractSet[str], started_s: float | None
) -> list[Planned]:
    """Every planned test that still matters at `at_s`, by date, made or not; `started_s`: when the tank was set up."""
    wanted = tuple(s for s in POISONS if s in measures)
    cannot = tuple(s for s in POISONS if s not in measures)
    found = [
        Planned(
            at_s=max(day_s, cause.heard_s),
            substances=POISONS,
            why=f"{cause.why}, day {day:g}",
            done=_done(marks, day_s, wanted, at_s),
            cannot=cannot,
        )
        for cause in causes
        if cause.at_s <= at_s < cause.at_s + cause.days[-1] * DAY_S + LAPSES_S
        for day in cause.days
        for day_s in [cause.at_s + day * DAY_S]
    ]
    found += _new_tank(marks, at_s, cannot, started_s)
    return sorted(found, key=lambda p: (p.at_s, p.why))


def due(planned: Sequence[Planned]) -> Planned | None:
    """The first test that has not been made and can be made with the kits there are."""
    return next((p for p in planned if not p.done and len(p.cannot) < len(p.substances)), None)


def _done(marks: Sequence[Mark], day_s: float, wanted: tuple[str, ...], at_s: float) -> bool:
    """Whether all that can be measured was, on that day or later."""
    return any(day_s - EARLY_S <= m.at_s <= at_s and set(wanted) <= set(m.measured) for m in marks if m.any_of(POISONS))


def _new_tank(
    marks: Sequence[Mark], at_s: float, cannot: tuple[str, ...], started_s: float | None
) -> Iterator[Planned]:
    """The next test of a tank that is not run in yet."""
    if started_s is None or not started_s <= at_s < started_s + NEW_ENDS_S:
        return
    own = [m for m in marks if started_s <= m.at_s <= at_s and m.any_of(POISONS)]
    nought_since = None
    for mark in own:
        nought_since = (nought_since if nought_since is not None else mark.at_s) if mark.nought else None
    if nought_since is not None and own[-1].at_s - nought_since >= NEW_NOUGHT_S:
        return
    last_s = own[-1].at_s if own else started_s
    why = "the tank is new: every other day until both have been nought for two weeks"
    yield Planned(at_s=last_s + NEW_EVERY_S, substances=POISONS, why=why, done=False, cannot=cannot)
