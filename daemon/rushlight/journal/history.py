"""Reading events back in arrival order, for the rebuild, for outlets and for export.

Works on a connection that it is given; writes nothing.
"""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Iterator
from operator import itemgetter
from pathlib import Path
from typing import Any

from rushlight.events import Reading
from rushlight.journal import rows, schema
from rushlight.journal.recovery import files
from rushlight.journal.rows import Stored

PAGE_ROWS = 5_000

_READINGS = (
    "SELECT r.seq, r.at_ms, p.name, p.unit, r.value, r.flag, r.received_ms, r.clock_ok FROM reading r"
    " CROSS JOIN probe p ON p.no = r.probe WHERE r.seq > ? ORDER BY r.seq LIMIT ?"
)
_MEANS = (
    "SELECT m.seq, m.bucket_ms, p.name, p.unit, m.n, m.total FROM mean m CROSS JOIN probe p ON p.no = m.probe"
    " WHERE m.seq > ? ORDER BY m.seq LIMIT ?"
)
# A time range by way of the stretches that touch it, and whatever is not in a closed stretch yet.
SPANS = f"""SELECT first_seq AS low, first_seq + {schema.STRETCH_ROWS} - 1 AS high FROM stretch
WHERE to_ms >= :low AND from_ms < :high
UNION ALL SELECT ifnull((SELECT max(first_seq) + {schema.STRETCH_ROWS} FROM stretch), 0), {2**63 - 1}
"""  # noqa: S608
_BETWEEN = (
    f"SELECT r.seq, r.at_ms, p.name, p.unit, r.value, r.flag, r.received_ms FROM ({SPANS}) s"  # noqa: S608
    " CROSS JOIN reading r ON r.seq BETWEEN s.low AND s.high CROSS JOIN probe p ON p.no = r.probe"
    " WHERE r.at_ms >= :low AND r.at_ms < :high"
)
_MEANS_BETWEEN = (
    "SELECT m.seq, m.bucket_ms, p.name, p.unit, m.n, m.total FROM probe p"
    " CROSS JOIN mean m ON m.probe = p.no WHERE m.bucket_ms >= :low AND m.bucket_ms < :high"
)
_HALF = schema.BUCKET_MS // 2
_FIRST = f"""
SELECT min(t) FROM (
    SELECT min(at_ms) AS t FROM event WHERE at_ms >= :low AND at_ms < :high
    UNION ALL SELECT (SELECT min(bucket_ms) FROM mean WHERE probe = p.no AND bucket_ms >= :low - {_HALF}) + {_HALF}
        FROM probe p
    UNION ALL SELECT min(from_ms) FROM stretch WHERE from_ms >= :low
    UNION ALL SELECT min(r.at_ms) FROM ({SPANS.replace(":high", ":low")}) s
        CROSS JOIN reading r ON r.seq BETWEEN s.low AND s.high WHERE r.at_ms >= :low
) WHERE t < :high"""  # noqa: S608
_EVENTS = "SELECT seq, line, clock_ok FROM event WHERE seq > ? ORDER BY seq LIMIT ?"


def size(path: Path, suffix: str = "") -> int | None:
    """Bytes of the database or of the file beside it."""
    return files.size(files.part(path, suffix))


def last_seq(conn: sqlite3.Connection) -> int:
    """The greatest arrival number that anything in the database knows."""
    tables = ("reading", "mean", "event", "snapshot", "cursor")
    sql = " UNION ALL ".join(f"SELECT max(seq) AS seq FROM {t}" for t in tables)  # noqa: S608
    found: int = conn.execute(f"SELECT ifnull(max(seq), 0) FROM ({sql})").fetchone()[0]  # noqa: S608
    return found


def since(conn: sqlite3.Connection, seq: int, limit: int | None = None) -> Iterator[Stored]:
    """Events after arrival number `seq`, in arrival order, at most `limit`.

    Reads page by page, so that no read transaction stays open while the caller works.
    """
    merged = heapq.merge(_readings(conn, seq), _means(conn, seq), _events(conn, seq), key=itemgetter(0))
    for n, stored in enumerate(merged):
        if limit is not None and n >= limit:
            return
        yield stored


def _pages(conn: sqlite3.Connection, sql: str, seq: int) -> Iterator[list[tuple[Any, ...]]]:
    while page := conn.execute(sql, (seq, PAGE_ROWS)).fetchall():
        yield page
        if len(page) < PAGE_ROWS:
            return
        seq = page[-1][0]


def _readings(conn: sqlite3.Connection, seq: int) -> Iterator[Stored]:
    for page in _pages(conn, _READINGS, seq):
        for no, at_ms, name, unit, value, flag, received_ms, clock_ok in page:
            yield Stored(no, rows.reading(at_ms, name, unit, value, flag, received_ms), clock_ok == 1)


def _means(conn: sqlite3.Connection, seq: int) -> Iterator[Stored]:
    for page in _pages(conn, _MEANS, seq):
        for no, bucket_ms, name, unit, n, total in page:
            yield Stored(no, mean_reading(bucket_ms, name, unit, n, total), True)


def mean_reading(bucket_ms: int, name: str, unit: str, n: int, total: float) -> Reading:
    """A thinned row as one reading in the middle of its ten minutes; without a value where none had one."""
    return rows.reading(bucket_ms + schema.BUCKET_MS // 2, name, unit, total / n if n else None, None, None)


def between(conn: sqlite3.Connection, low: int, high: int) -> list[tuple[Any, ...]]:
    """Raw readings with `low` <= at_ms < `high`: seq, at_ms, probe, unit, value, flag, received_ms, in no order."""
    return conn.execute(_BETWEEN, {"low": low, "high": high}).fetchall()


def means_between(conn: sqlite3.Connection, low: int, high: int) -> list[tuple[Any, ...]]:
    """Thinned rows that begin in that time: seq, bucket_ms, probe, unit, n, total, in no order."""
    return conn.execute(_MEANS_BETWEEN, {"low": low, "high": high}).fetchall()


def first_ms(conn: sqlite3.Connection, low: int, high: int) -> int | None:
    """A time in the range before which the range holds nothing, close to its first event; None: it is empty."""
    found: int | None = conn.execute(_FIRST, {"low": low, "high": high}).fetchone()[0]
    return found


def _events(conn: sqlite3.Connection, seq: int) -> Iterator[Stored]:
    for page in _pages(conn, _EVENTS, seq):
        yield from rows.readable(page, lambda row: Stored(row[0], rows.event(row[1]), row[2] == 1))
