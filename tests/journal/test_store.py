"""What goes in comes out: once, in arrival order, with its effects."""

from __future__ import annotations

import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest

from helpers.journals import T0, alarm, feeding, message, opened, query, reading, strip
from rushlight.effects import Daily, DueChange, Estimate
from rushlight.events import Condition, Correction, Note, Reading, Tick
from rushlight.journal import schema
from rushlight.journal.rows import Recorded, whole_ms
from rushlight.journal.store import Journal


@pytest.fixture
def journal(tmp_path: Path):
    made = opened(tmp_path / "journal.sqlite")
    yield made
    made.close(T0)


def test_an_entry_sent_three_times_is_one_entry(journal: Journal) -> None:
    first = journal.append([strip("a")], urgent=True, at_s=T0)
    again = journal.append([strip("a", T0 + 5)], urgent=False, at_s=T0)
    third = journal.append([strip("a"), strip("b")], urgent=True, at_s=T0)
    assert (first.seqs, again.seqs, third.seqs) == ((1,), (None,), (None, 2))
    assert query(journal.path, "SELECT id, at_ms FROM event") == [("a", round(T0 * 1000)), ("b", round(T0 * 1000))]
    assert journal.get("a").event == strip("a").event
    assert journal.get("nobody") is None


def test_one_append_is_one_transaction(journal: Journal) -> None:
    journal.append([reading(1)], urgent=False, at_s=T0)
    assert query(journal.path, "SELECT count(*) FROM reading") == [(0,)], "held for the batch"
    day = Daily(at_s=T0, tank="foyer", date="2026-09-20", lamp_percent=97.5, nitrate=Estimate(mean=20, low=10, high=30))
    due = DueChange(at_s=T0, tank="foyer", due_at_s=T0 + 86400, reason="longest interval")
    effects = [alarm(), message("m1"), day, due]
    done = journal.append([strip("s")], effects, urgent=True, at_s=T0)
    assert done.durable
    tables = ("reading", "event", "alarm", "outbox", "daily", "due")
    counts = [query(journal.path, f"SELECT count(*) FROM {t}")[0][0] for t in tables]
    assert counts == [1] * 6
    with journal.reader() as r:
        assert r.days("foyer") == [day]
        assert r.days("foyer", since="2026-09-21") == []
        assert r.alarms() == [alarm()]
        assert r.due_changes("foyer") == [(T0, T0 + 86400, "longest interval")]
        assert [m.key for m in r.messages()] == ["m1"]


def test_arrival_order_holds_over_readings_and_entries_and_a_restart(journal: Journal) -> None:
    put = [reading(1), strip("late", T0 - 9e5), reading(0), feeding("f"), reading(2, value=None, quality=9, unit="mV")]
    put.append(Recorded(Reading(at_s=T0, received_s=T0 + 60, probe="foyer-ph", value=7.2)))
    put.append(Recorded(Correction(at_s=T0 + 70, id="c", of="f", void=True)))
    put.append(Recorded(Condition(at_s=T0 + 80, id="k", alarm="storage_low", says="raise", facts={"free_mb": 3.0})))
    journal.append(put, urgent=True, at_s=T0)
    journal.close(T0)
    again = opened(journal.path, boot_id="boot-2")
    got = list(again.events_since(0))
    assert [s.event for s in got] == [r.event for r in put]
    assert [s.seq for s in got] == list(range(1, 9))
    assert [s.seq for s in again.events_since(6)] == [7, 8]
    assert again.append([reading(9)], urgent=True, at_s=T0).seqs == (9,)
    again.close(T0)


def test_what_is_read_back_equals_what_acted_when_rounded_first(journal: Journal) -> None:
    raw = Note(at_s=T0 + 0.123456, received_s=T0 + 5.9994, id="n", tank="foyer", text="ä “quoted” \n line")
    event = whole_ms(raw)
    journal.append([Recorded(event)], urgent=True, at_s=T0)
    [stored] = journal.events_since(0)
    assert stored.event == event
    assert whole_ms(event) is event
    assert abs(event.at_s - raw.at_s) <= 0.0005


