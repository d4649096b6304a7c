"""The journal's tables, and the steps that bring an older database up to them.

Owns every CREATE TABLE.  Never opens a database and never moves data outside a migration.

Three choices need their reasons:

*   `seq` is the arrival order over readings and events together.  The writer hands it out, so that the order
    is fixed before anything reaches the disk, and so that writing the same row twice is harmless.
*   `reading` has no index but `seq`.  Each index costs one more page in every commit, and the commits are most of
    what the card has to bear; pages are small (`PAGE_BYTES`) for the same reason.  `stretch` is the index instead:
    for each closed run of `STRETCH_ROWS` sequence numbers the earliest and the latest time in it, so that a time
    range reads few runs.
*   `mean` keeps the `seq` of the last reading in it, so that thinned history still plays back in arrival order.
"""

from __future__ import annotations

import sqlite3

APPLICATION_ID = 0x52555348
"""Marks the file as ours (`PRAGMA application_id`): 'RUSH' in ASCII."""

PAGE_BYTES = 1024
"""Measured as `bench_endure` does: 10.7 MB a day instead of 12.6 MB with 4 kB pages.  Half of it is the log's shared
index, a mapped file of which each commit dirties a few pages wherever its own page numbers happen to hash to."""

STRETCH_ROWS = 4096
BUCKET_MS = 600_000
"""Thinned history holds one row per probe and ten minutes."""

_FIRST = """
CREATE TABLE boot (
    no INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, first_seq INTEGER NOT NULL
) STRICT;
CREATE TABLE probe (
    no INTEGER PRIMARY KEY, name TEXT NOT NULL, unit TEXT NOT NULL, UNIQUE (name, unit)
) STRICT;
CREATE TABLE reading (
    seq INTEGER PRIMARY KEY, probe INTEGER NOT NULL, at_ms INTEGER NOT NULL, value REAL, flag INTEGER,
    boot INTEGER, mono_ms INTEGER, clock_ok INTEGER NOT NULL, received_ms INTEGER
) STRICT;
CREATE TABLE stretch (
    first_seq INTEGER PRIMARY KEY, from_ms INTEGER NOT NULL, to_ms INTEGER NOT NULL
) STRICT;
CREATE TABLE mean (
    seq INTEGER PRIMARY KEY, probe INTEGER NOT NULL, bucket_ms INTEGER NOT NULL, n INTEGER NOT NULL,
    missing INTEGER NOT NULL, total REAL NOT NULL, low REAL, high REAL, UNIQUE (probe, bucket_ms)
) STRICT;
CREATE TABLE event (
    seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, at_ms INTEGER NOT NULL, received_ms INTEGER NOT NULL,
    kind TEXT NOT NULL, tank TEXT, line TEXT NOT NULL, boot INTEGER, mono_ms INTEGER, clock_ok INTEGER NOT NULL
) STRICT;
CREATE INDEX event_at ON event (at_ms);
CREATE TABLE alarm (
    no INTEGER PRIMARY KEY, seq INTEGER NOT NULL, at_ms INTEGER NOT NULL, id TEXT NOT NULL, alarm TEXT NOT NULL,
    tank TEXT, occurrence INTEGER NOT NULL, state TEXT NOT NULL, priority TEXT NOT NULL, text TEXT NOT NULL,
    evidence TEXT NOT NULL, boot INTEGER, mono_ms INTEGER, clock_ok INTEGER NOT NULL
) STRICT;
CREATE UNIQUE INDEX alarm_once ON alarm (id, occurrence, at_ms, state, priority);
CREATE INDEX alarm_at ON alarm (at_ms);
CREATE TABLE due (
    no INTEGER PRIMARY KEY, tank TEXT NOT NULL, at_ms INTEGER NOT NULL, due_ms INTEGER NOT NULL, reason TEXT NOT NULL
) STRICT;
CREATE TABLE daily (
    tank TEXT NOT NULL, date TEXT NOT NULL, at_ms INTEGER NOT NULL, body TEXT NOT NULL, PRIMARY KEY (tank, date)
) STRICT, WITHOUT ROWID;
CREATE TABLE outbox (
    no INTEGER PRIMARY KEY, key TEXT NOT NULL, channel TEXT NOT NULL, contact TEXT NOT NULL, priority TEXT NOT NULL,
    title TEXT NOT NULL, body TEXT NOT NULL, tank TEXT, alarm_id TEXT NOT NULL, created_ms INTEGER NOT NULL,
    not_before_ms INTEGER NOT NULL, tries INTEGER NOT NULL, tried_ms INTEGER, next_try_ms INTEGER NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('waiting', 'sent', 'dropped', 'failed')), done_ms INTEGER,
    receipt TEXT NOT NULL, why TEXT NOT NULL, boot INTEGER, mono_ms INTEGER, clock_ok INTEGER NOT NULL,
    UNIQUE (key, channel)
) STRICT;
CREATE INDEX outbox_open ON outbox (no) WHERE state = 'waiting';
CREATE TABLE snapshot (
    seq INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, version TEXT NOT NULL, state BLOB NOT NULL
) STRICT;
CREATE TABLE cursor (name TEXT PRIMARY KEY, seq INTEGER NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE period (name TEXT PRIMARY KEY, period TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE topic (topic TEXT PRIMARY KEY, owner TEXT NOT NULL) STRICT, WITHOUT ROWID;
"""

