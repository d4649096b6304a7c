"""Opening succeeds whatever is found, says what it did, and what was decided in memory survives."""

from __future__ import annotations

import os
import random
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from helpers.journals import T0, alarm, message, opened, query, reading, sound, strip
from helpers.waiting import until
from rushlight.journal import database, schema
from rushlight.journal.reader import UnreadableError
from rushlight.journal.recovery import backup, check, files
from rushlight.journal.recovery.storage_report import StorageReport
from rushlight.journal.store import Journal

DAY_S = 86400.0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


def filled(path: Path, *, with_backup: bool = False) -> None:
    """600 readings, five strips with alarms and messages, closed; then perhaps a backup and one more strip."""
    journal = opened(path, backups=path.parent / "backups")
    for n in range(5):
        readings = [reading(i) for i in range(n * 120, n * 120 + 120)]
        journal.append([*readings, strip(f"s{n}")], [alarm(n), message(f"m{n}")], urgent=True, at_s=T0)
    journal.close(T0)
    if with_backup:
        backup.make(path, path.parent / "backups", T0 + 3600)
        journal = opened(path, T0 + 7200)
        journal.append([strip("after-backup", T0 + 7200)], urgent=True, at_s=T0 + 7200)
        journal.close(T0 + 7200)


def overwrite(path: Path, offset: int, length: int, seed: int) -> None:
    with path.open("r+b") as f:
        f.seek(offset)
        f.write(random.Random(seed).randbytes(length))


def works(journal: Journal, event_id: str = "new") -> bool:
    return journal.append([strip(event_id)], urgent=True, at_s=T0).durable and journal.has(event_id)


def test_a_first_start_is_no_trouble(path: Path) -> None:
    journal = opened(path)
    report = journal.report()
    assert report.durable
    assert not report.set_aside
    assert report.notes == ()
    assert report.sentence == ""
    assert works(journal)
    journal.close(T0)


@pytest.mark.parametrize("offset", [0, 20, 100], ids=["magic", "header", "first page"])
def test_a_damaged_header_is_put_aside_and_said(path: Path, offset: int) -> None:
    filled(path)
    overwrite(path, offset, 200, seed=offset)
    journal = opened(path, T0 + 60)
    report = journal.report()
    assert report.durable
    assert [Path(p).name for p in report.set_aside] == [f"journal.sqlite.set-aside-{files.stamp(T0 + 60)}"]
    assert Path(report.set_aside[0]).exists(), "put aside, never deleted"
    assert "put aside" in report.sentence
    assert report.wants_attention
    assert works(journal)
    journal.close(T0)
    assert sound(path)


def test_a_damaged_page_is_found_at_the_start(path: Path) -> None:
    filled(path)
    [(root,)] = query(path, "SELECT rootpage FROM sqlite_schema WHERE name = 'reading'")
    overwrite(path, (root - 1) * schema.PAGE_BYTES, schema.PAGE_BYTES, seed=3)
    assert check.quick_check(path)[0] == 1
    journal = opened(path, T0 + 60)
    assert journal.report().set_aside
    assert works(journal)
    journal.close(T0)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(12))
def test_random_damage_anywhere_never_stops_the_start(path: Path, seed: int) -> None:
    filled(path)
    chance = random.Random(seed)
    size = path.stat().st_size
    for _ in range(3):
        overwrite(path, chance.randrange(size), chance.randrange(1, 3000), seed)
    journal = opened(path, T0 + 60)
    assert works(journal) or journal.retry(T0 + 120), journal.report()
    assert journal.has("new")
    journal.close(T0 + 120)
    assert sound(path)


def killed_with_log(path: Path) -> Path:
    """A database with a full write-ahead log beside it, as a power cut leaves it."""
    journal = opened(path)
    for n in range(5):
        journal.append([reading(i) for i in range(n * 50, n * 50 + 50)], urgent=False, at_s=T0)
        journal.append([strip(f"s{n}")], urgent=True, at_s=T0)
    target = path.with_name("cut.sqlite")
    for suffix in ("", "-wal"):
        files.part(target, suffix).write_bytes(files.part(path, suffix).read_bytes())
    journal.close(T0)
    return target


