"""A backup that has never been put back is no backup."""

from __future__ import annotations

import contextlib
import datetime as dt
import random
import sqlite3
import threading
from pathlib import Path

import pytest

from helpers.journals import T0, message, opened, query, reading, sound, strip
from rushlight.journal import schema
from rushlight.journal.recovery import backup, files
from rushlight.journal.recovery.backup import BackupError

DAY_S = 86400.0


def dump(path: Path) -> list[str]:
    """Everything in a database, by another road than ours."""
    with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as conn:
        return list(conn.iterdump())


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


@pytest.mark.slow
def test_backup_under_load_is_of_one_moment_and_comes_back_whole(path: Path, tmp_path: Path) -> None:
    """While the copy runs step by step, the writer commits and checkpoints; the copy holds a prefix without gaps."""
    journal = opened(path)
    journal.append([*map(reading, range(60_000))], urgent=True, at_s=T0)
    begun, written = threading.Event(), threading.Event()
    steps = []

    def pause() -> None:
        steps.append(1)
        begun.set()
        if len(steps) == 1:
            assert written.wait(30)

    made: list[backup.Backup] = []
    thread = threading.Thread(target=lambda: made.append(backup.make(path, tmp_path / "b", T0, pause)))
    thread.start()
    assert begun.wait(30)
    for n in range(200):
        assert journal.append([strip(f"s{n}"), reading(60_000 + n)], [message(f"m{n}")], urgent=True, at_s=T0).durable
    journal.checkpoint()
    written.set()
    thread.join()
    assert len(steps) > 1, "the copy went in steps"
    [one] = made
    proof = backup.verify(one.path)
    assert proof.rows["reading"] == 60_000, "the moment at which it began"
    assert proof.rows["event"] == 0
    assert proof.last_seq == 60_000
    journal.close(T0)

    later = backup.make(path, tmp_path / "b", T0 + DAY_S)
    expected = dump(path)
    with pytest.raises(BackupError, match="exists"):
        backup.restore(later.path, path, T0 + DAY_S)
    assert dump(path) == expected, "a refusal touches nothing"
    got, old = backup.restore(later.path, path, T0 + DAY_S, replace=True)
    assert got.rows["event"] == 200
    assert old is not None
    assert dump(old) == expected, "put aside, not deleted"
    assert dump(path) == expected
    again = opened(path)
    assert again.append([strip("on")], urgent=True, at_s=T0).seqs == (60_401,)
    assert len(again.outbox.waiting()) == 200
    again.close(T0)
    assert sound(path)


def test_a_copy_of_the_bare_file_would_not_do(path: Path, tmp_path: Path) -> None:
    """Why there is a backup command: what is in the log is not in the file."""
    journal = opened(path)
    journal.append([*map(reading, range(500))], urgent=True, at_s=T0)
    bare = tmp_path / "bare.sqlite"
    bare.write_bytes(path.read_bytes())
    assert query(bare, "SELECT count(*) FROM reading") == [(0,)]
    made = backup.make(path, tmp_path / "b", T0)
    assert backup.verify(made.path).rows["reading"] == 500
    assert query(made.path, "PRAGMA journal_mode") == [("delete",)]
    assert [p.name for p in (tmp_path / "b").iterdir()] == [made.path.name], "one file, nothing beside it"
    journal.close(T0)


def test_a_running_journal_is_not_restored_over(path: Path, tmp_path: Path) -> None:
    journal = opened(path)
    made = backup.make(path, tmp_path / "b", T0)
    with pytest.raises(BackupError, match="stop the daemon"):
        backup.restore(made.path, path, T0, replace=True)
    journal.close(T0)


