"""A total deadline for a conversation with a server, whatever the server does.

A timeout on each read does not help against a server that sends a byte a second: every read succeeds.  A `Deadline`
shuts the connection down from outside when the time is over, which ends any read, write or TLS handshake on it.
Never closes a socket that it did not make.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
from types import TracebackType
from typing import Self


class Deadline:
    """Use as a context; `hold` each socket as soon as it is connected."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self.blown = False
        self._lock = threading.Lock()
        self._held: list[socket.socket] = []
        self._timer = threading.Timer(seconds, self._blow)
        self._timer.daemon = True

    def __enter__(self) -> Self:
        self._timer.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._timer.cancel()
        with self._lock:
            for sock in self._held:
                sock.close()
            self._held.clear()

    def hold(self, sock: socket.socket) -> None:
        """Watch over this connection.  A duplicate is kept, since a TLS wrapper takes the original over."""
        mine = socket.socket(fileno=os.dup(sock.fileno()))
        with self._lock:
            self._held.append(mine)
            if self.blown:
                _shut(mine)

    def _blow(self) -> None:
        with self._lock:
            self.blown = True
            for sock in self._held:
                _shut(sock)


def _shut(sock: socket.socket) -> None:
    with contextlib.suppress(OSError):  # the other end may have gone already
        sock.shutdown(socket.SHUT_RDWR)
