"""The one writing connection: opening it whatever state the disk is in, transactions, recovery.

Owns the connection, the lock and the word for what is wrong.  Opening and recovering never raise: where there
is no usable database, `trouble` says why and the caller goes on in memory.  Knows no table but those that
`schema` makes; never starts a thread.
"""

from __future__ import annotations

import contextlib
import logging
import os
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

from rushlight.journal import schema
from rushlight.journal.pending import Pending
from rushlight.journal.recovery import backup, check, files, readonly
from rushlight.journal.recovery.reserve import Reserve
from rushlight.journal.recovery.storage_report import StorageReport, Trouble, trouble_of
from rushlight.localtime import DAY_S

log = logging.getLogger(__name__)

BUSY_MS = 5_000
CHECKPOINT_BUSY_MS = 250
WAL_LIMIT_BYTES = 8 * 1024 * 1024
MOST_REPLACED = 3
"""In one run of the program."""
MOST_ASIDE = 10
"""Files put aside and never looked at, over all runs."""
CHECKPOINT_PAGES = WAL_LIMIT_BYTES // schema.PAGE_BYTES // 2
SMALL_WAL_BYTES = 256 * 1024
RETRY_S: dict[str, float] = {"busy": 1.0, "full": 4.0}
"""Trouble that another process or a person ends at any moment; for the rest see below."""
_RETRY_ELSE_S = 50.0
CHECK_GRACE_S = 0.5
"""A start waits so long for the check: enough for a young journal; an old one is used while it is looked over."""


class NoDatabaseError(OSError):
    """There is no usable database just now; `Database.trouble` says why."""