@pytest.mark.parametrize("seed", range(8))
def test_random_bytes_in_the_log_leave_a_prefix(path: Path, seed: int) -> None:
    cut = killed_with_log(path)
    wal = files.part(cut, "-wal")
    overwrite(wal, random.Random(seed).randrange(wal.stat().st_size), 500, seed)
    journal = opened(cut, T0 + 60)
    assert journal.report().durable
    kept = [s.event.id for s in journal.events_since(0) if s.event.id]
    assert kept == [f"s{n}" for n in range(len(kept))]
    assert works(journal)
    journal.close(T0)
    assert sound(cut)


def test_a_lost_log_leaves_what_had_been_checkpointed(path: Path) -> None:
    cut = killed_with_log(path)
    files.part(cut, "-wal").unlink()
    journal = opened(cut, T0 + 60)
    assert journal.report().durable
    assert works(journal)
    journal.close(T0)
    assert sound(cut)


def test_a_log_without_its_database_is_put_aside(path: Path) -> None:
    cut = killed_with_log(path)
    cut.unlink()
    journal = opened(cut, T0 + 60)
    report = journal.report()
    assert len(report.set_aside) == 1
    assert files.part(Path(report.set_aside[0]), "-wal").exists()
    assert works(journal)
    journal.close(T0)


def test_an_empty_file_is_no_journal(path: Path) -> None:
    path.touch()
    with closing(sqlite3.connect(path)) as conn:
        assert conn.execute("PRAGMA quick_check").fetchall() == [("ok",)], "SQLite alone does not notice"
    journal = opened(path)
    assert "empty" in journal.report().sentence
    assert works(journal)
    journal.close(T0)


def test_another_programs_database_is_put_aside(path: Path) -> None:
    with closing(sqlite3.connect(path)) as conn:
        conn.execute("CREATE TABLE elsewhere (x)")
        conn.commit()
    journal = opened(path)
    [aside] = journal.report().set_aside
    assert query(Path(aside), "SELECT name FROM sqlite_schema") == [("elsewhere",)]
    assert works(journal)
    journal.close(T0)


def test_a_later_version_is_left_alone_and_the_journal_runs_in_memory(path: Path) -> None:
    filled(path)
    with closing(sqlite3.connect(path)) as conn:
        conn.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    before = path.read_bytes()
    journal = opened(path)
    assert journal.report().trouble == "newer"
    assert not journal.append([strip("new")], [message("m-new")], urgent=True, at_s=T0).durable
    assert [r.key for r in journal.outbox.due(T0)] == ["m-new"], "alarms go out all the same"
    assert not journal.retry(T0 + 120)
    assert journal.report().trouble == "newer"
    journal.close(T0)
    assert path.read_bytes() == before


def test_a_lost_journal_comes_back_from_a_young_backup(path: Path) -> None:
    filled(path, with_backup=True)
    path.unlink()
    journal = opened(path, T0 + 2 * DAY_S, backups=path.parent / "backups")
    report = journal.report()
    assert report.restored_from == f"journal-{files.stamp(T0 + 3600)}.sqlite"
    assert "restored from the backup" in report.sentence
    assert journal.has("s4")
    assert [r.key for r in journal.outbox.waiting()] == [f"m{n}" for n in range(5)]
    journal.close(T0)


def test_an_old_backup_is_not_taken_for_history(path: Path) -> None:
    filled(path, with_backup=True)
    path.unlink()
    journal = opened(path, T0 + 31 * DAY_S, backups=path.parent / "backups", restore_days=30)
    assert journal.report().restored_from == ""
    assert not query(path, "SELECT 1 FROM reading")
    assert [e.id for e in journal.take_missing()] == [*(f"s{n}" for n in range(5)), "after-backup"], (
        "they lie beside it"
    )
    assert works(journal)
    journal.close(T0)


def test_a_damaged_backup_is_passed_over_for_an_older_one(path: Path) -> None:
    filled(path)
    folder = path.parent / "backups"
    older = backup.make(path, folder, T0 + 100)
    newer = backup.make(path, folder, T0 + DAY_S)
    overwrite(newer.path, 0, 4096, seed=1)
    overwrite(path, 0, 4096, seed=2)
    journal = opened(path, T0 + DAY_S + 100, backups=folder)
    report = journal.report()
    assert report.restored_from == older.path.name
    assert newer.path.name in report.sentence
    assert journal.has("s4")
    journal.close(T0)


