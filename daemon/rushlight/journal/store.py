"""The journal: what happened, in arrival order, and what the core made of it.

Owns arrival numbers and the batch in memory.  The small tables that steer the daemon (`steering`, `outbox`) are
mirrored in memory, so that everything but history works without a disk.  Belongs to one
thread; reads no clock; raises nothing for a bad disk: `report` says what is wrong, `retry` tries again.
"""

from __future__ import annotations

import contextlib
import dataclasses
import logging
import sqlite3
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rushlight.effects import AlarmChange, Daily, DueChange, Effect, Message
from rushlight.events import Event, Reading, Tick
from rushlight.journal import history, rows, upkeep
from rushlight.journal.bulk import Bulk
from rushlight.journal.database import Database, NoDatabaseError
from rushlight.journal.outbox import Outbox
from rushlight.journal.pending import Pending
from rushlight.journal.reader import Reader
from rushlight.journal.recovery import entry_list, mirror, salvage
from rushlight.journal.recovery.mark import HighWater
from rushlight.journal.recovery.storage_report import StorageReport
from rushlight.journal.rows import THIS_BOOT, EventRow, Numbers, ProbeKey, Recorded, Stamp, Statement, Stored
from rushlight.journal.steering import Steering

log = logging.getLogger(__name__)

KEEP_SNAPSHOTS = 4
_MIRRORED = frozenset({"outbox", "period", "cursor", "topic"})
_PUT_SNAPSHOT = "INSERT OR REPLACE INTO snapshot VALUES (?, ?, ?, ?)"
_PUT_HANDED = (
    "INSERT INTO handed (link, messages) VALUES (?, ?) ON CONFLICT (link) DO UPDATE SET messages = excluded.messages"
)


@dataclass(frozen=True, slots=True)
class Appended:
    """What became of an `append`: an arrival number per event, None where its id was known already.

    `durable` is True when everything has reached the disk.
    """

    seqs: tuple[int | None, ...]
    durable: bool


