"""Looking into the journal from any thread: the page, the outlets, export.

Each `with` opens a read-only connection of its own; every method returns a finished list, so that no read
transaction stays open and the write-ahead log can always be emptied.  Raises `UnreadableError` and nothing else.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from rushlight.effects import AlarmChange, Daily
from rushlight.events import INTERNAL_KINDS, Correction, Event, TankEvent
from rushlight.journal import history, outbox, rows
from rushlight.journal.recovery import readonly
from rushlight.journal.recovery.storage_report import trouble_of
from rushlight.journal.rows import Stored
from rushlight.journal.schema import BUCKET_MS


class UnreadableError(OSError):
    """The journal can't be read just now; the message says why."""


@dataclass(frozen=True, slots=True)
class Bucket:
    """The readings of one stretch of time: mean, least and greatest value, and how many there were."""

    from_s: float
    to_s: float
    low: float
    mean: float
    high: float
    n: int


@dataclass(frozen=True, slots=True)
class Delivery:
    """One channel: when it last proved that it delivers, what waits, and the last reason given for not delivering."""

    channel: str
    proven_s: float | None
    failing_since_s: float | None
    """Since when every try came to nothing, if the last one did."""
    waiting: int
    oldest_waiting_s: float | None
    failed: int
    why: str


@dataclass(frozen=True, slots=True)
class Sizes:
    """Rows and bytes."""

    readings: int
    means: int
    events: int
    database_bytes: int
    wal_bytes: int


_RAW = (
    f"SELECT r.probe, r.at_ms, r.value, r.flag FROM ({history.SPANS}) s"  # noqa: S608
    " CROSS JOIN reading r ON r.seq BETWEEN s.low AND s.high WHERE r.at_ms >= :low AND r.at_ms < :high"
)
_PROBES = "SELECT no FROM probe WHERE name = :probe"
_BUCKETS = f"""
SELECT b, min(low), sum(total), max(high), sum(n) FROM (
    SELECT (at_ms - :low) / :width AS b, value AS low, value AS total, value AS high, 1 AS n FROM ({_RAW})
    WHERE probe IN ({_PROBES}) AND value IS NOT NULL AND (flag IS NULL OR flag NOT IN (4, 9))
    UNION ALL
    SELECT (bucket_ms + {BUCKET_MS // 2} - :low) / :width, low, total, high, n FROM mean
    WHERE probe IN ({_PROBES}) AND n > 0
      AND bucket_ms >= :low - {BUCKET_MS // 2} AND bucket_ms < :high - {BUCKET_MS // 2}
) GROUP BY b ORDER BY b
"""  # noqa: S608
_INTERNAL = ", ".join(f"'{kind}'" for kind in INTERNAL_KINDS)
_ALARM = "at_ms, id, alarm, tank, occurrence, state, priority, text, evidence"


