"""One daemon a folder: who watches here, and waiting for whoever writes here for a moment.

Owns `daemon.lock`, which a daemon holds as long as it lives; the control socket belongs to who holds it.  Commands
look at it to tell a daemon that is starting, or does not answer, from none.
"""

from __future__ import annotations

import logging
import threading
from pathlib import Path

from rushlight.clock import Clock
from rushlight.journal.recovery.files import Lock

log = logging.getLogger(__name__)

NAME = "daemon"
_TRIES, _BETWEEN_S = 10, 0.05
"""A command that looks who holds the lock holds it itself for an instant."""


class TakenError(Exception):
    """Another daemon watches this folder; `pid` is its process id, 0 where that can't be told."""

    def __init__(self, folder: Path, pid: int) -> None:
        who = f"process {pid}" if pid else "another process"
        super().__init__(f"a daemon already watches {folder} ({who}); this one leaves it alone and ends")
        self.pid = pid


class Claim:
    """A daemon's claim on its folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = Lock(folder / NAME, mode=0o640)
        self.held = False

    def take(self, clock: Clock) -> None:
        """Raises TakenError.  A folder that can't be written is claimed by nobody, and watched all the same."""
        for left in reversed(range(_TRIES)):
            try:
                self._folder.mkdir(parents=True, exist_ok=True)
                self._lock.take()
            except BlockingIOError:
                if not left:
                    raise TakenError(self._folder, self._lock.held_by() or 0) from None
                clock.wait(threading.Event(), _BETWEEN_S)
            except OSError as e:
                log.warning("claim=none folder=%s why=%r", self._folder, str(e))
                return
            else:
                self.held = True
                return

    def free(self) -> None:
        """Let the next daemon in."""
        self._lock.free()
        self.held = False


def watcher(folder: Path) -> int | None:
    """The daemon of a folder: its process id, 0 where that can't be told, None when there is none."""
    return Lock(folder / NAME).held_by()