# What a message is about was in its key and in a list of names joined by spaces; this reads both a last time.
_ABOUT = """
ALTER TABLE outbox ADD COLUMN purpose TEXT NOT NULL DEFAULT 'alarm';
ALTER TABLE outbox ADD COLUMN alarms TEXT NOT NULL DEFAULT '[]';
UPDATE outbox SET purpose = iif(key LIKE 'selftest:%', 'check', 'summary') WHERE alarm_id = '';
UPDATE outbox SET alarms = '[["' || replace(alarm_id, ' ', '",0,"raise"],["') || '",0,"raise"]]'
    WHERE alarm_id <> '';
UPDATE outbox SET alarms = json_array(json_array(alarm_id, CAST(substr(key, length(alarm_id) + 2) AS INTEGER),
    CASE WHEN key LIKE '%-repeat@%' THEN 'repeat' WHEN key LIKE '%-reminder@%' THEN 'reminder'
         WHEN key LIKE '%-return@%' THEN 'return' ELSE 'raise' END))
    WHERE alarm_id <> '' AND substr(key, 1, length(alarm_id) + 1) = alarm_id || '#';
ALTER TABLE outbox DROP COLUMN alarm_id;
"""

_HANDED = """
CREATE TABLE handed (link TEXT PRIMARY KEY, messages BLOB NOT NULL) STRICT, WITHOUT ROWID;
"""

# A row with a number of its own fits into one page whole; one that lies by its name spills at a quarter of a page.
_HANDED_IN_ONE_PAGE = """
DROP TABLE handed;
CREATE TABLE handed (no INTEGER PRIMARY KEY, link TEXT NOT NULL UNIQUE, messages BLOB NOT NULL) STRICT;
"""

MIGRATIONS: tuple[tuple[str, str], ...] = (
    ("first tables", _FIRST),
    ("what a message is about", _ABOUT),
    ("what links handed over", _HANDED),
    ("the same in one page", _HANDED_IN_ONE_PAGE),
)
"""Name and statements; the position plus one is the schema version.  Append only, never edit one that shipped."""

VERSION = len(MIGRATIONS)


def migrate(conn: sqlite3.Connection, at_s: float, upto: int = VERSION) -> int:
    """Bring the database to version `upto`, each step and the record of it in one transaction.

    Returns the version that the database had before.  Raises sqlite3.Error; the step that failed left nothing.
    """
    before: int = conn.execute("PRAGMA user_version").fetchone()[0]
    for number in range(before + 1, upto + 1):
        name, script = MIGRATIONS[number - 1]
        conn.execute("BEGIN IMMEDIATE")
        try:
            if number == 1:
                conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                conn.execute(
                    "CREATE TABLE migration (version INTEGER PRIMARY KEY, name TEXT NOT NULL,"
                    " at_ms INTEGER NOT NULL) STRICT"
                )
            for statement in filter(str.strip, script.split(";\n")):
                conn.execute(statement)
            conn.execute("INSERT INTO migration VALUES (?, ?, ?)", (number, name, round(at_s * 1000)))
            conn.execute(f"PRAGMA user_version = {number}")
            conn.execute("COMMIT")
        except BaseException:
            if conn.in_transaction:
                conn.execute("ROLLBACK")
            raise
    return before
