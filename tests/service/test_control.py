"""The door for commands on the same machine."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from helpers.site import CONFIG, config_of
from helpers.waiting import until
from rushlight.service import control, service, workers
from rushlight.service.control import Control

DEEP = "d" * 120


@pytest.mark.parametrize("without_proc", [False, True])
@pytest.mark.parametrize("name", ["near", DEEP])
def test_a_folder_deeper_than_a_socket_address_may_be_long(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, without_proc: bool
) -> None:
    """unix(7): an address holds 107 bytes."""
    if without_proc:
        monkeypatch.setattr(control, "FOLDERS_BY_NUMBER", tmp_path / "nothing")
    folder = tmp_path / name
    folder.mkdir()
    door = Control(folder, {"double": lambda asked: {"is": asked["x"] * 2}})
    door.start()
    assert control.ask(folder, do="double", x=4) == {"is": 8}
    with pytest.raises(RuntimeError, match="no such request"):
        control.ask(folder, do="nothing")
    door.close()
    with pytest.raises(control.NotRunningError):
        control.ask(folder, do="double", x=4)


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root to take /proc away")
@pytest.mark.parametrize("name", ["near", DEEP])
def test_commands_are_let_in_where_nothing_is_mounted_at_proc(tmp_path: Path, name: str) -> None:
    folder = tmp_path / name
    folder.mkdir()
    code = (
        "import sys, pathlib; from rushlight.service import control; folder = pathlib.Path(sys.argv[1])\n"
        "assert not pathlib.Path('/proc/self').exists()\n"
        "door = control.Control(folder, {'double': lambda asked: {'is': asked['x'] * 2}}); door.start()\n"
        "print(control.ask(folder, do='double', x=4)['is']); door.close()"
    )
    hidden = ["unshare", "--mount", "sh", "-c", 'mount -t tmpfs none /proc && exec "$@"', "sh"]
    done = subprocess.run(
        [*hidden, sys.executable, "-c", code, folder], capture_output=True, text=True, check=False, timeout=30
    )
    if "Operation not permitted" in done.stderr or "permission denied" in done.stderr:
        pytest.skip("may not mount here")
    assert (done.stdout, done.returncode) == ("8\n", 0), done.stderr


def test_a_door_that_can_not_be_opened_is_told_and_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    said: list[str] = []

    def shut(*_: object) -> Control:
        raise PermissionError("no socket today")

    monkeypatch.setattr(service, "Control", shut)
    monkeypatch.setattr(service, "_SAY_EVERY_S", 0.0)
    monkeypatch.setattr(workers, "_TURN_S", 0.1)
    text = f'{CONFIG}\n[storage]\nfolder = "{tmp_path}"\n[page]\nenabled = false\n'
    daemon = service.Service(config_of(text), tmp_path, sys=tmp_path / "sys", synchronised=lambda: True)
    monkeypatch.setattr(daemon.notifier, "status", said.append)
    thread = threading.Thread(target=daemon.run)
    thread.start()
    try:
        line = until(lambda: said and said[-1], 30, "a line for systemctl status")
        assert line.endswith("; commands don't reach it: no socket today"), line
        until(lambda: len(said) > 1, 30, "another look")
        assert [r.getMessage() for r in caplog.records if "control=off" in r.getMessage()] == [
            "control=off why='no socket today'"
        ]
        monkeypatch.setattr(service, "Control", Control)
        until(lambda: control.answers(tmp_path), 30, "the door")
        until(lambda: "reach" not in said[-1], 30, "the line without it")
    finally:
        daemon.stop.set()
        thread.join(20)
    assert not thread.is_alive()
    assert not control.answers(tmp_path), "nothing of it is left"
