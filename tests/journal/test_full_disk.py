"""A real file system that is full or read-only, at the start and while running."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

HERE = Path(__file__)


def mounting_allowed() -> bool:
    probe = ["unshare", "-m", "sh", "-c", "mount -t tmpfs -o size=1m tmpfs /mnt"]
    try:
        return subprocess.run(probe, capture_output=True, timeout=20, check=False).returncode == 0
    except (OSError, subprocess.TimeoutExpired):
        return False


needs_mount = pytest.mark.skipif(
    not mounting_allowed(), reason="mounting a small file system in a namespace of its own is not permitted here"
)


@needs_mount
@pytest.mark.parametrize(
    "story", ["full_while_running", "full_at_the_start", "read_only_at_the_start", "reserve_is_used"]
)
def test_on_a_real_small_file_system(tmp_path: Path, story: str) -> None:
    env = os.environ | {"PYTHONPATH": str(HERE.parents[1])}
    size = "32m" if story == "reserve_is_used" else "4m"
    script = f'mount -t tmpfs -o size={size} tmpfs "$1" && exec "$2" "$3" "$4" "$1"'
    command = ["unshare", "-m", "sh", "-c", script, "sh", str(tmp_path), sys.executable, str(HERE), story]
    done = subprocess.run(command, capture_output=True, text=True, env=env, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.strip().endswith("as told")


# ---------------------------------------------------------------------- the stories, run inside the namespace


def fill(folder: Path) -> Path:
    filler = folder / "filler"
    with filler.open("wb", buffering=0) as f:
        for size in (65536, 4096, 512):
            try:
                while True:
                    f.write(b"x" * size)
            except OSError:
                pass
    return filler


def full_while_running(folder: Path) -> None:
    from helpers.journals import T0, alarm, message, opened, query, reading, sound, strip

    path = folder / "journal.sqlite"
    journal = opened(path)
    journal.append([*map(reading, range(500)), strip("before")], [message("m0")], urgent=True, at_s=T0)
    filler = fill(folder)
    n = 500
    while journal.report().durable:
        journal.append([reading(i) for i in range(n, n + 200)], urgent=False, at_s=T0)
        journal.commit(T0)
        n += 200
    report = journal.report()
    assert report.trouble == "full", report
    assert report.wants_attention
    assert "disk is full" in report.sentence
    assert not journal.append([strip("during")], [alarm(), message("m1")], urgent=True, at_s=T0).durable
    assert [r.key for r in journal.outbox.due(T0)] == ["m0", "m1"], "the alarm goes out with a full disk"
    journal.outbox.sent("m1", "push", T0)
    assert journal.has("before"), "what is there can be read"
    with journal.reader() as reader:
        assert reader.sizes().readings >= 500
    assert not journal.retry(T0 + 60)
    filler.unlink()
    assert not journal.retry(T0 + 61), "not sooner than a minute later"
    assert journal.retry(T0 + 121)
    assert journal.report().durable
    assert query(path, "SELECT count(*) FROM reading") == [(n,)]
    assert query(path, "SELECT key, state FROM outbox ORDER BY no") == [("m0", "waiting"), ("m1", "sent")]
    assert query(path, "SELECT count(*) FROM event WHERE id IN ('before', 'during')") == [(2,)]
    journal.close(T0)
    assert sound(path)


def full_at_the_start(folder: Path) -> None:
    from helpers.journals import T0, message, opened, query, reading, strip

    path = folder / "journal.sqlite"
    filler = fill(folder)
    journal = opened(path)
    assert journal.report().trouble == "full", journal.report()
    assert not journal.append([reading(1), strip("held")], [message("m1")], urgent=True, at_s=T0).durable
    assert [r.key for r in journal.outbox.due(T0)] == ["m1"]
    assert not journal.retry(T0 + 60)
    filler.unlink()
    assert journal.retry(T0 + 120), journal.report()
    journal.close(T0)
    assert query(path, "SELECT id FROM event") == [("held",)]
    assert query(path, "SELECT count(*) FROM reading") == [(1,)]


def read_only_at_the_start(folder: Path) -> None:
    from helpers.journals import T0, message, opened, query, strip

    path = folder / "journal.sqlite"
    journal = opened(path)
    journal.append([strip("before")], [message("m0")], urgent=True, at_s=T0)
    journal.snapshot(journal.last_seq, b'{"state": 1}', version="1", at_s=T0)
    # A killed process leaves its write-ahead log; a copy of both files is what a restart would find.
    for suffix in ("", "-wal"):
        (folder / f"cut.sqlite{suffix}").write_bytes((folder / f"journal.sqlite{suffix}").read_bytes())
    journal.close(T0)
    path = folder / "cut.sqlite"
    assert (folder / "cut.sqlite-wal").stat().st_size > 0
    subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
    journal = opened(path, T0 + 10, boot_id="boot-2")
    report = journal.report()
    assert report.trouble == "read_only", report
    assert "read-only" in report.sentence
    assert journal.latest_snapshot("1") == (1, b'{"state": 1}'), "the state is there, so alarms go on from it"
    assert [s.event.id for s in journal.events_since(0)] == ["before"]
    assert [r.key for r in journal.outbox.due(T0 + 10)] == ["m0"]
    with journal.reader() as reader:
        assert reader.sizes().events == 1
    assert not journal.append([strip("during")], [message("m1")], urgent=True, at_s=T0 + 10).durable
    assert not journal.retry(T0 + 70)
    subprocess.run(["mount", "-o", "remount,rw", str(folder)], check=True)
    assert journal.retry(T0 + 130), journal.report()
    assert journal.report().sentence == ""
    assert [r.key for r in journal.outbox.waiting()] == ["m0", "m1"]
    journal.close(T0 + 130)
    assert query(path, "SELECT id FROM event ORDER BY seq") == [("before",), ("during",)]


def reserve_is_used(folder: Path) -> None:
    """With not a byte left, what matters is still written, at once, from the room set by."""
    from helpers.journals import T0, message, opened, query, reading, strip

    path = folder / "journal.sqlite"
    journal = opened(path)
    assert (folder / "journal.sqlite.reserve").stat().st_blocks * 512 >= 2_000_000
    n = 0
    while (journal.report().wal_bytes or 0) < 1_000_000:
        journal.append([reading(i) for i in range(n, n + 20)], urgent=False, at_s=T0)
        journal.commit(T0)
        n += 20
    filler = fill(folder)
    for k in range(400):
        assert journal.append([strip(f"s{k}")], [message(f"m{k}")], urgent=True, at_s=T0).durable, k
    assert not (folder / "journal.sqlite.reserve").exists()
    assert journal.report().low_space, "and a person hears of it"
    filler.unlink()
    journal.checkpoint()
    assert (folder / "journal.sqlite.reserve").exists(), "set by again for the next time"
    journal.close(T0)
    assert query(path, "SELECT count(*) FROM event") == [(400,)]


if __name__ == "__main__":
    globals()[sys.argv[1]](Path(sys.argv[2]))
    print("as told")