def test_a_batch_larger_than_the_bound_of_memory_is_written_in_parts(tmp_path: Path) -> None:
    journal = opened(tmp_path / "journal.sqlite", most_readings=100)
    journal.append([*map(reading, range(1050))], urgent=False, at_s=T0)
    assert journal.report().dropped_readings == 0
    journal.commit(T0)
    assert [s.seq for s in journal.events_since(0)] == list(range(1, 1051))
    journal.close(T0)


@pytest.mark.parametrize("bad", [Tick(at_s=T0, id="t"), Note(at_s=T0, tank="foyer", text="no id")])
def test_what_cannot_be_kept_is_refused_whole(journal: Journal, bad) -> None:
    with pytest.raises(ValueError, match="without an id"):
        journal.append([reading(1), Recorded(bad)], urgent=True, at_s=T0)
    journal.commit(T0, urgent=True)
    assert query(journal.path, "SELECT count(*) FROM reading") == [(0,)]


def test_snapshots_are_a_cache(journal: Journal) -> None:
    for n in range(10):
        seq = journal.append([strip(f"s{n}")], urgent=True, at_s=T0).seqs[0]
        assert journal.snapshot(seq, b'{"n": %d}' % n * 1000, version="7", at_s=T0 + n)
    assert journal.latest_snapshot("7") == (10, b'{"n": 9}' * 1000)
    assert journal.latest_snapshot("8") is None, "another form of state is never read"
    assert query(journal.path, "SELECT count(*) FROM snapshot") == [(4,)]
    with closing(sqlite3.connect(journal.path)) as conn:
        conn.execute("UPDATE snapshot SET state = x'00ff' WHERE seq = 10")
        conn.commit()
    assert journal.latest_snapshot("7") == (9, b'{"n": 8}' * 1000), "a damaged one is passed over"
    journal.drop_snapshots()
    journal.commit(T0)
    assert journal.latest_snapshot("7") is None
    assert len(list(journal.events_since(0))) == 10


def test_steering_tables_survive(journal: Journal) -> None:
    journal.steering.advance("timeseries", 41)
    journal.steering.advance("timeseries", 42)
    journal.steering.mark_period("backup", "2026-09-21")
    journal.steering.add_topic("a")
    journal.steering.add_topic("b")
    journal.steering.forget_topic("a")
    assert (journal.steering.cursor("timeseries"), journal.steering.cursor("other")) == (42, 0)
    journal.close(T0)
    again = opened(journal.path)
    assert again.steering.cursor("timeseries") == 42
    assert (again.steering.period_done("backup"), again.steering.period_done("weekly")) == ("2026-09-21", "")
    assert again.steering.topics() == {"b"}
    assert again.steering.topics("other") == frozenset()
    again.close(T0)


