"""A serial port that keeps its promises: every call has a deadline, and every failure is a LinkError.

Owns the settings all serial drivers share, opening by a stable path, the settling time, and the words in
which a port's troubles are told.  Never interprets a byte.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import termios
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

import serial
from annotated_types import Ge, Le, MinLen

from rushlight_drivers.contract import LinkError, Monotonic

_SLICE_S = 0.2
_WRITE_S = 1.0
_FAULTS = (serial.SerialException, OSError, termios.error, ValueError, TypeError, AttributeError)
"""What pyserial 3.5 raises when a port goes away, depending on what it was doing at the time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialOptions:
    """What every serial driver asks about its port."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    port: Annotated[str, MinLen(1)]
    """Path of the port.  Use /dev/serial/by-id/…, or /dev/serial/by-path/… for boards without a serial number of
    their own; a bare /dev/ttyUSB0 may be another board after the next boot."""
    baud: Annotated[int, Ge(50), Le(4_000_000)] = 115200
    """Bits per second; both sides must agree."""
    parity: Literal["none", "even", "odd"] = "none"
    """Parity bit."""
    stop_bits: Annotated[int, Ge(1), Le(2)] = 1
    """Stop bits."""
    dtr: bool = True
    """Raise the DTR line on opening.  Boards with native USB send only while it is raised; boards with a USB-serial
    chip may restart each time it is, and need false."""
    settle_s: Annotated[float, Ge(0), Le(60)] = 3.0
    """Seconds after opening during which the device may still be starting: what it says then is dropped."""


LINK_SETTINGS = ("baud", "parity", "stop_bits", "dtr", "settle_s")
"""Settings that probes on one port must have alike."""


def link_of(options: SerialOptions) -> str:
    """Probes with the same port path share a link."""
    return options.port


class SerialPort:
    """One port; `broken` breaks off whatever it is doing."""

    def __init__(self, options: SerialOptions, monotonic: Monotonic, broken: threading.Event) -> None:
        self.options = options
        self._monotonic, self._broken = monotonic, broken
        self._serial: serial.Serial | None = None
        self._settled_s = 0.0

    def open(self) -> None:
        """Open the port; raises LinkError with what to try next."""
        o = self.options
        port = serial.Serial()
        try:
            port.port, port.baudrate, port.stopbits = o.port, o.baud, o.stop_bits
            port.parity = {"none": "N", "even": "E", "odd": "O"}[o.parity]
            port.timeout, port.write_timeout, port.exclusive = _SLICE_S, _WRITE_S, True
            port.dtr = o.dtr
            self._refuse_non_devices()
            port.open()
            self._serial = port
            if not o.dtr:
                self._keep_dtr_on_close(port)
        except _FAULTS as e:
            with contextlib.suppress(*_FAULTS):
                port.close()
            raise LinkError(self._why_not_opened(e)) from None
        self._settled_s = self._monotonic() + o.settle_s

    @property
    def raw(self) -> serial.Serial:
        """The open pyserial object, for libraries that want one; raises LinkError when there is none."""
        if self._serial is None:
            raise LinkError(f"{self.options.port} is not open")
        return self._serial

    @contextmanager
    def telling(self) -> Iterator[None]:
        """Turn whatever the port raises inside into a LinkError that names it."""
        try:
            yield
        except _FAULTS as e:
            raise LinkError(f"{self.options.port} is gone ({e}); is the cable in?") from None

    def settled(self, deadline_s: float) -> bool:
        """Throw away what comes until the device has settled; False if `deadline_s` is reached before."""
        while not self._broken.is_set():
            now_s = self._monotonic()
            if now_s >= self._settled_s:
                return True
            if now_s >= deadline_s:
                return False
            self._read(min(self._settled_s, deadline_s))
        return False

    def read(self, deadline_s: float) -> bytes:
        """What is there, or what comes first before `deadline_s`; empty at the deadline or when broken off."""
        while not self._broken.is_set():
            chunk = self._read(deadline_s)
            if chunk or self._monotonic() >= deadline_s:
                return chunk
        return b""

    def _read(self, deadline_s: float) -> bytes:
        port = self.raw
        with self.telling():
            waiting = port.in_waiting
            if waiting:
                return port.read(min(waiting, 4096))
            if deadline_s - self._monotonic() < _SLICE_S:
                self._broken.wait(min(0.02, max(0.0, deadline_s - self._monotonic())))
                return port.read(port.in_waiting) if port.in_waiting else b""
            return port.read(1)

    def write(self, data: bytes) -> None:
        """Send `data`, giving up after a second."""
        with self.telling():
            self.raw.write(data)

    def quiet(self, for_s: float, deadline_s: float) -> bool:
        """Throw away what comes until nothing has come `for_s` long; False if `deadline_s` is reached before."""
        while (until_s := self._monotonic() + for_s) <= deadline_s and not self._broken.is_set():
            if not self.read(until_s):
                return True
        return False

    def close(self) -> None:
        """Let go of the port; never raises."""
        port, self._serial = self._serial, None
        if port is not None:
            with contextlib.suppress(*_FAULTS):
                port.close()

    def _refuse_non_devices(self) -> None:
        """A plain file or a folder in the port's place opens or fails in confusing ways; say what it is."""
        mode = Path(self.options.port).stat().st_mode
        if not stat.S_ISCHR(mode):
            raise OSError(errno.ENOTTY, "is not a serial port")

    def _keep_dtr_on_close(self, port: serial.Serial) -> None:
        """Clear HUPCL, so that closing does not drop DTR and the next opening does not raise it again."""
        fields = termios.tcgetattr(port.fileno())
        fields[2] &= ~termios.HUPCL
        termios.tcsetattr(port.fileno(), termios.TCSANOW, fields)

    def _why_not_opened(self, error: Exception) -> str:
        path, number = self.options.port, getattr(error, "errno", None)
        if number == errno.ENOENT:
            return f"{path} is not there; is the board plugged in?"
        if number in {errno.EACCES, errno.EPERM}:
            return (
                f"{path}: not allowed; add the user to the group dialout, or allow the device in the service's sandbox"
            )
        if number in {errno.EBUSY, errno.EAGAIN}:
            who = ", ".join(holders(path)) or "another program"
            return f"{path} is held by {who}; two readers would each get half of the bytes"
        return f"{path} can't be opened ({error})"


def holders(path: str) -> Sequence[str]:
    """Which processes have the device open, as 'name (pid)'; those of other users stay hidden."""
    wanted = os.path.realpath(path)
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            if any(os.path.realpath(fd) == wanted for fd in (folder / "fd").iterdir()):
                name = (folder / "comm").read_text().strip()
                found.append(f"{name} ({folder.name})")
    return found