def test_damage_while_running_keeps_what_memory_knows(path: Path) -> None:
    """Cursors, periods, topics and open messages are written again; what had been sent is not sent again."""
    filled(path)
    folder = path.parent / "backups"
    journal = opened(path, backups=folder)
    backup.make(path, folder, T0 + 10)
    journal.outbox.sent("m0", "push", T0 + 20)
    journal.outbox.put(message("m-new"))
    journal.steering.advance("timeseries", 77)
    journal.steering.mark_period("weekly", "2026-W39")
    journal.steering.add_topic("hub/foyer/ph/config")
    journal.append([strip("before")], urgent=True, at_s=T0 + 20)
    last = journal.last_seq
    files.part(path, "-wal").write_bytes(b"")
    overwrite(path, 0, path.stat().st_size, seed=5)
    held = journal.append([reading(1), strip("during")], [alarm(9), message("m9")], urgent=True, at_s=T0 + 30)
    if held.durable:  # SQLite may not have looked at the spoilt pages yet
        journal.checkpoint()
        held = journal.append([strip("during-2")], urgent=True, at_s=T0 + 31)
    assert not held.durable
    assert journal.report().trouble in {"corrupt", "unreadable"}
    assert journal.retry(T0 + 120)
    report = journal.report()
    assert report.durable
    assert report.set_aside
    assert report.replaced == 1
    assert journal.last_seq > last
    journal.close(T0 + 121)

    again = opened(path, T0 + 200, boot_id="boot-2", backups=folder)
    assert again.has("during")
    assert again.has("s4"), "from the backup"
    assert again.steering.cursor("timeseries") == 77
    assert again.steering.period_done("weekly") == "2026-W39"
    assert again.steering.topics() == {"hub/foyer/ph/config"}
    waiting = [r.key for r in again.outbox.waiting()]
    assert "m0" not in waiting
    assert set(waiting) == {"m1", "m2", "m3", "m4", "m-new", "m9"}
    again.close(T0 + 200)


def test_a_deleted_journal_is_noticed_while_running(path: Path) -> None:
    """SQLite alone would write on into a file without a name until the next restart."""
    journal = opened(path)
    journal.append([strip("one")], [message("m1")], urgent=True, at_s=T0)
    for suffix in files.PARTS:
        files.part(path, suffix).unlink(missing_ok=True)
    assert not journal.append([strip("two")], urgent=True, at_s=T0 + 1).durable
    assert journal.retry(T0 + 60)
    assert journal.report().durable
    journal.close(T0 + 61)
    assert query(path, "SELECT id FROM event ORDER BY seq") == [("one",), ("two",)]
    assert query(path, "SELECT key, state FROM outbox") == [("m1", "waiting")]


def test_a_folder_in_its_place_means_memory_until_it_is_gone(path: Path) -> None:
    path.mkdir()
    (path / "something").touch()
    journal = opened(path)
    assert journal.report().trouble == "unreadable"
    done = journal.append([reading(1), strip("held")], [alarm(), message("m1")], urgent=True, at_s=T0)
    assert not done.durable
    assert journal.has("held")
    assert journal.get("held").event.id == "held"
    report = journal.report()
    assert (report.held_readings, report.held_rows > 0) == (1, True)
    assert "held in memory only" in report.sentence
    assert not journal.retry(T0 + 60)
    (path / "something").unlink()
    path.rmdir()
    assert not journal.retry(T0 + 61), "not more than once a minute"
    assert journal.retry(T0 + 120)
    assert journal.report().sentence == ""
    journal.close(T0 + 120)
    assert query(path, "SELECT id FROM event") == [("held",)]
    assert query(path, "SELECT count(*) FROM reading") == [(1,)]