def test_rows_of_an_untrusted_clock_are_moved_together(tmp_path: Path) -> None:
    """The board came up a year early: readings, entries made 'now', alarms and messages move; a given time stays."""
    journal = opened(tmp_path / "journal.sqlite", boot_id="boot-x")
    wrong, right = T0 - 365 * 86400, T0
    given = right - 7200
    loose = [
        Recorded(Reading(at_s=wrong + 10, probe="foyer-ph", value=7.1), mono_s=10.0, clock_ok=False),
        Recorded(Note(at_s=wrong + 11, id="now", tank="foyer", text="now"), mono_s=11.0, clock_ok=False),
        Recorded(
            Note(at_s=given, received_s=wrong + 12, id="late", tank="foyer", text="x"), mono_s=12.0, clock_ok=False
        ),
    ]
    effects = [alarm(at_s=wrong + 12), message("m", at_s=wrong + 12, not_before_s=wrong + 612)]
    journal.append(loose, effects, urgent=True, at_s=wrong)
    trusted = Recorded(Reading(at_s=right + 20, probe="foyer-ph", value=7.2), mono_s=20.0)
    journal.append([trusted], urgent=True, at_s=right)
    assert [s.clock_ok for s in journal.events_since(0)] == [False, False, False, True]

    assert journal.restamp("boot-x", right, at_s=right + 30) == 4
    assert journal.restamp("boot-x", right, at_s=right + 30) == 0, "once"
    assert journal.restamp("another boot", right, at_s=right + 30) == 0
    got = list(journal.events_since(0))
    assert all(s.clock_ok for s in got)
    assert [s.event.at_s for s in got] == [right + 10, right + 11, given, right + 20]
    assert [s.event.arrived_s for s in got] == [right + 10, right + 11, right + 12, right + 20]
    with journal.reader() as r:
        assert [a.at_s for a in r.alarms()] == [right + 12]
    [row] = journal.outbox.waiting()
    assert (row.created_ms, row.not_before_ms) == (round((right + 12) * 1000), round((right + 612) * 1000))
    assert journal.outbox.due(right + 611) == []
    assert [m.key for m in journal.outbox.due(right + 612)] == ["m"]
    journal.close(right)


def test_rows_of_two_boots_are_moved_apart(tmp_path: Path) -> None:
    """Each boot counts from its own start, and a daemon that is started anew within one goes on with its number."""
    path, wrong = tmp_path / "journal.sqlite", T0 - 365 * 86400

    def lived(boot_id: str, name: str) -> Journal:
        journal = opened(path, boot_id=boot_id)
        note = Note(at_s=wrong, id=name, tank="foyer", text=name)
        journal.append([Recorded(note, mono_s=10.0, clock_ok=False)], urgent=True, at_s=wrong)
        return journal

    lived("boot-x", "first").close(wrong)
    lived("boot-y", "second").close(wrong)
    again = lived("boot-x", "third")
    assert query(path, "SELECT id, no FROM boot ORDER BY no") == [("boot-x", 1), ("boot-y", 2)]
    assert again.restamp("boot-x", T0, at_s=T0) == 2
    at_s = {s.event.id: s.event.at_s for s in again.events_since(0)}
    assert at_s == {"first": T0 + 10, "second": wrong, "third": T0 + 10}
    assert again.restamp("boot-y", T0 + 500, at_s=T0) == 1
    again.close(T0)


def test_a_reader_in_another_thread_sees_only_what_is_committed(journal: Journal) -> None:
    journal.append([reading(1)], urgent=True, at_s=T0)
    journal.append([reading(2)], urgent=False, at_s=T0)
    seen: list[int] = []

    def look() -> None:
        with journal.reader() as r:
            seen.append(len(r.events_after(0)))
            seen.append(r.sizes().readings)

    thread = threading.Thread(target=look)
    thread.start()
    thread.join()
    assert seen == [1, 1]


def test_outlets_walk_along_the_events_in_bounded_steps(journal: Journal) -> None:
    journal.append([*map(reading, range(1200)), strip("s")], urgent=True, at_s=T0)
    cursor, got = 0, []
    with journal.reader() as r:
        while step := r.events_after(cursor, limit=500):
            assert len(step) <= 500
            got += step
            cursor = step[-1].seq
    assert [s.seq for s in got] == list(range(1, 1202))


def test_entries_of_one_tank_newest_first(journal: Journal) -> None:
    other = Recorded(Note(at_s=T0 + 1, id="r", tank="reading-room", text="x"))
    moved = Recorded(
        Correction(at_s=T0 + 3, id="c", of="r", replacement=Note(at_s=T0 + 1, id="r", tank="foyer", text="x"))
    )
    void = Recorded(Correction(at_s=T0 + 4, id="v", of="a", void=True))
    journal.append([strip("a"), other, feeding("f", T0 + 2), moved, void, reading(1)], urgent=True, at_s=T0)
    with journal.reader() as r:
        assert [s.event.id for s in r.entries("foyer")] == ["v", "c", "f", "a"]
        assert [s.event.id for s in r.entries("reading-room")] == ["v", "r"]
        assert [s.event.id for s in r.entries(since_s=T0 + 2)] == ["v", "c", "f"]
        assert {s.event.kind for s in r.entries("foyer", kind="feeding")} == {"feeding", "correction"}


