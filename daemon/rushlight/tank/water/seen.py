"""What was seen of fish and leaves, against what was tested since: fish in distress, and plants that may starve.

Owns the findings `fish_in_distress` and `nitrate_low`.  Works out no chemistry.  The answer depends on the entries
alone, never on the order in which they arrived.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from rushlight.alarms.evidence import DistressEvidence, WantEvidence
from rushlight.alarms.finding import Finding, Says
from rushlight.events import Sighting, TankEvent, Test
from rushlight.localtime import DAY_S
from rushlight.science.measuring.units import read_reported
from rushlight.settings import Kit, Tank
from rushlight.tank.kits.reading import measurable

KEEP_S = 200 * DAY_S
DISTRESS = {"gasping": "fish were seen gasping", "dead_fish": "a dead fish was found"}
DISTRESS_S = 3 * DAY_S
"""A sighting that no test followed is over after this (own choice)."""
NOUGHT_MG_L = 1.0
"""Nitrate at or below this is nought; no kit tells it from none (own choice)."""
NOUGHT_S, NOUGHT_TESTS = 21 * DAY_S, 3  # own choice
WANT_S = 42 * DAY_S
"""Yellow leaves count for so long (own choice)."""


@dataclass(slots=True)
class Sight:
    """One sighting."""

    at_s: float
    id: str
    what: str


@dataclass(slots=True)
class Tried:
    """One test: what it measured, and nitrate in mg/L as NO3 where it did; what lies below a kit's range is nought."""

    at_s: float
    id: str
    measured: list[str]
    nitrate: float | None = None


@dataclass(slots=True)
class SeenState:
    """Sightings and tests of the last months, oldest first."""

    sights: list[Sight] = field(default_factory=list)
    tests: list[Tried] = field(default_factory=list)


STARVING = (
    "Old leaves first: nitrogen is short. Their edges only: potassium, which fish feed is short of. "
    "Young leaves: iron. Light is not the only lack"
)
"""Keys of extension pages; potassium in feed by balance (feed brings 0.78 of the need where it brings all nitrogen)."""

T = TypeVar("T", Sight, Tried)


class SeenWatch:
    """One tank's sightings; what it remembers is in a `SeenState`."""

    def __init__(self, tank: Tank, kits: Sequence[Kit]) -> None:
        self.tank = tank
        self.measures = measurable(kits)

    def initial(self) -> SeenState:
        """Nothing seen."""
        return SeenState()

    def on_fact(self, state: SeenState, event: TankEvent) -> None:
        """A sighting or a test, possibly late; one with a known id replaces the old one."""
        self.void(state, event.id)
        if isinstance(event, Sighting):
            state.sights = _kept([*state.sights, Sight(event.at_s, event.id, event.what)])
        elif isinstance(event, Test):
            nitrate = None
            if "nitrate" in event.values:
                amount = read_reported("nitrate", event.values["nitrate"], event.units.get("nitrate", ""))
                nitrate = 0.0 if amount.bound == "<" else amount.value
            state.tests = _kept([*state.tests, Tried(event.at_s, event.id, sorted(event.values), nitrate)])

    def void(self, state: SeenState, event_id: str) -> None:
        """That entry never was."""
        if event_id:
            state.sights = [s for s in state.sights if s.id != event_id]
            state.tests = [t for t in state.tests if t.id != event_id]

    def distress(self, state: SeenState, at_s: float) -> Sight | None:
        """The latest sighting of fish in distress that no test of the water has followed; None if all is well."""
        last = next((s for s in reversed(state.sights) if s.what in DISTRESS and s.at_s <= at_s), None)
        if last is None or at_s - last.at_s >= DISTRESS_S:
            return None
        wanted = {"ammonia", "nitrite"} & self.measures
        done = any(t.at_s >= last.at_s and (not wanted or wanted & set(t.measured)) for t in state.tests)
        return None if done else last

    def next_wake(self, state: SeenState, at_s: float) -> float | None:
        """When a sighting runs out, if that is to come."""
        last = self.distress(state, at_s)
        return None if last is None else last.at_s + DISTRESS_S

    def findings(self, state: SeenState, at_s: float) -> list[Finding]:
        """The word on both alarms; what to do about fish is said by whoever knows the water."""
        return [self._distress(state, at_s), self._starving(state, at_s)]

    def _distress(self, state: SeenState, at_s: float) -> Finding:
        last = self.distress(state, at_s)
        if last is None:
            return Finding(alarm="fish_in_distress", tank=self.tank.id, says="clear")
        alike = [s for s in state.sights if s.what in DISTRESS and at_s - DISTRESS_S < s.at_s <= at_s]
        told = DistressEvidence(seen=last.what, seen_at_s=last.at_s, times=len(alike), sentence=DISTRESS[last.what])
        return Finding(alarm="fish_in_distress", tank=self.tank.id, says="raise", evidence=told)

    def _starving(self, state: SeenState, at_s: float) -> Finding:
        tested = [t for t in state.tests if t.nitrate is not None and t.at_s <= at_s]
        since = _nought_since(tested)
        yellow = [s for s in state.sights if s.what == "yellow_leaves" and s.at_s <= at_s]
        lately = [s for s in yellow if at_s - s.at_s < WANT_S]
        if since is None or not lately:
            return Finding(alarm="nitrate_low", tank=self.tank.id, says="clear")
        number = sum(t.at_s >= since for t in tested)
        says: Says = "raise" if at_s - since >= NOUGHT_S and number >= NOUGHT_TESTS else "hold"
        weeks, times = (at_s - since) / (7 * DAY_S), sum(s.at_s >= since for s in yellow)
        often = "" if times <= 1 else f" {times} times" if times > 2 else " twice"
        told = WantEvidence(
            nought_since_s=since,
            nought_weeks=round(weeks, 1),
            tests=number,
            sightings=times,
            sentence=f"nitrate has been at nought for {weeks:.0f} weeks, and leaves turned yellow{often}",
            cause_sentence=STARVING,
        )
        return Finding(alarm="nitrate_low", tank=self.tank.id, says=says, evidence=told)


def _nought_since(tested: Sequence[Tried]) -> float | None:
    """Since when every test found no nitrate; None where the last one found some."""
    since = None
    for test in reversed(tested):
        if test.nitrate is None or test.nitrate > NOUGHT_MG_L:
            break
        since = test.at_s
    return since


def _kept(entries: list[T]) -> list[T]:
    entries.sort(key=lambda e: (e.at_s, e.id))
    return [e for e in entries if e.at_s > entries[-1].at_s - KEEP_S]
