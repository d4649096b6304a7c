"""What all drivers do alike: the promises of `contract` about opening, breaking off and closing.

Owns the lock between a poll and a close from another thread, and turns a driver's own defects into
`LinkError`, so that a fault in one driver costs one link and not the thread.  Never reads a device.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Sequence

from rushlight_drivers.contract import Channel, LinkError, Monotonic, Sample

_CLOSE_WAIT_S = 3.0


class Session:
    """The skeleton of a driver; subclasses fill in `_acquire`, `_pass`, `_release` and, if they block, `_wake`.

    `_broken` is set while the driver is to stop: a long `_pass` looks at it, or waits on it, at least five
    times a second.
    """

    def __init__(self, channels: Sequence[Channel], monotonic: Monotonic) -> None:
        self._channels = tuple(channels)
        self._monotonic = monotonic
        self._busy = threading.Lock()
        self._broken = threading.Event()
        self._is_open = False

    def open(self) -> None:
        with self._busy:
            self._broken.clear()
            self._quietly_release()
            try:
                self._acquire()
            except LinkError:
                self._quietly_release()
                raise
            except Exception as e:
                self._quietly_release()
                raise _defect(e) from e
            self._is_open = True

    def poll(self, timeout_s: float) -> Sequence[Sample]:
        with self._busy:
            if not self._is_open:
                raise LinkError("is not open")
            if self._broken.is_set():
                return []
            try:
                return self._pass(self._monotonic() + timeout_s)
            except LinkError:
                if self._broken.is_set():
                    return []  # the link went because it was closed under us, as was asked for
                raise
            except Exception as e:
                raise _defect(e) from e

    def close(self) -> None:
        self._broken.set()
        with contextlib.suppress(Exception):  # waking is a courtesy; closing must go on
            self._wake()
        held = self._busy.acquire(timeout=_CLOSE_WAIT_S)
        self._quietly_release()
        if held:
            self._busy.release()

    def _quietly_release(self) -> None:
        self._is_open = False
        with contextlib.suppress(Exception):  # whatever a dying link says, it is gone
            self._release()

    def _acquire(self) -> None:
        """Open the link; may raise LinkError."""

    def _pass(self, deadline_s: float) -> Sequence[Sample]:
        """One pass, done by `deadline_s` on the monotonic clock; may raise LinkError."""
        raise NotImplementedError

    def _release(self) -> None:
        """Let go of the link, however far `_acquire` came."""

    def _wake(self) -> None:
        """Make a blocked `_pass` return; called from another thread."""


def _defect(error: Exception) -> LinkError:
    return LinkError(f"the driver stumbled ({type(error).__name__}: {error}); please report this")


def disagreement(channels: Sequence[Channel], names: Sequence[str]) -> str:
    """Which of the link's settings the channels that share it give differently, in words; empty if none."""
    first = channels[0]
    for other in channels[1:]:
        for name in names:
            a, b = getattr(first.options, name), getattr(other.options, name)
            if a != b:
                return f"{first.name} and {other.name} share a link but differ in {name}: {a!r} and {b!r}"
    return ""
