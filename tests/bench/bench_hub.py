"""From a real broker into the journal, beside a plain subscriber-to-SQLite script that does only the I/O.

    python tests/bench/bench_hub.py [--quick]

Three parts: readings from many probes over MQTT through driver, engine, core and journal; commands from a hub, each
durable before its answer; what one round of states costs.  Asserts nothing but that what was sent arrived.
"""

from __future__ import annotations

import json
import shutil
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import paho.mqtt.client as mqtt
from figures import Figure, median_s, show

from helpers.daemon import Daemon
from helpers.hub import Broker, probe, view, with_tank
from helpers.waiting import until
from rushlight.clock import SystemClock
from rushlight.journal.store import Journal
from rushlight.outlets.hub.entities import states
from rushlight.service.engine import Engine
from rushlight.settings import Config, Kit, Probe, Site, Tank
from rushlight_drivers import Channel
from rushlight_drivers.mqtt import MqttDriver, Options

PROBES = 40
COMMANDS = 500
ROOMY = "allow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 100\nset_tcp_nodelay true\n"

PUBLISHER = """
import sys, time, paho.mqtt.client as mqtt
port, count, probes = map(int, sys.argv[1:4])
c = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="publisher")
c.max_inflight_messages_set(100)
c.connect("127.0.0.1", port); c.loop_start()
last = None
for i in range(count):
    last = c.publish(f"probe/{i % probes}", f"{24 + i % 97 / 100:.2f}", qos=1)
last.wait_for_publish(300)
c.disconnect(); c.loop_stop()
"""


def publish(port: int, count: int) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-c", PUBLISHER, str(port), str(count), str(PROBES)])


def floor_readings(folder: Path, port: int, count: int) -> float:
    """The floor: each message's number and arrival time into a table, a commit every thousand."""
    db = sqlite3.connect(folder / "floor.sqlite", isolation_level=None, check_same_thread=False)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = NORMAL")
    db.execute("CREATE TABLE reading (topic TEXT, at REAL, value REAL)")
    done, rows, seen = threading.Event(), [], 0

    def on_message(_c: mqtt.Client, _u: object, m: mqtt.MQTTMessage) -> None:
        nonlocal seen
        rows.append((m.topic, time.time(), float(m.payload)))
        seen += 1
        if len(rows) >= 1000 or seen == count:
            db.execute("BEGIN")
            db.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
            db.execute("COMMIT")
            rows.clear()
        if seen == count:
            done.set()

    client = subscriber(port, "floor", "probe/#", on_message)
    child, began = publish(port, count), time.perf_counter()
    assert done.wait(300)
    took_s = time.perf_counter() - began
    child.wait()
    client.disconnect()
    client.loop_stop()
    assert db.execute("SELECT count(*) FROM reading").fetchone()[0] == count
    db.close()
    return took_s


def subscriber(port: int, name: str, topic: str, on_message: Callable[..., None]) -> mqtt.Client:
    ready = threading.Event()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=name)
    client.on_socket_open = lambda _c, _u, s: s.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    client.on_connect = lambda c, *_: c.subscribe(topic, 1)
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = on_message
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert ready.wait(10)
    return client


def whole_way(folder: Path, port: int, count: int) -> float:
    """Driver, engine, core, journal; the same durability: readings committed in batches."""
    ids = [f"p{i}" for i in range(PROBES)]
    config = Config(
        site=Site(timezone="Europe/Dublin"),
        tank=(Tank(id="foyer", litres=140),),
        kit=(Kit(id="strip", pads={"nitrate": (0.0, 10.0, 25.0)}),),
        probe=tuple(Probe(id=i, tank="foyer", quantity="temperature", every_seconds=60) for i in ids),
    )
    clock, stop = SystemClock(), threading.Event()
    journal = Journal(folder / "journal.sqlite", boot_id="boot")
    journal.open(clock.wall_s())
    engine = Engine(config, journal, clock, boot_id="boot", synchronised=lambda: True)
    worker = threading.Thread(target=engine.run, args=(stop,))
    worker.start()
    channels = [Channel(i, Options(topic=f"probe/{n}", host="127.0.0.1", port=port, qos=1)) for n, i in enumerate(ids)]
    driver = MqttDriver(channels, clock.mono_s)
    driver.open()
    child, began, handed = publish(port, count), time.perf_counter(), 0
    while handed < count:
        samples = driver.poll(1.0)
        engine.hand(samples)
        handed += len(samples)
    stop.set()
    worker.join()
    took_s = time.perf_counter() - began
    child.wait()
    driver.close()
    with journal.reader() as reader:
        kept = reader.sizes().readings
    journal.close(clock.wall_s())
    assert kept == count, (kept, count, engine.dropped_samples)
    assert engine.dropped_samples == 0
    return took_s


