"""Feeds events to the core in the one order that counts, with time's own ticks in between.

Live, in replay and when the journal is read back after a restart, events pass through here, so all three
agree: an event acts when it arrived, a tick acts when the core asked to be woken, and events of the same
instant act in an order that is theirs, not the line's they came in on.
"""

from __future__ import annotations

import dataclasses
import heapq
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from rushlight.events import Event, Reading, Started, TankEvent, Tick

if TYPE_CHECKING:
    from rushlight.core.step import Core, SiteState
    from rushlight.effects import Effect

_MOST_TICKS = 1_000
"""A core that asks to be woken so often without time moving on is stuck; better loud than hung."""


class Timeline:
    """A core, its state, and the moment both have reached."""

    def __init__(self, core: Core, state: SiteState) -> None:
        self.core, self.state = core, state

    def advance(self, to_s: float) -> list[Effect]:
        """Let time pass up to `to_s`: every wake the core asked for, in order."""
        effects: list[Effect] = []
        ticks, last_s = 0, None
        while (wake_s := self.state.wake_s) is not None and wake_s <= to_s:
            ticks = ticks + 1 if wake_s == last_s else 0
            last_s = wake_s
            if ticks > _MOST_TICKS:
                raise RuntimeError(f"the core asks again and again to be woken at {wake_s}")
            effects += self.core.step(self.state, Tick(at_s=wake_s))[1]
        return effects

    def feed(self, event: Event) -> list[Effect]:
        """One event, after the ticks that were due before it; those of a time when nobody watched are left out."""
        if type(event) is Started:
            return self.advance(event.reached_s) + self.core.start(self.state, event.arrived_s)
        wake_s = self.state.wake_s
        if wake_s is not None and wake_s <= event.arrived_s:
            effects = self.advance(event.arrived_s)
            effects += self.core.step(self.state, event)[1]
            return effects
        return self.core.step(self.state, event)[1]

    def run(self, events: Iterable[Event]) -> Iterator[Effect]:
        """All of `events`, sorted by arrival as far as they come sorted by `at`."""
        for event in by_arrival(events):
            yield from self.feed(event)


def by_arrival(events: Iterable[Event]) -> Iterator[Event]:
    """Events in the order in which they arrived, given them in the order in which they were done.

    An event that stands before an earlier one without saying when it arrived is taken to have arrived when
    the line before it did: out of order is late, not wrong.
    """
    waiting: list[tuple[float, tuple[object, ...], int, Event]] = []
    reached_s = float("-inf")
    for n, event in enumerate(events):
        arrived_s = max(event.arrived_s, reached_s) if not event.received_s else event.received_s
        if event.at_s > reached_s:
            reached_s = event.at_s
            while waiting and waiting[0][0] < reached_s:
                yield _arriving(waiting[0][0], heapq.heappop(waiting)[3])
        heapq.heappush(waiting, (arrived_s, _rank(event), n, event))
    while waiting:
        yield _arriving(waiting[0][0], heapq.heappop(waiting)[3])


def _arriving(arrived_s: float, event: Event) -> Event:
    if event.arrived_s == arrived_s:
        return event
    return dataclasses.replace(event, received_s=arrived_s)


def _rank(event: Event) -> tuple[object, ...]:
    """Orders events of one instant: readings by probe, then what people did, each by its own content."""
    if type(event) is Reading:
        value = event.value
        return (0, event.probe, value is None, value or 0.0, event.at_s, event.id)
    return (1, event.kind, event.tank if isinstance(event, TankEvent) else "", event.at_s, event.id, repr(event))
