"""Many events at once, inside one transaction of the journal: what an import writes through.

Belongs to `Journal.bulk`, which opens the transaction and takes the numbers over when it has gone through.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from rushlight.events import Event, Reading
from rushlight.journal import rows
from rushlight.journal.rows import Numbers, ProbeKey, Recorded


class Bulk:
    """Counts on from the journal's numbers without touching them."""

    def __init__(self, conn: sqlite3.Connection, seq: int, probes: dict[ProbeKey, int]) -> None:
        self.conn, self.seq, self.probes = conn, seq, probes
        self._numbers = Numbers(probes=probes)
        """Rows are numbered as they are written here."""

    def readings(self, readings: Sequence[Reading]) -> int:
        """Add readings in this order; returns how many.  Raises sqlite3.Error."""
        made = []
        for reading in readings:
            self.seq += 1
            self._know((reading.probe, reading.unit))
            made.append(rows.ReadingRow.of(self.seq, reading, Recorded(reading), None).values(self._numbers))
        self.conn.executemany(rows.ADD_READING, made)
        return len(made)

    def event(self, event: Event) -> int:
        """Add an event other than a reading; 0 when its id is there already, else 1.  Raises sqlite3.Error."""
        done = self.conn.execute(
            rows.ADD_EVENT, rows.EventRow.of(self.seq + 1, event, Recorded(event), None).values(self._numbers)
        )
        if done.rowcount < 1:
            return 0
        self.seq += 1
        return 1

    def _know(self, key: ProbeKey) -> None:
        if key not in self.probes:
            self.probes[key] = max(self.probes.values(), default=0) + 1
            self.conn.execute(rows.ADD_PROBE, (self.probes[key], *key))