def test_the_newest_reading_of_a_probe(journal: Journal) -> None:
    journal.append(
        [reading(n, value=float(n)) for n in range(5)] + [reading(5, probe="x", value=1.0)], urgent=True, at_s=T0
    )
    with journal.reader() as r:
        assert r.last_reading("foyer-ph") == (T0 + 40, 4.0)
        assert r.last_reading("nobody") is None


def test_a_migration_that_fails_leaves_the_version_before_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "journal.sqlite"
    opened(path).close(T0)
    broken = (*schema.MIGRATIONS, ("more", "CREATE TABLE more (x);\nINSERT INTO nothing VALUES (1);\n"))
    monkeypatch.setattr(schema, "MIGRATIONS", broken)
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        with pytest.raises(sqlite3.OperationalError):
            schema.migrate(conn, T0, upto=len(broken))
        assert conn.execute("PRAGMA user_version").fetchone() == (schema.VERSION,)
        assert conn.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'more'").fetchone() == (0,)
        monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS[:-1], ("more", "CREATE TABLE more (x);\n")))
        assert schema.migrate(conn, T0 + 5, upto=len(broken)) == schema.VERSION
        rows = conn.execute("SELECT version, name, at_ms FROM migration ORDER BY version").fetchall()
        assert rows[0] == (1, "first tables", round(T0 * 1000))
        assert rows[-1] == (len(broken), "more", round((T0 + 5) * 1000))


def test_the_log_stays_small_and_is_emptied_after_a_reader_that_dawdled(journal: Journal) -> None:
    """A pinned reader keeps the log growing (that is SQLite); it must not stay so."""
    journal.append([reading(0)], urgent=True, at_s=T0)
    pinned = sqlite3.connect(f"{journal.path.as_uri()}?mode=ro", uri=True, isolation_level=None)
    with closing(pinned):
        pinned.execute("BEGIN")
        pinned.execute("SELECT count(*) FROM reading").fetchone()
        for n in range(9000):
            journal.append([reading(n)], urgent=False, at_s=T0)
            journal.commit(T0)
        grown = journal.report().wal_bytes
        assert grown > 8 * 1024 * 1024, "the test needs a log larger than its limit"
        assert not journal.checkpoint(), "a reader is in the way"
        assert journal.append([strip("s")], urgent=True, at_s=T0).durable, "writing goes on all the same"
    assert journal.checkpoint()
    assert journal.report().wal_bytes == 0


@pytest.mark.slow
def test_our_own_readers_never_pin_the_log(journal: Journal) -> None:
    with journal.reader() as r:
        for n in range(9000):
            journal.append([reading(n)], urgent=False, at_s=T0)
            journal.commit(T0)
            if n % 100 == 0:
                r.readings("foyer-ph", T0, T0 + 1e6)
                r.events_after(0)
        assert journal.report().wal_bytes <= 8 * 1024 * 1024
        assert journal.checkpoint()
    assert journal.report().wal_bytes == 0


def test_an_urgent_commit_waits_for_the_disk(journal: Journal) -> None:
    """https://www.sqlite.org/pragma.html#pragma_synchronous: 2 is FULL, 1 is NORMAL."""
    journal.append([strip("one")], urgent=True, at_s=T0)
    assert journal._db.connection.execute("PRAGMA synchronous").fetchone()[0] == 2


def test_a_second_writer_is_kept_out(journal: Journal) -> None:
    second = Journal(journal.path, boot_id="other")
    assert second.open(T0).trouble == "busy"
    second.close(T0)
