"""What survives a damaged journal: what can still be read of it, and what its mirror says."""

from __future__ import annotations

import os
import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from helpers.journals import T0, alarm, message, opened, query, reading, sound, strip
from rushlight.eventlines import format_line
from rushlight.journal import rows, schema
from rushlight.journal.recovery import backup, files, mirror
from rushlight.journal.recovery.salvage import Saved, rescue


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


def lived(path: Path) -> None:
    """2000 readings, 20 strips with alarms, messages of which the even ones went, a state, steering."""
    journal = opened(path)
    for n in range(20):
        readings = [reading(i) for i in range(n * 100, n * 100 + 100)]
        effects = [alarm(n, at_s=T0 + n), message(f"m{n}", at_s=T0 + n)]
        journal.append([*readings, strip(f"s{n}")], effects, urgent=True, at_s=T0 + n)
        if n % 2 == 0:
            journal.outbox.sent(f"m{n}", "push", T0 + n)
    journal.snapshot(journal.last_seq, b'{"state": 1}', version="1", at_s=T0 + 50)
    journal.steering.mark_period("weekly", "2026-W39")
    journal.steering.add_topic("hub/foyer/ph/config")
    journal.steering.advance("timeseries", 1000)
    journal.append([strip("last", T0 + 60)], urgent=True, at_s=T0 + 60)
    journal.close(T0 + 60)


def spoil(path: Path, page: int, pages: int = 1) -> None:
    with path.open("r+b") as f:
        f.seek((page - 1) * schema.PAGE_BYTES)
        f.write(random.Random(page).randbytes(pages * schema.PAGE_BYTES))


