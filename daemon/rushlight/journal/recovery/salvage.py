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
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rushlight.eventlines import LineError
from rushlight.journal import outbox, rows, schema, upkeep
from rushlight.journal.recovery import readonly

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


_OLDER = {
    ("outbox", "purpose"): "iif(alarm_id <> '', 'alarm', iif(key LIKE 'selftest:%', 'check', 'summary'))",
    ("outbox", "alarms"): """CASE WHEN alarm_id = '' THEN '[]'
        WHEN substr(key, 1, length(alarm_id) + 1) = alarm_id || '#' THEN json_array(json_array(alarm_id,
            CAST(substr(key, length(alarm_id) + 2) AS INTEGER),
            CASE WHEN key LIKE '%-repeat@%' THEN 'repeat' WHEN key LIKE '%-reminder@%' THEN 'reminder'
                 WHEN key LIKE '%-return@%' THEN 'return' ELSE 'raise' END))
        ELSE '[["' || replace(alarm_id, ' ', '",0,"raise"],["') || '",0,"raise"]]' END""",
}
"""Columns that an older version did not have, from what it had (`schema`, second step)."""
Sound = Callable[[Mapping[str, Any]], bool]
"""Whether a row, by the names of its columns, makes sense."""


@dataclass(frozen=True, slots=True)
class _Table:
    """A table's columns by name, the statement that takes a row of them, and what makes a row worth taking."""

    name: str
    order: str
    columns: tuple[str, ...]
    put: str
    sound: Sound = lambda _row: True

    def select(self, source: sqlite3.Connection, end: str) -> str:
        """Reads its columns, in the order in which `put` takes them; of an older version, what they are made from.

        Raises sqlite3.Error.
        """
        there = {row[1] for row in source.execute(f"PRAGMA table_info({self.name})")}
        asked = (c if c in there else f"{_OLDER[self.name, c]} AS {c}" for c in self.columns)
        return f"SELECT {', '.join(asked)} FROM {self.name} {end}"  # noqa: S608

    def good(self, row: Row) -> bool:
        """Whether the row makes sense."""
        return self.sound(dict(zip(self.columns, row, strict=True)))


def _event_sound(row: Mapping[str, Any]) -> bool:
    try:
        return bool(rows.event(row["line"]).id == row["id"])
    except (LineError, TypeError):
        return False


def _json_sound(column: str) -> Sound:
    def sound(row: Mapping[str, Any]) -> bool:
        try:
            return isinstance(json.loads(row[column]), dict)
        except (ValueError, TypeError):
            return False

    return sound


def _packed_sound(row: Mapping[str, Any]) -> bool:
    try:
        return bool(zlib.decompress(row["state"]))
    except (zlib.error, TypeError):
        return False


def _table(
    name: str, order: str, columns: str | Sequence[str], how: str = "IGNORE", sound: Sound | None = None
) -> _Table:
    named = tuple(columns.split()) if isinstance(columns, str) else tuple(columns)
    put = f"INSERT OR {how} INTO {name} ({', '.join(named)}) VALUES ({', '.join('?' * len(named))})"  # noqa: S608
    return _Table(name, order, named, put, sound or (lambda _row: True))


_NUMBERING = (_table("boot", "no", "no id first_seq"), _table("probe", "no", "no name unit"))
_TABLES = (
    _table("alarm", "no", rows.ALARM_COLUMNS, sound=_json_sound("evidence")),
    _table("due", "no", rows.columns_of(rows.DueRow)),
    _table("daily", "tank, date", "tank date at_ms body", sound=_json_sound("body")),
    _Table("outbox", "no", outbox.COLUMNS, outbox.PUT),
    _table("snapshot", "seq", "seq at_ms version state", sound=_packed_sound),
    _table("mean", "seq", "seq probe bucket_ms n missing total low high"),
    _table("cursor", "name", "name seq", "REPLACE"),
    _table("period", "name", "name period", "REPLACE"),
    _table("topic", "topic", "topic owner", "REPLACE"),
)
_EVENTS = _table("event", "seq", rows.EVENT_COLUMNS, sound=_event_sound)
_READINGS = _table("reading", "seq", rows.READING_COLUMNS)


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
    """Whether its tables are those of this version or of one before it."""
    try:
        marks = [source.execute(f"PRAGMA {p}").fetchone()[0] for p in ("application_id", "user_version")]
    except sqlite3.DatabaseError:
        return False
    return bool(marks[0] == schema.APPLICATION_ID and 1 <= marks[1] <= schema.VERSION)


def _carry(source: sqlite3.Connection, conn: sqlite3.Connection, table: _Table) -> int:
    saved = 0
    for way in ("DESC", "ASC"):
        order = ", ".join(f"{column} {way}" for column in table.order.split(", "))
        found = _Rows(source, table, f"ORDER BY {order}")
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

    def __init__(self, source: sqlite3.Connection, table: _Table, end: str) -> None:
        self._source, self._table, self._end = source, table, end
        self.end_reached = False

    def __iter__(self) -> Iterator[Row]:
        try:
            yield from self._source.execute(self._table.select(self._source, self._end))
            self.end_reached = True
        except (sqlite3.DatabaseError, UnicodeError) as e:
            log.warning("damage met: %s", e)


def _readings(source: sqlite3.Connection, conn: sqlite3.Connection) -> int:
    """The newest readings that are missing, as far back as they go without a break or until there are enough."""
    last: int = conn.execute("SELECT ifnull(max(seq), 0) FROM reading").fetchone()[0]
    probes = {no for (no,) in conn.execute("SELECT no FROM probe")}
    end = f"WHERE seq > {last} ORDER BY seq DESC LIMIT {MOST_READINGS}"
    known = _READINGS.columns.index("probe")
    saved = sum(_put(conn, _READINGS.put, row) for row in _Rows(source, _READINGS, end) if row[known] in probes)
    if saved:
        conn.execute("DELETE FROM stretch")
        top: int = conn.execute("SELECT max(seq) FROM reading").fetchone()[0]
        upkeep.close_stretches(conn, 0, top)
    return saved
