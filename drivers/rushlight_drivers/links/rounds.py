"""Takes turns: visits each of several slow devices on one link, as many as fit before a deadline.

Owns the order, so that a device that eats all the time once does not starve those behind it for ever.  Never
touches a device.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Generic, TypeVar

from rushlight_drivers.contract import Monotonic

T = TypeVar("T")


class Round(Generic[T]):
    """`items` in turn; each pass goes on where the last one had to stop."""

    def __init__(self, items: Sequence[T], monotonic: Monotonic) -> None:
        self.items = tuple(items)
        self._monotonic = monotonic
        self._next = 0

    def until(self, deadline_s: float) -> Iterator[T]:
        """Each item at most once, as long as `deadline_s` has not come; the first one always."""
        for n in range(len(self.items)):
            if n and self._monotonic() >= deadline_s:
                return
            item = self.items[self._next]
            self._next = (self._next + 1) % len(self.items)
            yield item
