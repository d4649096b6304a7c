"""A push carries a button that acknowledges its alarm at the page, without a login, once."""

from __future__ import annotations

from pathlib import Path

import pytest
import requests

from helpers.daemon import Daemon, one_wire
from helpers.receivers import Receiver, free_port
from helpers.waiting import until

pytestmark = pytest.mark.slow

CONFIG = """
[site]
timezone = "Europe/Dublin"
[[tank]]
id = "foyer"
litres = 140
limits = {{ temperature = {{ low = 21, high = 27 }} }}
[[kit]]
id = "strip"
pads = {{ nitrate = [0, 10, 25] }}
[[probe]]
id = "foyer-temperature"
tank = "foyer"
quantity = "temperature"
driver = "onewire"
device = "28-000000000001"
root = "{tree}"
every_seconds = 1
[push]
server = "{push}"
topic = "tanks"
[contacts]
quiet_from = "00:00"
quiet_until = "00:00"
page_url = "http://127.0.0.1:{port}"
[page]
port = {port}
[alarms]
on_delay_s = {{ temperature_high = 0 }}
[storage]
folder = "{data}"
"""


def test_the_button_of_a_push_acknowledges_its_alarm(tmp_path: Path) -> None:
    tree, push, port = tmp_path / "w1", Receiver(), free_port()
    one_wire(tree, "28-000000000001", 30.0)
    config = tmp_path / "config.toml"
    config.write_text(CONFIG.format(tree=tree, push=push.url, port=port, data=tmp_path / "data"))
    daemon = Daemon(config).start()
    try:
        until(lambda: push.accepted, 60, "the push")
        message = push.accepted[0].json()
        assert message["click"] == f"http://127.0.0.1:{port}/tanks/foyer"
        button = next(a for a in message["actions"] if a["method"] == "POST")

        def state() -> list[str]:
            return [a["state"] for t in daemon.view()["tanks"] for a in t["alarms"] if a["alarm"] == "temperature_high"]

        assert state() == ["unacknowledged"]
        assert requests.get(button["url"], timeout=5).status_code == 200
        assert state() == ["unacknowledged"], "looking acknowledges nothing"
        assert requests.post(button["url"], timeout=5).status_code == 200
        assert state() == ["acknowledged"]
        assert requests.post(button["url"][:-4] + "AAAA", timeout=5).status_code == 404
    finally:
        daemon.stop()
        push.close()