def floor_commands(folder: Path, port: int) -> list[float]:
    """The floor: each command's text into a table, a FULL commit and an answer each."""
    db = sqlite3.connect(folder / "commands.sqlite", isolation_level=None, check_same_thread=False)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("CREATE TABLE event (id TEXT PRIMARY KEY, line TEXT)")

    def on_message(c: mqtt.Client, _u: object, m: mqtt.MQTTMessage) -> None:
        id_ = json.loads(m.payload)["id"]
        db.execute("INSERT INTO event VALUES (?, ?) ON CONFLICT DO NOTHING", (id_, m.payload.decode()))
        c.publish("floor/answer", json.dumps({"id": id_, "ok": True}))

    client = subscriber(port, "floor", "floor/command", on_message)
    took = round_trips(port, "floor")
    client.disconnect()
    client.loop_stop()
    db.close()
    return took


def daemon_commands(folder: Path, port: int) -> list[float]:
    """A real daemon: validation, core, alarms, journal with a FULL commit, answer."""
    file = folder / "config.toml"
    file.write_text(
        f'[[tank]]\nid = "foyer"\nlitres = 140\n[[kit]]\nid = "strip"\npads = {{ nitrate = [0, 10, 25, 50] }}\n'
        f'[site]\nname = "Rowan Street library"\n[mqtt]\nhost = "127.0.0.1"\nport = {port}\n'
        f'[storage]\nfolder = "{folder / "data"}"\n[page]\nenabled = false\n'
    )
    online: list[str] = []
    client = subscriber(port, "onlooker", "rushlight/+/status", lambda _c, _u, m: online.append(m.topic))
    daemon = Daemon(file)
    daemon.spawn()
    until(lambda: online, 30)
    took = round_trips(port, "/".join(online[0].split("/")[:2]))
    client.disconnect()
    client.loop_stop()
    assert daemon.process is not None
    daemon.process.terminate()
    daemon.process.wait(30)
    return took


def round_trips(port: int, base: str) -> list[float]:
    """Milliseconds from publishing a command to its answer, one after the other."""
    answered: dict[str, threading.Event] = {}
    client = subscriber(port, "asker", f"{base}/answer", lambda _c, _u, m: answered[json.loads(m.payload)["id"]].set())
    took = []
    for i in range(COMMANDS):
        id_ = f"c{i}"
        answered[id_] = threading.Event()
        line = json.dumps({"id": id_, "kind": "feeding", "tank": "foyer", "grams": 0.9})
        began = time.perf_counter()
        client.publish(f"{base}/command", line, qos=1)
        assert answered[id_].wait(30)
        took.append((time.perf_counter() - began) * 1000)
    client.disconnect()
    client.loop_stop()
    return took


def piped(folder: Path, port: int, count: int) -> float | None:
    """The same by general tools: a subscriber piped into the sqlite3 shell."""
    listen, shell = shutil.which("mosquitto_sub"), shutil.which("sqlite3")
    if listen is None or shell is None:
        return None
    database = folder / "piped.sqlite"
    subprocess.run([shell, str(database), "CREATE TABLE reading (topic, at, value)"], check=True)
    command = [listen, "-p", str(port), "-q", "1", "-t", "probe/#", "-C", str(count), "-F", "%t,%U,%p"]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as heard:
        importing = [shell, str(database), ".import --csv /dev/stdin reading"]
        with subprocess.Popen(importing, stdin=heard.stdout) as kept:
            time.sleep(0.5)
            child, began = publish(port, count), time.perf_counter()
            kept.wait(300)
            took_s = time.perf_counter() - began
            child.wait()
    return took_s


def states_ms() -> tuple[float, float]:
    """Milliseconds to make one round of states for ten tanks, and its kB."""
    one = with_tank(view(), "foyer", probes=tuple(probe(f"foyer-{i}", "temperature", "°C", 24.5) for i in range(4)))
    site = type(one)(at_s=0.0, name="x", timezone="UTC", tanks=one.tanks[:1] * 10)
    said = states(site, "library")
    return median_s(lambda: states(site, "library"), 50) * 1000, sum(len(t) + len(p) for t, p in said) / 1000


def figures(*, quick: bool) -> list[Figure]:
    """Intake, a hub's commands, and the hub's states."""
    count = 5_000 if quick else 20_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Broker(folder / "broker", lines=ROOMY, keeps=False)
        try:
            floor, whole = floor_readings(folder, broker.port, count), whole_way(folder, broker.port, count)
            other = piped(folder, broker.port, count)
            asked = statistics.median(floor_commands(folder, broker.port))
            answered = statistics.median(daemon_commands(folder, broker.port))
        finally:
            broker.stop()
    took_ms, size = states_ms()
    return [
        Figure(
            f"intake, broker to journal, {PROBES} probes",
            count / whole,
            "readings/s",
            count / floor,
            count / other if other else None,
            "subscriber to SQLite; mosquitto_sub piped into sqlite3",
            "<= 3 times",
            whole <= 3 * floor,
        ),
        Figure("a hub's command, kept and answered", answered, "ms", asked, None, "subscriber, FULL commit, answer"),
        Figure(f"a round of states, ten tanks ({size:.1f} kB)", took_ms, "ms"),
    ]


if __name__ == "__main__":
    show(figures(quick="--quick" in sys.argv))
