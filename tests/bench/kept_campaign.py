"""Entries through every door while the daemon is killed and its log damaged: none lost, none doubled, loss is told.

Real processes: the daemon with its page, its socket and its hub, a broker, `rushlight record` as people type it,
boards at QoS 1.  Between kill and start the write-ahead log is now and then cut short, altered or deleted.  Whatever a
door called "on the disk" is looked for at the end, exactly once; readings that lay in a damaged log may be gone, and then
the daemon has to say so.  `python tests/bench/kept_campaign.py --entries 2000 --kills 50` prints one line and the doors.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import json
import random
import re
import shutil
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.boards import Boards
from helpers.daemon import RUSHLIGHT, STRIP, TRUSTED_LIBRARY, Daemon
from helpers.hub import Broker
from helpers.page import Client
from helpers.receivers import free_port
from helpers.waiting import until
from rushlight import eventlines
from rushlight.service import control

CONFIG = (
    TRUSTED_LIBRARY
    + STRIP
    + """
[[probe]]
id = "foyer-light"
tank = "foyer"
quantity = "light"
unit = "lx"
driver = "mqtt"
every_seconds = 1
topic = "boards/foyer"
host = "127.0.0.1"
port = {broker}
qos = 1
window = 500
[mqtt]
host = "127.0.0.1"
port = {broker}
[hub]
commands = ["record"]
[page]
port = {page}
[heartbeat]
accept_none = true
[storage]
folder = "{data}"
flush_seconds = 2
"""
)
HARMS = ("cut short", "altered", "deleted")
PASSPHRASE = "sedge and water mint"


@dataclass
class Found:
    acknowledged: Counter[str] = field(default_factory=Counter)
    """By door, entries that were called kept on the disk."""
    readings: int = 0
    """Readings that the broker confirmed to the board."""
    kills: int = 0
    harms: Counter[str] = field(default_factory=Counter)
    """Log damage that took something away, by kind; `none` where nothing lay in the log."""
    in_log: int = 0
    """Acknowledged entries that damage had taken from the database."""
    lost: list[str] = field(default_factory=list)
    twice: list[str] = field(default_factory=list)
    untold: int = 0
    """Times that damage took something and the daemon did not say so."""
    readings_lost: int = 0
    """Not counting those that lay in a damaged log."""
    readings_twice: int = 0
    readings_damaged: int = 0

    @property
    def well(self) -> bool:
        return not (self.lost or self.twice or self.untold or self.readings_lost or self.readings_twice)


class Doors:
    """People and machines that enter things, each on its own thread, until each door has its share."""

    def __init__(self, daemon: Daemon, data: Path, broker: int, page: int, shares: dict[str, int], seed: int) -> None:
        self._daemon, self._data, self._broker, self._page, self._shares = daemon, data, broker, page, shares
        self._rng = random.Random(f"doors {seed}")
        self.acknowledged: dict[str, str] = {}
        self.sent: list[str] = []
        self.stop = threading.Event()
        self.no_command = threading.Lock()
        """Whoever holds it knows that no command writes to the journal."""
        self._commander = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="hub")
        self._answers: dict[str, dict[str, object]] = {}
        doors = {"page": self._by_page, "command": self._by_command, "hub": self._by_hub, "socket": self._by_socket}
        self._threads = [threading.Thread(target=self._work, args=(d, doors[d]), daemon=True) for d in shares]

    def _listens(self) -> bool:
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", self._page), 1.0).close()
            return True
        return False

    def begin(self) -> None:
        self._phone = Client(self._page)
        code = re.search(r"code=(\S+)", self._daemon.log.read_text())
        assert code
        until(self._listens, 30, "the page")  # its code is said a moment before it listens
        self._phone.get("/setup")
        said = {"code": code.group(1), "passphrase": PASSPHRASE, "again": PASSPHRASE, "name": "phone"}
        assert self._phone.post("/setup", said).status == 303
        base = f"rushlight/{(self._data / 'installation').read_text().strip()}"
        self._command_topic = f"{base}/command"
        self._commander.on_connect = lambda c, *_: c.subscribe(f"{base}/answer", 1)
        self._commander.on_message = lambda _c, _u, m: self._hear(json.loads(m.payload))
        self._commander.reconnect_delay_set(1, 1)
        self._commander.connect("127.0.0.1", self._broker)
        self._commander.loop_start()
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        self.stop.set()
        for thread in self._threads:
            thread.join(60)
        self._commander.loop_stop()
        self._commander.disconnect()

    @property
    def done(self) -> bool:
        got = Counter(self.acknowledged.values())
        return all(got[door] >= share for door, share in self._shares.items())

    def _hear(self, answer: dict[str, object]) -> None:
        self._answers[str(answer["id"])] = answer

    def _work(self, door: str, enter: Callable[[str], bool]) -> None:
        """What got no answer is sent once more under its own name, as a phone does, or given up."""
        done = 0
        while done < self._shares[door] and not self.stop.is_set():
            id_ = f"{door}-{uuid.uuid4()}"
            self.sent.append(id_)
            for _ in range(self._rng.choice((1, 4))):
                if self._tried(enter, id_):
                    self.acknowledged[id_] = door
                    done += 1
                    break
                self.stop.wait(0.5)

    @staticmethod
    def _tried(enter: Callable[[str], bool], id_: str) -> bool:
        try:
            return enter(id_)
        except (OSError, http.client.HTTPException, AssertionError, RuntimeError, control.NotRunningError):
            return False

    def _by_page(self, id_: str) -> bool:
        self._phone.get("/tanks/foyer/note")
        answer = self._phone.post("/tanks/foyer/note", {"id": id_, "text": "seen"})
        where = answer.headers.get("Location", "")
        return answer.status == 303 and id_ in where and "held" not in where

    def _by_command(self, id_: str) -> bool:
        command = [*RUSHLIGHT, "record", "note", "text=seen", "--id", id_, "--config", str(self._daemon.config)]
        with self.no_command:
            got = subprocess.run(command, capture_output=True, timeout=120, check=False)
        return got.returncode == 0

    def _by_socket(self, id_: str) -> bool:
        at = eventlines.rfc3339(time.time())
        line = {"kind": "note", "tank": "foyer", "at": at, "id": id_, "text": "seen"}
        return bool(control.ask(self._data, do="record", line=line)["kept"] == "on disk")

    def _by_hub(self, id_: str) -> bool:
        line = {"id": id_, "kind": "note", "tank": "foyer", "text": "seen"}
        self._commander.publish(self._command_topic, json.dumps(line), qos=1)
        end_s = time.monotonic() + 3.0
        while id_ not in self._answers and time.monotonic() < end_s:
            time.sleep(0.01)
        return self._answers.get(id_, {}).get("kept") == "on disk"


def harmed(data: Path, how: str, rng: random.Random) -> None:
    """Do to the log what a bad card does."""
    wal = data / "journal.sqlite-wal"
    content = wal.read_bytes() if wal.exists() else b""
    if how == "deleted":
        wal.unlink(missing_ok=True)
    elif how == "cut short" and content:
        wal.write_bytes(content[: rng.randrange(len(content))])
    elif content:
        at = rng.randrange(len(content))
        wal.write_bytes(content[:at] + bytes([content[at] ^ 0x55]) + content[at + 1 :])


def held(data: Path) -> tuple[set[str], set[int], bool]:
    """What SQLite alone finds: entries, readings, whether the file is sound; looked for in a copy."""
    with tempfile.TemporaryDirectory() as name:
        for part in ("", "-wal"):
            if (file := data / f"journal.sqlite{part}").exists():
                shutil.copy(file, Path(name) / file.name)
        try:
            with contextlib.closing(sqlite3.connect(Path(name) / "journal.sqlite")) as conn:
                entries = {id_ for (id_,) in conn.execute("SELECT id FROM event WHERE kind = 'note'")}
                values = {round(v) for (v,) in conn.execute("SELECT value FROM reading WHERE value IS NOT NULL")}
                sound = conn.execute("PRAGMA quick_check").fetchone() == ("ok",)
        except sqlite3.DatabaseError:
            return set(), set(), False
        return entries, values, sound


def live(folder: Path, shares: dict[str, int], *, kills: int, harm_every: int = 3, seed: int = 21) -> Found:
    """All of it; ends when every door has its share and all kills have been done."""
    rng, found, data = random.Random(seed), Found(), folder / "data"
    broker = Broker(
        folder / "broker", lines="allow_anonymous true\nmax_inflight_messages 500\nmax_queued_messages 20000\n"
    )
    page = free_port()
    (folder / "config.toml").write_text(CONFIG.format(data=data, broker=broker.port, page=page))
    daemon = Daemon(folder / "config.toml")
    _start(daemon, data)
    until(lambda: "code=" in daemon.log.read_text(), 30, "the page's code")
    until((data / "installation").exists, 30)
    doors, board = Doors(daemon, data, broker.port, page, shares, seed), Boards(broker.port, ["boards/foyer"])
    gone: set[int] = set()
    share = sum(shares.values()) / max(1, kills)
    try:
        doors.begin()
        while found.kills < kills or not doors.done:
            until(lambda: len(doors.acknowledged) >= min(share * (found.kills + 1), sum(shares.values())), 900)
            time.sleep(rng.uniform(0.0, 2.0))
            if found.kills == kills:
                break
            found.kills += 1
            if found.kills % harm_every:
                daemon.kill()
                _start(daemon, data)
            else:
                with doors.no_command:
                    gone |= _harm(daemon, data, doors, rng, found)
        until(lambda: doors.done, 900, "every door's share")
        doors.close()
        board.stop()
        time.sleep(6.0)  # what waits at the broker comes
        kept = Counter(json.loads(line)["id"] for line in daemon.command("export").stdout.splitlines())
        daemon.stop()
    finally:
        doors.stop.set()
        broker.stop()
        if daemon.process is not None and daemon.process.poll() is None:
            daemon.kill()
    found.acknowledged = Counter(doors.acknowledged.values())
    found.lost = [id_ for id_ in doors.acknowledged if not kept[id_]]
    found.twice = [id_ for id_ in doors.sent if kept[id_] > 1]
    with contextlib.closing(sqlite3.connect(data / "journal.sqlite")) as conn:
        values = Counter(round(v) for (v,) in conn.execute("SELECT value FROM reading WHERE value IS NOT NULL"))
    found.readings, found.readings_damaged = len(board.confirmed), len(gone - set(values))
    found.readings_lost = sum(not values[n] and n not in gone for n in board.confirmed)
    found.readings_twice = sum(values[n] > 1 for n in board.confirmed)
    return found


def _start(daemon: Daemon, data: Path) -> None:
    daemon.spawn()
    try:
        until(lambda: control.answers(data), 120, "the daemon")
    except AssertionError as e:
        raise AssertionError(f"{e}\n{daemon.log.read_text()[-6000:]}") from None


def _harm(daemon: Daemon, data: Path, doors: Doors, rng: random.Random, found: Found) -> set[int]:
    """Kill, damage, start, and see whether what was lost is told; the readings that were lost."""
    daemon.kill()
    before_entries, before_values, _ = held(data)
    how = rng.choice(HARMS)
    harmed(data, how, rng)
    entries, values, sound = held(data)
    missing = before_entries & set(doors.acknowledged) - entries
    took = bool(before_entries - entries or before_values - values or not sound)
    found.harms[how if took else "none"] += 1
    found.in_log += len(missing)
    _start(daemon, data)
    said = control.ask(data, do="view")["view"]
    alarm = next((a["text"] for a in said["alarms"] if a["alarm"] == "storage_low"), "")
    if took and "has lost" not in said["storage"] and "damaged" not in alarm:
        found.untold += 1
        print(f"not told: {how} took {len(before_entries - entries)} entries, {len(before_values - values)} readings")
    return before_values - values


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--entries", type=int, default=2000)
    asked.add_argument("--kills", type=int, default=50)
    asked.add_argument("--seed", type=int, default=21)
    given = asked.parse_args()
    n = given.entries
    shares = {"page": n * 35 // 100, "hub": n * 35 // 100, "socket": n * 25 // 100, "command": n * 5 // 100}
    with tempfile.TemporaryDirectory() as folder:
        found = live(Path(folder), shares, kills=given.kills, seed=given.seed)
    print(
        f"kills={found.kills} acknowledged={found.acknowledged.total()} {dict(found.acknowledged)} "
        f"lost={len(found.lost)} twice={len(found.twice)} log damage={dict(found.harms)} "
        f"entries put back={found.in_log} untold={found.untold}"
    )
    print(
        f"readings confirmed={found.readings} lost={found.readings_lost} twice={found.readings_twice} "
        f"lost with a damaged log, and told={found.readings_damaged}"
    )
    raise SystemExit(0 if found.well else 1)


if __name__ == "__main__":
    main()
