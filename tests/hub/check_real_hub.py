"""The daemon, a broker and the hub software itself, all real, in one private network namespace.

Started by run_real_hub.sh.  Prints one line a check and leaves with 1 if any failed.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt

from helpers.hub import Broker, free_port
from helpers.waiting import until

RUSHLIGHT = [sys.executable, "-c", "from rushlight.cli import main; main()"]
failed: list[str] = []


def check(what: str, ok: object, detail: object = "") -> None:
    print(f"{'ok  ' if ok else 'FAIL'}  {what}{f'  [{detail}]' if detail != '' else ''}", flush=True)
    if not ok:
        failed.append(what)


def took(what: Callable[[], Any], within_s: float = 60.0) -> float | None:
    """Seconds until something became true; None if it never did."""
    began = time.monotonic()
    try:
        until(what, within_s)
    except AssertionError:
        return None
    return round(time.monotonic() - began, 1)


MAY = ["acknowledge", "test", "record", "correct", "calibrate", "shelve"]


class Hub:
    """The hub software as a child process, spoken to over its own web API."""

    def __init__(self, command: list[str], root: str, folder: Path) -> None:
        """`root` is where the command sees `/`."""
        self._folder = Path(tempfile.mkdtemp(dir=f"{root}/tmp"))
        self._command = [*command, "-c", str(self._folder).removeprefix(root), "--skip-pip"]
        self._port = free_port()
        self._log = folder / "hub.log"
        self._token = ""
        (self._folder / "configuration.yaml").write_text(
            "homeassistant:\n  name: Test\n  latitude: 53.3\n  longitude: -6.3\n  elevation: 0\n"
            "  unit_system: metric\n  time_zone: Europe/Dublin\n  country: IE\n"
            f"http:\n  server_host: 127.0.0.1\n  server_port: {self._port}\n"
            "api:\nconfig:\nonboarding:\nlogger:\n  default: warning\n"
        )

    def start(self) -> None:
        env = {k: v for k, v in os.environ.items() if k not in {"PIP_FIND_LINKS", "PYTHONPATH"}}
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(self._command, stdout=log, stderr=log, env=env)
        until(lambda: self.ask("/api/onboarding")[0] == 200, 120, "the hub did not start")

    def stop(self) -> None:
        self._process.terminate()
        try:
            self._process.wait(40)
        except subprocess.TimeoutExpired:
            self._process.kill()

    def set_up(self, broker_port: int) -> None:
        """First start: a user, a token, the broker."""
        base = f"http://127.0.0.1:{self._port}/"
        user = {"client_id": base, "name": "T", "username": "t", "password": "pw", "language": "en"}
        _, made = self.ask("/api/onboarding/users", user)
        grant = {"grant_type": "authorization_code", "code": made["auth_code"], "client_id": base}
        self._token = self.ask("/auth/token", grant, form=True)[1]["access_token"]
        until(self.running, 120)
        _, flow = self.ask("/api/config/config_entries/flow", {"handler": "mqtt"})
        body = _filled(flow["data_schema"]) | {"broker": "127.0.0.1", "port": broker_port}
        if "other_settings" in body:
            body["other_settings"]["set_ca_cert"] = "off"
        _, done = self.ask(f"/api/config/config_entries/flow/{flow['flow_id']}", body)
        assert done["type"] == "create_entry", done

    def running(self) -> bool:
        said = self.ask("/api/config")[1]
        return isinstance(said, dict) and said.get("state") == "RUNNING"

    def version(self) -> str:
        return str(self.ask("/api/config")[1]["version"])

    def ask(self, path: str, data: dict[str, Any] | None = None, *, form: bool = False) -> tuple[int, Any]:
        headers = {"Authorization": f"Bearer {self._token}"} if self._token else {}
        body = None
        if data is not None and form:
            body = urllib.parse.urlencode(data).encode()
        elif data is not None:
            body = json.dumps(data).encode()
            headers["Content-Type"] = "application/json"
        request = urllib.request.Request(f"http://127.0.0.1:{self._port}{path}", body, headers)
        try:
            with urllib.request.urlopen(request, timeout=15) as answer:
                return answer.status, json.loads(answer.read() or b"null")
        except urllib.error.HTTPError as e:
            return e.code, e.read()[:500]
        except (OSError, ValueError):
            return 0, None

    def entities(self) -> dict[str, dict[str, Any]]:
        """Everything of ours by the name that people read."""
        status, found = self.ask("/api/states")
        if status != 200:
            return {}
        names = ("Rowan Street library ", "Foyer ", "Reading room ")
        return {
            str(s["attributes"].get("friendly_name")): s
            for s in found
            if str(s["attributes"].get("friendly_name", "")).startswith(names)
        }

    def state(self, name: str) -> str:
        return str(self.entities().get(name, {}).get("state"))

    def call(self, service: str, name: str, **data: Any) -> None:
        entity = self.entities()[name]["entity_id"]
        status, said = self.ask(f"/api/services/{service}", {"entity_id": entity, **data})
        assert status == 200, said

    def complaints(self) -> list[str]:
        """Lines of its log about MQTT, our names or units."""
        text = self._log.read_text(errors="replace")
        ours = re.compile(r"(WARNING|ERROR).*(mqtt|rushlight|unit|sensor)", re.IGNORECASE)
        outage = re.compile(
            r"connection was lost|failed to receive on socket|Failed to connect to MQTT|not currently connected"
        )
        return [x for x in text.splitlines() if ours.search(x) and not outage.search(x)]


def _filled(schema: list[dict[str, Any]]) -> dict[str, Any]:
    """A form with what it proposes itself."""
    out: dict[str, Any] = {}
    for field in schema:
        if field.get("type") == "expandable":
            out[field["name"]] = _filled(field["schema"])
        elif field.get("required"):
            proposed = (field.get("description") or {}).get("suggested_value")
            out[field["name"]] = field.get("default", False if "boolean" in field.get("selector", {}) else proposed)
    return out


class Daemon:
    """`rushlight run` as a child process."""

    def __init__(self, folder: Path, broker_port: int) -> None:
        self._file, self._port, self._log = folder / "config.toml", broker_port, folder / "daemon.log"
        self._data = folder / "data"
        self.configure()

    def configure(self, ph_probe: str = "foyer-ph", *, light: bool = True) -> None:
        own = [("foyer-temperature", "temperature", "temp"), (ph_probe, "ph", "ph")]
        own += [("foyer-light", "light", "light")] if light else []
        probes = "".join(
            f'[[probe]]\nid = "{i}"\ntank = "foyer"\nquantity = "{q}"\nevery_seconds = 1\n'
            f'driver = "mqtt"\nhost = "127.0.0.1"\nport = {self._port}\ntopic = "board/{t}"\n'
            for i, q, t in own
        )
        self._file.write_text(
            '[site]\nname = "Rowan Street library"\ntimezone = "Europe/Dublin"\nlatitude = 53.3\nlongitude = -6.3\n'
            '[[tank]]\nid = "foyer"\nname = "Foyer"\nlitres = 140\n[tank.feed]\ngrams_per_day = 0.9\n'
            '[[tank]]\nid = "reading-room"\nname = "Reading room"\nlitres = 54\n'
            '[[kit]]\nid = "strip"\n[kit.pads]\nnitrate = [0, 10, 25, 50, 100, 250]\nph = [6.0, 6.5, 7.0, 7.5, 8.0]\n'
            f'[mqtt]\nhost = "127.0.0.1"\nport = {self._port}\n[hub]\npublish_seconds = 10\n'
            f"commands = {json.dumps(MAY)}\n"
            f'[storage]\nfolder = "{self._data}"\n[page]\nenabled = false\n' + probes
        )

    def start(self) -> None:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen([*RUSHLIGHT, "run", "-c", str(self._file)], stdout=log, stderr=log)

    def stop(self, *, kill: bool = False) -> None:
        (self._process.kill if kill else self._process.terminate)()
        self._process.wait(30)

    def say(self, *words: str) -> str:
        done = subprocess.run([*RUSHLIGHT, *words, "-c", str(self._file)], capture_output=True, text=True, check=False)
        return done.stdout + done.stderr

    def entries(self, kind: str) -> list[dict[str, Any]]:
        lines = [json.loads(x) for x in self.say("export").splitlines() if x.startswith("{")]
        return [x for x in lines if x["kind"] == kind]


class Board:
    """A wireless board that publishes three values every second."""

    def __init__(self, port: int) -> None:
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="board")
        self._client.reconnect_delay_set(1, 1)
        self._client.connect_async("127.0.0.1", port)
        self._client.loop_start()
        self._stop = threading.Event()
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        n = 0
        while not self._stop.wait(1.0):
            n += 1
            for topic, value in (("temp", 24.5 + n % 3 / 100), ("ph", 7.1 + n % 5 / 100), ("light", 8000 + n % 7)):
                self._client.publish(f"board/{topic}", f"{value:.2f}")

    def close(self) -> None:
        self._stop.set()
        self._client.loop_stop()


WANTED = {  # name -> unit, device class, state class; classes and units as in the convention's documentation
    "Foyer Water temperature": ("°C", "temperature", "measurement"),
    "Foyer pH": (None, "ph", "measurement"),
    "Foyer Light": ("lx", "illuminance", "measurement"),
    "Foyer Nitrate estimate as NO3": ("mg/L", None, "measurement"),
    "Foyer Nitrate estimate as NO3, low": ("mg/L", None, "measurement"),
    "Foyer Nitrate estimate as NO3, high": ("mg/L", None, "measurement"),
    "Foyer Nitrate net rate as NO3": ("mg/L/d", None, "measurement"),
    "Foyer Share kept up": ("%", None, "measurement"),
    "Foyer Light dose today": ("mol/m²", None, "total_increasing"),
    "Foyer Lamp output": ("%", None, "measurement"),
    "Foyer Next test due": (None, "timestamp", None),
    "Foyer Test overdue": (None, "problem", None),
    "Foyer Alarm: pH too low": (None, "problem", None),
    "Rowan Street library Daemon": (None, "connectivity", None),
    "Rowan Street library Daemon trouble": (None, "problem", None),
    "Foyer Test: nitrate": ("mg/L as NO3", None, None),
}


def enter_strip(hub: Hub, daemon: Daemon, nitrate: float, what: str) -> None:
    before = len(daemon.entries("test"))
    hub.call("number/set_value", "Foyer Test: nitrate", value=nitrate)
    hub.call("number/set_value", "Foyer Test: pH", value=7.0)
    until(lambda: hub.state("Foyer Test: pH") in {"7", "7.0"})
    hub.call("button/press", "Foyer Record test")
    took(lambda: len(daemon.entries("test")) > before)  # the last answer may still be that of the strip before it
    check(f"its answer {what}", took(lambda: "recorded" in hub.state("Foyer Last answer")) is not None)
    tests = daemon.entries("test")
    good = len(tests) == before + 1 and tests[-1]["values"] == {"nitrate": nitrate, "ph": 7.0}
    check(f"a strip entered in the hub {what} is in the journal", good, tests[-1]["values"] if tests else "none")
    until(lambda: hub.state("Foyer Test: nitrate") == "unknown")


def fresh(hub: Hub) -> bool:
    return hub.state("Foyer Water temperature").startswith("24.5")


def first_look(hub: Hub, descriptions: int) -> None:
    found = hub.entities()
    check("every description became an entity", len(found) == descriptions, f"{len(found)} of {descriptions}")
    for name, (unit, device_class, state_class) in WANTED.items():
        have = found.get(name, {}).get("attributes", {})
        said = (have.get("unit_of_measurement"), have.get("device_class"), have.get("state_class"))
        check(f"{name}: unit and classes", name in found and said == (unit, device_class, state_class), said)


def main(command: list[str], root: str) -> int:
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as stack:
        folder = Path(name)
        broker = Broker(folder / "broker")
        stack.callback(broker.stop)
        hub, daemon = Hub(command, root, folder), Daemon(folder, broker.port)
        began = time.monotonic()
        hub.start()
        stack.callback(hub.stop)
        hub.set_up(broker.port)
        print(f"hub {hub.version()} up and connected to the broker in {time.monotonic() - began:.1f} s")
        board = Board(broker.port)
        stack.callback(board.close)
        print(daemon.say("record", "test", "--tank", "foyer", "nitrate=25", "--at", "2025-01-10 12:00").strip())
        daemon.start()
        stack.callback(daemon.stop)
        steps(hub, daemon, broker)
        complaints = hub.complaints()
        check("the hub's log has no complaint about us", not complaints, complaints[:3] if complaints else "")
        if failed:
            print("daemon:", (folder / "daemon.log").read_text()[-3000:])
    print(f"{len(failed)} failed" if failed else "all well")
    return 1 if failed else 0


def steps(hub: Hub, daemon: Daemon, broker: Broker) -> None:
    from helpers.hub import retained

    check("the temperature is there", (s := took(lambda: fresh(hub))) is not None, f"{s} s after the daemon's start")
    held = {t for t in retained(broker.port) if t.startswith("homeassistant/") and t.endswith("/config")}
    first_look(hub, len(held))

    alarm = "Foyer Alarm: Water test overdue"
    check("an overdue test is a problem", took(lambda: hub.state(alarm) == "on") is not None)
    hub.call("button/press", "Foyer Acknowledge alarms")

    def acknowledged() -> bool:
        alarms = hub.entities()[alarm]["attributes"].get("alarms") or [{}]
        return bool(alarms[0].get("state") == "acknowledged")

    check(f"acknowledged from the hub ({alarm})", took(acknowledged, 15) is not None)
    kept = daemon.entries("acknowledge")
    seen = {k["alarm"] for k in kept if k["by"] == "hub"}
    check("and in the journal", "foyer.test_overdue" in seen, ", ".join(sorted(seen)))
    enter_strip(hub, daemon, 25.0, "at first")
    check("the alarm is over", (s := took(lambda: hub.state(alarm) == "off", 30)) is not None, f"{s} s")
    estimate = took(lambda: hub.state("Foyer Nitrate estimate as NO3") not in {"unknown", "unavailable"}, 30)
    check(
        "nitrate has an estimate with low and high",
        estimate is not None,
        [hub.state(f"Foyer Nitrate estimate as NO3{x}") for x in (", low", "", ", high")],
    )

    broker.stop()
    check("broker down: unavailable", took(lambda: hub.state("Foyer pH") == "unavailable", 30) is not None)
    broker.start()
    check("broker back: values", (s := took(lambda: fresh(hub), 90)) is not None, f"{s} s")
    enter_strip(hub, daemon, 10.0, "after the broker's restart")

    hub.stop()
    hub.start()
    check("hub restarted: values", (s := took(lambda: fresh(hub), 90)) is not None, f"{s} s after it answered")
    enter_strip(hub, daemon, 50.0, "after the hub's restart")

    daemon.stop()
    check("daemon stopped: unavailable", took(lambda: hub.state("Foyer pH") == "unavailable", 10) is not None)
    check("its sign of life says so", hub.state("Rowan Street library Daemon") == "off")
    daemon.start()
    check("daemon restarted: values", (s := took(lambda: fresh(hub), 60)) is not None, f"{s} s")
    enter_strip(hub, daemon, 25.0, "after the daemon's restart")

    daemon.stop(kill=True)
    check(
        "daemon killed: unavailable",
        (s := took(lambda: hub.state("Foyer pH") == "unavailable", 60)) is not None,
        f"{s} s",
    )
    names = set(hub.entities())
    daemon.configure("foyer-acid", light=False)
    daemon.start()
    check("a probe renamed, one removed: values", took(lambda: fresh(hub), 60) is not None)
    gone = {n for n in names if n.startswith(("Foyer Light,", "Foyer Light ")) and "dose" not in n} | {"Foyer Light"}
    check(
        "no ghost",
        took(lambda: set(hub.entities()) == names - gone, 20) is not None,
        sorted(set(hub.entities()) ^ names),
    )
    check("the renamed probe has values", took(lambda: hub.state("Foyer pH").startswith("7.1"), 30) is not None)


if __name__ == "__main__":
    args = sys.argv[1:]
    sys.exit(main(args[2:], args[1]) if args[0] == "--root" else main(args, ""))
