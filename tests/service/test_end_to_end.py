"""The main job on real bytes: a board on a pty, a kernel tree, a broker, a phone's push server, and the commands."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import paho.mqtt.publish as publish
import pytest

from helpers.daemon import LIBRARY, Daemon, one_wire
from helpers.hub import MOSQUITTO, Broker
from helpers.receivers import Receiver
from helpers.serialbench import Board
from helpers.waiting import until

pytestmark = pytest.mark.slow

CONFIG = (
    LIBRARY
    + """
feed = {{ grams_per_day = 0.9 }}
limits = {{ temperature = {{ low = 21, high = 27 }} }}
[[kit]]
id = "strip"
pads = {{ nitrate = [0, 10, 25, 50, 100, 250], ph = [6.0, 6.5, 7.0, 7.5, 8.0, 8.5] }}
[[probe]]
id = "foyer-temperature"
tank = "foyer"
quantity = "temperature"
driver = "onewire"
device = "28-000000000001"
root = "{tree}"
every_seconds = 1
silent_seconds = 20
[[probe]]
id = "foyer-ph"
tank = "foyer"
quantity = "ph"
driver = "lines"
port = "{port}"
field = "ph"
settle_s = 0.2
every_seconds = 1
[[probe]]
id = "foyer-light"
tank = "foyer"
quantity = "light"
driver = "mqtt"
host = "127.0.0.1"
port = {broker}
topic = "foyer/light"
every_seconds = 1
[push]
server = "{push}"
topic = "tanks"
[contacts]
quiet_from = "00:00"
quiet_until = "00:00"
[alarms]
priority = {{ temperature_high = "high" }}
on_delay_s = {{ temperature_high = 1 }}
off_delay_s = {{ temperature_high = 1 }}
[heartbeat]
accept_none = true
[page]
enabled = false
[storage]
folder = "{data}"
flush_seconds = 1
"""
)


@pytest.fixture
def house(tmp_path: Path) -> Iterator[dict[str, Any]]:
    """Everything around the daemon, and the daemon."""
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed")
    with ExitStack() as stack:
        tree, port = tmp_path / "w1", tmp_path / "usb-board-if00"
        one_wire(tree, "28-000000000001", 24.25)
        board, broker, push = Board(port), Broker(tmp_path / "broker"), Receiver()
        stack.callback(board.close)
        stack.callback(broker.stop)
        stack.callback(push.close)
        board.keep_saying(b'{"ph":7.08}\r\n', 0.3)
        config = tmp_path / "config.toml"
        text = CONFIG.format(tree=tree, port=port, broker=broker.port, push=push.url, data=tmp_path / "data")
        config.write_text(text)
        daemon = Daemon(config).start()
        stack.callback(daemon.stop)
        yield {"daemon": daemon, "tree": tree, "board": board, "broker": broker, "push": push}


def fresh(daemon: Daemon) -> dict[str, float]:
    return {p["id"]: p["value"] for p in daemon.view()["tanks"][0]["probes"] if p["fresh"]}


@pytest.mark.broker
def test_probes_in_strip_in_alarm_out(house: dict[str, Any]) -> None:
    """Values fresh in `status`, a strip in `export`, an excursion told once and its return once."""
    daemon, push = house["daemon"], house["push"]

    def values() -> bool:
        publish.single("foyer/light", "5300", hostname="127.0.0.1", port=house["broker"].port)
        return fresh(daemon) == {"foyer-temperature": 24.25, "foyer-ph": 7.08, "foyer-light": 5300.0}

    until(values, 30, "fresh values of all three probes")

    daemon.command("record", "test", "--tank", "foyer", "nitrate=25", "ph=7.0")
    exported = [json.loads(line) for line in daemon.command("export").stdout.splitlines()]
    tests = [e for e in exported if e["kind"] == "test"]
    assert [t["values"] for t in tests] == [{"nitrate": 25.0, "ph": 7.0}]
    assert {e["probe"] for e in exported if e["kind"] == "reading"} == {"foyer-temperature", "foyer-ph", "foyer-light"}

    one_wire(house["tree"], "28-000000000001", 29.5)
    until(lambda: len(push.accepted) >= 1, 60, "the alarm on the phone")
    one_wire(house["tree"], "28-000000000001", 24.25)
    until(lambda: len(push.accepted) >= 2, 60, "its return to normal")
    told = [r.json() for r in push.accepted]
    assert "29.5" in told[0]["message"]
    assert len(told) == 2, told

    assert "temperature_high" in daemon.command("alarms").stdout
    daemon.command("alarms", "acknowledge", "foyer.temperature_high", "--by", "duty librarian")
    exported = [json.loads(line) for line in daemon.command("export").stdout.splitlines()]
    assert [e["by"] for e in exported if e["kind"] == "acknowledge"] == ["duty librarian"]
    got = daemon.command("replay", str(_file(daemon, exported)))
    states = [json.loads(line)["state"] for line in got.stdout.splitlines() if "temperature_high" in line]
    assert states == ["unacknowledged", "returned", "normal"]
    assert daemon.stop() == 0
    daemon.start()
    assert len(push.accepted) == 2, "a restart sends nothing again"


def _file(daemon: Daemon, lines: list[dict[str, Any]]) -> Path:
    file = daemon.config.with_name("export.jsonl")
    file.write_text("".join(json.dumps(line) + "\n" for line in lines))
    return file


@pytest.mark.broker
def test_an_unplugged_board_is_told_and_comes_back(house: dict[str, Any]) -> None:
    daemon, board = house["daemon"], house["board"]
    until(lambda: "foyer-ph" in fresh(daemon), 30, "the board's value")
    board.unplug()
    until(lambda: "state=lost" in daemon.log.read_text(), 20, "the loss in the log")
    board.plug()
    board.keep_saying(b'{"ph":7.31}\r\n', 0.3)
    until(lambda: fresh(daemon).get("foyer-ph") == 7.31, 60, "the board's value after it was plugged in again")


@pytest.mark.broker
def test_a_push_server_that_is_away_loses_nothing(house: dict[str, Any]) -> None:
    """The phone's server refuses, the daemon is killed, and the alarm still arrives, once."""
    daemon, push = house["daemon"], house["push"]
    until(lambda: "foyer-temperature" in fresh(daemon), 30, "the thermometer")
    push.script = "500"
    one_wire(house["tree"], "28-000000000001", 30.5)
    until(lambda: push.requests, 60, "a try")
    daemon.kill()
    push.script = "200"
    daemon.start()
    until(lambda: push.accepted, 90, "the alarm after all")
    assert len({r.json()["title"] for r in push.accepted}) == 1
