"""The page over version 6 of the internet protocol: on its own address, and on every address of the machine."""

from __future__ import annotations

import http.client
import socket
import threading
from pathlib import Path

import pytest

from helpers.site import config_of
from helpers.waiting import until
from rushlight.clock import SystemClock
from rushlight.journal.store import Journal
from rushlight.service.engine import Engine
from rushlight.service.page_wiring import EnginePage
from rushlight.web.app import App
from rushlight.web.serving.access import Access
from rushlight.web.serving.server import Server


def has_version_six() -> bool:
    try:
        with socket.socket(socket.AF_INET6) as s:
            s.bind(("::1", 0))
    except OSError:
        return False
    return True


pytestmark = pytest.mark.skipif(not has_version_six(), reason="this machine has no ::1")


def asked(address: str, port: int) -> int:
    conn = http.client.HTTPConnection(address, port, timeout=10)
    try:
        host = f"[{address}]" if ":" in address else address
        conn.request("GET", "/", headers={"Host": f"{host}:{port}"})
        return conn.getresponse().status
    finally:
        conn.close()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("listen", "answering"), [("::1", ["::1"]), ("::", ["::1", "127.0.0.1"]), ("0.0.0.0", ["127.0.0.1"])]
)
def test_the_page_answers_at_each_address_that_it_listens_on(listen: str, answering: list[str], tmp_path: Path) -> None:
    clock, stop = SystemClock(), threading.Event()
    journal = Journal(tmp_path / "journal.db", boot_id="boot-1")
    journal.open(clock.wall_s())
    engine = Engine(config_of(), journal, clock, boot_id="boot-1", synchronised=lambda: True)
    server = Server(App(EnginePage(engine), Access(tmp_path, engine.now_s, clock.mono_s)), listen, 0, clock)
    thread = threading.Thread(target=lambda: server.run(stop, lambda: None), daemon=True)
    thread.start()
    try:
        until(server.listening.is_set, 10, "the page")
        assert {address: asked(address, server.port) for address in answering} == dict.fromkeys(answering, 303)
    finally:
        stop.set()
        thread.join(20)
        journal.close(clock.wall_s())
