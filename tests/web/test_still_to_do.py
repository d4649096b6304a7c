"""The page goes on where the guide ends: a real daemon, a real push server, and somebody with a phone."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from helpers.daemon import Daemon
from helpers.page import PASSPHRASE, Client
from helpers.receivers import PushServer, free_port
from helpers.waiting import until
from rushlight.service import control

CONFIG = """
[site]
name = "Rowan Street library"
timezone = "Europe/Dublin"
[[tank]]
id = "foyer"
name = "Foyer"
litres = 140
source_water = {{ nitrate = 5.0 }}
[[tank]]
id = "reading-room"
name = "Reading room"
litres = 54
[[kit]]
id = "strip"
pads = {{ nitrate = [0, 10, 25, 50, 100, 250], ph = [6.0, 6.5, 7.0, 7.5] }}
[[probe]]
id = "foyer-ph"
tank = "foyer"
quantity = "ph"
unit = "mV"
driver = "simulated"
[page]
port = {port}
[push]
server = "{server}"
topic = "alarms"
token = "{token}"
[heartbeat]
accept_none = true
[storage]
folder = "{data}"
"""


@pytest.fixture
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PushServer]:
    made = PushServer(tmp_path_factory.mktemp("push"))
    yield made
    made.close()


def left(page: str) -> list[str]:
    """What the screen still lists."""
    return re.findall(r"<strong>([^<]*)</strong>", page)


@pytest.mark.slow
def test_each_thing_leaves_the_list_once_it_is_done(tmp_path: Path, server: PushServer) -> None:
    port = free_port()
    file = tmp_path / "config.toml"
    file.write_text(CONFIG.format(port=port, server=server.url, token=server.token, data=tmp_path / "data"))
    file.chmod(0o600)
    daemon = Daemon(file).start()
    try:
        phone = Client(port)
        [code] = re.findall(r"code=(\S+)", daemon.log.read_text())
        phone.get("/setup")
        got = phone.post("/setup", {"code": code, "passphrase": PASSPHRASE, "again": PASSPHRASE, "name": "phone"})
        assert got.headers["Location"] == "/still-to-do", "the first login leads on"

        page = phone.get("/still-to-do").text
        everything = [
            "Push messages", "Calibrate foyer-ph", "Foyer: the first test", "Foyer: the strips in the open pack",
            "Reading room: the first test", "Reading room: the strips in the open pack",
            "Reading room: the water that you fill in",
        ]  # fmt: skip
        assert [w for w in left(page) if w != "foyer-ph"] == everything
        assert "I have it" not in page, "nothing was sent yet, so nothing can be in hand"

        phone.post("/still-to-do/rehearsal", {})
        until(lambda: "I have it" in phone.get("/still-to-do").text, 20, "the trial to be handed over")
        [message] = server.messages()
        assert (message["title"], message["priority"]) == ("Rehearsal from Rowan Street library", 5)
        assert phone.post("/still-to-do/confirm", {"channel": "pigeon"}).status == 422
        phone.get("/still-to-do")
        assert phone.post("/still-to-do/confirm", {"channel": "push"}).status == 303
        done = {"Push messages"}
        assert not done & set(left(phone.get("/still-to-do").text))

        daemon.command("record", "test", "--tank", "foyer", "nitrate=25")
        daemon.command("record", "pack", "--tank", "foyer", "strips=50")
        daemon.command("record", "calibration", "--probe", "foyer-ph", "6.86=6.4@24", "4.01=171@24")
        still = [w for w in left(phone.get("/still-to-do").text) if w != "foyer-ph"]
        # The pack is the kit's, and the tanks share it.
        assert [w for w in still if "strips" not in w] == [w for w in everything[4:] if "strips" not in w]
        assert "Foyer: the strips in the open pack" not in still
        assert control.ask(tmp_path / "data", do="view")["view"]["unfinished"], "and every other door may show it"
    finally:
        daemon.stop()