class Journal:
    """See the module.  `boot_id` is the kernel's; `backups` the folder from which a lost database is restored.

    `most_readings` and `most_rows` bound what is held in memory while the disk is away.
    """

    def __init__(
        self,
        path: Path,
        *,
        boot_id: str,
        backups: Path | None = None,
        restore_days: float = 30.0,
        most_readings: int = 20_000,
        most_rows: int = 5_000,
        check_s: float = 60.0,
        again: Callable[[], bool] = lambda: False,
    ) -> None:
        self.path = path
        self.outbox = Outbox(self._put, self._known_message)
        self.steering = Steering(self._put)
        self._db = Database(path, backups=backups, restore_days=restore_days, check_s=check_s, again=again)
        self._pending = Pending(most_readings, most_rows)
        self._boot_id = boot_id
        self._probes: dict[ProbeKey, int] = {}
        self._numbers = Numbers(probes=self._probes)
        self._given = 0
        """Arrival numbers given out, counted from where the database stopped."""
        self._alarm_no = 0
        self._due_no = 0
        self._closed_seq = 0
        self._seen_replaced = 0
        self._loaded = False
        self._mirror_old = False
        self._mark, self._entries = HighWater(path), entry_list.EntryList(path)
        self._told: list[str] = []
        self.past_lost = False
        """What happened before this start is not all there: the file was replaced, or its log damaged."""
        self.missing: list[EventRow] = []
        self.past_came_late = False
        """A past was found only after the start, which had to do without it; whoever takes it up sets this to False."""

    # ------------------------------------------------------------------ opening and trouble

    def open(self, at_s: float) -> StorageReport:
        """Open whatever is there; never raises and never refuses.  Look at the report."""
        self._db.open(at_s)
        if self._db.readable:
            try:
                self._settle_in()
            except (sqlite3.Error, NoDatabaseError) as e:
                self._db.failed(e, at_s)
        self._ensure_boot()
        self.commit(at_s)
        return self.report()

    def close(self, at_s: float) -> None:
        """Commit what is held and let the next writer in."""
        self.commit(at_s, urgent=True)
        self.checkpoint()
        self._db.close()

    def retry(self, at_s: float) -> bool:
        """Call often: while there is trouble, once a minute tries to get the disk back and to write what is held."""
        self._db.look_at_check(at_s)
        if not self._db.trouble:
            return True
        if not self._db.retry(at_s):
            return False
        late = not self._loaded
        try:
            self._settle_in()
            self.past_came_late |= late and history.last_seq(self._db.connection) > 0
            return self._write(at_s, urgent=True)
        except (sqlite3.Error, NoDatabaseError) as e:
            self._db.failed(e, at_s)
            return False

    def report(self) -> StorageReport:
        """The storage now."""
        return self._db.report(self._pending, " ".join(x for x in (self._mark.shortfall, *self._told) if x))

    def _settle_in(self) -> None:
        """Come to terms with the database just opened: ours as before, one that came late, or a new one.

        Raises sqlite3.Error, NoDatabaseError.
        """
        late, replaced = not self._loaded, self._db.replaced != self._seen_replaced
        if replaced and self._db.aside is not None:
            self._rescue(self._db.aside)
        conn = self._db.connection
        seq = history.last_seq(conn) if late else self.last_seq
        short = self._mark.seq > seq
        self.past_lost |= replaced or short
        mirrored = mirror.load(self.path) if (replaced or short) and late else None
        if mirrored:
            # Between the two lies the last urgent commit: the mirror is newer than a backup, memory than both.
            self.steering.take(mirrored.cursors, mirrored.periods, mirrored.topics)
        if late or replaced:
            self._load()
        if mirrored:
            self.outbox.adopt(mirrored.messages, mirrored.at_ms)
            self._take_state()
        if late or replaced:
            self._rewrite()
        self._go_on_from(self._mark.seq)
        missing = [row for row in self._entries.missing(conn) if not self._pending.has("event", row.id)]
        self._mark.miss(seq, missing)
        covered = self._state_seq(conn) if late else self.last_seq
        for row in missing:
            if row.seq <= covered:  # the state knows them
                self._put("event", row.id, dataclasses.replace(row, seq=row.seq - self._numbers.seq))
        self.missing = [row for row in missing if row.seq > covered]
        self._seen_replaced = self._db.replaced

    def _state_seq(self, conn: sqlite3.Connection) -> int:
        """The arrival number up to which some state that is kept has everything in it."""
        taken = self._pending.get("snapshot", "put")
        held: int = conn.execute("SELECT ifnull(max(seq), 0) FROM snapshot").fetchone()[0]
        return max(held, taken.values(self._numbers)[0] if taken else 0)

    def take_missing(self) -> list[Event]:
        """Entries that were on the disk once and are not there any more, to be entered again now, oldest first."""
        taken, self.missing = self.missing, []
        return [rows.event(row.line) for row in taken]

    def _rescue(self, damaged: Path) -> None:
        with self._db.transaction(durable=True) as conn:
            saved = salvage.rescue(conn, damaged)
        self._db.aside = None
        self._db.note(f"{saved.entries} entries and {saved.readings} readings were saved from the damaged journal")

    def _take_state(self) -> None:
        """Where the database has no newer state, take the mirrored one."""
        held = mirror.load_state(self.path)
        newest = self._ask("SELECT ifnull(max(seq), -1) FROM snapshot")
        if held is not None and newest is not None and held[0] > newest[0]:
            self._put("snapshot", "put", Statement(_PUT_SNAPSHOT, held))
            self._go_on_from(held[0])

    def _go_on_from(self, seq: int) -> None:
        """Give out no arrival number up to this one any more."""
        self._given = max(self._given, seq - self._numbers.seq)

    def _load(self) -> None:
        """Mirror the small tables.  What memory holds already is newer and wins.  Raises sqlite3.Error."""
        conn = self._db.connection
        if self._loaded:
            self.outbox.settle(conn, self._numbers)
        else:
            self._number(conn)
            self.outbox.load(conn, self._numbers)
        self.steering.load(conn)
        self._closed_seq = upkeep.closed_seq(conn)
        self._loaded = True

    def _number(self, conn: sqlite3.Connection) -> None:
        """Go on counting where the database stopped."""
        found = conn.execute("SELECT no FROM boot WHERE id = ?", (self._boot_id,)).fetchone()
        for no, name, unit in conn.execute("SELECT no, name, unit FROM probe"):
            self._probes[name, unit] = no
        self._numbers = Numbers(
            seq=history.last_seq(conn),
            alarm=_last_no(conn, "alarm"),
            due=_last_no(conn, "due"),
            outbox=_last_no(conn, "outbox"),
            boot=found[0] if found else _last_no(conn, "boot") + 1,
            probes=self._probes,
        )

    def _rewrite(self) -> None:
        """Write the mirrored tables into a database that took the place of a lost one."""
        self._ensure_boot()
        self._pending.probes |= dict.fromkeys(self._probes)
        self.steering.rewrite()
        self.outbox.rewrite()

    def _ensure_boot(self) -> None:
        self._put("boot", THIS_BOOT, rows.BootRow(self._boot_id, self._given + 1))

    # ------------------------------------------------------------------ events and effects in

    def append(
        self, recorded: Sequence[Recorded], effects: Sequence[Effect] = (), *, urgent: bool, at_s: float
    ) -> Appended:
        """Keep events and what the core made of them, together with everything held, in one transaction.

        Not `urgent`: held in memory until the next `commit`.  An event whose id is known gets no number and is
        left out.  Raises ValueError for a Tick, and for an event other than a reading that has no id; nothing
        is kept then.
        """
        for r in recorded:
            if type(r.event) is not Reading and (type(r.event) is Tick or not r.event.id):
                raise ValueError(f"a {r.event.kind or type(r.event).__name__} without an id can't be kept")
        seqs = tuple(self._add(r, at_s) for r in recorded)
        if effects:
            mono_ms = rows.optional_ms(recorded[-1].mono_s) if recorded else None
            clock_ok = all(r.clock_ok for r in recorded)
            self._add_effects(effects, Stamp(THIS_BOOT, mono_ms, int(clock_ok)))
        return Appended(seqs, durable=self.commit(at_s, urgent=True) if urgent else False)

    def _add(self, recorded: Recorded, at_s: float) -> int | None:
        event = recorded.event
        if type(event) is Reading:
            if self._pending.at_bound:
                self.commit(at_s)  # a batch larger than memory's bound goes to the disk in parts
            self._given += 1
            if (event.probe, event.unit) not in self._probes:
                self._pending.probes[event.probe, event.unit] = None
            self._pending.add_reading(rows.ReadingRow.of(self._given, event, recorded))
            return self.last_seq
        if self.has(event.id):
            return None
        self._given += 1
        self._put("event", event.id, EventRow.of(self._given, event, recorded))
        return self.last_seq

    def _add_effects(self, effects: Sequence[Effect], stamp: Stamp) -> None:
        for effect in effects:
            match effect:
                case AlarmChange():
                    self._alarm_no += 1
                    self._put("alarm", self._alarm_no, rows.AlarmRow.of(self._alarm_no, self._given, effect, stamp))
                case Message():
                    self.outbox.put(effect, stamp)
                case Daily():
                    self._put("daily", (effect.tank, effect.date), rows.daily_row(effect))
                case DueChange():
                    self._due_no += 1
                    self._put("due", self._due_no, rows.DueRow.of(self._due_no, effect))
                case _:
                    raise TypeError(f"no table for {type(effect).__name__}")

    def commit(self, at_s: float, *, urgent: bool = False) -> bool:
        """Write everything held in one transaction; `urgent` waits for the disk.  False: it is still held."""
        done = self._db.usable and self._write(at_s, urgent=urgent)
        if urgent and self._mirror_old:
            self._mirror_old = False
            now = mirror.Mirror(rows.ms(at_s), self.outbox.waiting(), *self.steering.all())
            mirror.save(self.path, now)
        return done

    def _write(self, at_s: float, *, urgent: bool, again: bool = True) -> bool:
        urgent = urgent or any(map(entry_list.is_entry, self._pending.others.values()))
        try:
            with self._db.transaction(durable=urgent) as conn:
                for key in self._pending.probes:
                    self._probes.setdefault(key, max(self._probes.values(), default=0) + 1)
                self._pending.write(conn, self._numbers)
                closed = upkeep.close_stretches(conn, self._closed_seq, self.last_seq)
        except (sqlite3.Error, NoDatabaseError) as e:
            self._db.failed(e, at_s)
            return again and self._db.made_room() and self._write(at_s, urgent=urgent, again=False)
        self._closed_seq = closed
        if urgent:
            self._entries.add(self._pending.others.values(), self._numbers)
            self._mark.reached(self.last_seq, at_s, readings_alone=self._pending.readings_alone)
        self._pending.clear()
        self._db.worked()
        return True

    def _put(self, table: str, key: object, row: rows.Row) -> None:
        self._pending.put(table, key, row)
        self._mirror_old |= table in _MIRRORED

    @contextlib.contextmanager
    def bulk(self, at_s: float) -> Iterator[Bulk]:
        """One transaction for many events; whatever is raised inside undoes all of it.

        Raises OSError when the disk won't take it, after what could not be kept has been undone.
        """
        try:
            if not self.commit(at_s, urgent=True):
                raise NoDatabaseError(self.report().sentence)
            with self._db.transaction(durable=True) as conn:
                bulk = Bulk(conn, self.last_seq, dict(self._probes))
                yield bulk
                closed = upkeep.close_stretches(conn, self._closed_seq, bulk.seq)
        except sqlite3.Error as e:
            self._db.failed(e, at_s)
            raise NoDatabaseError(self.report().sentence) from e
        self._given, self._closed_seq = bulk.seq - self._numbers.seq, closed
        self._probes.update(bulk.probes)

    # ------------------------------------------------------------------ events out

    @property
    def last_seq(self) -> int:
        """The newest arrival number given out."""
        return self._numbers.seq + self._given

    def tell(self, sentence: str) -> None:
        """Have a loss of other files in this folder told with the journal's own."""
        log.error("%s", sentence)
        self._told.append(sentence)

    def shortfall_told(self) -> None:
        """The alarm of what is missing is on the disk; the next start need not tell it again."""
        self._mark.told()

    @property
    def trouble(self) -> str:
        """The word for what keeps the journal from the disk; '' while it is written."""
        return self._db.trouble

    @property
    def holds_anything(self) -> bool:
        """Whether anything is in memory only."""
        return bool(self._pending)

    def note_handed(self, link: str, messages: bytes) -> None:
        """Remember, with the next commit, what a link would know its messages by if it handed them out again."""
        self._put("handed", link, Statement(_PUT_HANDED, (link, messages)))

    def handed(self, link: str) -> bytes:
        """What was remembered last."""
        found = self._ask("SELECT messages FROM handed WHERE link = ?", link)
        return found[0] if found else b""

    def holds(self, event_id: str) -> bool:
        """Whether this event is in memory only."""
        return self._pending.has("event", event_id)

    def has(self, event_id: str) -> bool:
        """Whether an event with this id (not a reading) is kept; False too when the disk can't be asked."""
        if self._pending.has("event", event_id):
            return True
        return self._ask("SELECT 1 FROM event WHERE id = ?", event_id) is not None

    def get(self, event_id: str) -> Stored | None:
        """The event with this id (not a reading), as kept."""
        held = self._pending.get("event", event_id)
        if isinstance(held, EventRow):
            return held.stored(self._numbers)
        row = self._ask(f"SELECT {', '.join(rows.EVENT_COLUMNS)} FROM event WHERE id = ?", event_id)  # noqa: S608
        return EventRow(*row).stored(Numbers()) if row else None

    def _known_message(self, key: str, channel: str) -> bool:
        if self._pending.has("outbox", (key, channel)):
            return True
        return self._ask("SELECT 1 FROM outbox WHERE key = ? AND channel = ?", key, channel) is not None

    def _ask(self, sql: str, *values: str) -> tuple[Any, ...] | None:
        if not self._db.readable:
            return None
        try:
            row: tuple[Any, ...] | None = self._db.connection.execute(sql, values).fetchone()
        except sqlite3.Error as e:
            log.warning("journal can't be read: %s", e)
            return None
        return row

    def events_since(self, seq: int = 0) -> Iterator[Stored]:
        """Events with greater arrival numbers, in arrival order, thinned history as one reading per ten minutes.

        What is held in memory is not among them.  Ends early, with trouble reported, when the disk fails.
        """
        if not self._db.readable:
            return
        try:
            yield from history.since(self._db.connection, seq)
        except sqlite3.Error as e:
            self._db.failed(e, self._db.since_s or 0.0)

    # ------------------------------------------------------------------ snapshots

    def snapshot(self, seq: int, blob: bytes, *, version: str, at_s: float) -> bool:
        """Keep the core's state after event `seq` (the last one appended); a cache, of which the newest few are kept.

        `version` names the form of the state.  What is held is committed in the same transaction.
        """
        if not self._db.usable:
            return False
        thin = "DELETE FROM snapshot WHERE seq NOT IN (SELECT seq FROM snapshot ORDER BY seq DESC LIMIT ?)"
        row = (seq, rows.ms(at_s), version, zlib.compress(blob, 6))
        self._put("snapshot", "put", Statement(_PUT_SNAPSHOT, row))
        self._put("snapshot", "thin", Statement(thin, (KEEP_SNAPSHOTS,)))
        done = self.commit(at_s)
        self._pending.forget("snapshot")
        mirror.save_state(self.path, *row)
        return done

    def latest_snapshot(self, version: str) -> tuple[int, bytes] | None:
        """The newest readable snapshot of this form: the arrival number after which it was taken, and the state."""
        if not self._db.readable:
            return None
        sql = "SELECT seq, state FROM snapshot WHERE version = ? AND seq <= ? ORDER BY seq DESC"
        try:
            for seq, packed in self._db.connection.execute(sql, (version, self.last_seq)):
                try:
                    return seq, zlib.decompress(packed)
                except zlib.error:
                    log.warning("snapshot %d is damaged, taking an older one", seq)
        except sqlite3.Error as e:
            log.warning("snapshots can't be read: %s", e)
        return None

    def drop_snapshots(self) -> None:
        """Forget every snapshot; the state is made again from the events."""
        self._put("snapshot", "drop", Statement("DELETE FROM snapshot"))

    # ------------------------------------------------------------------ clock trust

    def restamp(self, boot_id: str, offset_s: float, at_s: float) -> int:
        """Give what arrived in boot `boot_id` before the clock could be trusted its time, in one transaction.

        `offset_s` is wall minus monotonic time.  A person's entry that was entered as 'now' moves; one with a
        time of its own keeps it.  Returns how many rows moved; 0 too when the disk is away (call again).
        """
        offset_ms = round(offset_s * 1000)
        if boot_id == self._boot_id:
            self.outbox.shift((THIS_BOOT, self._numbers.boot), offset_ms)
        if not self.commit(at_s):
            return 0
        try:
            with self._db.transaction(durable=True) as conn:
                moved = upkeep.restamp(conn, boot_id, offset_ms)
        except (sqlite3.Error, NoDatabaseError) as e:
            self._db.failed(e, at_s)
            return 0
        self._tidy_entries(anew=True)
        return moved

    # ------------------------------------------------------------------ upkeep

    def prune(self, at_s: float, keep: upkeep.Keep = upkeep.KEEP) -> upkeep.Pruned:
        """Thin out what is old; short transactions, so call it again while `more` says so."""
        if not self.commit(at_s):
            return upkeep.Pruned()
        try:
            with self._db.transaction(durable=False) as conn:
                return upkeep.prune(conn, at_s, keep, self._numbers.boot)
        except (sqlite3.Error, NoDatabaseError) as e:
            self._db.failed(e, at_s)
            return upkeep.Pruned()

    def checkpoint(self) -> bool:
        """Hourly: move the write-ahead log into the database and cut it to nothing."""
        done = self._db.checkpoint()
        if done:
            self._tidy_entries()
        return done

    def _tidy_entries(self, *, anew: bool = False) -> None:
        if not self.missing:
            self._entries.tidy(self._db.connection, anew=anew)

    def reader(self) -> Reader:
        """Short-lived reading for any thread; each `with` opens and closes a connection of its own."""
        return Reader(self.path, self._db.doubt)


def _last_no(conn: sqlite3.Connection, table: str) -> int:
    found: int = conn.execute(f"SELECT ifnull(max(no), 0) FROM {table}").fetchone()[0]  # noqa: S608
    return found
