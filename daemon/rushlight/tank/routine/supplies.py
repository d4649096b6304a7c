"""Test strips: how many are left, how long they stay good, and when to buy more.

Owns the finding `strips_low`.  Counts the open pack down, one strip for each strip test, half a strip where the test's
note says so.  The open pack is the one last entered, or the configuration's (`testing.strips`, `testing.opened_on`)
where that is newer.  Never decides when to test.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from rushlight.alarms.evidence import StripsEvidence
from rushlight.alarms.finding import Finding, Says
from rushlight.events import KitCheck, Pack, TankEvent, Test
from rushlight.localtime import DAY_S
from rushlight.settings import Kit, Tank

ENOUGH_DAYS = 14.0
"""A pack that lasts for less is running out; buying takes a week or two (own choice)."""
PACE_TESTS = 6
ONE_TEST_S = 6 * 3600.0
"""Strips within so long of the first are one test (own choice)."""
KEEP_DAYS = 400.0
"""What is older can't be corrected any more: it is kept as a sum (own choice)."""
_HALF = re.compile(r"\bhal(f|ves)\b", re.IGNORECASE)


@dataclass(slots=True)
class StripUse:
    """One strip test: when, and how much of a strip it took."""

    at_s: float
    id: str
    strips: float


@dataclass(slots=True)
class Opened:
    """A pack: when it was opened (None: not known), and how many strips were in it (None: they are not counted)."""

    at_s: float | None
    id: str
    strips: float | None


@dataclass(slots=True)
class SuppliesState:
    """The strip tests and packs of the last `KEEP_DAYS`, oldest first, and what the pack open then gave before that."""

    used: list[StripUse] = field(default_factory=list)
    packs: list[Opened] = field(default_factory=list)
    spent: float = 0.0
    """Strips that the pack open at `spent_until_s` gave before."""
    spent_until_s: float = 0.0


