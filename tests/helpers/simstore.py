"""A time-series store in arithmetic: it stands where the client library would open a connection.

The client library's own requests are real.  A point is what its series and its millisecond name; the store keeps its
fields and remembers where another sending said something else.
"""

from __future__ import annotations

import contextlib
import io
import re
from collections.abc import Iterator
from typing import Any

import urllib3
from urllib3.exceptions import NewConnectionError, ProtocolError, ReadTimeoutError

HOST = "store.invalid"
_LINE = re.compile(r"((?:\\.|[^ \\])+) (\S+) (\d+)")
_ANSWERS = {
    "500": (500, {}, b'{"code":"internal error"}'),
    "503": (503, {"Retry-After": "900"}, b""),
    "401": (401, {}, b'{"code":"unauthorized"}'),
    "garbage": (200, {"Content-Type": "text/html"}, b"<html>Please log in to this network</html>"),
}


class Store:
    """`mood` is what is wrong with it: 500 503 401 garbage hang reset, or nothing; `down`: no way there."""

    def __init__(self) -> None:
        self.down, self.mood = False, ""
        self.forgets = False
        """It will crash once, before what it accepts next is on its disk."""
        self.points: dict[tuple[str, int], str] = {}
        self.other: list[str] = []
        """Points that came again and were another one."""
        self.batches = self.again = 0
        self._new: list[tuple[str, int]] = []

    def answer(self, pool: Any, url: str, body: bytes) -> urllib3.HTTPResponse:
        """To one write."""
        if self.down:
            raise NewConnectionError(pool, "no route")
        if self.mood == "hang":
            raise ReadTimeoutError(pool, url, "no answer")
        if self.mood in _ANSWERS:
            return _response(*_ANSWERS[self.mood])
        self._take(body.decode())
        if self.mood == "reset":
            raise ProtocolError("reset by peer")
        return _response(204, {}, b"")

    def _take(self, lines: str) -> None:
        self.batches += 1
        for line in lines.splitlines():
            found = _LINE.fullmatch(line)
            assert found, f"no line protocol: {line!r}"
            key, fields = (found[1], int(found[3])), found[2]
            before = self.points.get(key)
            self.again += before is not None
            if before is None:
                self._new.append(key)
            elif before != fields:
                self.other.append(f"{line} was {before}")
            self.points[key] = fields

    def settle(self) -> None:
        """Some minutes pass: what was accepted is on its disk, unless it forgets what it had accepted last."""
        if self.forgets and self._new:
            self.forgets = False
            for key in self._new:
                del self.points[key]
        self._new.clear()

    @contextlib.contextmanager
    def joined(self) -> Iterator[None]:
        """Connections to the store come here."""
        store, real = self, urllib3.HTTPConnectionPool.urlopen

        def urlopen(pool: Any, method: str, url: str, body: Any = None, *more: Any, **named: Any) -> Any:
            if pool.host != HOST:
                return real(pool, method, url, body, *more, **named)
            return store.answer(pool, url, body if isinstance(body, bytes) else str(body).encode())

        urllib3.HTTPConnectionPool.urlopen = urlopen  # type: ignore[method-assign,assignment]
        try:
            yield
        finally:
            urllib3.HTTPConnectionPool.urlopen = real  # type: ignore[method-assign]


def _response(status: int, headers: dict[str, str], body: bytes) -> urllib3.HTTPResponse:
    return urllib3.HTTPResponse(io.BytesIO(body), headers, status, preload_content=False)
