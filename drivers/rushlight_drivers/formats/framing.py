"""Cuts a stream of bytes into the frames that the device sent, however the link cut it up.

Owns terminators and the longest frame.  Never hands on a frame whose beginning or end it has not seen.
"""

from __future__ import annotations

from typing import Literal

Terminator = Literal["lf", "cr"]
"""What ends a line: `lf` also covers CR LF; `cr` is for instruments that send a carriage return alone."""

_BYTE = {"lf": b"\n", "cr": b"\r"}
_OTHER = {"lf": b"\r", "cr": b"\n"}


class Framer:
    """Bytes in, whole frames out; the same frames for every way of splitting the same bytes.

    With `synchronise`, everything before the first terminator is dropped: what a port delivers right after
    it was opened may be the tail of a line, and a tail can look like a number.
    """

    def __init__(self, terminator: Terminator = "lf", longest: int = 1024, *, synchronise: bool = True) -> None:
        self._end, self._strip, self._longest = _BYTE[terminator], _OTHER[terminator], longest
        self._synchronise = synchronise
        self._pending = bytearray()
        self._overlong = False
        self._skip = synchronise

    def reset(self) -> None:
        """Forget what is half received, as after opening the port."""
        self._pending.clear()
        self._overlong = False
        self._skip = self._synchronise

    def feed(self, chunk: bytes) -> list[bytes | None]:
        """The frames that `chunk` completes, without terminators; None stands for one that was too long."""
        out: list[bytes | None] = []
        first, *rest = chunk.split(self._end)
        self._append(first)
        for piece in rest:
            if not self._skip:
                out.append(None if self._overlong else bytes(self._pending).strip(self._strip))
            self._skip = self._overlong = False
            self._pending.clear()
            self._append(piece)
        return out

    def _append(self, piece: bytes) -> None:
        if self._skip or self._overlong:
            return
        self._pending += piece
        if len(self._pending) > self._longest:
            self._overlong = True
            self._pending.clear()
