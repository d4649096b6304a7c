"""Connections that only look: on a healthy disk beside the writer, and on one that went read-only.

Owns the choice between the two; writes nothing, ever.
"""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path


def frozen(path: Path) -> bool:
    """Whether the file system that holds `path` is mounted read-only."""
    try:
        return bool(os.statvfs(path.parent).f_flag & os.ST_RDONLY)
    except OSError:
        return False


def connect(path: Path, *, alone: bool | None = None) -> sqlite3.Connection:
    """A connection that can't write.  Raises sqlite3.Error.

    `alone` says that nobody else has the file open; None: exactly where nobody can write.

    SQLite reads a database in WAL mode through a shared index file that it has to be able to write.  Where the
    whole file system is read-only nobody can change anything, so there it is read without locks and with the
    index in memory; the write-ahead log counts all the same.
    """
    uri = f"{path.absolute().as_uri()}?mode=ro"
    alone = frozen(path) if alone is None else alone
    conn = sqlite3.connect(
        f"{uri}&vfs=unix-none" if alone else uri, uri=True, isolation_level=None, timeout=5, check_same_thread=False
    )
    try:
        if alone:
            conn.execute("PRAGMA locking_mode = EXCLUSIVE")
        conn.execute("PRAGMA query_only = 1")
        conn.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except UnicodeError as e:  # damage in the text of the schema
        conn.close()
        raise sqlite3.DatabaseError(f"the schema can't be read: {e}") from e
    except BaseException:
        conn.close()
        raise
    return conn
