"""The door for commands on the same machine."""

from __future__ import annotations

from pathlib import Path

import pytest

from rushlight.service import control
from rushlight.service.control import Control


def test_a_folder_deeper_than_a_socket_address_may_be_long(tmp_path: Path) -> None:
    """unix(7): an address holds 107 bytes."""
    folder = tmp_path / ("d" * 120)
    folder.mkdir()
    door = Control(folder, {"double": lambda asked: {"is": asked["x"] * 2}})
    door.start()
    assert control.ask(folder, do="double", x=4) == {"is": 8}
    with pytest.raises(RuntimeError, match="no such request"):
        control.ask(folder, do="nothing")
    door.close()
    with pytest.raises(control.NotRunningError):
        control.ask(folder, do="double", x=4)
