"""Copies of the journal that have been proven to open, and putting one back.

Owns the backup folder's file names and which files are kept.  A backup reads the live database through a
connection of its own and so may run in any thread or process; it never writes to the live database.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rushlight.journal import schema
from rushlight.journal.recovery import entry_list, files, mark, readonly

DAILY, WEEKLY = 7, 4
STEP_PAGES = 1024
WEAR_BYTES_DAY = 10_000_000
"""What copies to the journal's own card may write on an average day: about as much as the readings do."""
LONGEST_DAYS = 7.0

_NAME = re.compile(r"journal-(\d{8}T\d{6}Z)\.sqlite")


class BackupError(Exception):
    """A backup could not be made, does not open, or must not be put back; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Backup:
    """One file of the backup folder; it got its name only after it had been checked."""

    path: Path
    made_s: float
    bytes: int


@dataclass(frozen=True, slots=True)
class Proof:
    """What a check of a backup found: rows by table, and the newest arrival number."""

    rows: dict[str, int]
    last_seq: int


def listed(folder: Path | None) -> list[Backup]:
    """The backups in `folder`, newest first; none where there is no such folder."""
    found = []
    with contextlib.suppress(OSError):
        for path in folder.iterdir() if folder else ():
            if match := _NAME.fullmatch(path.name):
                made = dt.datetime.strptime(match[1], "%Y%m%dT%H%M%SZ").replace(tzinfo=dt.UTC)
                found.append(Backup(path, made.timestamp(), path.stat().st_size))
    return sorted(found, key=lambda b: b.made_s, reverse=True)


def newest(folder: Path | None) -> Backup | None:
    """The newest backup, if any."""
    return next(iter(listed(folder)), None)


def is_due(database: Path, folder: Path, at_s: float) -> bool:
    """Whether tonight's copy is worth what it writes.

    To another disk: every night.  To the journal's own card a copy of 90 days of readings would be ten times what is
    written all day; there a large journal is copied less often, at least once a week.
    """
    last = newest(folder)
    if last is None or at_s < last.made_s or _device(folder) != _device(database):
        return True
    size = sum(files.size(files.part(database, suffix)) or 0 for suffix in ("", "-wal"))
    # Half a day less, so that a copy that took its time does not move the next one by a night.
    return at_s - last.made_s >= (min(LONGEST_DAYS, size / WEAR_BYTES_DAY) - 0.5) * 86_400


def _device(path: Path) -> int | None:
    """The file system that holds it."""
    with contextlib.suppress(OSError):
        return path.stat().st_dev
    return None


def make(
    database: Path,
    folder: Path,
    at_s: float,
    pause: Callable[[], object] = lambda: None,
    *,
    daily: int = DAILY,
    weekly: int = WEEKLY,
) -> Backup:
    """Copy the live database, check the copy, name it after `at_s`, thin the folder out to so many days and weeks.

    The source is read inside one read transaction, so that writing goes on and the copy is of one moment.
    `pause` is called between steps of 1 MB (wait a little there to leave the card to others).
    Raises BackupError.
    """
    final = folder / f"journal-{files.stamp(at_s)}.sqlite"
    beside = files.part(final, ".part")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _need_room(database, folder)
        for old in folder.glob("journal-*.sqlite.part*"):
            old.unlink()
        _copy(database, beside, pause)
        verify(beside)
        files.sync_file(beside)
        beside.rename(final)
        files.sync_folder(folder)
        for old_backup in superseded(listed(folder), daily, weekly):
            old_backup.path.unlink(missing_ok=True)
    except (OSError, sqlite3.Error) as e:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise BackupError(f"the backup to {folder} failed: {e}") from e
    return Backup(final, at_s, final.stat().st_size)


def _need_room(database: Path, folder: Path) -> None:
    need = (files.size(database) or 0) + (files.size(files.part(database, "-wal")) or 0)
    free = shutil.disk_usage(folder).free
    if need * 1.1 > free:
        raise BackupError(f"{folder} has {free / 1e6:.0f} MB free; a backup needs {need * 1.1 / 1e6:.0f} MB")


def _copy(database: Path, target: Path, pause: Callable[[], object]) -> None:
    with (
        contextlib.closing(readonly.connect(database)) as source,
        contextlib.closing(sqlite3.connect(target, isolation_level=None)) as copy,
    ):
        # Pinning one snapshot keeps a commit in the middle from starting the copy over.
        source.execute("BEGIN")
        source.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        source.backup(copy, pages=STEP_PAGES, progress=lambda _status, _left, _total: pause(), sleep=0)
        source.execute("ROLLBACK")
        # A copy inherits WAL mode, and a lone WAL file can't be read where nothing may be written.
        copy.execute("PRAGMA journal_mode = DELETE")


def verify(path: Path) -> Proof:
    """Read the whole file through: sound, ours, of a version we know.  Raises BackupError."""
    if not files.size(path):
        raise BackupError(f"{path.name} is missing or empty")
    try:
        uri = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
        with contextlib.closing(sqlite3.connect(uri, uri=True, isolation_level=None)) as conn:
            said = conn.execute("PRAGMA integrity_check(3)").fetchall()
            if said != [("ok",)]:
                raise BackupError(f"{path.name} is damaged: {said[0][0]}")
            version: int = conn.execute("PRAGMA user_version").fetchone()[0]
            if not 1 <= version <= schema.VERSION:
                raise BackupError(f"{path.name} holds version {version}; this program knows 1 to {schema.VERSION}")
            names = [r[0] for r in conn.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")]
            rows = {name: conn.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for name in names}  # noqa: S608
            last = conn.execute(
                "SELECT max(ifnull((SELECT max(seq) FROM reading), 0), ifnull((SELECT max(seq) FROM event), 0))"
            ).fetchone()[0]
    except sqlite3.Error as e:
        raise BackupError(f"{path.name} can't be read: {e}") from e
    return Proof(rows, last)


def superseded(backups: list[Backup], daily: int = DAILY, weekly: int = WEEKLY) -> list[Backup]:
    """Those that the rule 'the newest of each of 7 days and of 4 weeks' does not keep; days and weeks in UTC."""
    kept: set[Path] = set()
    for many, label in ((daily, "%Y-%m-%d"), (weekly, "%G-W%V")):
        by_label: dict[str, Backup] = {}
        for b in sorted(backups, key=lambda b: b.made_s):
            by_label[dt.datetime.fromtimestamp(b.made_s, dt.UTC).strftime(label)] = b
        kept |= {b.path for b in list(by_label.values())[len(by_label) - min(many, len(by_label)) :]}
    return [b for b in backups if b.path not in kept]


def put_back(source: Path, database: Path) -> Proof:
    """Check `source` and copy it to where no database is.  Raises BackupError."""
    proof = verify(source)
    beside = files.part(database, ".restoring")
    try:
        shutil.copyfile(source, beside)
        files.sync_file(beside)
        beside.rename(database)
        files.sync_folder(database.parent)
    except OSError as e:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise BackupError(f"{source.name} could not be copied to {database}: {e}") from e
    return proof


def restore(source: Path, database: Path, at_s: float, *, replace: bool = False) -> tuple[Proof, Path | None]:
    """Put a backup in the database's place; the daemon must not be running.

    An existing database is refused unless `replace`, and is then put aside, never deleted.
    Returns what the backup holds and where the old database went.  Raises BackupError.
    """
    lock = files.Lock(database)
    try:
        database.parent.mkdir(parents=True, exist_ok=True)
        lock.take()
        verify(source)
        old = None
        if any(files.part(database, s).exists() for s in files.PARTS):
            if not replace:
                raise BackupError(f"{database} exists; say that it is to be replaced, and it will be put aside")
            old = files.set_aside(database, at_s)
        mark.forget(database)
        entry_list.forget(database)
        return put_back(source, database), old
    except BlockingIOError as e:
        raise BackupError(f"{database} is in use: stop the daemon first") from e
    except OSError as e:
        raise BackupError(f"{database} could not be restored: {e}") from e
    finally:
        lock.free()


def same_disk(database: Path, folder: Path) -> bool:
    """Whether the backups lie on the file system of what they back up, and so die with its card."""
    try:
        return database.parent.stat().st_dev == folder.stat().st_dev
    except OSError:
        return False
