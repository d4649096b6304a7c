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
from rushlight.journal import files, rows
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
_TAKEN = "SELECT 1 FROM event WHERE seq = ?1 UNION ALL SELECT 1 FROM reading WHERE seq = ?1"


class EntryList:
    """The list of one database; belongs to its writer.  `boot_id` is that of the running kernel."""

    def __init__(self, database: Path, boot_id: str) -> None:
        self._path, self._boot_id = files.part(database, SUFFIX), boot_id
        self._said = False

    def add(self, entries: Iterable[rows.Row], numbers: rows.Numbers) -> None:
        """Entries that have just been committed; waits for the disk.  What is no entry of a person is passed over."""
        mine = [row.values(numbers) for row in entries if is_entry(row)]
        if mine:
            self._write(os.O_APPEND, b"\n" + b"".join(map(self._line, mine)))

    def missing(self, conn: sqlite3.Connection) -> list[EventRow]:
        """Entries that `conn` does not have, oldest first, with the arrival numbers that they had.

        A row of another boot, or of one that `conn` does not know, has lost what it needs to be put right later.
        Raises sqlite3.Error.
        """
        here = conn.execute("SELECT no FROM boot WHERE id = ?", (self._boot_id,)).fetchone()
        found = []
        for boot_id, row in load(self._path).values():
            if conn.execute("SELECT 1 FROM event WHERE id = ?", (row["id"],)).fetchone() is None:
                same = here is not None and boot_id == self._boot_id
                found.append(EventRow(**row | ({"boot": here[0]} if same else {"boot": None, "mono_ms": None})))
        return sorted(found, key=lambda row: row.seq)

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

    def _line(self, values: Sequence[Any]) -> bytes:
        body = json.dumps([self._boot_id, *values], ensure_ascii=False, separators=(",", ":")).encode()
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


def unused(conn: sqlite3.Connection, seq: int) -> bool:
    """Whether an arrival number is free.  Raises sqlite3.Error."""
    return conn.execute(_TAKEN, (seq,)).fetchone() is None


def load(path: Path) -> dict[str, tuple[str, dict[str, Any]]]:
    """Boot and columns of each entry by its id, as far as its line is whole."""
    try:
        raw = path.read_bytes()
    except OSError:
        return {}
    found = (_read(line) for line in raw.split(b"\n"))
    return {row["id"]: (boot_id, row) for boot_id, row in filter(None, found)}


def forget(database: Path) -> None:
    """A person put another journal in this one's place on purpose: nothing is missing then."""
    files.part(database, SUFFIX).unlink(missing_ok=True)


def _read(line: bytes) -> tuple[str, dict[str, Any]] | None:
    try:
        if int(line[:8], 16) != zlib.crc32(line[9:]):
            return None
        boot_id, *values = json.loads(line[9:])
        row = dict(zip(EVENT_COLUMNS, values, strict=True))
        return (str(boot_id), row) if rows.event(row["line"]).id == row["id"] else None
    except (ValueError, TypeError, KeyError, RecursionError, LineError):
        return None