def test_an_entry_is_in_the_list_on_the_disk_before_it_is_kept(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`append` comes back after the list of entries has been written and synced, with the entry in it."""
    synced: list[str] = []
    sync = os.fdatasync

    def watched(fd: int) -> None:
        sync(fd)
        synced.append(Path(f"/proc/self/fd/{fd}").readlink().read_text(errors="replace"))

    monkeypatch.setattr(os, "fdatasync", watched)
    journal = opened(path)
    assert journal.append([strip("one")], urgent=True, at_s=T0).durable
    assert any('"one"' in content for content in synced)
    journal.close(T0)


def root(path: Path, table: str) -> int:
    return query(path, "SELECT rootpage FROM sqlite_schema WHERE name = ?", table)[0][0]


ODD = [f"m{n}" for n in range(1, 20, 2)]


def test_a_damaged_table_of_readings_costs_no_entry_no_alarm_and_no_message(path: Path) -> None:
    lived(path)
    spoil(path, root(path, "reading"))
    journal = opened(path, T0 + 100, boot_id="boot-2")
    report = journal.report()
    assert report.set_aside
    assert "21 entries and 0 readings were saved" in report.sentence
    assert [s.event.id for s in journal.events_since(0)] == [*(f"s{n}" for n in range(20)), "last"]
    assert [r.key for r in journal.outbox.waiting()] == ODD
    assert query(path, "SELECT count(*) FROM alarm") == [(20,)]
    assert journal.latest_snapshot("1") == (2020, b'{"state": 1}')
    assert journal.steering.period_done("weekly") == "2026-W39"
    assert journal.append([strip("on", T0 + 101)], urgent=True, at_s=T0 + 101).seqs == (2022,), "numbers go on"
    journal.close(T0 + 101)
    assert sound(path)


_FIRST_OUTBOX = (
    "INSERT INTO outbox (key, channel, contact, priority, title, body, tank, alarm_id, created_ms, not_before_ms, tries,"
    " next_try_ms, state, receipt, why, clock_ok) VALUES (?, 'push', 'duty', 'high', 't', 'b', 'foyer', ?, 1, 0, 0, 0,"
    " 'waiting', '', '', 1)"
)


@pytest.mark.slow
def test_a_journal_that_was_damaged_before_it_was_upgraded_is_saved_as_well(path: Path) -> None:
    lines = [(n, f"s{n}", rows.EventRow.of(n, strip(f"s{n}").event, strip(f"s{n}")).line) for n in range(1, 40)]
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        conn.execute(f"PRAGMA page_size = {schema.PAGE_BYTES}")
        schema.migrate(conn, T0, upto=1)
        conn.execute("INSERT INTO probe VALUES (1, 'foyer-ph', 'pH')")
        add = "INSERT INTO event VALUES (?, ?, 1, 1, 'test', 'foyer', ?, NULL, NULL, 1)"
        conn.executemany(add, lines)
        conn.executemany(
            "INSERT INTO reading VALUES (?, 1, ?, 7.1, NULL, NULL, NULL, 1, NULL)", [(n, n) for n in range(100, 2000)]
        )
        about = [("foyer.ph_low#3-repeat@7", "foyer.ph_low"), ("digest", "foyer.ph_low foyer.lamp_off"), ("week", "")]
        conn.executemany(_FIRST_OUTBOX, about)
    spoil(path, root(path, "reading"))
    journal = opened(path, T0 + 100)
    assert "39 entries" in journal.report().sentence
    assert [s.event.id for s in journal.events_since(0)][:39] == [id_ for _, id_, _ in lines]
    assert {
        r.key: (r.purpose, [(t.alarm, t.occurrence, t.step) for t in r.alarms]) for r in journal.outbox.waiting()
    } == {
        "foyer.ph_low#3-repeat@7": ("alarm", [("foyer.ph_low", 3, "repeat")]),
        "digest": ("alarm", [("foyer.ph_low", 0, "raise"), ("foyer.lamp_off", 0, "raise")]),
        "week": ("summary", []),
    }
    journal.close(T0 + 100)
    assert query(path, "PRAGMA user_version") == [(schema.VERSION,)]


def test_readings_newer_than_the_damage_are_saved_up_to_it(path: Path) -> None:
    lived(path)
    with closing(sqlite3.connect(path)) as conn:
        # The page of a row in the middle, by SQLite's own account of its pages.
        try:
            pages = conn.execute("SELECT pageno FROM dbstat WHERE name = 'reading' AND pagetype = 'leaf'").fetchall()
        except sqlite3.OperationalError:
            pytest.skip("this SQLite was built without dbstat")
    spoil(path, pages[len(pages) // 2][0])
    journal = opened(path, T0 + 100)
    events = [s.event for s in journal.events_since(0)]
    values = [e.at_s for e in events if not e.id]
    assert len([e for e in events if e.id]) == 21
    assert 700 < len(values) < 1300
    assert values == [T0 + 10 * n for n in range(2000 - len(values), 2000)], "the newest, without a gap"
    with journal.reader() as r:
        assert sum(b.n for b in r.readings("foyer-ph", T0, T0 + 1e6, 10)) == len(values)
    journal.close(T0)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(10))
def test_random_damage_never_invents_an_entry(path: Path, seed: int) -> None:
    lived(path)
    real = dict(query(path, "SELECT id, line FROM event"))
    chance = random.Random(seed)
    last_page = path.stat().st_size // schema.PAGE_BYTES
    for _ in range(4):
        spoil(path, chance.randrange(2, last_page))
    journal = opened(path, T0 + 100, boot_id="boot-2")
    found = dict(query(path, "SELECT id, line FROM event"))
    assert found | {e.id: format_line(e) for e in journal.take_missing()} == real
    assert {r.key for r in journal.outbox.waiting()} <= set(ODD)
    assert journal.append([strip("on", T0 + 101)], [message("on")], urgent=True, at_s=T0 + 101).durable
    journal.close(T0 + 101)
    assert sound(path)


def test_with_the_whole_file_lost_the_mirror_still_knows_who_is_to_be_told(path: Path) -> None:
    lived(path)
    spoil(path, 1, pages=path.stat().st_size // schema.PAGE_BYTES)
    journal = opened(path, T0 + 100, boot_id="boot-2")
    assert [r.key for r in journal.outbox.waiting()] == ODD, "what had been sent is not sent again"
    assert journal.steering.period_done("weekly") == "2026-W39"
    assert journal.steering.topics() == {"hub/foyer/ph/config"}
    assert journal.steering.cursor("timeseries") == 1000
    assert journal.latest_snapshot("1") == (2020, b'{"state": 1}')
    [seq] = journal.append([strip("on", T0 + 101)], urgent=True, at_s=T0 + 101).seqs
    assert seq > 2020, "the state is older than what comes after it"
    assert [s.event.id for s in journal.events_since(2020)] == ["on"]
    assert [s.event.id for s in journal.events_since(0)] == [*(f"s{n}" for n in range(20)), "on"], (
        "of the list beside it"
    )
    assert [e.id for e in journal.take_missing()] == ["last"], "what the state does not know is to be entered again"
    journal.close(T0 + 101)
    again = opened(path, T0 + 200, boot_id="boot-3")
    assert [r.key for r in again.outbox.waiting()] == ODD
    again.close(T0 + 200)


def test_after_an_older_backup_nothing_sent_since_is_sent_again(path: Path) -> None:
    folder = path.parent / "backups"
    journal = opened(path)
    journal.append([strip("a")], [message("early")], urgent=True, at_s=T0)
    backup.make(path, folder, T0 + 1)
    journal.outbox.sent("early", "push", T0 + 2)
    journal.append([strip("b")], [message("late", at_s=T0 + 3)], urgent=True, at_s=T0 + 3)
    journal.close(T0 + 3)
    spoil(path, 1, pages=path.stat().st_size // schema.PAGE_BYTES)
    journal = opened(path, T0 + 100, backups=folder)
    assert journal.report().restored_from
    assert [r.key for r in journal.outbox.waiting()] == ["late"]
    assert journal.has("a")
    journal.close(T0 + 100)


@pytest.mark.slow
@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"messages": [{"no": 1}]}', b"\xff\xfe"])
def test_a_spoilt_mirror_is_a_mirror_less(path: Path, content: bytes) -> None:
    lived(path)
    for suffix in (".mirror", ".state"):
        files.part(path, suffix).write_bytes(content)
    spoil(path, 1, pages=path.stat().st_size // schema.PAGE_BYTES)
    assert mirror.load(path) is None
    assert mirror.load_state(path) is None
    journal = opened(path, T0 + 100)
    assert journal.append([strip("on")], [message("on")], urgent=True, at_s=T0 + 100).durable
    journal.close(T0 + 100)


def test_a_mirror_is_not_read_while_the_journal_is_well(path: Path) -> None:
    """Someone puts an old mirror back, or restores a backup by hand: the database alone counts."""
    lived(path)
    old = mirror.load(path)
    assert old is not None
    journal = opened(path, T0 + 100)
    for key in ODD:
        journal.outbox.sent(key, "push", T0 + 100)
    journal.close(T0 + 100)
    mirror.save(path, old)
    journal = opened(path, T0 + 200)
    assert journal.outbox.waiting() == []
    journal.close(T0 + 200)


def test_nothing_is_taken_from_another_programs_file(path: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(other)) as conn:
        conn.execute("CREATE TABLE event (id)")
        conn.execute("INSERT INTO event VALUES ('x')")
        conn.commit()
    opened(path).close(T0)
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        assert rescue(conn, other) == Saved()
        assert rescue(conn, tmp_path / "nowhere") == Saved()


def test_a_failing_card_is_not_filled_with_copies(path: Path) -> None:
    """Damage again and again: after three times the journal stays in memory and says so."""
    journal = opened(path)
    for n in range(6):
        journal.append([*map(reading, range(200)), strip(f"s{n}")], urgent=True, at_s=T0 + n * 100)
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            # A foreign write makes SQLite look at the file again instead of at its memory of it.
            if journal.report().durable:
                other.execute("INSERT INTO period VALUES (?, '')", (f"p{n}",))
            files.part(path, "-wal").write_bytes(b"")
            spoil(path, 1, pages=path.stat().st_size // schema.PAGE_BYTES)
        journal.append([reading(n)], urgent=True, at_s=T0 + n * 100)
        assert not journal.report().durable
        journal.retry(T0 + n * 100 + 60)
        assert journal.report().durable == (n < 3)
    assert "damaged" in journal.report().sentence
    assert journal.report().held_readings > 0
    assert len(files.put_aside(path)) == 3
    journal.close(T0)
