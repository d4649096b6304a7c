"""Telling the service manager that the daemon is ready, alive, or leaving, and deciding whether it is alive.

Owns the datagrams of sd_notify(3) and the board on which each worker stamps its progress.  Never reads a clock,
never starts a thread; without a service manager everything here does nothing.
"""

from __future__ import annotations

import logging
import os
import socket
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass

log = logging.getLogger(__name__)

_LONGEST_STATUS = 400
_MOST_WAITING = 8


class Notifier:
    """Sends state to the socket that the service manager named.

    `address` is a path, or `@name` for an abstract socket, as in NOTIFY_SOCKET (sd_notify(3)); empty: say nothing.
    Nothing here raises: a service manager that can't be reached must not stop the watching.
    """

    def __init__(self, address: str | None = None) -> None:
        named = os.environ.get("NOTIFY_SOCKET", "") if address is None else address
        self._address = "\0" + named[1:] if named.startswith("@") else named
        self._failed = False
        self._status = ""
        self._waiting: list[str] = []

    def __bool__(self) -> bool:
        return bool(self._address)

    def ready(self) -> None:
        """Start-up is over: the configuration is read and alarms can be raised."""
        self._send("READY=1")

    def alive(self) -> None:
        """Feed the watchdog; to be called only while `Progress.late` is empty."""
        self._send("WATCHDOG=1")

    def status(self, text: str) -> None:
        """One line for `systemctl status`; sent when it differs from the last one."""
        line = " ".join(text.split())[:_LONGEST_STATUS]
        if line != self._status:
            self._status = line
            self._send(f"STATUS={line}")

    def stopping(self) -> None:
        """The daemon has begun to shut down."""
        self._send("STOPPING=1")

    def longer(self, seconds: float) -> None:
        """Ask for so much more time, counted from now, to start or stop (a long migration, say)."""
        self._send(f"EXTEND_TIMEOUT_USEC={int(seconds * 1e6)}")

    def _send(self, text: str) -> None:
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as s:
                s.setblocking(False)  # with a time limit the call spins on a full queue until that is over
                for waiting in [*self._waiting, text]:
                    s.sendto(waiting.encode(), self._address)
                    self._waiting = self._waiting[1:]
            self._failed = False
        except BlockingIOError:
            # Nobody reads: what has to arrive once is said again with the next word, a watchdog's bark is not.
            if not text.startswith("WATCHDOG") and text not in self._waiting:
                self._waiting = [*self._waiting[-_MOST_WAITING:], text]
        except (OSError, ValueError) as e:
            if not self._failed:
                log.warning("notify=failed error=%r", str(e))
            self._failed = True


def watchdog_s(environ: Mapping[str, str] | None = None, pid: int | None = None) -> float | None:
    """Seconds after which the service manager gives up on this process, or None when nobody waits.

    WATCHDOG_USEC counts only for the process that WATCHDOG_PID names (sd_watchdog_enabled(3)).  Feed it at less
    than half of this.
    """
    env = os.environ if environ is None else environ
    text, whose = env.get("WATCHDOG_USEC", ""), env.get("WATCHDOG_PID", "")
    if not text.isdigit() or int(text) == 0:
        return None
    if whose and whose != str(os.getpid() if pid is None else pid):
        return None
    return int(text) / 1e6


@dataclass(slots=True)
class _Row:
    limit_s: float
    at_s: float


class Progress:
    """Who is still getting on with it: each worker stamps the board, each has its own limit.

    `mono_s` is a monotonic clock in seconds.  All methods may be called from any thread.
    """

    def __init__(self, mono_s: Callable[[], float]) -> None:
        self._mono_s = mono_s
        self._rows: dict[str, _Row] = {}
        self._lock = threading.Lock()

    def join(self, name: str, limit_s: float) -> Callable[[], None]:
        """Put a worker on the board and return its stamp; joining counts as the first one.

        Raises ValueError when the name is taken: two workers behind one name would hide each other's death.
        """
        row = _Row(limit_s, self._mono_s())
        with self._lock:
            if name in self._rows:
                raise ValueError(f"two workers are called {name!r}")
            self._rows[name] = row

        def stamp() -> None:
            row.at_s = self._mono_s()

        return stamp

    def leave(self, name: str) -> None:
        """Take a worker off the board that has ended on purpose."""
        with self._lock:
            self._rows.pop(name, None)

    def late(self) -> list[str]:
        """Each worker that has not stamped within its limit, with the seconds since it did; empty: all is well."""
        now_s = self._mono_s()
        with self._lock:
            rows = sorted(self._rows.items())
        return [f"{name} ({now_s - r.at_s:.0f} s)" for name, r in rows if now_s - r.at_s > r.limit_s]


def feed(notifier: Notifier, progress: Progress) -> list[str]:
    """Feed the watchdog if every worker is within its limit; returns who is late.  To be called in a steady loop."""
    late = progress.late()
    if late:
        notifier.status(f"stuck: {', '.join(late)}")
    else:
        notifier.alive()
    return late
