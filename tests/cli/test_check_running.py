"""`rushlight check` beside a running daemon: the port is the daemon's alone, so the daemon is asked."""

from __future__ import annotations

from pathlib import Path

import pytest

from helpers.daemon import Daemon
from helpers.serialbench import Board
from helpers.site import CONFIG
from helpers.waiting import until

pytestmark = pytest.mark.slow

SERIAL = """
[[probe]]
id = "foyer-board"
tank = "foyer"
quantity = "temperature"
driver = "lines"
port = "{port}"
field = "temp"
format = "pairs"
every_seconds = 2
settle_s = 0.0
silent_seconds = 6

[storage]
folder = "{folder}"
[page]
enabled = false
"""


def test_a_serial_probe_is_well_while_the_daemon_holds_its_port(tmp_path: Path) -> None:
    board = Board(tmp_path / "board")
    file = tmp_path / "config.toml"
    file.write_text(CONFIG + SERIAL.format(port=board.path, folder=tmp_path / "data"))
    daemon = Daemon(file)
    board.keep_saying(b"temp=24.5\n", 0.2)
    try:
        alone = daemon.command("check")
        assert "24.5" in alone.stdout
        assert "the daemon is running" not in alone.stdout
        daemon.start()
        until(lambda: any(p["value"] for t in daemon.view()["tanks"] for p in t["probes"]), 20)
        beside = daemon.command("check")
        assert "the daemon is running and holds their ports" in beside.stdout
        assert "24.5" in beside.stdout
        assert "NOT WELL" not in beside.stdout
        board.unplug()
        blind = until(lambda: (c := daemon.command("check", check=False)).returncode == 1 and c, 30)
        assert "NOT WELL" in blind.stdout
    finally:
        if daemon.process is not None:
            daemon.stop()
        board.unplug()


def test_a_topic_that_others_may_read_is_not_well(tmp_path: Path) -> None:
    """Whoever knows the topic reads the alarms, so the file that holds it is nobody else's."""
    file = tmp_path / "config.toml"
    file.write_text(
        CONFIG
        + f'[push]\nserver = "http://127.0.0.1:9"\ntopic = "a-topic"\n[storage]\nfolder = "{tmp_path / "data"}"\n'
    )
    daemon, topic = Daemon(file), "which others may read"
    file.chmod(0o644)
    open_ = daemon.command("check", "--no-probes", check=False)
    assert open_.returncode == 1
    assert topic in " ".join(open_.stdout.split()) and "push.topic" in open_.stdout
    file.chmod(0o640)
    assert topic not in " ".join(daemon.command("check", "--no-probes", check=False).stdout.split())
