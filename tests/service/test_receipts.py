"""What an entry's receipt says, on real processes: a full disk, a lock that is held, a damaged log, a second daemon."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import re
import shutil
import socket
import sqlite3
import subprocess
import sys
import threading
import time
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from helpers.daemon import LIBRARY, RUSHLIGHT, STRIP, Daemon
from helpers.page import Client
from helpers.receivers import free_port
from helpers.waiting import until
from rushlight import eventlines
from rushlight.cli import asking
from rushlight.config import loading as configuration
from rushlight.entry.receipt import Receipt
from rushlight.journal.recovery.mark import HighWater
from rushlight.service import control, offline
from rushlight.service.starting.claim import Claim, watcher

pytestmark = pytest.mark.slow

HERE = Path(__file__)
CONFIG = (
    LIBRARY
    + STRIP
    + """
[page]
enabled = {page}
port = {port}
[heartbeat]
accept_none = true
[storage]
folder = "{data}"
"""
)
ON_DISK, IN_MEMORY, UNKNOWN, TAKEN = 0, 3, 4, 3


_STARTED: list[Daemon] = []


@pytest.fixture(autouse=True)
def nobody_left_behind() -> Iterator[None]:
    yield
    while _STARTED:
        process = _STARTED.pop().process
        if process is not None and process.poll() is None:
            process.kill()
            process.wait(10)


def an_hour_ago() -> str:
    """A recent moment: from an old one the daemon would live every day until now at each start."""
    return eventlines.rfc3339(float(int(time.time()) - 3600))


def site(folder: Path, *, port: int = 0) -> Daemon:
    (folder / "config.toml").write_text(
        CONFIG.format(data=folder / "data", page=str(bool(port)).lower(), port=port or 8080)
    )
    _STARTED.append(Daemon(folder / "config.toml"))
    return _STARTED[-1]


def record(daemon: Daemon, id_: str = "") -> subprocess.CompletedProcess[str]:
    return daemon.command("record", "test", "nitrate=25", "--id", id_ or str(uuid.uuid4()), check=False)


def kept(daemon: Daemon) -> list[str]:
    lines = daemon.command("export").stdout.splitlines()
    return [json.loads(line)["id"] for line in lines if json.loads(line)["kind"] == "test"]


# ---------------------------------------------------------------------- a full disk


def mounting_allowed() -> bool:
    probe = ["unshare", "-m", "sh", "-c", "mount -t tmpfs -o size=1m tmpfs /mnt"]
    return subprocess.run(probe, capture_output=True, timeout=20, check=False).returncode == 0


@pytest.mark.skipif(not mounting_allowed(), reason="mounting a file system of our own is not permitted here")
def test_on_a_full_disk_every_door_says_so(tmp_path: Path) -> None:
    env = os.environ | {"PYTHONPATH": str(HERE.parents[1])}
    script = 'mkdir "$1/data" && mount -t tmpfs -o size=2m tmpfs "$1/data" && exec "$2" "$3" "$1"'
    command = ["unshare", "-m", "sh", "-c", script, "sh", str(tmp_path), sys.executable, str(HERE)]
    done = subprocess.run(command, capture_output=True, text=True, env=env, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.strip().endswith("as told")


def full_disk(folder: Path) -> None:
    """Inside the namespace."""
    port = free_port()
    daemon = site(folder, port=port).start()
    phone = Client(port)
    code = re.search(r"code=(\S+)", daemon.log.read_text())
    assert code
    phone.get("/setup")
    said = {
        "code": code.group(1),
        "passphrase": "sedge and water mint",
        "again": "sedge and water mint",
        "name": "phone",
    }
    assert phone.post("/setup", said).status == 303
    filler = folder / "data" / "filler"
    with filler.open("wb", buffering=0) as f:
        for size in (65536, 512):
            try:
                while True:
                    f.write(b"x" * size)
            except OSError:
                pass
    taken, refused = [], ""
    for _ in range(60):  # what is free inside the log's own pages goes first
        id_ = str(uuid.uuid4())
        got = record(daemon, id_)
        if got.returncode == IN_MEMORY:
            refused = id_
            break
        assert got.returncode == ON_DISK, got
        taken.append(id_)
    assert refused, "the disk never was full"
    assert "disk is full" in control.ask(folder / "data", do="view")["view"]["storage"], "not from the first entry on"
    assert "in memory only" in got.stderr
    assert got.stdout.strip() == refused
    assert record(daemon, refused).returncode == IN_MEMORY, "the same entry again is no more on the disk than before"
    assert "disk is full" in daemon.command("status").stdout
    assert "disk is full" in daemon.command("alarms").stdout
    assert "disk is full" in phone.get("/").text
    until(lambda: "storage_low" in daemon.command("alarms").stdout, 20, "the alarm")

    phone.get("/tanks/foyer/feeding")
    form = {"id": phone.value("id"), "grams": "0.9"}
    answer = phone.post("/tanks/foyer/feeding", form)
    assert "held=1" in answer.headers["Location"]
    assert "in memory only" in phone.get(answer.headers["Location"]).text

    asked = {
        "kind": "test",
        "tank": "foyer",
        "at": an_hour_ago(),
        "id": "socket-1",
        "method": "strip",
        "values": {"nitrate": 25},
    }
    assert control.ask(folder / "data", do="record", line=asked)["kept"] == "in memory"
    filler.unlink()
    until(lambda: record(daemon, refused).returncode == ON_DISK, 20, "the disk to take it within seconds")
    daemon.kill()
    assert set(kept(daemon)) >= {*taken, refused, "socket-1"}
    print("as told")


# ---------------------------------------------------------------------- who comes second


def test_an_entry_in_the_second_of_the_start_is_on_the_disk(tmp_path: Path) -> None:
    daemon = site(tmp_path)
    for _ in range(3):
        daemon.spawn()
        time.sleep(0.3)
        id_ = str(uuid.uuid4())
        assert record(daemon, id_).returncode == ON_DISK
        until(lambda: control.answers(tmp_path / "data"), 30)
        assert control.ask(tmp_path / "data", do="view")["view"]["storage"] == ""
        daemon.kill()
        assert id_ in kept(daemon)


def test_a_daemon_that_comes_up_between_question_and_write_takes_the_entry(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody ran when it was asked; when the command comes to write, a daemon holds the journal."""
    monkeypatch.setattr(offline, "LOCK_WAIT_S", 0.2)
    daemon = site(tmp_path).start()
    config = configuration.load(tmp_path / "config.toml")
    line: dict[str, Any] = {"kind": "test", "tank": "foyer", "method": "strip", "values": {"nitrate": 25}}
    line |= {"id": str(uuid.uuid4()), "at": an_hour_ago()}
    nobody_yet = [True]

    def answered() -> Receipt | None:
        return None if nobody_yet and nobody_yet.pop() else asking.enter(config, dict(line), now=True)

    def write() -> Receipt:
        return offline.record(config, tmp_path / "data", eventlines.parse_record(dict(line)))

    with pytest.raises(OSError, match="holds"):
        write()
    receipt = asking.or_write(config, answered, write)
    assert (receipt.id, receipt.kept) == (line["id"], "on disk")
    daemon.kill()
    assert kept(daemon) == [line["id"]]