class Reader:
    """Use as `with journal.reader() as r: r.readings(…)`."""

    def __init__(self, path: Path, on_damage: Callable[[], None] = lambda: None) -> None:
        """`on_damage` is called, on the reading thread, when SQLite finds the file damaged."""
        self._path, self._on_damage = path, on_damage
        self._conn: sqlite3.Connection | None = None

    def __enter__(self) -> Self:
        try:
            self._conn = readonly.connect(self._path)
        except sqlite3.Error as e:
            raise self._unreadable(e) from e
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._conn is not None:
            with contextlib.suppress(sqlite3.Error):
                self._conn.close()
            self._conn = None

    @contextlib.contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        if self._conn is None:
            raise UnreadableError("open the reader with 'with'")
        try:
            yield self._conn
        except sqlite3.Error as e:
            raise self._unreadable(e) from e

    def _unreadable(self, error: sqlite3.Error) -> UnreadableError:
        if trouble_of(error) == "corrupt":
            self._on_damage()
        return UnreadableError(f"the journal {self._path} can't be read: {error}")

    def _all(self, sql: str, values: Sequence[Any] | dict[str, Any] = ()) -> list[tuple[Any, ...]]:
        with self._reading() as conn:
            return conn.execute(sql, values).fetchall()

    # ------------------------------------------------------------------ readings

    def readings(self, probe: str, since_s: float, until_s: float, buckets: int = 300) -> list[Bucket]:
        """One probe's raw values from `since_s` until before `until_s` in that many equal stretches of time.

        Empty stretches are left out; so are values flagged bad (4) or missing (9).  Thinned history counts
        with all the readings it stands for, in the stretch that holds the middle of its ten minutes.
        """
        low, high = rows.ms(since_s), rows.ms(until_s)
        width = max(1, -(-(high - low) // max(1, buckets)))
        found = self._all(_BUCKETS, {"probe": probe, "low": low, "high": high, "width": width})
        return [
            Bucket((low + b * width) / 1000, min(high, low + (b + 1) * width) / 1000, least, total / n, most, n)
            for b, least, total, most, n in found
        ]

    def last_reading(self, probe: str, within: int = 20_000) -> tuple[float, float | None] | None:
        """Time and raw value of the newest of the last `within` readings of all probes that is this probe's."""
        sql = (
            f"SELECT at_ms, value FROM reading WHERE probe IN ({_PROBES})"  # noqa: S608
            " AND seq > (SELECT ifnull(max(seq), 0) FROM reading) - :within ORDER BY seq DESC LIMIT 1"
        )
        found = self._all(sql, {"probe": probe, "within": within})
        return (found[0][0] / 1000, found[0][1]) if found else None

    def events_after(self, seq: int, limit: int = 500) -> list[Stored]:
        """Up to `limit` events after arrival number `seq`, in arrival order: what an outlet's cursor walks along."""
        with self._reading() as conn:
            return list(history.since(conn, seq, limit))

    # ------------------------------------------------------------------ for export: times in ms, `low` <= t < `high`

    def first_ms(self, low: int, high: int) -> int | None:
        """See `history.first_ms`."""
        with self._reading() as conn:
            return history.first_ms(conn, low, high)

    def raw(self, low: int, high: int) -> list[tuple[Any, ...]]:
        """See `history.between`."""
        with self._reading() as conn:
            return history.between(conn, low, high)

    def thinned(self, low: int, high: int) -> list[tuple[Any, ...]]:
        """See `history.means_between`; the range is that of the middles of the ten minutes."""
        with self._reading() as conn:
            return history.means_between(conn, low - BUCKET_MS // 2, high - BUCKET_MS // 2)

    def event_lines(self, low: int, high: int) -> list[tuple[Any, ...]]:
        """Arrival number, time, kind and line of what is no reading."""
        return self._all("SELECT seq, at_ms, kind, line FROM event WHERE at_ms >= ? AND at_ms < ?", (low, high))

    # ------------------------------------------------------------------ people's entries, days, alarms

    def entries(
        self, tank: str | None = None, since_s: float = 0.0, limit: int = 200, kind: str | None = None
    ) -> list[Stored]:
        """What people entered (for one tank or all, of one kind or all), newest first; corrections among them."""
        found = self._all(
            "SELECT seq, line, clock_ok FROM event WHERE (:tank IS NULL OR tank = :tank OR kind = 'correction')"  # noqa: S608
            f" AND kind NOT IN ({_INTERNAL}) AND at_ms >= :since"
            " AND (:kind IS NULL OR kind IN (:kind, 'correction')) ORDER BY at_ms DESC, seq DESC LIMIT :limit",
            {"tank": tank, "since": rows.ms(since_s), "limit": limit, "kind": kind},
        )
        stored = rows.readable(found, lambda row: Stored(row[0], rows.event(row[1]), row[2] == 1))
        return [s for s in stored if tank is None or _touches(s, tank)]

    def entry(self, entry_id: str) -> Event | None:
        """What a person entered under this id, as it stands by now: corrected where it was, None where it is void."""
        corrects = "kind = 'correction' AND json_valid(line) AND json_extract(line, '$.of') = ?"
        sql = f"SELECT line FROM event WHERE id = ? OR {corrects} ORDER BY seq"  # noqa: S608
        found = list(rows.readable(self._all(sql, (entry_id, entry_id)), lambda row: rows.event(row[0])))
        if not found or isinstance(found[0], Correction) or found[0].kind in INTERNAL_KINDS:
            return None
        last = found[-1]
        return last.replacement if isinstance(last, Correction) else last

    def of_kind(self, kind: str, tank: str | None = None) -> tuple[list[TankEvent], list[TankEvent]]:
        """Every entry of a kind about one tank or all, oldest first: those that stand, and those that were taken back.

        Corrected ones stand in their last form; their earlier forms are among those taken back.
        """
        sql = "SELECT line FROM event WHERE kind IN (?, 'correction') ORDER BY seq"
        stand: dict[str, TankEvent] = {}
        back: list[TankEvent] = []
        fixes: list[Correction] = []
        for (line,) in self._all(sql, (kind,)):
            event = rows.event(line)
            if isinstance(event, Correction):
                fixes.append(event)
            elif isinstance(event, TankEvent):
                stand[event.id] = event
        for fix in fixes:
            if (old := stand.pop(fix.of, None)) is not None:
                back.append(old)
            if old is not None and not fix.void and isinstance(fix.replacement, TankEvent):
                stand[fix.of] = replace(fix.replacement, id=fix.of)
        kept = sorted((e for e in stand.values() if e.kind == kind), key=lambda e: e.at_s)
        return [e for e in kept if tank in (None, e.tank)], [e for e in back if tank in (None, e.tank)]

    def days(self, tank: str, since: str = "", until: str = "9999") -> list[Daily]:
        """Closed days of a tank by local date, `since` and `until` (both included) as YYYY-MM-DD, oldest first."""
        sql = "SELECT tank, date, at_ms, body FROM daily WHERE tank = ? AND date >= ? AND date <= ? ORDER BY date"
        return list(rows.readable(self._all(sql, (tank, since, until)), rows.daily))

    def first_day(self, tank: str) -> dt.date | None:
        """The first closed day of a tank."""
        found = self._all("SELECT min(date) FROM daily WHERE tank = ?", (tank,))
        return dt.date.fromisoformat(found[0][0]) if found and found[0][0] else None

    def alarms(self, since_s: float = 0.0, tank: str | None = None, limit: int = 500) -> list[AlarmChange]:
        """Changes of alarms, newest first."""
        found = self._all(
            f"SELECT {_ALARM} FROM alarm WHERE at_ms >= ? AND (? IS NULL OR tank = ?)"  # noqa: S608
            " ORDER BY at_ms DESC, no DESC LIMIT ?",
            (rows.ms(since_s), tank, tank, limit),
        )
        return list(rows.readable(found, rows.alarm))

    def due_changes(self, tank: str, since_s: float = 0.0) -> list[tuple[float, float, str]]:
        """When the next test's date was moved, to when, and why; oldest first."""
        sql = "SELECT at_ms, due_ms, reason FROM due WHERE tank = ? AND at_ms >= ? ORDER BY no"
        return [(a / 1000, d / 1000, why) for a, d, why in self._all(sql, (tank, rows.ms(since_s)))]

    # ------------------------------------------------------------------ messages and sizes

    def messages(self, limit: int = 100) -> list[outbox.Row]:
        """The outbox, newest first."""
        return outbox.rows_of(self._all(f"{outbox.SELECT} ORDER BY no DESC LIMIT ?", (limit,)))

    def messages_since(self, at_s: float) -> list[outbox.Row]:
        """Messages about alarms that were made at or after `at_s`, oldest first."""
        sql = f"{outbox.SELECT} WHERE purpose = 'alarm' AND created_ms >= ? ORDER BY no"
        return outbox.rows_of(self._all(sql, (rows.ms(at_s),)))

    def deliveries(self) -> list[Delivery]:
        """Each channel that ever had a message."""
        found = self._all(
            "SELECT channel, max(CASE state WHEN 'sent' THEN done_ms END),"
            " min(CASE WHEN tries > 0 AND state <> 'sent' THEN created_ms END),"
            " max(CASE WHEN tries > 0 AND state <> 'sent' THEN ifnull(tried_ms, done_ms) END), sum(state = 'waiting'),"
            " min(CASE state WHEN 'waiting' THEN created_ms END), sum(state = 'failed'),"
            " (SELECT why FROM outbox w WHERE w.channel = o.channel AND state IN ('waiting', 'failed') AND why <> ''"
            "  ORDER BY no DESC LIMIT 1) FROM outbox o GROUP BY channel ORDER BY channel"
        )
        return [
            Delivery(
                channel, _seconds(proven), _since(made, tried, proven), waiting, _seconds(oldest), failed, why or ""
            )
            for channel, proven, made, tried, waiting, oldest, failed, why in found
        ]

    def sizes(self) -> Sizes:
        """Rows and bytes of the journal."""
        sql = "SELECT (SELECT count(*) FROM reading), (SELECT count(*) FROM mean), (SELECT count(*) FROM event)"
        readings, means, events = self._all(sql)[0]
        wal = history.size(self._path, "-wal") or 0
        return Sizes(readings, means, events, history.size(self._path) or 0, wal)


def _seconds(at_ms: int | None) -> float | None:
    return None if at_ms is None else at_ms / 1000


def _since(made_ms: int | None, tried_ms: int | None, proven_ms: int | None) -> float | None:
    """Since when a channel fails: from its first message that was tried in vain, or its last delivery after that."""
    if made_ms is None or tried_ms is None or tried_ms <= (proven_ms or 0):
        return None
    return max(made_ms, proven_ms or 0) / 1000


def _touches(stored: Stored, tank: str) -> bool:
    event = getattr(stored.event, "replacement", None) or stored.event
    return not isinstance(event, TankEvent) or event.tank == tank
