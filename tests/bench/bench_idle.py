"""What a daemon costs the processor while nothing happens: four probes every ten seconds, page open, nobody there.

    python tests/bench/bench_idle.py [--quick]

Ten minutes each (one with --quick) after a minute of starting, with simulated probes and with four that a real broker
brings.  Beside the MQTT one runs the floor: a bare subscriber that keeps each message in SQLite and commits every five
minutes, as the daemon does.  Wake-ups are the kernel's count of waits; unlike seconds, no busy machine moves them much.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import paho.mqtt.client as mqtt
from figures import Figure, proc, show

from helpers.daemon import STRIP, TRUSTED_LIBRARY, Daemon
from helpers.hub import Broker
from helpers.receivers import free_port

PROBES, EVERY_S, WARM_S = 4, 10, 60
GOAL_S = 0.42
"""For ten minutes: half of what the daemon took when this was first measured."""
SITE = (
    TRUSTED_LIBRARY
    + STRIP
    + """
[page]
port = {page}
[heartbeat]
accept_none = true
[storage]
folder = "{data}"
flush_seconds = 300
"""
)
ANY = '[[probe]]\nid = "t{n}"\ntank = "foyer"\nquantity = "temperature"\nevery_seconds = 10\n'
SIMULATED = ANY + 'driver = "simulated"\n'
BROKER = ANY + 'driver = "mqtt"\ntopic = "boards/{n}"\nhost = "127.0.0.1"\nport = {port}\n'
BARE = """
import sqlite3, sys, time, paho.mqtt.client as mqtt
port, file = int(sys.argv[1]), sys.argv[2]
conn = sqlite3.connect(file, check_same_thread=False, isolation_level=None)
conn.execute("CREATE TABLE reading (at_s, topic, value)"); conn.execute("BEGIN")
last = time.monotonic()
def heard(client, data, message):
    global last
    conn.execute("INSERT INTO reading VALUES (?, ?, ?)", (time.time(), message.topic, float(message.payload)))
    if time.monotonic() - last > 300:
        conn.execute("COMMIT"); conn.execute("BEGIN"); last = time.monotonic()
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
client.on_message = heard
client.connect("127.0.0.1", port); client.subscribe("boards/+"); client.loop_forever()
"""


@dataclass(frozen=True)
class Cost:
    """Of a process in a stretch of time: seconds of processor, and how often it woke."""

    cpu_s: float
    woken: int


def so_far(pid: int) -> Cost:
    """What a process's threads ran on a processor, by the scheduler's own count, and their voluntary waits."""
    threads = list(Path(f"/proc/{pid}/task").iterdir())
    ran_ns = sum(int((t / "schedstat").read_text().split()[0]) for t in threads)
    waits = sum(proc(f"{pid}/task/{t.name}", "status", "voluntary_ctxt_switches") for t in threads)
    return Cost(ran_ns / 1e9, waits)


def watched(pids: list[int], seconds: float) -> list[Cost]:
    """What each cost in so many seconds from now."""
    before = [so_far(pid) for pid in pids]
    time.sleep(seconds)
    after = [so_far(pid) for pid in pids]
    return [Cost(a.cpu_s - b.cpu_s, a.woken - b.woken) for a, b in zip(after, before, strict=True)]


@contextmanager
def boards(port: int) -> Iterator[None]:
    """Four boards that publish every ten seconds, one after the other as real ones do."""
    stop = threading.Event()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()

    def publish() -> None:
        n = 0
        while not stop.wait(EVERY_S / PROBES):
            client.publish(f"boards/{n % PROBES}", f"{24 + n % 7 * 0.01:.2f}")
            n += 1

    thread = threading.Thread(target=publish)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()
        client.disconnect()
        client.loop_stop()


def daemon(folder: Path, probe: str, port: int = 0) -> Daemon:
    """A daemon that runs, with four such probes."""
    folder.mkdir()
    text = SITE.format(page=free_port(), data=folder / "data")
    (folder / "config.toml").write_text(text + "".join(probe.format(n=n, port=port) for n in range(PROBES)))
    return Daemon(folder / "config.toml").start()


def figures(*, quick: bool) -> list[Figure]:
    """Processor time and wake-ups of both kinds."""
    seconds = 60.0 if quick else 600.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Broker(folder / "broker", lines="allow_anonymous true\n")
        bare = subprocess.Popen([sys.executable, "-c", BARE, str(broker.port), str(folder / "bare.sqlite")])
        running = [daemon(folder / "own", SIMULATED), daemon(folder / "mqtt", BROKER, broker.port)]
        try:
            with boards(broker.port):
                time.sleep(WARM_S)
                pids = [bare.pid, *(d.process.pid for d in running if d.process)]
                floor, own, by_mqtt = watched(pids, seconds)
        finally:
            for d in running:
                d.stop()
            bare.kill()
            bare.wait()
            broker.stop()
    return [
        f
        for what, cost, beside in (("simulated", own, None), ("MQTT", by_mqtt, floor))
        for f in _rows(what, cost, beside, seconds)
    ]


def _rows(what: str, cost: Cost, floor: Cost | None, seconds: float) -> list[Figure]:
    ten_minutes = 600 / seconds
    beside = "a bare subscriber into SQLite" if floor else ""
    return [
        Figure(
            f"idle, {what}: processor in ten minutes",
            cost.cpu_s * ten_minutes,
            "s",
            floor=floor.cpu_s * ten_minutes if floor else None,
            beside=beside,
            goal=f"at most {GOAL_S} s",
            met=cost.cpu_s * ten_minutes <= GOAL_S,
        ),
        Figure(
            f"idle, {what}: wake-ups a second",
            cost.woken / seconds,
            "",
            floor=floor.woken / seconds if floor else None,
            beside=beside,
        ),
    ]


if __name__ == "__main__":
    show(figures(quick="--quick" in sys.argv))