def test_a_start_waits_for_who_writes(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    with (tmp_path / "data" / "journal.sqlite.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        daemon = site(tmp_path)
        daemon.spawn()
        time.sleep(2.0)
        assert not control.answers(tmp_path / "data"), "it has begun without its past"
    until(lambda: control.answers(tmp_path / "data"), 30)
    assert record(daemon).returncode == ON_DISK
    daemon.stop()


def test_a_lock_that_stays_held_is_told_and_taken_up_within_seconds(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    with (tmp_path / "data" / "journal.sqlite.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        daemon = site(tmp_path)
        daemon.spawn()
        until(lambda: watcher(tmp_path / "data"), 30)
        got = record(daemon, "while-held")
        assert (got.returncode, got.stdout.strip()) == (IN_MEMORY, "while-held")
        assert "Another process holds the journal" in got.stderr
    until(lambda: record(daemon, "while-held").returncode == ON_DISK, 8, "the journal")
    daemon.kill()
    assert kept(daemon) == ["while-held"]


def test_a_second_daemon_refuses_and_touches_nothing(tmp_path: Path) -> None:
    daemon = site(tmp_path).start()
    assert daemon.process is not None
    before = {p.name: p.stat().st_ino for p in (tmp_path / "data").iterdir()}
    second = subprocess.run(
        [*RUSHLIGHT, "run", "--config", str(daemon.config)], capture_output=True, text=True, timeout=60, check=False
    )
    assert second.returncode == TAKEN
    assert f"process {daemon.process.pid}" in second.stderr
    assert {p.name: p.stat().st_ino for p in (tmp_path / "data").iterdir()} == before
    assert daemon.command("status").returncode == 0
    assert daemon.stop() == 0
    assert "not running here" in daemon.command("status", check=False).stderr


def test_a_daemon_that_does_not_open_its_door_is_told_from_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from click.testing import CliRunner

    from rushlight.cli import asking, main
    from rushlight.clock import SystemClock

    daemon = site(tmp_path)
    monkeypatch.setattr(asking, "_START_S", 0.5)
    claim = Claim(tmp_path / "data")
    claim.take(SystemClock())
    got = CliRunner().invoke(main, ["status", "--config", str(daemon.config)])
    assert got.exit_code == 1
    assert f"process {os.getpid()}" in got.output
    assert "start it" not in got.output
    written = CliRunner().invoke(main, ["record", "test", "nitrate=25", "--config", str(daemon.config)])
    assert written.exit_code == 1
    assert "not stored" in written.output


def test_no_answer_is_not_known(tmp_path: Path) -> None:
    daemon = site(tmp_path)
    (tmp_path / "data").mkdir()
    with socket.socket(socket.AF_UNIX) as s:
        s.bind(str(tmp_path / "data" / control.SOCKET_NAME))
        s.listen()

        def hang_up() -> None:
            conn, _ = s.accept()
            conn.recv(1000)
            conn.close()

        threading.Thread(target=hang_up, daemon=True).start()
        got = record(daemon, "who-knows")
    assert got.returncode == UNKNOWN
    assert "who-knows" in got.stderr
    assert "not known" in got.stderr
    assert not got.stdout


# ---------------------------------------------------------------------- a damaged log


@pytest.mark.parametrize("harm", ["cut short", "flipped", "deleted"])
def test_what_a_damaged_log_lost_is_put_back_and_told(tmp_path: Path, harm: str) -> None:
    daemon, data = site(tmp_path), tmp_path / "data"
    daemon.spawn()
    until(lambda: control.answers(data), 60)
    line = {"kind": "test", "tank": "foyer", "at": an_hour_ago(), "method": "strip", "values": {"nitrate": 25}}
    for id_ in ("first", "last"):
        assert control.ask(data, do="record", line=line | {"id": id_})["kept"] == "on disk"
    daemon.kill()
    wal, lost = data / "journal.sqlite-wal", data / "lost"
    content = wal.read_bytes()
    if harm == "deleted":
        wal.unlink()
    elif harm == "cut short":
        wal.write_bytes(content[: len(content) // 4])
    else:
        at = 32 + 24 + 10  # in the first frame: SQLite's own checksum then ends the log there
        wal.write_bytes(content[:at] + bytes([content[at] ^ 0x55]) + content[at + 1 :])
    lost.mkdir()
    for file in data.glob("journal.sqlite*"):  # what SQLite makes of it
        if file.suffix in (".sqlite", ".sqlite-wal"):
            shutil.copy(file, lost / file.name)
    with contextlib.closing(sqlite3.connect(lost / "journal.sqlite")) as conn:
        assert not conn.execute("SELECT 1 FROM event WHERE id = 'last'").fetchone(), "the harm did none"
    daemon.spawn()
    until(lambda: control.answers(data), 60)
    assert kept(daemon) == ["first", "last"]

    def told() -> str:
        view = control.ask(data, do="view")["view"]
        return next((a["text"] for a in view["alarms"] if a["alarm"] == "storage_low"), "")

    text = until(told, 30, "the alarm")
    assert "id last" in text
    assert "has lost" in control.ask(data, do="view")["view"]["storage"]
    view = control.ask(data, do="view")["view"]
    assert view["tanks"][0]["last_test"], "the state knows nothing of what was put back"
    daemon.kill()
    daemon.spawn()
    until(lambda: control.answers(data), 60)
    assert kept(daemon) == ["first", "last"]
    assert control.ask(data, do="view")["view"]["storage"] == "", "it is told once, and not at every start"


def test_the_mark_outlives_a_torn_write(tmp_path: Path) -> None:
    database = tmp_path / "journal.sqlite"
    high = HighWater(database)
    assert high.seq == 0
    high.reached(5, 1e9)
    high.reached(9, 1e9 + 1)
    file = tmp_path / "journal.sqlite.mark"
    whole = file.read_bytes()
    torn = 0 if b'"seq":9' in whole[:4096] else 4096
    newer = whole[torn : torn + 4096].replace(b'"seq":9', b'"seq":8')  # whole JSON, and not what was written
    file.write_bytes(whole[:torn] + newer + whole[torn + 4096 :])
    again = HighWater(database)
    assert again.seq == 5
    assert again.miss(3, [])
    assert "2 records" in again.shortfall


if __name__ == "__main__":
    full_disk(Path(sys.argv[1]))
