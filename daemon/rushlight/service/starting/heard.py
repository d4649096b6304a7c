"""Probes heard directly, without the daemon: each link opened in a thread of its own, the latest from each kept.

Owns threads while it is open.  Only for moments at which no daemon holds the ports.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from types import TracebackType
from typing import Self

from rushlight.clock import Clock
from rushlight.intake.polling import Link, links
from rushlight.settings import Probe
from rushlight_drivers import LinkError, Sample

_POLL_S = 2.0
_PAUSE_S = 0.2
_LEAVE_S = 5.0


class Live:
    """`latest` holds the last sample of each probe that said anything, `why` by probe why its link was lost."""

    def __init__(self, probes: Sequence[Probe], clock: Clock) -> None:
        self._clock = clock
        self._enough = threading.Event()
        self.latest: dict[str, Sample] = {}
        self.why: dict[str, str] = {}
        self.threads = [threading.Thread(target=self._hear, args=(link,), daemon=True) for link in links(probes)]

    def __enter__(self) -> Self:
        for thread in self.threads:
            thread.start()
        return self

    def __exit__(self, _kind: type[BaseException] | None, _e: BaseException | None, _at: TracebackType | None) -> None:
        self._enough.set()
        for thread in self.threads:
            thread.join(_LEAVE_S)  # one that hangs in the kernel is left behind; it ends with the program

    def value(self, probe: str) -> float | None:
        """What it said last, where that was a value."""
        sample = self.latest.get(probe)
        return None if sample is None or sample.trouble else sample.value

    def wait(self, seconds: float) -> None:
        """Let the threads hear."""
        self._clock.wait(self._enough, seconds)

    def _hear(self, link: Link) -> None:
        driver = link.spec.build(link.channels, self._clock.mono_s)
        try:
            driver.open()
            while not self._enough.is_set():
                for sample in driver.poll(_POLL_S):
                    self.latest[sample.channel] = sample
                self._clock.wait(self._enough, _PAUSE_S)
        except LinkError as e:
            self.why |= {c.name: str(e) for c in link.channels}
        finally:
            driver.close()
