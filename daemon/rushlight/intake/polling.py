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
from rushlight_drivers.contract import Confirming

log = logging.getLogger(__name__)

FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 30.0
_STREAM_POLL_S = 1.0
_POLL_TIMEOUT_S = 10.0
_LONGEST_PAUSE_S = 5.0
CHANGES = 10
BACKLOG_S = 6 * 3600.0
_PRESSED_S = 0.1
FLOOD = 200
"""Samples in one poll that no device of ours sends: whoever floods has half of the time and leaves the other half to
people's entries; what he sends meanwhile his broker sheds, before anybody here reads it."""
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


@dataclass(frozen=True, slots=True)
class Pledge:
    """Messages of a link up to a number: to be confirmed once everything handed over until now is on the disk.

    `pressed`: the link will soon hand out no more, so that should be now.
    """

    link: str
    driver: Confirming
    upto: int
    pressed: bool

    def identities(self) -> bytes:
        """By what the messages would be known when they came again."""
        return self.driver.identities(self.upto)

    def confirm(self) -> None:
        """They are on the disk."""
        self.driver.confirm(self.upto)


@dataclass(slots=True)
class _Purse:
    """Coins that come one in so many seconds, and no more of them than it holds."""

    most: float
    every_s: float
    coins: float
    at_s: float | None = None

    def spend(self, at_s: float) -> bool:
        """One coin, if there is one."""
        if self.at_s is not None:
            self.coins = min(self.most, self.coins + max(0.0, at_s - self.at_s) / self.every_s)
        self.at_s = at_s
        if self.coins < 1.0:
            return False
        self.coins -= 1.0
        return True


class Thinner:
    """Keeps one value per channel and `every_s` of a device that talks faster, and what changes, within bounds.

    The first sample of each period is kept as it came: no mean, no smoothing.  Trouble that comes or goes is kept at
    once, `CHANGES` times and then once a minute: whatever a device sends, and however often its link breaks, it costs
    no more than `3600 / every_s + 60 + CHANGES` rows an hour.  `backlog_s`: of a link that hands out again what was not
    kept, so many seconds' worth may come at once, and are that many rows more.
    """

    def __init__(self, channels: Sequence[Channel], backlog_s: float = 0.0) -> None:
        self._every_s = {c.name: c.every_s for c in channels}
        self._next_s: dict[str, float] = {}
        self._trouble: dict[str, str] = {}
        self._changes = {c.name: _Purse(CHANGES, 60.0, CHANGES) for c in channels}
        self._backlog = {c.name: _Purse(n := backlog_s / c.every_s, c.every_s, n) for c in channels if backlog_s}

    def keep(self, samples: Sequence[Sample]) -> Iterator[Sample]:
        for s in samples:
            if self._wanted(s):
                self._trouble[s.channel] = s.trouble
                yield s

    def _wanted(self, s: Sample) -> bool:
        every_s, due_s = self._every_s.get(s.channel, 60.0), self._next_s.get(s.channel)
        if due_s is None or s.mono_s >= due_s - _EARLY * every_s:
            # The next is due a period after this one was due, so that a device a little slow does not drift.
            on_time = due_s is not None and s.mono_s < due_s + every_s
            self._next_s[s.channel] = (due_s if on_time and due_s is not None else s.mono_s) + every_s
            if s.channel in self._backlog:
                self._backlog[s.channel].spend(s.mono_s)
            return True
        changed = s.trouble != self._trouble.get(s.channel, "")
        if changed and s.channel in self._changes:
            return self._changes[s.channel].spend(s.mono_s)
        return not changed and s.channel in self._backlog and self._backlog[s.channel].spend(s.mono_s)


class LinkWorker(threading.Thread):
    """Polls one link until `stop` is set.

    `hand(samples, pledge)` must not block for long and says whether it took them; `progress()` is called at least
    every ten seconds while the worker is alive and not stuck in a poll.
    """

    def __init__(
        self,
        link: Link,
        clock: Clock,
        stop: threading.Event,
        hand: Callable[[Sequence[Sample], Pledge | None], bool],
        progress: Callable[[], None],
    ) -> None:
        super().__init__(name=f"link {link.name}", daemon=True)
        self.link, self.clock, self.stop = link, clock, stop
        self.hand, self.progress = hand, progress
        self.driver: Driver = link.spec.build(link.channels, clock.mono_s)
        self._said = ""
        self._confirming = self.driver if isinstance(self.driver, Confirming) and self.driver.confirms else None
        self._thinner = Thinner(link.channels, BACKLOG_S if self._confirming else 0.0)
        self._is_open = False
        self._opened_at_s = self._next_s = clock.mono_s()
        self._wait_s = FIRST_WAIT_S
        self._pledged = 0

    def recall(self, identities: bytes) -> None:
        """What an earlier run kept of this link and perhaps did not confirm; to be told before the start."""
        if self._confirming is not None:
            self._confirming.recall(identities)

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
        self._is_open = True
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
        began_s = self.clock.mono_s()
        samples = self.driver.poll(_STREAM_POLL_S if streams else _POLL_TIMEOUT_S)
        if streams and len(samples) >= FLOOD:
            now_s = self.clock.mono_s()
            self._next_s = now_s + (now_s - began_s)
        kept = list(self._thinner.keep(samples)) if streams else samples
        if self._confirming is not None:
            self._hand_pledged(kept, self._confirming)
        elif kept:
            self.hand(kept, None)

    def _hand_pledged(self, kept: Sequence[Sample], driver: Confirming) -> None:
        """What the link would hand out again must not be dropped here: while there is no room, nothing is polled."""
        upto = driver.upto
        if upto == self._pledged and not driver.pressed:
            return
        pledge = Pledge(self.link.name, driver, upto, pressed=driver.pressed)
        while not self.hand(kept, pledge) and not self.stop.is_set():
            self.progress()
            self._pause(_PRESSED_S)
        self._pledged = upto

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
