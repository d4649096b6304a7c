"""The whole daemon feeding a hub and a time-series store, over restarts of broker, store and daemon."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from helpers import store
from helpers.daemon import LIMITS, STRIP, THERMOMETER, TRUSTED_LIBRARY, Daemon, one_wire
from helpers.hub import MOSQUITTO, Broker, Recorder
from helpers.waiting import until

pytestmark = pytest.mark.slow

CONFIG = (
    TRUSTED_LIBRARY
    + LIMITS
    + STRIP
    + THERMOMETER
    + """
[mqtt]
host = "127.0.0.1"
port = {broker}
[hub]
publish_seconds = 10
commands = ["acknowledge", "test", "record"]
[timeseries]
url = "{store}"
org = "library"
bucket = "tanks"
token = "{token}"
every_seconds = 1
[alarms]
on_delay_s = {{ temperature_high = 0 }}
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
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed")
    with ExitStack() as stack:
        tree = tmp_path / "w1"
        one_wire(tree, "28-000000000001", 24.25)
        broker = Broker(tmp_path / "broker")
        stack.callback(broker.stop)
        recorder = Recorder(broker.port)
        stack.callback(recorder.close)
        server = stack.enter_context(store.server(tmp_path / "store"))
        front = stack.enter_context(store.front(server))
        config = tmp_path / "config.toml"
        url = f"http://127.0.0.1:{front.server_address[1]}"
        config.write_text(
            CONFIG.format(tree=tree, broker=broker.port, store=url, token=store.TOKEN, data=tmp_path / "data")
        )
        config.chmod(0o600)
        daemon = Daemon(config).start()
        stack.callback(daemon.stop)
        yield {"daemon": daemon, "broker": broker, "recorder": recorder, "server": server, "tree": tree}


def base_of(recorder: Recorder) -> str:
    seen = until(
        lambda: next((s for s in recorder.seen if s.topic.endswith("/status") and s.payload == "online"), None),
        30,
        "online",
    )
    return str(seen.topic).rsplit("/", 1)[0]


@pytest.mark.broker
@pytest.mark.timeout(240)
def test_hub_and_store_over_restarts(house: dict[str, Any]) -> None:
    """A strip entered at the hub is in the journal and in the store; an alarm acknowledged there is acknowledged."""
    daemon, recorder, server = house["daemon"], house["recorder"], house["server"]
    base = base_of(recorder)
    described = until(lambda: [s.topic for s in recorder.seen if s.topic.endswith("/config")], 30, "descriptions")
    assert described

    strip = {"kind": "test", "tank": "foyer", "method": "strip", "values": {"nitrate": 25}, "id": "from-hub"}
    recorder.say(f"{base}/command", json.dumps(strip))
    assert recorder.answer("from-hub")["ok"]
    exported = [json.loads(line) for line in daemon.command("export").stdout.splitlines()]
    assert [e["id"] for e in exported if e["kind"] == "test"] == ["from-hub"]

    one_wire(house["tree"], "28-000000000001", 30.0)
    until(lambda: "foyer.temperature_high" in daemon.command("alarms").stdout, 30, "the alarm")
    recorder.say(
        f"{base}/command",
        json.dumps({"kind": "acknowledge", "alarm": "foyer.temperature_high", "by": "hub", "id": "seen"}),
    )
    assert recorder.answer("seen")["ok"]
    assert [a["state"] for t in daemon.view()["tanks"] for a in t["alarms"] if a["id"] == "foyer.temperature_high"] == [
        "acknowledged"
    ]

    recorder.say(f"{base}/command", '{"kind":"feeding","tank":"foyr","grams":1,"id":"wrong"}')
    refused = recorder.answer("wrong")
    assert not refused["ok"]
    assert "foyer" in refused["what"]

    since = len(recorder.seen)
    daemon.kill()
    recorder.await_(f"{base}/status", "offline", since=since, within_s=60)
    server.kill()
    daemon.start()
    recorder.await_(f"{base}/status", "online", since=since, within_s=60)
    house["broker"].stop()
    since = len(recorder.seen)
    house["broker"].start()
    until(recorder.client.is_connected, 30, "the recorder back at the broker")
    recorder.await_(f"{base}/status", "online", since=since, within_s=60)
    recorder.say(f"{base}/command", json.dumps(strip | {"id": "again", "values": {"nitrate": 10}}))
    until(lambda: recorder.answer("again", since=since)["ok"], 60, "an answer after the broker came back")
    server.start()

    def in_store() -> bool:
        values = {v for (name, _, _), v in server.points().items() if "test" in name}
        return {25.0, 10.0} <= values

    until(in_store, 90, "both tests in the store")
