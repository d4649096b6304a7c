"""What the service manager hears, against sd_notify(3): datagrams on a path or an abstract socket."""

from __future__ import annotations

import contextlib
import os
import socket
import time
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest

from rushlight.clock import SimulatedClock
from rushlight.host import sdnotify


@contextlib.contextmanager
def listener(address: str) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
        s.bind("\0" + address[1:] if address.startswith("@") else address)
        s.settimeout(2)
        yield s


@pytest.mark.parametrize("kind", ["path", "abstract"])
def test_each_message_is_one_datagram_in_the_words_of_sd_notify(kind: str, tmp_path: Path) -> None:
    address = str(tmp_path / "n") if kind == "path" else f"@rushlight-{uuid.uuid4()}"
    with listener(address) as s:
        n = sdnotify.Notifier(address)
        n.ready()
        n.status("foyer: well\nreading-room: well")
        n.alive()
        n.longer(2.5)
        n.stopping()
        heard = [s.recv(1000).decode() for _ in range(5)]
    assert heard == [
        "READY=1",
        "STATUS=foyer: well reading-room: well",
        "WATCHDOG=1",
        "EXTEND_TIMEOUT_USEC=2500000",
        "STOPPING=1",
    ]


def test_address_comes_from_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "n"))
    with listener(str(tmp_path / "n")) as s:
        sdnotify.Notifier().ready()
        assert s.recv(100) == b"READY=1"


def test_the_same_status_is_said_once(tmp_path: Path) -> None:
    with listener(str(tmp_path / "n")) as s:
        n = sdnotify.Notifier(str(tmp_path / "n"))
        for text in ("a", "a", "b"):
            n.status(text)
        assert [s.recv(100), s.recv(100)] == [b"STATUS=a", b"STATUS=b"]
        s.setblocking(False)
        with pytest.raises(BlockingIOError):
            s.recv(100)


def test_without_a_service_manager_nothing_happens(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    n = sdnotify.Notifier()
    assert not n
    n.ready()
    n.alive()


def test_an_unreachable_service_manager_is_logged_once_and_stops_nothing(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    n = sdnotify.Notifier(str(tmp_path / "nobody"))
    n.ready()
    n.alive()
    assert len(caplog.records) == 1
    sdnotify.Notifier(str(tmp_path / ("x" * 200))).ready()  # longer than a socket's name may be


@pytest.mark.parametrize(
    ("environ", "expected"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "90000000"}, 90.0),
        ({"WATCHDOG_USEC": "90000000", "WATCHDOG_PID": "77"}, 90.0),
        (
            {"WATCHDOG_USEC": "90000000", "WATCHDOG_PID": "78"},
            None,
        ),  # meant for another process: sd_watchdog_enabled(3)
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_watchdog_interval_is_read_as_sd_watchdog_enabled_does(environ: dict[str, str], expected: float | None) -> None:
    assert sdnotify.watchdog_s(environ, pid=77) == expected


def test_own_process_id_is_the_default() -> None:
    assert sdnotify.watchdog_s({"WATCHDOG_USEC": "1000000", "WATCHDOG_PID": str(os.getpid())}) == 1.0


def test_each_worker_is_held_to_its_own_limit() -> None:
    clock = SimulatedClock()
    board = sdnotify.Progress(clock.mono_s)
    quick, slow = board.join("engine", 5), board.join("mail", 60)
    clock.advance(4)
    quick()
    clock.advance(4)
    assert board.late() == []
    clock.advance(2)
    assert board.late() == ["engine (6 s)"]
    quick()
    clock.advance(51)
    assert board.late() == ["engine (51 s)", "mail (61 s)"]
    quick()
    slow()
    assert board.late() == []
    board.leave("mail")
    clock.advance(100)
    assert board.late() == ["engine (100 s)"]


def test_a_name_on_the_board_belongs_to_one_worker() -> None:
    board = sdnotify.Progress(SimulatedClock().mono_s)
    board.join("engine", 5)
    with pytest.raises(ValueError, match="engine"):
        board.join("engine", 5)


def test_a_step_of_the_wall_clock_makes_nobody_late() -> None:
    clock = SimulatedClock()
    board = sdnotify.Progress(clock.mono_s)
    board.join("engine", 5)
    clock.step_wall(54 * 365.25 * 86400)
    assert board.late() == []


def test_watchdog_is_fed_only_while_everybody_progresses(tmp_path: Path) -> None:
    clock = SimulatedClock()
    with listener(str(tmp_path / "n")) as s:
        n, board = sdnotify.Notifier(str(tmp_path / "n")), sdnotify.Progress(clock.mono_s)
        board.join("engine", 5)
        assert sdnotify.feed(n, board) == []
        assert s.recv(100) == b"WATCHDOG=1"
        clock.advance(6)
        assert sdnotify.feed(n, board) == ["engine (6 s)"]
        assert s.recv(100) == b"STATUS=stuck: engine (6 s)"
        s.setblocking(False)
        with pytest.raises(BlockingIOError):
            s.recv(100)


def test_a_manager_that_does_not_read_costs_no_turn_and_hears_the_rest_later(tmp_path):
    """The kernel's queue of a datagram socket fills (unix(7)); sending with a time limit then spun for two seconds."""
    path = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(path))
        notifier = sdnotify.Notifier(str(path))
        before_s = time.process_time()
        for _ in range(2000):
            notifier.alive()
        notifier.ready()
        assert time.process_time() - before_s < 1.0
        manager.setblocking(False)
        heard = []

        def drain():
            try:
                while True:
                    heard.append(manager.recv(100))
            except BlockingIOError:
                pass

        drain()
        assert b"READY=1" not in heard
        notifier.alive()
        drain()
        assert b"READY=1" in heard
