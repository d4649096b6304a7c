"""A real broker, a recorder that plays the hub, and an installation with a real journal behind it."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt

from helpers.site import accounted
from helpers.waiting import until
from rushlight.clock import SystemClock
from rushlight.effects import Estimate
from rushlight.entry.receipt import Receipt
from rushlight.events import Acknowledge, Event, Shelve
from rushlight.journal.rows import Recorded
from rushlight.journal.store import Journal
from rushlight.outlets.hub.feed import HubOutlet
from rushlight.settings import Config, Hub, Kit, Mqtt, Probe, Site, Tank
from rushlight.views import AlarmView, ProbeView, SiteView, TankView

COMMANDS = ("acknowledge", "test", "record", "correct", "calibrate", "shelve")
MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


class Broker:
    """mosquitto on a free port of the loopback interface; keeps its retained messages over a restart or not."""

    def __init__(
        self, folder: Path, *, lines: str = "allow_anonymous true\n", keeps: bool = True, listener: str = ""
    ) -> None:
        assert MOSQUITTO, "mosquitto is not installed"
        self.port = free_port()
        folder.mkdir(parents=True, exist_ok=True)
        data = folder / "data"
        data.mkdir(exist_ok=True)
        persistence = f"persistence true\npersistence_location {data}/\nautosave_interval 1\n" if keeps else ""
        self._file = folder / "broker.conf"
        self._file.write_text(
            f"user root\nlog_dest none\n{persistence}{lines}listener {self.port} 127.0.0.1\n{listener}"
        )
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        assert MOSQUITTO
        self._process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self._file)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

        def up() -> bool:
            with socket.socket() as s:
                return s.connect_ex(("127.0.0.1", self.port)) == 0

        until(up, 10, "the broker did not start")

    def stop(self, *, kill: bool = False) -> None:
        if self._process is not None:
            (self._process.kill if kill else self._process.terminate)()
            try:
                self._process.wait(10)
            except subprocess.TimeoutExpired:  # on a busy machine; no test is about how a broker ends
                self._process.kill()
                self._process.wait(10)
            self._process = None

    def signal(self, number: int) -> None:
        assert self._process is not None
        self._process.send_signal(number)


@contextmanager
def broker(folder: Path, **options: Any) -> Iterator[Broker]:
    b = Broker(folder, **options)
    try:
        yield b
    finally:
        b.stop()


@dataclass
class Seen:
    """One message, as it came."""

    topic: str
    payload: str
    retained: bool
    at_s: float


class Recorder:
    """Plays the hub: hears everything, keeps what is retained apart from what is live, sends commands."""

    def __init__(self, port: int, name: str = "recorder") -> None:
        self.seen: list[Seen] = []
        self._ready = threading.Event()
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=name)
        self.client.on_connect = lambda c, *_: c.subscribe("#", 1)
        self.client.on_subscribe = lambda *_: self._ready.set()
        self.client.on_message = lambda _c, _u, m: self.seen.append(
            Seen(m.topic, m.payload.decode(errors="replace"), m.retain, time.monotonic())
        )
        self.client.reconnect_delay_set(1, 1)
        self.client.connect_async("127.0.0.1", port)
        self.client.loop_start()
        assert self._ready.wait(10)

    def say(self, topic: str, payload: str | bytes, *, retain: bool = False) -> None:
        self.client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(5)

    def last(self, topic: str, since: int = 0) -> Seen | None:
        return next((s for s in reversed(self.seen[since:]) if s.topic == topic), None)

    def await_(self, topic: str, payload: str | None = None, *, since: int = 0, within_s: float = 25.0) -> Seen:
        def found() -> Seen | None:
            return next(
                (s for s in self.seen[since:] if s.topic == topic and (payload is None or s.payload == payload)), None
            )

        return until(found, within_s, f"{topic} {payload or ''} never came")

    def answer(self, id_: str, *, since: int = 0) -> dict[str, Any]:
        def found() -> dict[str, Any] | None:
            for s in self.seen[since:]:
                if s.topic.endswith("/answer") and s.topic.count("/") == 2:
                    said = json.loads(s.payload)
                    if said["id"] == id_:
                        return said
            return None

        return until(found, what=f"no answer to {id_!r}")

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def retained(port: int) -> dict[str, str]:
    """What the broker holds for whoever comes new."""
    fresh = Recorder(port, "onlooker")
    time.sleep(0.3)
    held = {s.topic: s.payload for s in fresh.seen if s.retained}
    fresh.close()
    return held


def config(port: int = 1883, **hub: Any) -> Config:
    """Both tanks of the library, with the probes that the examples give them."""
    pads = {"nitrate": (0.0, 10.0, 25.0, 50.0, 100.0, 250.0), "ph": (6.0, 6.5, 7.0, 7.5, 8.0), "kh": (0.0, 3.0, 5.0)}
    return Config(
        site=Site(name="Rowan Street library", timezone="Europe/Dublin", latitude=53.3, longitude=-6.3),
        tank=(Tank(id="foyer", litres=140, name="Foyer"), Tank(id="reading-room", litres=54, name="Reading room")),
        kit=(Kit(id="strip", pads=pads),),  # type: ignore[arg-type]
        probe=tuple(
            Probe(id=p.id, tank=p.tank, quantity=p.quantity)  # type: ignore[arg-type]
            for t in view().tanks
            for p in t.probes
        ),
        mqtt=Mqtt(host="127.0.0.1", port=port),
        hub=Hub(**({"commands": COMMANDS} | hub)),
    )


def probe(id_: str, quantity: str, unit: str, value: float | None, **more: Any) -> ProbeView:
    tank = "foyer" if id_.startswith("foyer") else "reading-room"
    known: dict[str, Any] = {"value_at_s": 1.75e9, "heard_at_s": 1.75e9, "fresh": True, "flag": 1}
    return ProbeView(id=id_, tank=tank, quantity=quantity, unit=unit, value=value, **(known | more))


def view() -> SiteView:
    """A quiet day at the library."""
    foyer = TankView(
        id="foyer",
        title="Foyer",
        litres=140,
        probes=(
            probe("foyer-temp", "temperature", "°C", 24.56),
            probe("foyer-ph", "ph", "pH", 7.123),
            probe("foyer-light", "light", "lx", 8123.4),
        ),
        nitrate=Estimate(mean=18.24, low=12.0, high=25.5),
        net_rate=Estimate(mean=0.123, low=-0.2, high=0.4),
        kept_up=Estimate(mean=0.93, low=0.8, high=1.05),
        light_dose_today_mol=1.234,
        lamp_percent=97.25,
        due_at_s=1.75e9,
    )
    room = TankView(
        id="reading-room",
        title="Reading room",
        litres=54,
        probes=(probe("reading-room-temp", "temperature", "°C", 23.0), probe("reading-room-light", "light", "lx", 0.0)),
    )
    return SiteView(
        at_s=1.75e9, name="Rowan Street library", timezone="Europe/Dublin", tanks=(accounted(foyer), accounted(room))
    )


def standing(id_: str = "foyer.ph_low", state: str = "unacknowledged", tank: str | None = "foyer") -> AlarmView:
    return AlarmView(
        id=id_,
        alarm=id_.split(".")[1],
        tank=tank,
        occurrence=1,
        state=state,  # type: ignore[arg-type]
        priority="medium",
        since_s=1.75e9,
        text="pH in the foyer tank is 6.2, below its limit of 6.4.",
        first_action="Check pH and KH with a strip.",
    )


def with_tank(site: SiteView, tank: str, **changes: Any) -> SiteView:
    return replace(site, tanks=tuple(replace(t, **changes) if t.id == tank else t for t in site.tanks))


@dataclass
class Installation:
    """What the daemon's engine is to the hub: a view that changes, and a journal on the disk that takes events."""

    folder: Path
    site: SiteView = field(default_factory=view)
    fails: bool = False

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self.outlet: HubOutlet | None = None
        self.open()

    def open(self) -> None:
        self.journal = Journal(self.folder / "journal.sqlite", boot_id="boot")
        self.journal.open(1.75e9)

    def current_view(self) -> SiteView:
        return self.site

    def submit(self, event: Event) -> Receipt:
        """Durable before it acts, as the engine does it."""
        with self._lock:
            if self.fails:
                raise TimeoutError("the engine is too busy")
            done = self.journal.append([Recorded(event)], urgent=True, at_s=event.at_s)
            assert done.durable
            if done.seqs[0] is not None:
                self._act(event)
            return Receipt(event.id, new=done.seqs[0] is not None)

    def _act(self, event: Event) -> None:
        if isinstance(event, Acknowledge | Shelve):
            state = "acknowledged" if isinstance(event, Acknowledge) else "shelved"
            for tank in self.site.tanks:
                alarms = tuple(replace(a, state=state) if a.id == event.alarm else a for a in tank.alarms)
                self.site = with_tank(self.site, tank.id, alarms=alarms)

    def get(self) -> frozenset[str]:
        with self._lock:
            return self.journal.steering.topics()

    def put(self, topics: frozenset[str]) -> None:
        with self._lock:
            known = self.journal.steering.topics()
            for t in topics - known:
                self.journal.steering.add_topic(t)
            for t in known - topics:
                self.journal.steering.forget_topic(t)
            assert self.journal.commit(1.75e9, urgent=True)

    def events(self) -> list[Event]:
        with self._lock:
            return [s.event for s in self.journal.events_since()]

    def run(self, conf: Config, installation: str = "library", **options: Any) -> HubOutlet:
        self._stop = threading.Event()
        self.outlet = HubOutlet(
            conf,
            installation,
            SystemClock(),
            self._stop,
            current_view=self.current_view,
            submit=self.submit,
            published=self,
            **options,
        )
        self.outlet.start()
        return self.outlet

    def stop(self) -> None:
        """As a restart of the daemon does it: everything closed, the journal left."""
        if self.outlet is not None:
            self._stop.set()
            self.outlet.nudge()
            self.outlet.join(10)
            assert not self.outlet.is_alive()
            self.outlet = None
        self.journal.close(1.75e9)