class SuppliesWatch:
    """Settings of one tank's strips; what it remembers is in a `SuppliesState`."""

    def __init__(self, tank: Tank, kits: Sequence[Kit]) -> None:
        self.tank = tank
        self._kit = tank.testing.kit or kits[0].id
        self._strips = any(k.id == self._kit and k.method == "strip" for k in kits)
        opened = tank.testing.opened_on
        opened_s = None if opened is None else dt.datetime.combine(opened, dt.time(), dt.UTC).timestamp()
        self._first = Opened(opened_s, "", tank.testing.strips)

    def initial(self) -> SuppliesState:
        """No strip used yet."""
        return SuppliesState()

    def on_fact(self, state: SuppliesState, event: TankEvent) -> None:
        """A manual entry: a pack opened, or a strip test; only those with this tank's kit take a strip."""
        self.void(state, event.id)
        if isinstance(event, Pack):
            state.packs = sorted([*state.packs, Opened(event.at_s, event.id, event.strips)], key=_when)
        elif isinstance(event, Test) and event.method == "strip" and event.kit in ("", self._kit):
            use = StripUse(event.at_s, event.id, 0.5 if _HALF.search(event.note) else 1.0)
            state.used = sorted([*state.used, use], key=_when)
        else:
            return
        self._fold(state)

    def on_check(self, state: SuppliesState, event: KitCheck) -> None:
        """Strips dipped in known solutions, one a standard; a kit of another kind takes none."""
        self.void(state, event.id)
        if event.kit == self._kit and self._strips:
            use = StripUse(event.at_s, event.id, float(len(event.standards)))
            state.used = sorted([*state.used, use], key=_when)
            self._fold(state)

    def void(self, state: SuppliesState, event_id: str) -> None:
        """That entry never was."""
        if event_id:
            state.used = [u for u in state.used if u.id != event_id]
            state.packs = [p for p in state.packs if p.id != event_id]

    def open_pack(self, state: SuppliesState) -> Opened:
        """The pack that strips are taken from."""
        return self._open_at(state, math.inf)

    def _open_at(self, state: SuppliesState, at_s: float) -> Opened:
        """The pack that strips were taken from then."""
        packs = [p for p in (self._first, *state.packs) if _when(p)[0] < at_s]
        return max(packs, key=_when, default=self._first)

    def _fold(self, state: SuppliesState) -> None:
        """Keep of what is old enough to stand only the sum."""
        newest_s = max([u.at_s for u in state.used[-1:]] + [p.at_s or 0.0 for p in state.packs[-1:]])
        until_s = max(state.spent_until_s, newest_s - KEEP_DAYS * DAY_S)
        then = self._open_at(state, until_s)  # not the one open now, which may yet turn out never to have been
        opened_s = then.at_s or 0.0
        before = 0.0 if opened_s >= state.spent_until_s else state.spent
        state.spent = before + sum(u.strips for u in state.used if opened_s <= u.at_s < until_s)
        state.spent_until_s = until_s
        state.used = [u for u in state.used if u.at_s >= until_s]
        state.packs = [p for p in state.packs if p == then or _when(p)[0] >= until_s]

    def left(self, state: SuppliesState) -> float | None:
        """Strips left in the pack, never below 0; None if they are not counted."""
        pack = self.open_pack(state)
        if pack.strips is None:
            return None
        opened_s = pack.at_s or 0.0
        before = state.spent if opened_s < state.spent_until_s else 0.0
        return max(0.0, pack.strips - before - sum(u.strips for u in state.used if u.at_s >= opened_s))

    def strips_per_day(self, state: SuppliesState) -> float:
        """The present pace: the median interval and use of the last few tests, else one in the longest interval.

        Strips dipped one after another are one test: three to be sure of a colour are no pace of three a minute.
        """
        tests = list[StripUse]()
        for use in state.used[-4 * PACE_TESTS :]:
            if tests and use.at_s - tests[-1].at_s < ONE_TEST_S:
                tests[-1] = StripUse(tests[-1].at_s, tests[-1].id, tests[-1].strips + use.strips)
            else:
                tests.append(use)
        recent = tests[-PACE_TESTS:]
        gaps = [b.at_s - a.at_s for a, b in pairwise(recent)]
        if len(gaps) < 2:
            return 1.0 / self.tank.testing.longest_days
        return median(u.strips for u in recent) / (median(gaps) / DAY_S)

    def shelf_ends_s(self, state: SuppliesState) -> float | None:
        """When the open pack is past its shelf life; None if its opening is not known."""
        opened_s = self.open_pack(state).at_s
        return None if opened_s is None else opened_s + self.tank.testing.shelf_days * DAY_S

    def reorder_at_s(self, state: SuppliesState, at_s: float) -> float | None:
        """When to buy the next pack: two weeks before the last strip or the end of the shelf life; None: not known."""
        left, shelf_s = self.left(state), self.shelf_ends_s(state)
        ends = [] if shelf_s is None else [shelf_s]
        if left is not None:
            ends.append(at_s + left / self.strips_per_day(state) * DAY_S)
        return min(ends) - ENOUGH_DAYS * DAY_S if ends else None

    def next_wake(self, state: SuppliesState, at_s: float) -> float | None:
        """When the shelf life ends, if that is to come."""
        shelf_s = self.shelf_ends_s(state)
        return shelf_s if shelf_s is not None and shelf_s > at_s else None

    def findings(self, state: SuppliesState, at_s: float) -> list[Finding]:
        """`strips_low`: fewer strips than two weeks need, or a pack past its shelf life."""
        left, shelf_s = self.left(state), self.shelf_ends_s(state)
        if left is None and shelf_s is None:
            return []
        needed = self.strips_per_day(state) * ENOUGH_DAYS
        few = left is not None and left < needed
        stale = shelf_s is not None and at_s >= shelf_s
        says: Says = "raise" if few or stale else "clear"
        evidence = StripsEvidence(
            strips_left=left,
            strips_for_two_weeks=round(needed, 1),
            shelf_ends_s=shelf_s,
            reorder_at_s=self.reorder_at_s(state, at_s),
            sentence=self._sentence(left, stale=stale),
        )
        return [Finding(alarm="strips_low", tank=self.tank.id, says=says, evidence=evidence)]

    def _sentence(self, left: float | None, *, stale: bool) -> str:
        parts = []
        if left is not None:
            parts.append(
                "no test strips are left"
                if left < 0.5
                else f"{left:g} test strip{' is' if left <= 1 else 's are'} left"
            )
        if stale:
            parts.append(f"the open pack is past its {self.tank.testing.shelf_days:g} days")
        return " and ".join(parts)


def _when(entry: StripUse | Opened) -> tuple[float, str]:
    """The order of entries: by time, then by id; what was opened nobody knows when comes first."""
    return (-math.inf if entry.at_s is None else entry.at_s, entry.id)
