"""How the storage is doing, in a form that the service can turn into a finding and a person can read.

Owns the words for storage trouble and the sorting of SQLite's errors into them.  Never touches a database.
"""

from __future__ import annotations

import errno
import sqlite3
from dataclasses import dataclass
from typing import Literal

Trouble = Literal["", "full", "read_only", "unreadable", "corrupt", "busy", "newer"]
"""'' works; `busy` is another process holding the journal; `newer` a database of a later program version."""

LOW_FREE_BYTES = 500_000_000
LOW_FREE_FRACTION = 0.15
LARGE_WAL_BYTES = 32_000_000

_BY_CODE: dict[int, Trouble] = {
    sqlite3.SQLITE_FULL: "full",
    sqlite3.SQLITE_READONLY: "read_only",
    sqlite3.SQLITE_CORRUPT: "corrupt",
    sqlite3.SQLITE_NOTADB: "corrupt",
    sqlite3.SQLITE_BUSY: "busy",
    sqlite3.SQLITE_LOCKED: "busy",
}
_BY_ERRNO: dict[int, Trouble] = {
    errno.ENOSPC: "full",
    errno.EDQUOT: "full",
    errno.EROFS: "read_only",
    errno.EWOULDBLOCK: "busy",
}
_SENTENCES: dict[str, str] = {
    "full": "The disk is full",
    "read_only": "The disk is read-only",
    "unreadable": "The journal cannot be opened",
    "corrupt": "The journal is damaged",
    "busy": "Another process holds the journal",
    "newer": "The journal was written by a later version of this program",
}


def trouble_of(error: BaseException) -> Trouble:
    """The word for an error of SQLite or of the operating system; what is not known is 'unreadable'."""
    if isinstance(error, OSError):
        return _BY_ERRNO.get(error.errno or 0, "unreadable")
    code = getattr(error, "sqlite_errorcode", 0) or 0
    return _BY_CODE.get(code & 0xFF, "unreadable")


@dataclass(frozen=True, slots=True, kw_only=True)
class StorageReport:
    """The storage at one moment.  Sizes in bytes; None is 'not known'."""

    trouble: Trouble = ""
    detail: str = ""
    since_s: float | None = None
    """When the present trouble began."""
    notes: tuple[str, ...] = ()
    """What happened when the journal was opened or recovered: set aside, restored, started anew."""
    shortfall: str = ""
    """What was on the disk once and is not there any more, as far as it is known."""
    set_aside: tuple[str, ...] = ()
    restored_from: str = ""
    replaced: int = 0
    """How often the database was replaced since the start; a change means 'write a snapshot now'."""
    held_readings: int = 0
    held_rows: int = 0
    dropped_readings: int = 0
    dropped_rows: int = 0
    database_bytes: int | None = None
    wal_bytes: int | None = None
    free_bytes: int | None = None
    free_fraction: float | None = None

    @property
    def durable(self) -> bool:
        """Whether what is written now reaches the disk."""
        return not self.trouble

    @property
    def low_space(self) -> bool:
        """Whether the file system is nearly full: under 15 % and under 500 MB free."""
        if self.free_bytes is None or self.free_fraction is None:
            return False
        return self.free_bytes < LOW_FREE_BYTES and self.free_fraction < LOW_FREE_FRACTION

    @property
    def wants_attention(self) -> bool:
        """Whether a person should be told (`storage_low`)."""
        return bool(
            self.trouble_sentence or self.low_space or self.set_aside or (self.wal_bytes or 0) > LARGE_WAL_BYTES
        )

    @property
    def trouble_sentence(self) -> str:
        """What keeps the journal from the disk, what memory holds, and what is gone; '' when all is well."""
        parts: list[str] = []
        if self.trouble:
            what = _SENTENCES[self.trouble]
            parts.append(f"{what} ({self.detail})." if self.detail else f"{what}.")
            counts = ((self.held_readings, "reading"), (self.held_rows, "record"))
            held = [f"{n} {one if n == 1 else f'{one}s'}" for n, one in counts if n]
            verb = "is" if self.held_readings + self.held_rows == 1 else "are"
            parts += [f"{' and '.join(held)} {verb} held in memory only."] if held else []
        if self.shortfall:
            parts.append(self.shortfall)
        return " ".join(parts)

    @property
    def sentence(self) -> str:
        """What is wrong, what is kept in memory and what was lost, in plain words; '' when all is well."""
        parts = [self.trouble_sentence] if self.trouble_sentence else []
        if self.dropped_readings or self.dropped_rows:
            parts.append(
                f"{self.dropped_readings} readings and {self.dropped_rows} records were dropped for want of room."
            )
        parts.extend(f"{note}." for note in self.notes)
        if self.low_space and self.free_bytes is not None:
            parts.append(f"Only {self.free_bytes / 1e6:.0f} MB of disk are free.")
        if (self.wal_bytes or 0) > LARGE_WAL_BYTES:
            parts.append("The write-ahead log is large: something keeps the journal open for reading.")
        return " ".join(parts)
