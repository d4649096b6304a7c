"""The newest entries of people in full, outside the database, for the day on which its log is damaged.

SQLite takes a log that was cut short, altered or deleted for a shorter one and says nothing; what was committed since
the last checkpoint is gone then.  Readings go with it (`mark` notices), but what a person entered is written here too
before anybody is told that it is kept, and is put back at the next start.  A line an entry, each with its own checksum;
lines are appended, and the file is written anew when it has grown and the database holds everything without its log.
Nothing here raises: a list that can't be written is a safeguard less, not trouble.
"""

from __future__ import annotations

import json
import logging
import os
import sqlite3
import zlib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from rushlight.eventlines import LineError
from rushlight.events import KINDS
from rushlight.journal import rows
from rushlight.journal.recovery import files
from rushlight.journal.rows import EVENT_COLUMNS, EventRow

log = logging.getLogger(__name__)

SUFFIX = ".entries"
KEPT = 200
"""So many entries stay in it when it is written anew."""
GROWN_BYTES = 128 * 1024
_NAMES = ", ".join(f"'{kind}'" for kind in KINDS)
_NEWEST = (
    f"SELECT {', '.join(EVENT_COLUMNS)} FROM event WHERE kind IN ({_NAMES})"  # noqa: S608
    " ORDER BY seq DESC LIMIT ?"
)


class EntryList:
    """The list of one database; belongs to its writer."""

    def __init__(self, database: Path) -> None:
        self._path = files.part(database, SUFFIX)
        self._said = False

    def add(self, entries: Iterable[rows.Row], numbers: rows.Numbers) -> None:
        """Entries that have just been committed; waits for the disk.  What is no entry of a person is passed over."""
        mine = [row.values(numbers) for row in entries if is_entry(row)]
        if mine:
            self._write(os.O_APPEND, b"\n" + b"".join(map(self._line, mine)))

    def missing(self, conn: sqlite3.Connection) -> list[EventRow]:
        """Entries that `conn` does not have, oldest first, with the arrival numbers that they had.

        Raises sqlite3.Error.
        """
        held = load(self._path).values()
        gone = [r for r in held if conn.execute("SELECT 1 FROM event WHERE id = ?", (r["id"],)).fetchone() is None]
        return sorted((EventRow(**row | {"boot": None, "mono_ms": None}) for row in gone), key=lambda row: row.seq)

    def tidy(self, conn: sqlite3.Connection, *, anew: bool = False) -> None:
        """Once the database holds everything without its log: keep the newest only.  `anew`: rows have changed."""
        if not anew and (files.size(self._path) or 0) < GROWN_BYTES:
            return
        try:
            held = conn.execute(_NEWEST, (KEPT,)).fetchall()
            if held:
                files.write_whole(self._path, b"".join(map(self._line, reversed(held))))
        except (sqlite3.Error, OSError) as e:
            log.warning("%s not tidied: %s", self._path.name, e)

    @staticmethod
    def _line(values: Sequence[Any]) -> bytes:
        body = json.dumps(values, ensure_ascii=False, separators=(",", ":")).encode()
        return b"%08x %s\n" % (zlib.crc32(body), body)

    def _write(self, how: int, content: bytes) -> None:
        try:
            fd = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC | how, 0o640)
            try:
                os.write(fd, content)
                os.fdatasync(fd)
            finally:
                os.close(fd)
        except OSError as e:
            if not self._said:
                log.warning("%s not written: %s", self._path.name, e)
            self._said = True
        else:
            self._said = False


def is_entry(row: rows.Row) -> bool:
    """Whether a row is something that a person entered."""
    return isinstance(row, EventRow) and row.kind in KINDS


def load(path: Path) -> dict[str, dict[str, Any]]:
    """The columns of each entry by its id, as far as its line is whole."""
    try:
        raw = path.read_bytes()
    except OSError:
        return {}
    found = (_read(line) for line in raw.split(b"\n"))
    return {row["id"]: row for row in filter(None, found)}


def forget(database: Path) -> None:
    """A person put another journal in this one's place on purpose: nothing is missing then."""
    files.part(database, SUFFIX).unlink(missing_ok=True)


def _read(line: bytes) -> dict[str, Any] | None:
    try:
        if int(line[:8], 16) != zlib.crc32(line[9:]):
            return None
        row = dict(zip(EVENT_COLUMNS, json.loads(line[9:]), strict=True))
        return row if rows.event(row["line"]).id == row["id"] else None
    except (ValueError, TypeError, KeyError, RecursionError, LineError):
        return None