def test_history_that_turns_up_late_comes_first(path: Path, tmp_path: Path) -> None:
    """The disk is away at the start and comes back with years on it: nothing is overwritten, order is kept."""
    filled(path)
    hidden = tmp_path / "hidden"
    path.rename(hidden)
    path.mkdir()
    journal = opened(path, T0 + DAY_S, boot_id="boot-2")
    journal.append([reading(9000, probe="reading-room-t"), reading(9001)], urgent=False, at_s=T0 + DAY_S)
    journal.append([strip("late")], [alarm(50), message("m-late")], urgent=True, at_s=T0 + DAY_S)
    journal.outbox.sent("m-late", "push", T0 + DAY_S)
    journal.append([strip("late-2")], [message("m-late-2")], urgent=True, at_s=T0 + DAY_S)
    path.rmdir()
    hidden.rename(path)
    assert journal.retry(T0 + DAY_S + 60)
    assert journal.append([strip("later")], [message("m-later")], urgent=True, at_s=T0 + DAY_S + 61).durable
    events = [s.event for s in journal.events_since(0)]
    assert len(events) == 600 + 5 + 2 + 3
    assert [e.id for e in events if e.id] == ["s0", "s1", "s2", "s3", "s4", "late", "late-2", "later"]
    assert [e.probe for e in events if not e.id][-2:] == ["reading-room-t", "foyer-ph"]
    assert [r.key for r in journal.outbox.waiting()] == ["m0", "m1", "m2", "m3", "m4", "m-late-2", "m-later"]
    assert query(path, "SELECT state FROM outbox WHERE key = 'm-late'") == [("sent",)]
    assert query(path, "SELECT count(*) FROM alarm") == [(6,)]
    assert [i for (i,) in query(path, "SELECT id FROM boot ORDER BY no")] == ["boot-1", "boot-2"]
    journal.close(T0)
    assert sound(path)


@pytest.mark.slow
def test_memory_is_bounded_and_readings_go_first(path: Path) -> None:
    path.mkdir()
    journal = opened(path, most_readings=100, most_rows=50)
    journal.append([strip("kept")], [alarm(1), message("m1")], urgent=True, at_s=T0)
    journal.append([reading(n) for n in range(1000)], urgent=False, at_s=T0)
    report = journal.report()
    assert (report.held_readings, report.dropped_readings, report.dropped_rows) == (100, 900, 0)
    assert journal.has("kept")
    for n in range(200):
        journal.append([strip(f"s{n}")], [message(f"x{n}")], urgent=True, at_s=T0)
    report = journal.report()
    assert report.dropped_rows > 0
    assert "dropped for want of room" in report.sentence
    assert len(journal.outbox.waiting()) == 201, "no message to a person is dropped"
    path.rmdir()
    assert journal.retry(T0 + 60)
    assert query(path, "SELECT count(*) FROM outbox") == [(201,)]
    assert query(path, "SELECT count(*), min(at_ms) FROM reading") == [(100, round((T0 + 9000) * 1000))]
    journal.close(T0)


def test_a_second_writer_runs_in_memory_until_the_first_is_gone(path: Path) -> None:
    first = opened(path)
    first.append([strip("one")], urgent=True, at_s=T0)
    second = opened(path)
    assert second.report().trouble == "busy"
    assert not second.append([strip("two")], urgent=True, at_s=T0).durable
    first.append([reading(n) for n in range(10)], urgent=True, at_s=T0)
    first.close(T0)
    assert second.retry(T0 + 60)
    assert [s.event.id for s in second.events_since(0) if s.event.id] == ["one", "two"]
    assert len(list(second.events_since(0))) == 12
    second.close(T0)
    assert sound(path)


