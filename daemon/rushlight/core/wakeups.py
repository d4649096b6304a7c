"""When each tank wants to be looked at next, so that a tick asks the few that changed and not all of them.

An index over a state, made again from it at any time: nothing in it is worth keeping.  Asking a tank once too often
changes nothing but the time that takes; asking it once too seldom would, so whatever touches a tank says so here.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable


class Wakes:
    """The earliest of many wakes.  `ask(name, at_s)` gives a tank's next wake, Unix seconds, or None."""

    def __init__(self, names: Iterable[str], ask: Callable[[str, float], float | None]) -> None:
        self._ask = ask
        self._order = {name: n for n, name in enumerate(names)}
        self._wake_s: dict[str, float | None] = dict.fromkeys(self._order)
        self._heap: list[tuple[float, str]] = []
        self._looked_at: set[str] = set()
        self._unseen: set[str] = set()
        self.touched = set(self._order)
        """Changed since they were asked; add to it whatever an event touches."""

    def due(self, at_s: float) -> list[str]:
        """Whom a tick at `at_s` has to look at: whose time has come, and whoever was touched since the last."""
        found = self.touched | self._unseen
        while self._heap and self._heap[0][0] <= at_s:
            wake_s, name = heapq.heappop(self._heap)
            if wake_s == self._wake_s[name]:
                self._wake_s[name] = None
                found.add(name)
        self._looked_at |= found
        self.touched.clear()
        self._unseen.clear()
        return sorted(found, key=self._order.__getitem__)

    def earliest(self, at_s: float) -> float | None:
        """The earliest wake of all, not before `at_s`."""
        self._refresh(self._looked_at | self.touched, at_s)
        self._unseen |= self.touched
        self._looked_at.clear()
        self.touched.clear()
        again: set[str] = set()  # a wake that has passed is asked for once more: it may have been the last of its kind
        while self._heap:
            wake_s, name = self._heap[0]
            if wake_s != self._wake_s[name]:
                heapq.heappop(self._heap)
            elif wake_s <= at_s and name not in again:
                again.add(name)
                self._refresh([name], at_s)
            else:
                return max(wake_s, at_s)
        return None

    def _refresh(self, names: Iterable[str], at_s: float) -> None:
        for name in names:
            wake_s = self._ask(name, at_s)
            if wake_s != self._wake_s[name]:
                self._wake_s[name] = wake_s
                if wake_s is not None:
                    heapq.heappush(self._heap, (wake_s, name))
