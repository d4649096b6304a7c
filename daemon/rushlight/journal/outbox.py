"""Messages on their way to people: what waits, what went, what never will.

Owns the outbox's rules.  The open rows live in memory, so that a dead disk delays no alarm, and each change
goes to the journal's writer as one row.  Sends nothing and reads no clock; like the journal, it belongs to one
thread.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, fields
from typing import Any, Literal

from rushlight.effects import Message, Purpose, Told
from rushlight.journal.rows import Numbers, Stamp, Statement, readable
from rushlight.journal.rows import Row as JournalRow
from rushlight.settings import Priority

State = Literal["waiting", "sent", "dropped", "failed"]

_UNSTAMPED = Stamp()
FIRST_WAIT_S = 15.0
LONGEST_WAIT_S: dict[Priority, float] = {"high": 300.0, "medium": 900.0, "low": 3600.0}
_RANK: dict[Priority, int] = {"high": 0, "medium": 1, "low": 2}


@dataclass(slots=True)
class Row:
    """One message on one channel.  Times in ms since 1970 UTC; the order of fields is that of the table."""

    no: int
    key: str
    channel: str
    contact: str
    priority: Priority
    title: str
    body: str
    tank: str | None
    created_ms: int
    not_before_ms: int
    """Until when quiet hours hold it; after a try, until when the receiver asked to be left in peace."""
    tries: int = 0
    tried_ms: int | None = None
    next_try_ms: int = 0
    state: State = "waiting"
    done_ms: int | None = None
    receipt: str = ""
    why: str = ""
    boot: int | None = None
    mono_ms: int | None = None
    clock_ok: int = 1
    purpose: Purpose = "alarm"
    alarms: tuple[Told, ...] = ()

    @property
    def lane(self) -> tuple[str, ...]:
        """Messages of one lane tell of the same alarms, and so keep their order; its own key where it is about none."""
        return tuple(t.alarm for t in self.alarms) or (self.key,)

    def values(self, numbers: Numbers) -> tuple[Any, ...]:
        """What stands in the table's columns, in the order of `COLUMNS`; alarms as a JSON list of lists."""
        about = [(t.alarm, t.occurrence, t.step, t.since_s) for t in self.alarms]
        told = json.dumps(about, ensure_ascii=False, separators=(",", ":"))
        own = {"no": self.no + numbers.outbox, "boot": numbers.boot_of(self.boot), "alarms": told}
        return tuple(own[c] if c in own else getattr(self, c) for c in COLUMNS)

    @property
    def sql(self) -> str:
        """See `rows.Row`."""
        return PUT


def row_of(values: Iterable[Any]) -> Row:
    """The row of such values.  Raises ValueError where the alarms are none that we wrote."""
    *plain, about = values
    plain.append(tuple(Told(*t) for t in json.loads(about)))
    return Row(*plain)


COLUMNS = tuple(f.name for f in fields(Row))
PUT = (
    f"INSERT INTO outbox ({', '.join(COLUMNS)}) VALUES ({', '.join('?' * len(COLUMNS))})"  # noqa: S608
    " ON CONFLICT (key, channel) DO UPDATE SET "
    + ", ".join(f"{c} = excluded.{c}" for c in COLUMNS if c not in {"no", "key", "channel"})
)
_FREE = (
    "UPDATE outbox SET key = key || ' dated wrongly, no. ' || no"
    " WHERE purpose <> 'alarm' AND created_ms > ? AND state <> 'waiting'"
)
SELECT = f"SELECT {', '.join(COLUMNS)} FROM outbox"  # noqa: S608


