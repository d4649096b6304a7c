"""What the commands do to a journal directly: record without a daemon, export, import, backup, restore.

The journal's lock keeps two writers apart; whoever comes second is told to stop the other first.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TextIO

from rushlight import clock, eventlines
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline, by_arrival
from rushlight.effects import Effect, Message, Remark, TestRead
from rushlight.entry.kitunits import in_own_units
from rushlight.entry.receipt import Receipt
from rushlight.events import Acknowledge, Correction, Event, Shelve
from rushlight.journal import export as exporting
from rushlight.journal.pictures.kept import Pictures, copy_missing
from rushlight.journal.reader import Reader
from rushlight.journal.recovery import backup as backups
from rushlight.journal.rows import Recorded, whole_ms
from rushlight.journal.store import Journal
from rushlight.service import snapshots
from rushlight.service.engine import Engine
from rushlight.settings import Config

JOURNAL_NAME = "journal.sqlite"
LOCK_WAIT_S = 10.0
"""Commands write for a moment; a start and another command wait so long for the lock."""
_LOCK_EVERY_S = 0.05
_BATCH = 1000


def journal_path(folder: Path) -> Path:
    """The database in a data folder."""
    return folder / JOURNAL_NAME


def backup_folder(config: Config, folder: Path) -> Path:
    """Where backups go."""
    return Path(config.storage.backup_folder) if config.storage.backup_folder else folder / "backups"


def place_of_copies(config: Config, folder: Path, to: Path | None = None) -> Path:
    """Where a copy goes; only our own folder is made when it is missing.  Raises BackupError.

    A folder that somebody named lies on another medium, as a rule.  Made when it is missing, it would lie on the card
    under the name of a stick that is not mounted.
    """
    place = to or backup_folder(config, folder)
    if (to is not None or config.storage.backup_folder) and not place.is_dir():
        raise backups.BackupError(f"there is no folder {place}: mount its stick or disk, or make the folder first")
    return place


def pictures(config: Config, folder: Path) -> Pictures:
    """The diary's pictures in a data folder, within their bound."""
    return Pictures(folder, config.pictures.megabytes * 1_000_000)


def open_journal(config: Config, folder: Path, now_s: float, boot_id: str = "", wait_s: float = 0.0) -> Journal:
    """The journal in `folder`, made if there is none; look at its report.  No `boot_id`: the kernel's.

    Another writer, such as a command, is waited for up to `wait_s` seconds.
    """
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
    real, pause = clock.SystemClock(), threading.Event()
    end_s = real.mono_s() + wait_s
    journal = Journal(
        journal_path(folder),
        boot_id=boot_id or clock.boot_id(),
        backups=backup_folder(config, folder),
        again=lambda: not real.wait(pause, _LOCK_EVERY_S) and real.mono_s() < end_s,
    )
    journal.open(now_s)
    return journal


@contextlib.contextmanager
def _writable(config: Config, folder: Path) -> Iterator[tuple[Journal, float]]:
    now_s = clock.SystemClock().wall_s()
    journal = open_journal(config, folder, now_s, wait_s=LOCK_WAIT_S)
    try:
        report = journal.report()
        if not report.durable:
            raise OSError(report.sentence)
        yield journal, now_s
    finally:
        journal.close(now_s)


def record(config: Config, folder: Path, event: Event) -> Receipt:
    """Take one entry while no daemon runs; what follows from it waits in the outbox.

    Raises OSError, and ValueError for a correction of an unknown entry.
    """
    with _writable(config, folder) as (journal, _):
        engine = Engine(config, journal, clock.SystemClock(), boot_id=clock.boot_id(), synchronised=lambda: True)
        receipt = engine.enter_checked(in_own_units(event, config.tank, config.kit))
    if not receipt.durable:  # what memory holds goes with this process
        raise OSError(receipt.why or "the disk would not take it")
    return receipt


def edit(
    config: Config, reader: Reader, entry_id: str, changes: Mapping[str, Any], at_s: float, own_id: str
) -> Correction:
    """The checked correction of an entry, as `eventlines.edited` makes it.

    Raises ValueError for an entry that is not there or was undone, and `LineError` for what the entry can't say.
    """
    with reader as opened:
        event = opened.entry(entry_id)
    if event is None or isinstance(event, Acknowledge | Shelve):
        raise ValueError(f"no entry {entry_id!r} stands; 'rushlight entries' shows them with their ids")
    correction = eventlines.edited(event, changes, at_s=at_s, entry_id=own_id)
    eventlines.check_names(correction, config)
    if correction.replacement is not None:
        eventlines.check_typed(correction.replacement, config)
    return in_own_units(correction, config.tank, config.kit)


def record_edit(config: Config, folder: Path, entry_id: str, changes: Mapping[str, Any], own_id: str) -> Receipt:
    """The same while no daemon runs.  Raises what `edit` and `record` raise."""
    with _writable(config, folder) as (journal, now_s):
        event = edit(config, journal.reader(), entry_id, changes, now_s, own_id)
    return record(config, folder, event)


def entries_of(folder: Path, tank: str | None) -> list[dict[str, Any]]:
    """`entries` of a folder's journal.  Raises OSError where there is none, or it can't be read."""
    path = journal_path(folder)
    if not path.exists():
        raise FileNotFoundError(f"there is no journal in {folder}")
    return entries(Reader(path), tank)


