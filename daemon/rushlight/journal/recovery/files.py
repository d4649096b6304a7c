"""A database's files as files: putting them aside together, making a rename last, one writer at a time.

Never opens a database.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import fcntl
import os
from pathlib import Path

PARTS = ("", "-wal", "-shm")
"""A database in WAL mode is three files that belong together."""


def stamp(at_s: float) -> str:
    """A UTC time that sorts as text and suits a file name."""
    return dt.datetime.fromtimestamp(at_s, dt.UTC).strftime("%Y%m%dT%H%M%SZ")


def part(path: Path, suffix: str) -> Path:
    """The file beside `path` with `suffix` added to its whole name."""
    return path.with_name(path.name + suffix)


def size(path: Path) -> int | None:
    """Bytes, or None where there is no such file."""
    try:
        return path.stat().st_size
    except OSError:
        return None


def set_aside(path: Path, at_s: float) -> Path:
    """Rename the database with its log and index to `<name>.set-aside-<stamp>`; returns the new path.

    Raises OSError.  The log goes first: a crash in between leaves a database that lacks its last minutes,
    never a new database with an old log beside it.
    """
    base = target = part(path, f".set-aside-{stamp(at_s)}")
    n = 1
    while any(part(target, suffix).exists() for suffix in PARTS):
        n += 1
        target = part(base, f"-{n}")
    for suffix in ("-wal", "-shm", ""):
        if part(path, suffix).exists():
            part(path, suffix).rename(part(target, suffix))
    sync_folder(path.parent)
    return target


def put_aside(path: Path) -> list[Path]:
    """The databases that have been put aside for `path`, oldest first."""
    found = path.parent.glob(f"{path.name}.set-aside-*") if path.parent.is_dir() else ()
    return sorted(p for p in found if not p.name.endswith(PARTS[1:]))


def sync_file(path: Path) -> None:
    """Make the file's content last over a power cut.  Raises OSError."""
    fd = os.open(path, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def sync_folder(path: Path) -> None:
    """Make renames in the folder last over a power cut.  Raises OSError."""
    sync_file(path)


def put_by(path: Path) -> Path:
    """Rename a file that is not what it should be to `<name>.set-aside`, numbered; returns its new path.

    Raises OSError.
    """
    target, n = part(path, ".set-aside"), 1
    while target.exists():
        n += 1
        target = part(path, f".set-aside-{n}")
    path.rename(target)
    return target


def write_whole(path: Path, content: bytes) -> None:
    """Replace the file at once and for good: written beside, synced, renamed, folder synced.  Raises OSError."""
    beside = part(path, ".new")
    with beside.open("wb") as f:
        f.write(content)
        f.flush()
        os.fsync(f.fileno())
    beside.rename(path)
    sync_folder(path.parent)


class Lock:
    """Holds `<name>.lock`, so that a database has one writer; the kernel lets go when the process ends.

    The file holds the process id of who took it last; it says nothing once the lock is free.
    """

    def __init__(self, path: Path, *, mode: int = 0o600) -> None:
        self.path = part(path, ".lock")
        self._mode = mode
        self._fd: int | None = None

    def take(self) -> None:
        """Take it or raise OSError (EWOULDBLOCK when another process has it).  Taking it twice is harmless."""
        if self._fd is not None:
            return
        fd = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, self._mode)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(fd)
            raise
        self._fd = fd
        with contextlib.suppress(OSError):  # a full disk may have no room even for this
            os.ftruncate(fd, 0)
            os.pwrite(fd, b"%d\n" % os.getpid(), 0)

    def held_by(self) -> int | None:
        """The process that has it: its id, 0 where that can't be told, None when nobody has it."""
        try:
            fd = os.open(self.path, os.O_RDONLY | os.O_CLOEXEC)
        except FileNotFoundError:
            return None
        except OSError:
            return 0
        try:
            fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            text = os.pread(fd, 20, 0).strip()
            return int(text) if text.isdigit() else 0
        else:
            return None
        finally:
            os.close(fd)

    def free(self) -> None:
        """Let go, if held."""
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None