@pytest.mark.slow
@pytest.mark.parametrize("harm", ["cut", "bytes", "empty", "text", "gone"])
def test_a_bad_backup_is_refused_before_anything_is_touched(path: Path, tmp_path: Path, harm: str) -> None:
    journal = opened(path)
    journal.append([*map(reading, range(5000))], urgent=True, at_s=T0)
    made = backup.make(path, tmp_path / "b", T0)
    journal.close(T0)
    content = bytearray(made.path.read_bytes())
    if harm == "cut":
        made.path.write_bytes(content[: len(content) // 2])
    elif harm == "bytes":
        [(root,)] = query(made.path, "SELECT rootpage FROM sqlite_schema WHERE name = 'reading'")
        size = schema.PAGE_BYTES
        content[(root - 1) * size : root * size] = random.Random(1).randbytes(size)
        made.path.write_bytes(content)
    elif harm == "empty":
        made.path.write_bytes(b"")
    elif harm == "text":
        made.path.write_text("not a database\n" * 500)
    else:
        made.path.unlink()
    before = path.read_bytes()
    with pytest.raises(BackupError):
        backup.verify(made.path)
    with pytest.raises(BackupError):
        backup.restore(made.path, path, T0, replace=True)
    assert path.read_bytes() == before
    assert list(tmp_path.glob("*.set-aside-*")) == []


@pytest.mark.slow
def test_a_failed_backup_leaves_the_older_ones_and_no_litter(path: Path, tmp_path: Path) -> None:
    journal = opened(path)
    folder = tmp_path / "b"
    first = backup.make(path, folder, T0)

    def stop() -> None:
        raise OSError("the disk went away")

    journal.append([*map(reading, range(20_000))], urgent=True, at_s=T0)
    with pytest.raises(BackupError, match="went away"):
        backup.make(path, folder, T0 + DAY_S, stop)
    assert list(folder.iterdir()) == [first.path]
    journal.close(T0)


def test_seven_days_and_four_weeks_are_kept(tmp_path: Path) -> None:
    """A year of daily backups, judged each day: the last seven days, and the last of each of four ISO weeks."""
    folder = tmp_path / "b"
    folder.mkdir()
    day = dt.date(2026, 1, 1)
    made_s = dt.datetime(2026, 1, 1, 3, tzinfo=dt.UTC).timestamp()
    for n in range(400):
        (folder / f"journal-{files.stamp(made_s + n * DAY_S)}.sqlite").write_bytes(b"x")
        for old in backup.superseded(backup.listed(folder)):
            old.path.unlink()
    last = day + dt.timedelta(days=399)
    kept = {dt.datetime.fromtimestamp(b.made_s, dt.UTC).date() for b in backup.listed(folder)}
    assert {last - dt.timedelta(days=k) for k in range(7)} <= kept
    sundays = sorted(d for d in kept if d.isoweekday() == 7)
    assert len({d.isocalendar()[:2] for d in kept}) >= 4
    assert len(kept) <= 11
    assert sundays[-3:] == [max(sundays) - dt.timedelta(weeks=k) for k in (2, 1, 0)]


def test_backups_on_the_same_card_are_told_apart(tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    assert backup.same_disk(tmp_path / "journal.sqlite", tmp_path / "b")
    assert not backup.same_disk(tmp_path / "journal.sqlite", Path("/proc"))


def test_names_of_others_in_the_folder_are_left_alone(path: Path, tmp_path: Path) -> None:
    opened(path).close(T0)
    folder = tmp_path / "b"
    folder.mkdir()
    (folder / "holiday.jpg").write_bytes(b"x")
    made = backup.make(path, folder, T0)
    assert [b.path for b in backup.listed(folder)] == [made.path]
    assert (folder / "holiday.jpg").exists()
    assert backup.newest(folder) == made
    assert backup.newest(tmp_path / "nowhere") is None


def test_a_large_journal_is_copied_to_its_own_card_once_a_week_and_a_small_one_every_night(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal = opened(path)
    journal.close(T0)
    folder = tmp_path / "b"
    assert backup.is_due(path, folder, T0), "there is none yet"
    backup.make(path, folder, T0)
    nights = {}
    for mb in (1, 25, 200):
        monkeypatch.setattr(backup.files, "size", lambda p, mb=mb: mb * 1_000_000 if p == path else 0)
        nights[mb] = next(n for n in range(1, 30) if backup.is_due(path, folder, T0 + n * DAY_S - 600))
    assert nights == {1: 1, 25: 3, 200: 7}
    monkeypatch.setattr(backup, "_device", lambda p: 1 if p == folder else 2)
    assert backup.is_due(path, folder, T0 + DAY_S - 600), "another disk takes it every night"


def test_as_many_days_and_weeks_are_kept_as_asked_for() -> None:
    made = [backup.Backup(Path(f"{n}"), T0 + n * DAY_S, 1) for n in range(60)]
    for daily, weekly, many in ((1, 0, 1), (3, 0, 3), (1, 2, 2)):
        assert len(made) - len(backup.superseded(made, daily, weekly)) == many