def test_a_foreign_write_lock_holds_nothing_up_for_good(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database, "BUSY_MS", 100)
    journal = opened(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert not journal.append([strip("one")], urgent=True, at_s=T0).durable
        assert journal.report().trouble == "busy"
        other.execute("ROLLBACK")
    assert journal.retry(T0 + 60)
    assert query(path, "SELECT id FROM event") == [("one",)]
    journal.close(T0)


def test_the_check_gives_up_after_its_time(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    filled(path)
    assert check.Check(path, 0.0).verdict(5.0) == ("unknown", "the check took longer than 0 s")
    journal = opened(path, check_s=0.0)
    assert journal.report().durable, "an unfinished check is no reason to put history aside"
    journal.close(T0)


def test_a_check_that_takes_long_does_not_keep_the_daemon_from_starting(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(path)
    [(root,)] = query(path, "SELECT rootpage FROM sqlite_schema WHERE name = 'alarm_at'")
    overwrite(path, (root - 1) * schema.PAGE_BYTES, schema.PAGE_BYTES, seed=3)
    monkeypatch.setattr(database, "CHECK_GRACE_S", 0.0)
    journal = opened(path)
    assert journal.report().trouble == "", "nothing is known yet"
    held = [journal.append([strip("meanwhile")], urgent=True, at_s=T0)]
    until(lambda: not journal.retry(T0 + 1) or journal.report().replaced, what="the verdict")
    assert journal.retry(T0 + 120), "the next try replaces it"
    report = journal.report()
    assert (report.durable, report.replaced, len(report.set_aside)) == (True, 1, 1)
    assert held
    assert journal.has("meanwhile")
    assert journal.has("s4"), "entries are saved from the damaged one"
    journal.close(T0 + 120)
    assert sound(path)


def test_a_check_still_going_on_ends_with_the_journal(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    filled(path)
    monkeypatch.setattr(database, "CHECK_GRACE_S", 0.0)
    children: list[check.Check] = []

    class Kept(check.Check):
        def __init__(self, *given: Any) -> None:
            super().__init__(*given)
            children.append(self)

    monkeypatch.setattr(check, "Check", Kept)
    opened(path).close(T0)
    [child] = children
    assert child.verdict(0.0) is not None, "nothing runs on"


@pytest.mark.slow
def test_restart_after_restart_on_a_failing_card_stops_making_copies(path: Path) -> None:
    for n in range(12):
        path.write_bytes(random.Random(n).randbytes(5000))
        journal = opened(path, T0 + n * 60)
        assert journal.report().durable == (n < database.MOST_ASIDE)
        journal.close(T0 + n * 60)
    assert len(files.put_aside(path)) == database.MOST_ASIDE


def test_set_aside_names_never_collide(path: Path) -> None:
    names = set()
    for _ in range(3):
        path.write_bytes(os.urandom(5000))
        names.add(files.set_aside(path, T0).name)
    assert len(names) == 3


def test_a_page_that_only_a_reader_touches_is_damage_all_the_same(path: Path) -> None:
    """The writer never looks at old readings again: it has to be told by who does, and the journal is mended while
    it runs."""
    filled(path)
    journal = opened(path, T0 + 60)
    until(lambda: (journal.retry(T0 + 60), journal._db._check is None)[1], 20, "the check at the start")
    page = int(query(path, "PRAGMA page_size")[0][0])
    leaves = [int(n) for (n,) in query(path, "SELECT pageno FROM dbstat WHERE name = 'reading' AND pagetype = 'leaf'")]
    overwrite(path, (leaves[1] - 1) * page, page, seed=4)
    assert journal.retry(T0 + 120)
    assert journal.report().sentence == "", "the writer has not met it"
    with pytest.raises(UnreadableError), journal.reader() as reader:
        reader.events_after(0, 10_000)
    until(lambda: (journal.retry(T0 + 180), journal.report().trouble or journal.report().set_aside)[1], 20)
    until(lambda: (journal.retry(T0 + 400), journal.report().set_aside)[1], 20)
    assert journal.report().durable
    with journal.reader() as reader:
        assert {s.event.id for s in reader.entries()} == {f"s{n}" for n in range(5)}
    assert works(journal)
    journal.close(T0 + 500)
    assert sound(path)


@pytest.mark.parametrize(
    ("readings", "rows", "said"),
    [
        (0, 1, "The disk is full. 1 record is held in memory only."),
        (1, 2, "The disk is full. 1 reading and 2 records are held in memory only."),
        (5, 0, "The disk is full. 5 readings are held in memory only."),
        (0, 0, "The disk is full."),
    ],
)
def test_what_memory_holds_is_said_as_a_person_would(readings: int, rows: int, said: str) -> None:
    assert StorageReport(trouble="full", held_readings=readings, held_rows=rows).sentence == said
