"""The journal as the store's feed walks along it.

Owns the three streams and the file of refused lines.  Reads through short-lived readers, so it may be used from
any thread; moves cursors through `on_journal`, which runs work where the journal lives.
"""

from __future__ import annotations

import datetime as dt
import itertools
import json
import logging
import math
import os
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from rushlight.effects import AlarmChange
from rushlight.events import Event
from rushlight.journal.export import events
from rushlight.journal.reader import Reader
from rushlight.journal.store import Journal
from rushlight.outlets.timeseries.feed import Row, Sender, Stream, back_fill
from rushlight.outlets.timeseries.points import Item, Points
from rushlight.settings import Config

log = logging.getLogger(__name__)

OVERLAP_MS = 2 * 86_400_000
"""Alarms are looked at this far back, because a clock set back stamps a later one earlier."""
MOST_ALARMS = 100_000
ASIDE_MOST_BYTES = 10_000_000

OnJournal = Callable[[Callable[[Journal], int]], int]
"""Runs a function on the thread that owns the journal and returns what it returned."""


class JournalHistory:
    """See the module.  `reader` makes a fresh reader; `aside` is the file for lines that the store refused.

    Days and alarms are walked along by their times.  A clock that was ahead for a while leaves a cursor in days to
    come; beyond `now_s` nothing is handed on, and a cursor from there counts as two days ago.
    What a clock that was set back by more than two days dates before the cursor is not handed on either; the readings
    and tests of those hours are, and `back_fill_journal` sends all of it.
    """

    def __init__(
        self,
        reader: Callable[[], Reader],
        on_journal: OnJournal,
        tanks: Sequence[str],
        aside: Path,
        name: str,
        now_s: Callable[[], float] = lambda: math.inf,
    ) -> None:
        self._now_s = now_s
        self._reader, self._on_journal, self._tanks, self._aside, self._name = reader, on_journal, tanks, aside, name
        self._sent_alarms: dict[tuple[object, ...], int] = {}
        self._handed_alarms: list[Row] = []
        self._alarm_cursor = 0

    def rows_after(self, stream: Stream, cursor: int, limit: int) -> Sequence[Row]:
        if stream == "events":
            with self._reader() as reader:
                return [Row(s.seq, s.event) for s in reader.events_after(cursor, limit)]
        now_ms = self._now_s() * 1000
        if cursor > now_ms:
            cursor = round(now_ms) - OVERLAP_MS
        return self._days(cursor, now_ms, limit) if stream == "days" else self._alarms(cursor, now_ms, limit)

    def cursor(self, stream: Stream) -> int:
        key = self._key(stream)
        if stream == "events":
            return self._on_journal(lambda j: j.steering.cursor(key))
        # The other two count milliseconds, which must not be taken for arrival numbers.
        return self._on_journal(lambda j: int(j.steering.period_done(key) or 0))

    def advance(self, stream: Stream, cursor: int) -> None:
        key = self._key(stream)

        def work(journal: Journal) -> int:
            if stream == "events":
                journal.steering.advance(key, cursor)
            else:
                journal.steering.mark_period(key, str(cursor))
            return cursor

        self._on_journal(work)

    def set_aside(self, line: str, why: str) -> None:
        """Append to the file, up to a bound; beyond it only the log knows."""
        log.warning("timeseries=set-aside why=%r line=%r", why[:200], line[:200])
        if self._aside.exists() and self._aside.stat().st_size > ASIDE_MOST_BYTES:
            return
        with self._aside.open("a", encoding="utf-8") as f:
            f.write(json.dumps({"line": line, "why": why}, ensure_ascii=False) + "\n")
            f.flush()
            os.fsync(f.fileno())

    def calibrations_before(self, cursor: int) -> Iterable[Event]:
        with self._reader() as reader:
            found = [s for s in reader.entries(limit=1_000_000) if s.seq <= cursor]
        return [s.event for s in reversed(found) if s.event.kind in {"calibration", "correction", "test"}]

    def _key(self, stream: Stream) -> str:
        return f"{self._name}.{stream}"

    def _days(self, cursor: int, now_ms: float, limit: int) -> list[Row]:
        """A day's number is its midnight; the rows of one midnight are never parted."""
        since = dt.datetime.fromtimestamp(max(0, cursor) / 1000, dt.UTC).date() - dt.timedelta(days=2)
        with self._reader() as reader:
            found = [d for t in self._tanks for d in reader.days(t, since.isoformat())]
        rows = sorted((Row(round(d.at_s * 1000), d) for d in found), key=lambda r: r.no)
        rows = [r for r in rows if cursor < r.no <= now_ms]
        return rows[:limit] + [r for r in rows[limit:] if r.no == rows[limit - 1].no]

    def _alarms(self, cursor: int, now_ms: float, limit: int) -> list[Row]:
        """Alarm rows have no number to walk along; those of the last two days that went out are remembered."""
        if cursor < self._alarm_cursor:
            self._sent_alarms.clear()  # the feed went back: what was sent since may be lost
        elif self._handed_alarms and cursor >= self._handed_alarms[-1].no:
            self._sent_alarms |= {_identity(r.item): r.no for r in self._handed_alarms}
            self._sent_alarms = {k: no for k, no in self._sent_alarms.items() if no >= cursor - OVERLAP_MS}
        self._alarm_cursor = cursor
        with self._reader() as reader:
            found = reader.alarms((cursor - OVERLAP_MS) / 1000, limit=MOST_ALARMS)
        past = [a for a in reversed(found) if a.at_s * 1000 <= now_ms]
        new = [a for a in past if _identity(a) not in self._sent_alarms][:limit]
        highest, out = cursor, []
        for a in new:
            highest = max(highest, round(a.at_s * 1000))
            out.append(Row(highest, a))
        self._handed_alarms = out
        return out


def back_fill_journal(
    path: Path,
    config: Config,
    installation_id: str,
    sender: Sender,
    *,
    since_s: float | None = None,
    until_s: float | None = None,
    seen: Callable[[int], None] = lambda _n: None,
) -> int:
    """Send everything that was done from `since_s` until before `until_s` again; returns how many points went out.

    Moves no cursor, so the daemon may run meanwhile.  `seen` hears how many rows are done.  Raises StoreError,
    UnreadableError; sending it all again does no harm.
    """
    low_s, high_s = since_s or 0.0, until_s if until_s is not None else float("inf")
    points = Points(config, installation_id)
    with Reader(path) as reader:
        entered = [s.event for s in reversed(reader.entries(limit=1_000_000))]
        days = [d for t in config.tank for d in reader.days(t.id)]
        alarms = reader.alarms(low_s, limit=MOST_ALARMS)
    points.learn(e for e in entered if e.at_s < low_s)
    found: list[Item] = [*days, *reversed(alarms)]
    rest = [x for x in found if low_s <= x.at_s < high_s]
    return back_fill(itertools.chain(events(path, since_s=since_s, until_s=until_s), rest), points, sender, seen)


def _identity(item: Item) -> tuple[object, ...]:
    assert isinstance(item, AlarmChange)
    return (item.id, item.occurrence, round(item.at_s * 1000), item.state, item.priority)
