"""What can still be read of a damaged database, carried over into the one that took its place.

A damaged page mostly lies among the readings, so what people entered is nearly always still there.  Each table
is read from its newest row back and from its oldest row on, each way until SQLite reports damage; what does
not make sense is left out.  The damaged file itself is only read.
"""

from __future__ import annotations

import contextlib
import json
import logging
import sqlite3
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rushlight.eventlines import LineError
from rushlight.journal import outbox, readonly, rows, schema, upkeep

log = logging.getLogger(__name__)
Row = tuple[Any, ...]

MOST_READINGS = 200_000
"""Some six days of four probes every 10 s; the writer's thread must not be away for minutes."""


@dataclass(frozen=True, slots=True)
class Saved:
    """How many rows were carried over that the new database did not have."""

    readings: int = 0
    entries: int = 0
    others: int = 0


@dataclass(frozen=True, slots=True)
class _Table:
    name: str
    order: str
    width: int
    put: str
    good: Callable[[Row], bool] = lambda _row: True


def _event_good(row: Row) -> bool:
    try:
        return bool(rows.event(row[6]).id == row[1])
    except (LineError, TypeError):
        return False


def _json_good(column: int) -> Callable[[Row], bool]:
    def good(row: Row) -> bool:
        try:
            return isinstance(json.loads(row[column]), dict)
        except (ValueError, TypeError):
            return False

    return good


def _packed_good(row: Row) -> bool:
    try:
        return bool(zlib.decompress(row[3]))
    except (zlib.error, TypeError):
        return False


def _add(name: str, width: int, how: str = "IGNORE") -> str:
    return f"INSERT OR {how} INTO {name} VALUES ({', '.join('?' * width)})"  # noqa: S608


_NUMBERING = (_Table("boot", "no", 3, _add("boot", 3)), _Table("probe", "no", 3, _add("probe", 3)))
_TABLES = (
    _Table("alarm", "no", 14, _add("alarm", 14), _json_good(10)),
    _Table("due", "no", 5, _add("due", 5)),
    _Table("daily", "tank, date", 4, _add("daily", 4), _json_good(3)),
    _Table("outbox", "no", len(outbox.COLUMNS), outbox.PUT),
    _Table("snapshot", "seq", 4, _add("snapshot", 4), _packed_good),
    _Table("mean", "seq", 8, _add("mean", 8)),
    _Table("cursor", "name", 2, _add("cursor", 2, "REPLACE")),
    _Table("period", "name", 2, _add("period", 2, "REPLACE")),
    _Table("topic", "topic", 2, _add("topic", 2, "REPLACE")),
)
_EVENTS = _Table("event", "seq", 10, _add("event", 10), _event_good)


def rescue(conn: sqlite3.Connection, damaged: Path) -> Saved:
    """Carry over into `conn`, inside the caller's transaction, what `damaged` still gives.

    Raises sqlite3.Error for trouble with `conn` alone; an unreadable `damaged` gives nothing.
    """
    try:
        source = readonly.connect(damaged, alone=True)
    except sqlite3.Error as e:
        log.warning("nothing can be read of %s: %s", damaged.name, e)
        return Saved()
    with contextlib.closing(source):
        if not _ours(source):
            return Saved()
        for table in _NUMBERING:
            _carry(source, conn, table)
        readings = _readings(source, conn)
        entries = _carry(source, conn, _EVENTS)
        others = sum(_carry(source, conn, table) for table in _TABLES)
    return Saved(readings, entries, others)


def _ours(source: sqlite3.Connection) -> bool:
    """Whether its tables have the columns that this version writes."""
    try:
        marks = [source.execute(f"PRAGMA {p}").fetchone()[0] for p in ("application_id", "user_version")]
    except sqlite3.DatabaseError:
        return False
    return marks == [schema.APPLICATION_ID, schema.VERSION]


def _carry(source: sqlite3.Connection, conn: sqlite3.Connection, table: _Table) -> int:
    saved = 0
    for way in ("DESC", "ASC"):
        order = ", ".join(f"{column} {way}" for column in table.order.split(", "))
        found = _Rows(source, f"SELECT * FROM {table.name} ORDER BY {order}")  # noqa: S608
        saved += sum(_put(conn, table.put, row) for row in found if table.good(row))
        if found.end_reached:
            break
    return saved


def _put(conn: sqlite3.Connection, sql: str, row: Row) -> int:
    """0 for a row that breaks a rule of its table: it is not worth stopping for."""
    try:
        return max(0, conn.execute(sql, row).rowcount)
    except sqlite3.IntegrityError:
        return 0


class _Rows:
    """Rows until the end or until damage; `end_reached` tells afterwards which it was."""

    def __init__(self, source: sqlite3.Connection, sql: str) -> None:
        self._source, self._sql = source, sql
        self.end_reached = False

    def __iter__(self) -> Iterator[Row]:
        try:
            yield from self._source.execute(self._sql)
            self.end_reached = True
        except (sqlite3.DatabaseError, UnicodeError) as e:
            log.warning("damage met: %s", e)


def _readings(source: sqlite3.Connection, conn: sqlite3.Connection) -> int:
    """The newest readings that are missing, as far back as they go without a break or until there are enough."""
    last: int = conn.execute("SELECT ifnull(max(seq), 0) FROM reading").fetchone()[0]
    probes = {no for (no,) in conn.execute("SELECT no FROM probe")}
    sql = f"SELECT * FROM reading WHERE seq > {last} ORDER BY seq DESC LIMIT {MOST_READINGS}"  # noqa: S608
    saved = sum(_put(conn, rows.ADD_READING, row) for row in _Rows(source, sql) if row[1] in probes)
    if saved:
        conn.execute("DELETE FROM stretch")
        top: int = conn.execute("SELECT max(seq) FROM reading").fetchone()[0]
        upkeep.close_stretches(conn, 0, top)
    return saved