def entries(reader: Reader, tank: str | None, most: int = 30) -> list[dict[str, Any]]:
    """The newest entries that stand, as their lines, newest first."""
    with reader as opened:
        stored = [s.event for s in opened.entries(tank, limit=4 * most)]
        ids = [e.id for e in stored if not isinstance(e, Correction | Acknowledge | Shelve)]
        found = [opened.entry(i) for i in ids[:most]]
    return [eventlines.record_of(e) for e in found if e is not None]


def fill(config: Config, folder: Path, events: Iterable[Event], now_s: float) -> None:
    """Give a new journal a past: events with what the core made of them, nothing of it to be told.  Raises OSError."""
    core = Core(config)
    timeline = Timeline(core, core.initial())
    with _writable(config, folder) as (journal, _):
        batch: list[Recorded] = []
        for n, event in enumerate(by_arrival(events)):
            effects = [e for e in timeline.feed(whole_ms(event)) if not isinstance(e, Message | Remark | TestRead)]
            batch.append(Recorded(whole_ms(event)))
            if effects or len(batch) >= _BATCH:
                journal.append(batch, effects, urgent=False, at_s=event.at_s)
                batch = []
            if n % (50 * _BATCH) == 0:
                journal.commit(event.at_s)
        journal.append(batch, urgent=True, at_s=now_s)
        if timeline.state.at_s is not None:
            blob = snapshots.dump(timeline.state)
            journal.snapshot(journal.last_seq, blob, version=snapshots.version(config), at_s=timeline.state.at_s)


def lay_down(config: Config, folder: Path, events: Sequence[Event], effects: Sequence[Effect], now_s: float) -> None:
    """Put a past into a new journal that was lived elsewhere: events, and what followed from them.  Raises OSError."""
    with _writable(config, folder) as (journal, _):
        for n in range(0, len(events), _BATCH):
            journal.append([Recorded(whole_ms(e)) for e in events[n : n + _BATCH]], urgent=False, at_s=now_s)
        journal.append([], list(effects), urgent=True, at_s=now_s)


def export(
    config: Config,
    folder: Path,
    out: TextIO,
    *,
    since_s: float | None,
    until_s: float | None,
    form: str,
    pictures_to: Path | None = None,
) -> int:
    """Write the journal to `out`, the diary's pictures to a folder; returns the number of lines.

    Raises FileNotFoundError, and OSError where the pictures can't be written.
    """
    path = journal_path(folder)
    if not path.exists():
        raise FileNotFoundError(path)
    if pictures_to is not None:
        copy_missing(pictures(config, folder), Pictures(pictures_to))
    if form == "events":
        return exporting.export(path, out, since_s=since_s, until_s=until_s)
    from rushlight import exchange  # noqa: PLC0415 - only who asks for another form pays for it

    events = (eventlines.parse_line(line) for line in exporting.lines(path, since_s=since_s, until_s=until_s))
    return exchange.write(form, events, config, out)


def import_lines(config: Config, folder: Path, source: TextIO, *, form: str, pictures_from: Path | None = None) -> int:
    """Take a whole file or nothing, then the pictures of a folder; returns how many entries were new.

    Raises `eventlines.LineError`, OSError.
    """
    lines: Iterable[str] = source
    if form != "events":
        from rushlight import exchange  # noqa: PLC0415

        lines = (eventlines.format_line(e) for e in exchange.read(form, source, config))
    with _writable(config, folder) as (journal, now_s):
        count = exporting.import_events(journal, _checked(config, lines), at_s=now_s)
        journal.drop_snapshots()  # what was worked out before did not know of these
    if pictures_from is not None:
        copy_missing(Pictures(pictures_from), pictures(config, folder))
    return count


def _checked(config: Config, lines: Iterable[str]) -> Iterator[Event]:
    for n, line in enumerate(lines, start=1):
        if line.strip():
            event = eventlines.parse_line(line, n)
            eventlines.check_names(event, config, n)
            yield in_own_units(event, config.tank, config.kit)


def backup(config: Config, folder: Path, to: Path | None) -> str:
    """Copy the journal, running daemon or not, and verify the copy; the pictures too; returns its name.

    Raises RuntimeError, OSError.
    """
    try:
        place = place_of_copies(config, folder, to)
        made = backups.make(journal_path(folder), place, clock.SystemClock().wall_s())
        copy_missing(pictures(config, folder), Pictures(place))
    except backups.BackupError as e:
        raise RuntimeError(str(e)) from e
    return str(made.path)


def _newest(place: Path) -> Path:
    found = backups.newest(place)
    if found is None:
        raise backups.BackupError(f"there is no backup in {place}; name the file that is to be restored")
    return found.path


def restore(config: Config, folder: Path, copy: Path | None, *, replace: bool) -> str:
    """Put `copy`, or the newest backup, in the journal's place, and the pictures beside it where some are missing.

    Returns what happened.  Raises RuntimeError, OSError.
    """
    now_s = clock.SystemClock().wall_s()
    try:
        copy = copy or _newest(place_of_copies(config, folder))
        proof, old = backups.restore(copy, journal_path(folder), now_s, replace=replace)
        brought = copy_missing(Pictures(copy.parent), pictures(config, folder))
    except backups.BackupError as e:
        raise RuntimeError(str(e)) from e
    said = f"{copy.name}: restored {proof.rows.get('event', 0)} entries and {proof.rows.get('reading', 0)} readings"
    if brought:
        said += f", {brought} picture{'s' if brought > 1 else ''} with them"
    return f"{said}; the journal that was there is now {old}" if old else said