class Database:
    """One SQLite database in WAL mode with one writer.

    `backups` is where verified backups lie; one younger than `restore_days` replaces a lost or damaged
    database.  `check_s` bounds the check at the start, which goes on beside the work when it takes long.  While another
    process holds the lock at the start, `again` waits a moment and says whether to try once more.
    """

    def __init__(
        self,
        path: Path,
        *,
        backups: Path | None = None,
        restore_days: float = 30.0,
        check_s: float = 60.0,
        again: Callable[[], bool] = lambda: False,
    ) -> None:
        self.path = path
        self.trouble: Trouble = ""
        self.detail = ""
        self.since_s: float | None = None
        self.notes: list[str] = []
        self.put_aside: list[str] = []
        self.restored_from = ""
        self.replaced = 0
        self.aside: Path | None = None
        """The damaged database from which something may still be saved; whoever does so sets it to None."""
        self._backups, self._restore_days, self._check_s = backups, restore_days, check_s
        self._again = again
        self._lock, self._reserve = files.Lock(path), Reserve(path)
        self._conn: sqlite3.Connection | None = None
        self._check: check.Check | None = None
        self._check_from_s = 0.0
        self._doubted = False
        self._level = ""
        self._tried_s: float | None = None
        self._inode: int | None = None

    # ------------------------------------------------------------------ opening

    def open(self, at_s: float) -> bool:
        """Open what is there, else restore, else start anew; False leaves `trouble` set.  Never raises."""
        self._tried_s = at_s
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._take_lock()
            self._look_over(at_s)
            self._connect(at_s)
        except (OSError, sqlite3.Error, backup.BackupError) as e:
            self.failed(e, at_s)
            return False
        self._well()
        self._hold_reserve()
        return not self.trouble

    def _take_lock(self) -> None:
        """Wait for whoever writes here as long as `again` says so.  Raises OSError."""
        while True:
            try:
                self._lock.take()
            except BlockingIOError as e:
                if not self._again():
                    pid = self._lock.held_by()
                    raise BlockingIOError(e.errno, f"process {pid}" if pid else e.strerror) from None
            else:
                return

    def retry(self, at_s: float) -> bool:
        """At most once in so many seconds, try to get a database again; True when there is one to try."""
        if not self.trouble:
            return True
        if self._tried_s is not None and 0 <= at_s - self._tried_s < RETRY_S.get(self.trouble, _RETRY_ELSE_S):
            return False
        self._tried_s = at_s
        if self.trouble == "full" and self._conn is not None:
            # The same connection works again once there is room; the log's pages may be what takes it.
            self.checkpoint()
            return True
        damaged = self.trouble == "corrupt"
        self.disconnect()
        try:
            self._lock.take()
            if damaged:
                self._replace(at_s, f"the journal was found damaged while running ({self.detail})")
            else:
                self._look_over(at_s, check_whole=False)
            self._connect(at_s)
        except (OSError, sqlite3.Error, backup.BackupError) as e:
            self.failed(e, at_s)
            return False
        return self._conn is not None

    def _look_over(self, at_s: float, *, check_whole: bool = True) -> None:
        """Put aside what can't be a database, and restore or start anew in its place.  Raises OSError."""
        there = files.size(self.path)
        if there is None:
            stray = any(files.part(self.path, s).exists() for s in ("-wal", "-shm"))
            had_one = stray or self._inode is not None
            if had_one or backup.newest(self._backups) is not None:
                self._replace(at_s, "the journal was missing")
            else:
                self._create(at_s)
        elif there == 0:
            self._replace(at_s, "the journal was empty")
        elif check_whole:
            self._check, self._check_from_s = check.Check(self.path, self._check_s), at_s
            if said := self._damage(at_s, CHECK_GRACE_S):
                self._replace(at_s, f"the journal was found damaged at the start ({said})")

    def _damage(self, at_s: float, wait_s: float) -> str:
        """What the check found wrong, as far as it has come; '' while it looks, when all is well, or nobody knows."""
        found = self._check.verdict(wait_s, max(0.0, at_s - self._check_from_s)) if self._check else None
        if found is None:
            return ""
        self._check = None
        if found[0] == "unknown":
            log.warning("journal not checked: %s", found[1])
        return (found[1] or "damaged") if found[0] == "damaged" else ""

    def doubt(self) -> None:
        """A reader found a damaged page that the writer may never touch; may be called from any thread."""
        self._doubted = True

    def look_at_check(self, at_s: float) -> None:
        """Take the verdict of a check that is going on, and begin one where there is a doubt; never waits."""
        if self._doubted and self._check is None and not self.trouble:
            self._doubted = False
            self._check, self._check_from_s = check.Check(self.path, self._check_s), at_s
        if not self.trouble and (said := self._damage(at_s, 0.0)):
            error = sqlite3.DatabaseError(said)
            error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
            self.failed(error, at_s)

    def _connect(self, at_s: float) -> None:
        """Raises sqlite3.Error; a database that is not ours or is damaged is replaced, once."""
        for attempt in (1, 2):
            try:
                self._conn = self._dressed(self.path)
                found: int = self._conn.execute("PRAGMA user_version").fetchone()[0]
                if found > schema.VERSION:
                    self.disconnect()
                    self._say("newer", f"version {found}, this program knows {schema.VERSION}", at_s)
                    return
                if found > 0:
                    schema.migrate(self._conn, at_s)
                    return
                why = "it holds none of our tables"
            except sqlite3.DatabaseError as e:
                self.disconnect()
                if attempt == 2 or trouble_of(e) != "corrupt":
                    raise
                why = str(e)
            self.disconnect()
            self._replace(at_s, f"the journal could not be used ({why})")

    def _dressed(self, path: Path) -> sqlite3.Connection:
        conn = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=BUSY_MS / 1000)
        try:
            conn.execute("PRAGMA journal_mode = WAL")
            conn.execute(f"PRAGMA journal_size_limit = {WAL_LIMIT_BYTES}")
            conn.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
            conn.execute("PRAGMA synchronous = FULL")
            conn.execute("PRAGMA temp_store = MEMORY")
        except BaseException:
            conn.close()
            raise
        self._level = "FULL"
        self._inode = self._there()
        return conn

    def _there(self) -> int | None:
        try:
            return self.path.stat().st_ino
        except OSError:
            return None

    def _create(self, at_s: float) -> None:
        """Make an empty database beside the path and rename it, so that a half-made one is never found there."""
        beside = files.part(self.path, ".new")
        for suffix in (*files.PARTS, "-journal"):
            files.part(beside, suffix).unlink(missing_ok=True)
        with contextlib.closing(sqlite3.connect(beside, isolation_level=None)) as conn:
            conn.execute(f"PRAGMA page_size = {schema.PAGE_BYTES}")
            schema.migrate(conn, at_s)
        files.sync_file(beside)
        beside.rename(self.path)
        files.sync_folder(self.path.parent)

    def _replace(self, at_s: float, why: str) -> None:
        """Put aside what is there; restore the newest good backup that is young enough, else start anew.

        Raises OSError, and sqlite3.Error when it has come to that too often: then the card is failing, and more
        copies would only fill what is left of it.
        """
        if self.replaced >= MOST_REPLACED or len(files.put_aside(self.path)) >= MOST_ASIDE:
            error = sqlite3.DatabaseError("damaged again and again; the card may be failing, see the files put aside")
            error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
            raise error
        if any(files.part(self.path, s).exists() for s in files.PARTS):
            target = files.set_aside(self.path, at_s)
            self.put_aside.append(str(target))
            self.aside = target
            why = f"{why} and was put aside as {target.name}"
        self.replaced += 1
        for found in backup.listed(self._backups):
            age_days = (at_s - found.made_s) / DAY_S
            if age_days > self._restore_days:
                continue
            try:
                backup.put_back(found.path, self.path)
            except backup.BackupError as e:
                self.note(f"the backup {found.path.name} could not be used: {e}")
                continue
            self.restored_from = found.path.name
            self.note(f"{why}; it was restored from the backup {found.path.name}")
            return
        self._create(at_s)
        self.note(f"{why}; a new one was started")

    # ------------------------------------------------------------------ using

    @property
    def usable(self) -> bool:
        """Whether a transaction may be tried."""
        return self._conn is not None and not self.trouble

    @property
    def readable(self) -> bool:
        """Whether there is something to read: a full disk still is."""
        return self._conn is not None

    @property
    def connection(self) -> sqlite3.Connection:
        """The writing connection, for reading by the writer's own thread.  Raises NoDatabaseError."""
        if self._conn is None:
            raise NoDatabaseError(self.detail)
        return self._conn

    @contextlib.contextmanager
    def transaction(self, *, durable: bool) -> Iterator[sqlite3.Connection]:
        """`BEGIN IMMEDIATE` … `COMMIT`; `durable` waits until the commit has reached the disk.

        Raises sqlite3.Error and NoDatabaseError; nothing of a failed transaction remains.
        """
        conn = self.connection
        if self._there() != self._inode:
            # SQLite would go on writing into a file that has no name any more.
            raise NoDatabaseError(f"{self.path.name} was moved or deleted")
        level = "FULL" if durable else "NORMAL"
        if level != self._level:
            conn.execute(f"PRAGMA synchronous = {level}")
            self._level = level
        conn.execute("BEGIN IMMEDIATE")
        try:
            yield conn
            conn.execute("COMMIT")
        except BaseException:
            if conn.in_transaction:
                conn.execute("ROLLBACK")
            raise

    def checkpoint(self) -> bool:
        """Move the log into the database and cut it to nothing; False when a reader was in the way."""
        if self._conn is None or self.trouble not in {"", "full"}:
            return False
        try:
            self._conn.execute(f"PRAGMA busy_timeout = {CHECKPOINT_BUSY_MS}")
            try:
                busy: int = self._conn.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
            finally:
                self._conn.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
        except sqlite3.Error as e:
            log.warning("checkpoint failed: %s", e)
            return False
        self._hold_reserve()
        return not busy

    # ------------------------------------------------------------------ trouble

    def failed(self, error: BaseException, at_s: float) -> None:
        """Note what went wrong; the database is not used again before `retry`."""
        trouble = trouble_of(error)
        if trouble == "unreadable" and self._no_room():
            trouble = "full"
        if readonly.frozen(self.path):
            trouble = "read_only"
        if trouble not in {"full", "busy"}:
            self.disconnect()
        if trouble == "read_only":
            with contextlib.suppress(sqlite3.Error):
                self._conn = readonly.connect(self.path)
        self._say(trouble, str(error), at_s)

    def made_room(self) -> bool:
        """Whether a full disk could be given some room, so that the transaction is worth another try."""
        if self.trouble != "full" or self._conn is None:
            return False
        given = self._reserve.give_back()
        if given:
            log.warning("disk full: the reserve was given back")
        wal = files.part(self.path, "-wal")
        before = files.size(wal) or 0
        return (self.checkpoint() and before > (files.size(wal) or 0)) or given

    def _hold_reserve(self) -> None:
        space = self.space()
        if not self.trouble:
            self._reserve.hold(None if space is None else space[0])

    def worked(self) -> None:
        """A transaction went through: whatever the trouble was, it is over."""
        if self.trouble:
            log.warning("journal works again after: %s", self.trouble)
        self._well()
        if not self._reserve.held and (files.size(files.part(self.path, "-wal")) or 0) > SMALL_WAL_BYTES:
            # With no room set by, a log that grows would take what its own emptying needs.
            self.checkpoint()

    def _well(self) -> None:
        if self.trouble != "newer":
            self.trouble, self.detail, self.since_s = "", "", None

    def _say(self, trouble: Trouble, detail: str, at_s: float) -> None:
        if trouble != self.trouble:
            log.error("journal: %s: %s", trouble, detail)
            self.since_s = at_s if self.since_s is None else self.since_s
        self.trouble, self.detail = trouble, detail

    def note(self, text: str) -> None:
        """Add a sentence for a person to what the report tells."""
        log.warning("%s", text)
        self.notes.append(text[:1].upper() + text[1:])

    def _no_room(self) -> bool:
        free = self.space()
        return free is not None and free[0] < 256 * 1024

    def space(self) -> tuple[int, float] | None:
        """Free bytes and free fraction of the file system, or None where it can't be told."""
        try:
            v = os.statvfs(self.path.parent)
        except OSError:
            return None
        return v.f_bavail * v.f_frsize, v.f_bavail / v.f_blocks if v.f_blocks else 0.0

    def report(self, held: Pending, shortfall: str) -> StorageReport:
        """The storage now, with what memory holds and what is missing."""
        space = self.space()
        return StorageReport(
            trouble=self.trouble,
            detail=self.detail,
            since_s=self.since_s,
            notes=tuple(self.notes),
            shortfall=shortfall,
            set_aside=tuple(self.put_aside),
            restored_from=self.restored_from,
            replaced=self.replaced,
            held_readings=len(held.readings),
            held_rows=len(held.others),
            dropped_readings=held.dropped_readings,
            dropped_rows=held.dropped_rows,
            database_bytes=files.size(self.path),
            wal_bytes=files.size(files.part(self.path, "-wal")),
            free_bytes=None if space is None else space[0],
            free_fraction=None if space is None else space[1],
        )

    def disconnect(self) -> None:
        """Close the connection, keeping the lock."""
        if self._conn is not None:
            with contextlib.suppress(sqlite3.Error):
                self._conn.close()
            self._conn = None

    def close(self) -> None:
        """Close the connection and let the next writer in."""
        if self._check is not None:
            self._check.stop()
            self._check = None
        self.disconnect()
        self._lock.free()
