"""A little room set by, given back when the disk is full, so that what matters can still be written then.

Without it a full disk can't even empty the write-ahead log, which needs room in the database first.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from rushlight.journal.recovery import files

RESERVE_BYTES = 2 * 1024 * 1024


class Reserve:
    """The file `<name>.reserve`."""

    def __init__(self, path: Path) -> None:
        self._path = files.part(path, ".reserve")
        self.held = False

    def hold(self, free_bytes: int | None) -> None:
        """Set the room by, unless it is, or the disk has no more than four times as much.  Never raises."""
        self.held = files.size(self._path) == RESERVE_BYTES
        if self.held or free_bytes is None or free_bytes < 4 * RESERVE_BYTES:
            return
        with contextlib.suppress(OSError):
            fd = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            try:
                os.posix_fallocate(fd, 0, RESERVE_BYTES)
                self.held = True
            finally:
                os.close(fd)

    def give_back(self) -> bool:
        """Free the room; False when there was none.  Never raises."""
        had, self.held = bool(files.size(self._path)), False
        with contextlib.suppress(OSError):
            self._path.unlink(missing_ok=True)
        return had
