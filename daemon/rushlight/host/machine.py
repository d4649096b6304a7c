"""How the board itself fares: supply voltage, hardware watchdog, room on the disk.

Owns reading the kernel's files, whose root is a parameter.  Never writes, never raises: what can't be read is
unknown (None), which is not the same as well.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

SYS, PROC = Path("/sys"), Path("/proc")

_SUPPLY_MONITOR = "rpi_volt"
"""What the kernel's hwmon driver for the board's supply calls itself; boards without one have no such entry."""


def undervoltage(sys: Path = SYS) -> bool | None:
    """Whether the supply is too low at this moment; None where the kernel does not say.

    The kernel reports a threshold and no voltage: `in0_lcrit_alarm`, 'critical low alarm' in the kernel's
    hwmon sysfs interface document.
    """
    for folder in _children(sys / "class/hwmon"):
        if _text(folder / "name") == _SUPPLY_MONITOR:
            bit = _text(folder / "in0_lcrit_alarm")
            return None if bit not in {"0", "1"} else bit == "1"
    return None


def board_number(proc: Path = PROC, sys: Path = SYS) -> str:
    """What tells this board from its like, whatever card is in it: the last 8 digits of its serial number.

    Boards of the Pi's kind have one in the device tree (`serial-number`, Devicetree Specification 0.4, section 3.2);
    elsewhere the address of the first network card stands in; '' where there is neither.
    """
    serial = _text(proc / "device-tree/serial-number").strip("\0")
    if not serial:
        cards = [d for d in sorted(_children(sys / "class/net")) if (d / "device").exists()]
        serial = next((_text(d / "address").replace(":", "") for d in cards), "")
    return serial[-8:]


class Supply:
    """Counts how often the supply dips, and says so soon but not often."""

    REPORT_EVERY_S = 600.0

    def __init__(self, sys: Path = SYS) -> None:
        self._sys = sys
        self._low = False
        self._dips = 0
        self._next_s: float | None = None

    def look(self, mono_s: float) -> int:
        """Look once at monotonic time `mono_s`; the dips since the last report when one is due, else 0.

        A supply that stays low is one dip.  The first is reported at once, further ones every ten minutes together.
        """
        low = undervoltage(self._sys) or False
        self._dips += low and not self._low
        self._low = low
        if not self._dips or (self._next_s is not None and mono_s < self._next_s):
            return 0
        dips, self._dips = self._dips, 0
        self._next_s = mono_s + self.REPORT_EVERY_S
        return dips


@dataclass(frozen=True, slots=True)
class HardwareWatchdog:
    """The timer that restarts the board when the kernel hangs."""

    active: bool
    timeout_s: int | None

    def __str__(self) -> str:
        if not self.active:
            return "hardware watchdog: off"
        return "hardware watchdog: on" + (f", {self.timeout_s} s" if self.timeout_s is not None else "")


def hardware_watchdog(sys: Path = SYS) -> HardwareWatchdog | None:
    """The first watchdog timer as it is, not as it was asked for; None: the board shows none.

    A timeout beyond the timer's own limit is refused by some drivers and the timer then stays off, with one line
    in the log; so what counts is the state read back (kernel's sysfs-class-watchdog ABI: `state`, `timeout`).
    """
    for folder in _children(sys / "class/watchdog"):
        state = _text(folder / "state")
        if state:
            timeout = _text(folder / "timeout")
            return HardwareWatchdog(state == "active", int(timeout) if timeout.isdigit() else None)
    return None


@dataclass(frozen=True, slots=True)
class Room:
    """Room on the disk that holds a folder, as a process without privileges sees it."""

    free_bytes: int
    total_bytes: int
    read_only: bool

    @property
    def free_percent(self) -> float:
        """0 to 100."""
        return 100.0 * self.free_bytes / self.total_bytes if self.total_bytes else 0.0


def room(folder: Path) -> Room | None:
    """Room where `folder` is, or None when that can't be told."""
    try:
        fs = os.statvfs(folder)
    except OSError:
        return None
    return Room(fs.f_bavail * fs.f_frsize, fs.f_blocks * fs.f_frsize, bool(fs.f_flag & os.ST_RDONLY))


def _children(folder: Path) -> list[Path]:
    try:
        return sorted(folder.iterdir())
    except OSError:
        return []


def _text(file: Path) -> str:
    try:
        return file.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return ""
