"""One thread a link: opens it, polls it, reopens it when it is lost, and hands on what it says.

Owns threads and back-off.  Never judges a value, never decides that a probe is silent (the core does), and
never lets one link wait for another.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import rushlight_drivers
from rushlight.clock import Clock
from rushlight.settings import Probe
from rushlight_drivers import Channel, Driver, DriverSpec, LinkError, Sample

log = logging.getLogger(__name__)

FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 30.0
_STREAM_POLL_S = 1.0
_POLL_TIMEOUT_S = 10.0
_LONGEST_PAUSE_S = 5.0
_EARLY = 0.02
"""A value that comes this part of a period early still counts for it."""


@dataclass(frozen=True, slots=True)
class Link:
    """One wire and the channels behind it."""

    name: str
    spec: DriverSpec
    channels: tuple[Channel, ...]

    @property
    def every_s(self) -> float:
        return min(c.every_s for c in self.channels)


def links(probes: Sequence[Probe]) -> list[Link]:
    """Group probes that share a wire; probes fed by import alone (`none`) have no link."""
    groups: dict[tuple[str, str], list[Channel]] = {}
    for p in probes:
        if p.driver == "none":
            continue
        spec = rushlight_drivers.load(p.driver)
        key = (p.driver, spec.link_of(p.options))
        channel = Channel(p.id, p.options, p.quantity, p.unit, p.every_seconds)
        groups.setdefault(key, []).append(channel)
    return [
        Link(f"{driver}:{link}", rushlight_drivers.load(driver), tuple(channels))
        for (driver, link), channels in groups.items()
    ]


class Thinner:
    """Keeps one value per channel and `every_s` of a device that talks faster; never thins trouble away.

    The first sample of each period is kept as it came: no mean, no smoothing.
    """

    def __init__(self, channels: Sequence[Channel]) -> None:
        self._every_s = {c.name: c.every_s for c in channels}
        self._next_s: dict[str, float] = {}
        self._trouble: dict[str, str] = {}

    def keep(self, samples: Sequence[Sample]) -> Iterator[Sample]:
        for s in samples:
            every_s, due_s = self._every_s.get(s.channel, 60.0), self._next_s.get(s.channel)
            changed = s.trouble != self._trouble.get(s.channel, "")
            if due_s is not None and s.mono_s < due_s - _EARLY * every_s and not changed:
                continue
            # The next is due a period after this one was due, so that a device a little slow does not drift.
            on_time = due_s is not None and not changed and s.mono_s < due_s + every_s
            self._next_s[s.channel] = (due_s if on_time and due_s is not None else s.mono_s) + every_s
            self._trouble[s.channel] = s.trouble
            yield s


class LinkWorker(threading.Thread):
    """Polls one link until `stop` is set.

    `hand(link, samples)` must not block for long; `progress()` is called at least every ten seconds while the
    worker is alive and not stuck in a poll.
    """

    def __init__(
        self,
        link: Link,
        clock: Clock,
        stop: threading.Event,
        hand: Callable[[Sequence[Sample]], None],
        progress: Callable[[], None],
    ) -> None:
        super().__init__(name=f"link {link.name}", daemon=True)
        self.link, self.clock, self.stop = link, clock, stop
        self.hand, self.progress = hand, progress
        self.driver: Driver = link.spec.build(link.channels, clock.mono_s)
        self._said = ""
        self._thinner = Thinner(link.channels)
        self._is_open = False
        self._opened_at_s = self._next_s = clock.mono_s()
        self._wait_s = FIRST_WAIT_S

    def run(self) -> None:
        try:
            while not self.stop.is_set():
                self.progress()
                if wait_s := self.turn():
                    self._pause(min(wait_s, _LONGEST_PAUSE_S))
        finally:
            self.driver.close()

    def turn(self) -> float:
        """Open the link if it is not open, and poll it once, if the time has come; returns the seconds until then.

        The thread calls this and waits in between; whoever brings time of his own may call it without a thread.
        """
        if (wait_s := self._next_s - self.clock.mono_s()) > 0:
            return wait_s
        try:
            if not self._is_open:
                self._open()
            self._poll()
        except LinkError as e:
            self._say(str(e))
            self._lose()
        return max(0.0, self._next_s - self.clock.mono_s())

    def _open(self) -> None:
        self._opened_at_s = self.clock.mono_s()
        self.driver.open()
        self._say("")
        self._is_open, self._thinner = True, Thinner(self.link.channels)
        self._next_s = self.clock.mono_s()

    def _lose(self) -> None:
        self.driver.close()
        self._is_open = False
        now_s = self.clock.mono_s()
        if now_s - self._opened_at_s > LONGEST_WAIT_S:
            self._wait_s = FIRST_WAIT_S  # it worked for a while: start patiently again
        self._next_s = now_s + self._wait_s
        self._wait_s = min(LONGEST_WAIT_S, self._wait_s * 2)

    def _poll(self) -> None:
        """The schedule runs from itself, so a late poll is skipped, not queued."""
        streams = self.link.spec.streams
        if not streams:
            self._next_s = max(self._next_s + self.link.every_s, self.clock.mono_s())
        samples = self.driver.poll(_STREAM_POLL_S if streams else _POLL_TIMEOUT_S)
        kept = list(self._thinner.keep(samples)) if streams else samples
        if kept:
            self.hand(kept)

    def _pause(self, seconds: float) -> None:
        self.clock.wait(self.stop, seconds)

    def _say(self, trouble: str) -> None:
        """Log a link's state once when it changes, not once a try."""
        if trouble == self._said:
            return
        if trouble:
            log.warning("link=%s state=lost why=%r", self.link.name, trouble)
        else:
            log.info("link=%s state=open", self.link.name)
        self._said = trouble
