"""A real daemon and a real watcher: killed, frozen, cut off or blind, its heartbeat stops within two periods."""

from __future__ import annotations

import contextlib
import selectors
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from helpers.daemon import STRIP, THERMOMETER, TRUSTED_LIBRARY, Daemon, one_wire
from helpers.receivers import Receiver
from helpers.waiting import until

pytestmark = pytest.mark.slow

PERIOD_S = 5.0
"""The shortest that the configuration allows."""
CONFIG = (
    TRUSTED_LIBRARY
    + STRIP
    + THERMOMETER
    + """
silent_seconds = 5
[push]
server = "{push}"
topic = "tanks"
[contacts]
quiet_from = "00:00"
quiet_until = "24:00"
[heartbeat]
url = "{watcher}/alive"
every_seconds = 5
deadline_s = 2
[page]
enabled = false
[storage]
folder = "{data}"
flush_seconds = 1
"""
)


class Wire:
    """The way to the outside: passes bytes on until it is cut; then it takes them and lets nothing through."""

    def __init__(self, port: int) -> None:
        self.cut = False
        self._to, self._stop = port, threading.Event()
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        held = []
        with contextlib.suppress(OSError):
            while not self._stop.is_set():
                conn, _ = self._server.accept()
                if self.cut:
                    held.append(conn)
                else:
                    threading.Thread(target=self._pass_on, args=(conn,), daemon=True).start()
        for conn in held:
            conn.close()

    def _pass_on(self, near: socket.socket) -> None:
        with contextlib.suppress(OSError), near, socket.create_connection(("127.0.0.1", self._to), 5) as far:
            watch = selectors.DefaultSelector()
            watch.register(near, selectors.EVENT_READ, far)
            watch.register(far, selectors.EVENT_READ, near)
            while not self._stop.is_set() and not self.cut:
                for key, _ in watch.select(0.2):
                    got = key.fileobj.recv(65536)  # type: ignore[union-attr]
                    if not got:
                        return
                    key.data.sendall(got)

    def close(self) -> None:
        self._stop.set()
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()


class Watcher:
    """Counts the pings that come through, by the monotonic clock."""

    def __init__(self) -> None:
        self.receiver = Receiver()
        self.wire = Wire(self.receiver.port)

    def pings(self) -> int:
        return len(self.receiver.requests)

    def next_ping(self, within_s: float) -> float:
        """Wait for one more; returns how long it took, seconds."""
        seen, began_s = self.pings(), time.monotonic()
        until(lambda: self.pings() > seen, within_s, "a ping")
        return time.monotonic() - began_s

    def silence(self, what: str) -> float:
        """What still comes within two periods, and then that nothing does for one more; seconds to the last ping."""
        began_s = last_s = time.monotonic()
        seen = self.pings()
        while time.monotonic() - began_s < 3 * PERIOD_S + 1.0:
            if self.pings() != seen:
                seen, last_s = self.pings(), time.monotonic()
            time.sleep(0.02)
        assert last_s - began_s <= 2 * PERIOD_S, f"{what}: still pinged after {last_s - began_s:.1f} s"
        return last_s - began_s

    def close(self) -> None:
        self.wire.close()
        self.receiver.close()


@pytest.fixture
def house(tmp_path: Path) -> Iterator[dict[str, Any]]:
    with ExitStack() as stack:
        tree, push, watcher = tmp_path / "w1", Receiver("500"), Watcher()
        stack.callback(push.close)
        stack.callback(watcher.close)
        file = one_wire(tree, "28-000000000001", 24.25)
        config = tmp_path / "config.toml"
        outside = f"http://127.0.0.1:{watcher.wire.port}"
        config.write_text(CONFIG.format(tree=tree, push=push.url, watcher=outside, data=tmp_path / "data"))
        config.chmod(0o600)
        daemon = Daemon(config).start()

        def kill() -> None:
            assert daemon.process is not None
            daemon.process.send_signal(signal.SIGCONT)
            daemon.kill()

        stack.callback(kill)
        yield {"daemon": daemon, "watcher": watcher, "file": file, "tree": tree}


def is_silent(daemon: Daemon) -> bool:
    probe = daemon.view()["tanks"][0]["probes"][0]
    return not probe["fresh"] and "silent" in probe["trouble"]


@pytest.mark.timeout(240)
def test_four_ways_to_fall_silent(house: dict[str, Any], capsys: pytest.CaptureFixture[str]) -> None:
    daemon, watcher = house["daemon"], house["watcher"]
    figures: list[tuple[str, float]] = []

    def falls_silent(what: str, blow: Callable[[], object]) -> None:
        blow()
        figures.append((what, watcher.silence(what)))

    watcher.next_ping(30)
    figures.append(("one period while all is well", watcher.next_ping(2 * PERIOD_S)))

    house["file"].unlink()  # the probe is unplugged, and quiet hours hold the news of it
    until(lambda: is_silent(daemon), 30, "the probe to be silent")
    falls_silent("blind", lambda: None)
    assert "no probe is heard any more" in daemon.log.read_text()
    one_wire(house["tree"], "28-000000000001", 24.25)
    figures.append(("seen again, ping after", watcher.next_ping(30)))

    falls_silent("cut off", lambda: setattr(watcher.wire, "cut", True))
    assert daemon.command("status").returncode == 0, "it goes on without the network"
    watcher.wire.cut = False
    figures.append(("network back, ping after", watcher.next_ping(2 * PERIOD_S + 2.0)))

    falls_silent("frozen", lambda: daemon.process.send_signal(signal.SIGSTOP))
    daemon.process.send_signal(signal.SIGCONT)
    figures.append(("thawed, ping after", watcher.next_ping(30)))

    falls_silent("killed", daemon.kill)
    assert "the evaluation has not run" not in daemon.log.read_text().split("no probe")[0], "nothing odd at the start"
    with capsys.disabled():
        print(f"\nheartbeat of {PERIOD_S:.0f} s; seconds to the last ping:")
        for what, seconds in figures:
            print(f"  {what:30} {seconds:5.1f}")
