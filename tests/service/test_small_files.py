"""Garbage in the small files beside the journal, met by a real daemon: put aside, made anew where that is safe, told."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from helpers.daemon import LIBRARY, STRIP, Daemon
from helpers.page import Client
from helpers.receivers import free_port
from helpers.waiting import until
from rushlight.service import control

pytestmark = pytest.mark.slow

CONFIG = (
    LIBRARY
    + STRIP
    + """
[page]
port = {port}
[heartbeat]
accept_none = true
[storage]
folder = "{data}"
"""
)
PASSPHRASE = "sedge and water mint"


@pytest.fixture
def place(tmp_path: Path) -> Iterator[tuple[Daemon, Path, int]]:
    port, data = free_port(), tmp_path / "data"
    (tmp_path / "config.toml").write_text(CONFIG.format(port=port, data=data))
    daemon = Daemon(tmp_path / "config.toml")
    yield daemon, data, port
    if daemon.process is not None and daemon.process.poll() is None:
        daemon.kill()


def storage(data: Path) -> str:
    return str(control.ask(data, do="view")["view"]["storage"])


def up(daemon: Daemon, data: Path) -> None:
    daemon.spawn()
    until(lambda: control.answers(data), 60)
    until(lambda: "page=listening" in daemon.log.read_text() or "page=off" in daemon.log.read_text(), 30)


def test_garbage_is_put_aside_and_made_anew_where_that_is_safe(place: tuple[Daemon, Path, int]) -> None:
    daemon, data, port = place
    up(daemon, data)
    phone = Client(port)
    found = re.search(r"code=(\S+)", daemon.log.read_text())
    assert found
    phone.get("/setup")
    form = {"code": found.group(1), "passphrase": PASSPHRASE, "again": PASSPHRASE, "name": "phone"}
    assert phone.post("/setup", form).status == 303
    name = (data / "installation").read_text()
    daemon.stop()
    (data / "installation").write_bytes(b"\xff\x00 not a name")
    (data / "page.json").write_bytes(b'{"secret": ')
    daemon.log.write_text("")
    up(daemon, data)
    assert (data / "installation").read_text() == name, "hub and store would see everything twice"
    assert phone.get("/").status == 200, "who was let in before is let in still"
    said = until(lambda: (s := storage(data)) and "page.json" in s and s, 10, "it is told")
    assert "installation" in said
    assert (data / "installation.set-aside").read_bytes().startswith(b"\xff")
    assert (data / "page.json.set-aside").exists()
    assert "code=" not in daemon.log.read_text(), "starting over would let in whoever reads the log"


def test_without_a_copy_the_page_stays_shut_and_says_so(place: tuple[Daemon, Path, int]) -> None:
    daemon, data, _ = place
    data.mkdir()
    for name in ("page.json", "page.json.copy"):
        (data / name).write_text("[]")
    (data / "installation").write_text("")
    up(daemon, data)
    assert "The page is off" in until(lambda: storage(data), 10)
    assert "code=" not in daemon.log.read_text()
    assert re.fullmatch(r"[0-9a-f]{16}\n", (data / "installation").read_text())
