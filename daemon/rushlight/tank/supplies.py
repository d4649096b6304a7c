"""Test strips: how many are left, how long they stay good, and when to buy more.

Owns the finding `strips_low`.  Counts from the configuration's pack (`testing.strips`, `testing.opened_on`) down, one
strip for each strip test, half a strip where the test's note says so.  Never decides when to test.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from rushlight.alarms.finding import Finding, Says
from rushlight.events import TankEvent, Test
from rushlight.settings import Kit, Tank

DAY_S = 86400.0
ENOUGH_DAYS = 14.0
"""A pack that lasts for less is running out; buying takes a week or two."""
PACE_TESTS = 6
_HALF = re.compile(r"\bhal(f|ves)\b", re.IGNORECASE)


@dataclass(slots=True)
class StripUse:
    """One strip test: when, and how much of a strip it took."""

    at_s: float
    id: str
    strips: float


@dataclass(slots=True)
class SuppliesState:
    """Every strip test since the pack was opened, oldest first."""

    used: list[StripUse] = field(default_factory=list)


class SuppliesWatch:
    """Settings of one tank's strips; what it remembers is in a `SuppliesState`."""

    def __init__(self, tank: Tank, kits: Sequence[Kit]) -> None:
        self.tank = tank
        self._kit = tank.testing.kit or kits[0].id
        opened = tank.testing.opened_on
        self._opened_s = None if opened is None else dt.datetime.combine(opened, dt.time(), dt.UTC).timestamp()

    def initial(self) -> SuppliesState:
        """No strip used yet."""
        return SuppliesState()

    def on_fact(self, state: SuppliesState, event: TankEvent) -> None:
        """A manual entry; only strip tests with this tank's kit take a strip."""
        self.void(state, event.id)
        if not isinstance(event, Test) or event.method != "strip" or event.kit not in ("", self._kit):
            return
        if self._opened_s is not None and event.at_s < self._opened_s:
            return
        use = StripUse(event.at_s, event.id, 0.5 if _HALF.search(event.note) else 1.0)
        state.used = sorted([*state.used, use], key=lambda u: (u.at_s, u.id))

    def void(self, state: SuppliesState, event_id: str) -> None:
        """That entry never was."""
        if event_id:
            state.used = [u for u in state.used if u.id != event_id]

    def left(self, state: SuppliesState) -> float | None:
        """Strips left in the pack, never below 0; None if they are not counted."""
        if self.tank.testing.strips is None:
            return None
        return max(0.0, self.tank.testing.strips - sum(u.strips for u in state.used))

    def strips_per_day(self, state: SuppliesState) -> float:
        """The present pace: the median interval and use of the last few tests, else one in the longest interval."""
        recent = state.used[-PACE_TESTS:]
        gaps = [b.at_s - a.at_s for a, b in pairwise(recent) if b.at_s > a.at_s]
        if len(gaps) < 2:
            return 1.0 / self.tank.testing.longest_days
        return median(u.strips for u in recent) / (median(gaps) / DAY_S)

    def shelf_ends_s(self) -> float | None:
        """When the open pack is past its shelf life; None if its opening is not known."""
        return None if self._opened_s is None else self._opened_s + self.tank.testing.shelf_days * DAY_S

    def reorder_at_s(self, state: SuppliesState, at_s: float) -> float | None:
        """When to buy the next pack: two weeks before the last strip or the end of the shelf life; None: not known."""
        left, shelf_s = self.left(state), self.shelf_ends_s()
        ends = [] if shelf_s is None else [shelf_s]
        if left is not None:
            ends.append(at_s + left / self.strips_per_day(state) * DAY_S)
        return min(ends) - ENOUGH_DAYS * DAY_S if ends else None

    def next_wake(self, state: SuppliesState, at_s: float) -> float | None:
        """When the shelf life ends, if that is to come."""
        del state
        shelf_s = self.shelf_ends_s()
        return shelf_s if shelf_s is not None and shelf_s > at_s else None

    def findings(self, state: SuppliesState, at_s: float) -> list[Finding]:
        """`strips_low`: fewer strips than two weeks need, or a pack past its shelf life."""
        left, shelf_s = self.left(state), self.shelf_ends_s()
        if left is None and shelf_s is None:
            return []
        needed = self.strips_per_day(state) * ENOUGH_DAYS
        few = left is not None and left < needed
        stale = shelf_s is not None and at_s >= shelf_s
        says: Says = "raise" if few or stale else "clear"
        facts = {
            "strips_left": left,
            "strips_for_two_weeks": round(needed, 1),
            "shelf_ends_s": shelf_s,
            "reorder_at_s": self.reorder_at_s(state, at_s),
            "sentence": self._sentence(left, stale=stale),
        }
        return [Finding(alarm="strips_low", tank=self.tank.id, says=says, facts=facts)]

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