class Outbox:
    """`write(table, key, row)` hands a row to the journal; `known(key, channel)` says whether it has one.

    Rows are counted from where the database stopped (`rows.Numbers`), so those that it held before have no number
    above 0.
    """

    def __init__(
        self,
        write: Callable[[str, Any, JournalRow], None],
        known: Callable[[str, str], bool],
    ) -> None:
        self._write, self._known = write, known
        self._open: dict[tuple[str, str], Row] = {}
        self._next_no = 1

    def load(self, conn: sqlite3.Connection, numbers: Numbers) -> None:
        """Take over the rows that were waiting when the last process ended.  Raises sqlite3.Error."""
        for row in rows_of(conn.execute(f"{SELECT} WHERE state = 'waiting' ORDER BY no")):
            row.no -= numbers.outbox
            self._open.setdefault((row.key, row.channel), row)

    def settle(self, conn: sqlite3.Connection, numbers: Numbers) -> None:
        """Close what an older database still has waiting and memory knows to be done.  Raises sqlite3.Error."""
        for row in rows_of(conn.execute(f"{SELECT} WHERE state = 'waiting'")):
            if (row.key, row.channel) not in self._open:
                row.no -= numbers.outbox
                row.state, row.why = "dropped", "closed before the journal was restored"
                self._save(row)

    def adopt(self, rows: Iterable[Row], at_ms: int) -> None:
        """Go by what was open at `at_ms`, on top of an older or a new database."""
        open_then = {(row.key, row.channel): row for row in rows}
        for where, row in open_then.items():
            if where not in self._open and not self._known(*where):
                row.no, row.boot = self._next_no, None
                self._next_no += 1
                self._open[where] = row
        for where, row in list(self._open.items()):
            if where not in open_then and row.created_ms <= at_ms:
                self._close(row, "dropped", at_ms / 1000, why="closed before the journal was restored")

    def rewrite(self) -> None:
        """Hand every open row to the writer again, for a database that took the place of a lost one."""
        for row in self._open.values():
            self._save(row)

    # ------------------------------------------------------------------ in

    def put(self, message: Message, stamp: Stamp = _UNSTAMPED) -> bool:
        """Add a message; one that is there already (same key and channel) is left as it is, and False returned."""
        where = (message.key, message.channel)
        if where in self._open or self._known(*where):
            return False
        for key in message.supersedes:
            self._close_all(key, message.at_s, f"superseded by {message.key}")
        row = Row(
            no=self._next_no,
            key=message.key,
            channel=message.channel,
            contact=message.contact,
            priority=message.priority,
            title=message.title,
            body=message.body,
            tank=message.tank,
            created_ms=round(message.at_s * 1000),
            not_before_ms=round(message.not_before_s * 1000),
            boot=stamp.boot,
            mono_ms=stamp.mono_ms,
            clock_ok=stamp.clock_ok,
            purpose=message.purpose,
            alarms=message.alarms,
        )
        self._next_no += 1
        self._open[where] = row
        self._save(row)
        return True

    def _close_all(self, key: str, at_s: float, why: str) -> None:
        for row in [r for r in self._open.values() if r.key == key]:
            self._close(row, "dropped", at_s, why=why)

    # ------------------------------------------------------------------ out

    def due(self, now_s: float, channel: str | None = None, limit: int = 20) -> list[Row]:
        """What may go out now: high priority first, then oldest first, one of each alarm and contact at a time.

        So of one alarm and priority the earlier goes before the later, also when the earlier has to be tried
        again.  What quiet hours hold does not hold up what they let through.
        """
        now_ms = round(now_s * 1000)
        ready, blocked = [], set()
        for row in sorted(self._open.values(), key=lambda r: (_RANK[r.priority], r.no)):
            if channel is not None and row.channel != channel:
                continue
            lane = (row.channel, row.contact, row.lane)
            if _held(row, now_ms):
                continue
            if _resting(row, now_ms):
                blocked.add(lane)
            elif lane not in blocked:
                ready.append(row)
                blocked.add(lane)
        return ready[:limit]

    def sent(self, key: str, channel: str, at_s: float, receipt: str = "") -> None:
        """It has been delivered; commit this at once.

        What the same person was to be told of the same alarm earlier and less urgently is overtaken by it: 'over',
        read after the alarm has risen again, would be false.
        """
        row = self._open.get((key, channel))
        if row is None:
            return
        row.tries += 1
        self._close(row, "sent", at_s, receipt=receipt)
        for other in [r for r in self._open.values() if row.alarms and _overtakes(row, r)]:
            self._close(other, "dropped", at_s, why=f"overtaken by {key}")

    def later(self, key: str, channel: str, at_s: float, why: str, wait_s: float | None = None) -> None:
        """It could not be delivered now.

        Tried again once the `wait_s` seconds are over that the receiver asked for, or, if it asked for none, after a
        wait that grows with each try and that `release` may cut short.
        """
        if row := self._open.get((key, channel)):
            own_s = min(FIRST_WAIT_S * 2.0 ** min(row.tries, 20), LONGEST_WAIT_S[row.priority])
            row.tries += 1
            row.tried_ms = round(at_s * 1000)
            row.next_try_ms = row.tried_ms + round((own_s if wait_s is None else wait_s) * 1000)
            row.not_before_ms = 0 if wait_s is None else row.next_try_ms
            row.why = why
            self._save(row)

    def release(self, channel: str, at_s: float) -> None:
        """The channel has just delivered: what waits there after a failed try need not wait any longer.

        What the receiver itself put off, and what quiet hours hold, goes on waiting.
        """
        now_ms = round(at_s * 1000)
        for row in self._open.values():
            if row.channel == channel and _resting(row, now_ms) and not row.not_before_ms:
                row.next_try_ms = now_ms
                self._save(row)

    def never(self, key: str, channel: str, at_s: float, why: str) -> None:
        """It will never be delivered on this channel."""
        if row := self._open.get((key, channel)):
            row.tries += 1
            self._close(row, "failed", at_s, why=why)

    def drop(self, key: str, at_s: float, why: str) -> None:
        """Nobody needs it any more, on any channel."""
        self._close_all(key, at_s, why)

    def forget_dates_after(self, at_s: float) -> None:
        """The time that had been reached was wrong, and it is `at_s` now; commit this at once.

        A summary or a check is named after its week.  The weeks still to come get their names back, and what waits to
        go out under one of them is dropped.
        """
        at_ms = round(at_s * 1000)
        for row in [r for r in self._open.values() if r.created_ms > at_ms and r.purpose != "alarm"]:
            self._close(row, "dropped", at_s, why="made under a wrong date")
        self._write("outbox names", at_ms, Statement(_FREE, (at_ms,)))

    def waiting(self) -> list[Row]:
        """Every open row, oldest first."""
        return sorted(self._open.values(), key=lambda r: r.no)

    def shift(self, boots: Collection[int], offset_ms: int) -> None:
        """Give rows made before the clock could be trusted their time: `offset_ms` is wall minus monotonic."""
        for row in self._open.values():
            if row.boot in boots and not row.clock_ok and row.mono_ms is not None:
                by = row.mono_ms + offset_ms - row.created_ms
                row.created_ms += by
                row.not_before_ms += by if row.not_before_ms else 0
                row.tried_ms = None if row.tried_ms is None else row.tried_ms + by
                row.next_try_ms += by if row.next_try_ms else 0
                row.clock_ok = 1
                self._save(row)

    def _close(self, row: Row, state: State, at_s: float, *, receipt: str = "", why: str = "") -> None:
        row.state, row.done_ms = state, round(at_s * 1000)
        row.receipt, row.why = receipt, why
        del self._open[row.key, row.channel]
        self._save(row)

    def _save(self, row: Row) -> None:
        self._write("outbox", (row.key, row.channel), row)


def _held(row: Row, now_ms: int) -> bool:
    """Whether it is too early for it; a clock that went back behind its making holds nothing back."""
    return row.tried_ms is None and row.created_ms <= now_ms < row.not_before_ms


def _resting(row: Row, now_ms: int) -> bool:
    """Whether a failed try was too short ago; the same for a clock that went back behind that try."""
    return row.tried_ms is not None and row.tried_ms <= now_ms < row.next_try_ms


def _overtakes(row: Row, other: Row) -> bool:
    """Whether `row` is a later and more urgent word to the same person on the same alarm."""
    same = (row.lane, row.contact) == (other.lane, other.contact)
    return same and row.created_ms > other.created_ms and _RANK[row.priority] < _RANK[other.priority]


def rows_of(values: Iterable[tuple[Any, ...]]) -> list[Row]:
    """Rows as `SELECT` gives them."""
    return list(readable(values, row_of))
