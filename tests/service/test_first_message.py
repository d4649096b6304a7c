"""A message before anything has happened, and a channel's proof from the first trial to a person's word."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from helpers.daemon import Daemon
from helpers.receivers import PushServer
from helpers.site import CONFIG, config_of
from helpers.waiting import until
from rushlight import clock
from rushlight.effects import Message
from rushlight.service import control, offline
from rushlight.service.engine import Engine
from rushlight.service.starting import last_good

pytestmark = pytest.mark.slow

MORE = """
[storage]
folder = "{folder}"
[page]
enabled = false
[push]
server = "{server}"
topic = "alarms"
token = "{token}"
[contacts]
quiet_from = "00:00"
quiet_until = "00:00"
[alarms]
priority = {{ config_refused = "high" }}  # others wait a minute for company
"""


def test_a_message_before_the_first_event_is_put_in_the_outbox(tmp_path: Path) -> None:
    """An install whose probes have not spoken yet: its first self-test."""
    config = config_of(CONFIG)
    journal = offline.open_journal(config, tmp_path, clock.SystemClock().wall_s(), "boot")
    engine = Engine(config, journal, clock.SystemClock(), boot_id="boot", synchronised=lambda: True)
    message = Message(at_s=engine.now_s(), key="selftest", channel="push", priority="low", title="t", body="b")
    try:
        assert engine.timeline.state.at_s is None
        engine.put(message)
        assert [row.key for row in journal.outbox.waiting()] == ["selftest"]
    finally:
        journal.close(engine.now_s())


@pytest.fixture
def server(tmp_path: Path) -> Iterator[PushServer]:
    made = PushServer(tmp_path)
    yield made
    made.close()


def view(data: Path) -> dict[str, Any]:
    """What the daemon knows; asked at its socket, for a command's start takes longer than all else here."""
    return dict(control.ask(data, do="view")["view"])


def start(daemon: Daemon, data: Path) -> None:
    daemon.spawn()

    def up() -> bool:
        try:
            return bool(view(data))
        except (control.NotRunningError, FileNotFoundError):
            return False

    until(up, 60, "the daemon")


def channel(data: Path) -> dict[str, Any]:
    [push] = [o for o in view(data)["outlets"] if o["name"] == "push"]
    return dict(push)


def standing(data: Path) -> list[dict[str, Any]]:
    return [a for a in view(data)["alarms"] if a["state"] not in ("returned", "normal")]


def test_from_the_first_trial_to_a_configuration_that_is_refused(tmp_path: Path, server: PushServer) -> None:
    """A trial that arrived is known to status, over a restart too, and what a person says of it.

    Then a slip of the pen in the configuration: the daemon goes on with the last good one and tells so.
    """
    file, data = tmp_path / "config.toml", tmp_path / "data"
    good = CONFIG + MORE.format(folder=data, server=server.url, token=server.token)
    file.write_text(good)
    file.chmod(0o600)
    daemon = Daemon(file)
    start(daemon, data)
    try:
        assert channel(data)["state"] == "never tried"
        assert "delivered" in daemon.command("check", "--no-probes", "--send").stdout
        assert "Trial from" in str(server.messages()[-1]["title"])
        assert (channel(data)["state"], channel(data)["confirmed_at_s"]) == ("delivered", None)
        control.ask(data, do="confirm", channel="push")
        assert channel(data)["confirmed_at_s"] is not None
        assert daemon.stop() == 0

        file.write_text(good.replace("litres", "liters"))
        start(daemon, data)
        [alarm] = until(lambda: standing(data), 20)
        assert alarm["id"] == "site.config_refused"
        assert "is not used, the last good configuration is: " in alarm["text"]
        assert (channel(data)["state"], channel(data)["confirmed_at_s"] is not None) == ("delivered", True)
        until(lambda: any("is not used" in str(m["message"]) for m in server.messages()), 60, str(server.messages()))
        assert (data / last_good.NAME).read_text() == good
        assert daemon.stop() == 0

        file.write_text(good)
        start(daemon, data)
        until(lambda: not standing(data), 30)
    finally:
        if daemon.process is not None and daemon.process.poll() is None:
            daemon.stop()


def test_without_a_good_configuration_ever_it_says_what_to_mend(tmp_path: Path) -> None:
    file = tmp_path / "config.toml"
    file.write_text(CONFIG.replace("litres", "liters"))
    daemon = Daemon(file)
    daemon.spawn()
    assert daemon.process is not None
    assert daemon.process.wait(60) == 2
    assert "liters" in daemon.log.read_text()
