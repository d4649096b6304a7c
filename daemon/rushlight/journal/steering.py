"""The small tables that steer the daemon: outlets' cursors, the calendar's periods, topics at brokers.

Mirrored in memory, so that they are known without a disk; each change goes to the journal's writer as one row.  Like
the journal, it belongs to one thread.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping

from rushlight.journal.rows import Row, Statement

_PUT_CURSOR = "INSERT INTO cursor VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET seq = excluded.seq"
_PUT_PERIOD = "INSERT INTO period VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET period = excluded.period"
_PUT_TOPIC = "INSERT INTO topic VALUES (?, ?) ON CONFLICT (topic) DO UPDATE SET owner = excluded.owner"
_DROP_TOPIC = "DELETE FROM topic WHERE topic = ?"


class Steering:
    """See the module.  `put` takes a table's name, a row's key and the row, to be written with the next commit."""

    def __init__(self, put: Callable[[str, object, Row], None]) -> None:
        self._put = put
        self._cursors: dict[str, int] = {}
        self._periods: dict[str, str] = {}
        self._topics: dict[str, str] = {}

    # ------------------------------------------------------------------ from and to the disk

    def load(self, conn: sqlite3.Connection) -> None:
        """Take what the database holds; what memory holds already is newer and wins.  Raises sqlite3.Error."""
        self.take(
            dict(conn.execute("SELECT name, seq FROM cursor")),
            dict(conn.execute("SELECT name, period FROM period")),
            dict(conn.execute("SELECT topic, owner FROM topic")),
        )

    def take(self, cursors: Mapping[str, int], periods: Mapping[str, str], topics: Mapping[str, str]) -> None:
        """The same from elsewhere."""
        self._cursors = {**cursors, **self._cursors}
        self._periods = {**periods, **self._periods}
        self._topics = {**topics, **self._topics}

    def all(self) -> tuple[dict[str, str], dict[str, int], dict[str, str]]:
        """Periods, cursors and topics, as they are kept beside the journal."""
        return self._periods, self._cursors, self._topics

    def rewrite(self) -> None:
        """Write everything into a database that took the place of a lost one."""
        for name, seq in self._cursors.items():
            self._put("cursor", name, Statement(_PUT_CURSOR, (name, seq)))
        for name, period in self._periods.items():
            self._put("period", name, Statement(_PUT_PERIOD, (name, period)))
        for topic, owner in self._topics.items():
            self._put("topic", topic, Statement(_PUT_TOPIC, (topic, owner)))

    # ------------------------------------------------------------------ calendar, outlets, brokers

    def period_done(self, name: str) -> str:
        """The last period (`2026-W48`, a date …) for which the calendar job `name` was done; '' for none."""
        return self._periods.get(name, "")

    def mark_period(self, name: str, period: str) -> None:
        """Note that it is done; commit urgently after what must not be done twice."""
        self._periods[name] = period
        self._put("period", name, Statement(_PUT_PERIOD, (name, period)))

    def cursor(self, name: str) -> int:
        """The arrival number up to which the outlet `name` has handed everything on."""
        return self._cursors.get(name, 0)

    def advance(self, name: str, seq: int) -> None:
        """Move an outlet's cursor; written with the next commit, so that after a crash a little is sent twice."""
        self._cursors[name] = seq
        self._put("cursor", name, Statement(_PUT_CURSOR, (name, seq)))

    def topics(self, owner: str = "hub") -> frozenset[str]:
        """Every topic ever published and not removed since."""
        return frozenset(t for t, o in self._topics.items() if o == owner)

    def add_topic(self, topic: str, owner: str = "hub") -> None:
        """Remember a topic before it is published."""
        if self._topics.get(topic) != owner:
            self._topics[topic] = owner
            self._put("topic", topic, Statement(_PUT_TOPIC, (topic, owner)))

    def forget_topic(self, topic: str) -> None:
        """Forget a topic after it has been cleared at the broker."""
        if self._topics.pop(topic, None) is not None:
            self._put("topic", topic, Statement(_DROP_TOPIC, (topic,)))
