"""What is to be written and is not on the disk yet: the batch while all is well, the store while it is not.

Bounded.  When the disk stays away, readings go first, the oldest of them; then, only when the records
themselves outgrow their bound, the oldest due dates, day rows, entries and alarm rows, in that order; messages
that wait for a person are never dropped here.  Every statement may be repeated without harm, so a commit of
which nobody knows whether it happened is simply done again.
"""

from __future__ import annotations

import sqlite3
from collections import deque
from typing import Any

from rushlight.journal import rows

Key = tuple[str, Any]

_WORTH = ("due", "daily", "event", "alarm")
"""Tables whose rows may be dropped, the least worth first."""


class Pending:
    """Reading rows, and a row for everything else by table and key; a later one for a key replaces it.

    All hold the numbers that this process gave out; `write` is told from where those go on.
    """

    def __init__(self, most_readings: int, most_rows: int) -> None:
        self.readings: deque[rows.ReadingRow] = deque(maxlen=most_readings)
        self.others: dict[Key, rows.Row] = {}
        self.probes: dict[rows.ProbeKey, None] = {}
        """Probes that the database may not know yet."""
        self.dropped_readings = 0
        self.dropped_rows = 0
        self._most_readings, self._most_rows = most_readings, most_rows

    def __bool__(self) -> bool:
        return bool(self.readings or self.others or self.probes)

    @property
    def readings_alone(self) -> bool:
        """Whether nothing is held but readings, and what their links would know them by."""
        return all(table == "handed" for table, _ in self.others)

    @property
    def at_bound(self) -> bool:
        """Whether one more reading would push out another."""
        return len(self.readings) == self._most_readings

    def add_reading(self, row: rows.ReadingRow) -> None:
        """Keep a reading; beyond the bound the oldest one goes."""
        if self.at_bound:
            self.dropped_readings += 1
        self.readings.append(row)

    def put(self, table: str, key: Any, row: rows.Row) -> None:
        """Keep a row of `table`."""
        self.others[table, key] = row
        if len(self.others) > self._most_rows:
            self._shed()

    def has(self, table: str, key: Any) -> bool:
        """Whether there is one for this row."""
        return (table, key) in self.others

    def get(self, table: str, key: Any) -> rows.Row | None:
        """The one that is held."""
        return self.others.get((table, key))

    def forget(self, table: str) -> None:
        """Give up what is held for a table that is but a cache."""
        for key in [k for k in self.others if k[0] == table]:
            del self.others[key]

    def _shed(self) -> None:
        for table in _WORTH:
            oldest = next((k for k in self.others if k[0] == table), None)
            if oldest is not None:
                del self.others[oldest]
                self.dropped_rows += 1
                return

    def write(self, conn: sqlite3.Connection, numbers: rows.Numbers) -> None:
        """Execute everything inside the caller's transaction; nothing is forgotten before `clear`."""
        conn.executemany(rows.ADD_PROBE, [(numbers.probes[key], *key) for key in self.probes])
        conn.executemany(rows.ADD_READING, (row.values(numbers) for row in self.readings))
        for row in self.others.values():
            conn.execute(row.sql, row.values(numbers))

    def clear(self) -> None:
        """Forget what has been committed."""
        self.readings.clear()
        self.others.clear()
        self.probes.clear()
