"""Long-term care of the tables, inside transactions that the caller opens: time stretches, re-stamping, thinning.

Works on the writing connection that it is given; opens nothing, commits nothing, reads no clock.
"""

from __future__ import annotations

import dataclasses
import sqlite3
from dataclasses import dataclass

from rushlight.eventlines import format_line
from rushlight.events import Event
from rushlight.journal import rows
from rushlight.journal.schema import BUCKET_MS, STRETCH_ROWS

DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Keep:
    """How long things are kept, in days.  Events of people, alarms and day rows are kept for ever."""

    raw_days: float = 90.0
    mean_days: float = 3650.0
    sent_days: float = 400.0
    due_days: float = 400.0
    rows_at_once: int = 50_000


KEEP = Keep()


@dataclass(frozen=True, slots=True, kw_only=True)
class Pruned:
    """What one round of thinning did."""

    readings: int = 0
    means: int = 0
    others: int = 0
    more: bool = False
    """Whether another round would find more."""


# ---------------------------------------------------------------------- stretches


def closed_seq(conn: sqlite3.Connection) -> int:
    """The arrival number up to which the stretches are closed."""
    last = conn.execute("SELECT max(first_seq) FROM stretch").fetchone()[0]
    return 0 if last is None else last + STRETCH_ROWS - 1


_CLOSE = (
    "INSERT OR REPLACE INTO stretch SELECT seq - seq % :n, min(at_ms), max(at_ms) FROM reading"
    " WHERE seq BETWEEN :low AND :high GROUP BY seq / :n"
)


def close_stretches(conn: sqlite3.Connection, closed: int, last_seq: int) -> int:
    """Close every whole stretch up to `last_seq`; returns the arrival number up to which all are closed."""
    high = last_seq - last_seq % STRETCH_ROWS - 1
    if high > closed:
        conn.execute(_CLOSE, {"n": STRETCH_ROWS, "low": closed + 1 if closed else 0, "high": high})
        return high
    return closed


# ---------------------------------------------------------------------- clock trust


def restamp(conn: sqlite3.Connection, boot_id: str, offset_ms: int) -> int:
    """Set the time of every untrusted row of a boot to its monotonic time plus `offset_ms`; returns how many."""
    found = conn.execute("SELECT no, first_seq FROM boot WHERE id = ?", (boot_id,)).fetchone()
    if found is None:
        return 0
    boot, first = found
    which = "boot = ? AND clock_ok = 0 AND mono_ms IS NOT NULL"
    moved = conn.execute(
        f"UPDATE reading SET at_ms = mono_ms + ?, clock_ok = 1 WHERE seq >= ? AND {which}",  # noqa: S608
        (offset_ms, first, boot),
    ).rowcount
    closed = closed_seq(conn)
    low = first - first % STRETCH_ROWS
    if moved and closed >= low:
        conn.execute(_CLOSE, {"n": STRETCH_ROWS, "low": low, "high": closed})
    moved += conn.execute(
        f"UPDATE OR REPLACE alarm SET at_ms = mono_ms + ?, clock_ok = 1 WHERE {which}",  # noqa: S608
        (offset_ms, boot),
    ).rowcount
    sql = f"SELECT seq, line, mono_ms FROM event WHERE seq >= ? AND {which}"  # noqa: S608
    for seq, line, mono_ms in conn.execute(sql, (first, boot)).fetchall():
        event = moved_to(rows.event(line), (mono_ms + offset_ms) / 1000)
        conn.execute(
            "UPDATE event SET at_ms = ?, received_ms = ?, line = ?, clock_ok = 1 WHERE seq = ?",
            (rows.ms(event.at_s), rows.ms(event.arrived_s), format_line(event), seq),
        )
        moved += 1
    return moved


def moved_to(event: Event, received_s: float) -> Event:
    """The event as received at `received_s`; its own time moves along where it was 'now'."""
    if event.arrived_s == event.at_s:
        return dataclasses.replace(event, at_s=received_s, received_s=0.0)
    return dataclasses.replace(event, received_s=0.0 if event.at_s == received_s else received_s)


# ---------------------------------------------------------------------- thinning

_OLD = "seq BETWEEN :low AND :high AND at_ms < :before AND NOT (clock_ok = 0 AND boot IS :boot)"
_FOLD = f"""
INSERT INTO mean (seq, probe, bucket_ms, n, missing, total, low, high)
SELECT max(seq), probe, at_ms - at_ms % {BUCKET_MS}, count(good), count(*) - count(good), total(good),
       min(good), max(good)
FROM (SELECT seq, probe, at_ms, CASE WHEN flag IN (4, 9) THEN NULL ELSE value END AS good FROM reading WHERE {_OLD})
WHERE true GROUP BY probe, at_ms - at_ms % {BUCKET_MS}
ON CONFLICT (probe, bucket_ms) DO UPDATE SET
    n = n + excluded.n, missing = missing + excluded.missing, total = total + excluded.total,
    low = min(ifnull(low, excluded.low), ifnull(excluded.low, low)),
    high = max(ifnull(high, excluded.high), ifnull(excluded.high, high))
"""  # noqa: S608
_EMPTY = (
    "DELETE FROM stretch WHERE first_seq = :low AND NOT EXISTS (SELECT 1 FROM reading WHERE seq BETWEEN :low AND :high)"
)


def prune(conn: sqlite3.Connection, at_s: float, keep: Keep = KEEP, boot: int | None = None) -> Pruned:
    """One round: fold the oldest raw readings into ten-minute rows, drop what is past keeping.

    Readings of the running `boot` whose time is not trusted stay until it is.  Sums, counts and extremes are
    kept; a value flagged bad or missing counts as missing.
    """
    now_ms = rows.ms(at_s)
    before = now_ms - round(keep.raw_days * DAY_MS)
    before -= before % BUCKET_MS
    folded = 0
    for low, high in _old_spans(conn, before):
        if folded >= keep.rows_at_once:
            break
        span = {"low": low, "high": high, "before": before, "boot": boot}
        conn.execute(_FOLD, span)
        folded += conn.execute(f"DELETE FROM reading WHERE {_OLD}", span).rowcount  # noqa: S608
        conn.execute(_EMPTY, span)
    return Pruned(
        readings=folded,
        means=_drop(conn, "mean WHERE bucket_ms < ?", now_ms, keep.mean_days),
        others=_drop(conn, "outbox WHERE state <> 'waiting' AND done_ms < ?", now_ms, keep.sent_days)
        + _drop(conn, "due WHERE at_ms < ?", now_ms, keep.due_days),
        more=folded >= keep.rows_at_once,
    )


def _old_spans(conn: sqlite3.Connection, before: int) -> list[tuple[int, int]]:
    """Ranges of arrival numbers that may hold readings from before that time."""
    found = conn.execute("SELECT first_seq FROM stretch WHERE from_ms < ? ORDER BY first_seq", (before,)).fetchall()
    tail = closed_seq(conn)
    return [(first, first + STRETCH_ROWS - 1) for (first,) in found] + [(tail + 1 if tail else 0, 2**63 - 1)]


def _drop(conn: sqlite3.Connection, what: str, now_ms: int, days: float) -> int:
    return conn.execute(f"DELETE FROM {what}", (now_ms - round(days * DAY_MS),)).rowcount  # noqa: S608
