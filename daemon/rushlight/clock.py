"""The one module that reads a clock.  Everything else is handed a `Clock`; a lint rule sees to it."""

from __future__ import annotations

import ctypes
import threading
import time
from pathlib import Path
from typing import Protocol


class Clock(Protocol):
    """Wall time in seconds since 1970 UTC, monotonic seconds, and an interruptible wait."""

    def wall_s(self) -> float: ...

    def mono_s(self) -> float: ...

    def wait(self, stop: threading.Event, seconds: float) -> bool:
        """Wait until `stop` is set or so many monotonic seconds have gone; True if it was set."""
        ...


class SystemClock:
    """The machine's clocks."""

    def wall_s(self) -> float:
        return time.time()

    def mono_s(self) -> float:
        return time.monotonic()

    def wait(self, stop: threading.Event, seconds: float) -> bool:
        return stop.wait(max(0.0, seconds))


class SimulatedClock:
    """Clocks that stand still until they are told to move; the two move apart only by `step_wall`."""

    def __init__(self, wall_s: float = 1_700_000_000.0, mono_s: float = 1000.0) -> None:
        self._wall_s = wall_s
        self._mono_s = mono_s

    def wall_s(self) -> float:
        return self._wall_s

    def mono_s(self) -> float:
        return self._mono_s

    def advance(self, seconds: float) -> None:
        """Let time pass on both clocks."""
        self._wall_s += seconds
        self._mono_s += seconds

    def step_wall(self, seconds: float) -> None:
        """Set the wall clock forward or back, as a time server or a person does."""
        self._wall_s += seconds

    def wait(self, stop: threading.Event, seconds: float) -> bool:
        if not stop.is_set():
            self.advance(seconds)
        return stop.is_set()


def boot_id(path: Path = Path("/proc/sys/kernel/random/boot_id")) -> str:
    """The kernel's name for this boot; monotonic times of different boots can't be compared."""
    try:
        return path.read_text().strip()
    except OSError:
        return "unknown"


class _Timex(ctypes.Structure):
    """`struct timex` of adjtimex(2) as far as its status word; the rest is room."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("room", ctypes.c_byte * 256),
    )


_STA_UNSYNC = 0x0040


def synchronised(
    marker: Path = Path("/run/systemd/timesync/synchronized"), chip: Path = Path("/sys/class/rtc/rtc0/hctosys")
) -> bool:
    """Whether the kernel's clock is known to be right.

    True when systemd's time service has left its marker (systemd-time-wait-sync(8)), when the kernel took its time
    from a clock chip at boot (hctosys in the kernel's rtc sysfs interface), or when the kernel does not report
    STA_UNSYNC (adjtimex(2)).
    """
    if marker.exists():
        return True
    try:
        if chip.read_text().strip() == "1":
            return True
    except OSError:
        pass
    timex = _Timex()
    try:
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(timex))
    except (OSError, AttributeError):
        return False
    return state >= 0 and not timex.status & _STA_UNSYNC
