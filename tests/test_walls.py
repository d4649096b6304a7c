"""The walls hold, and would not hold if a room imported what it may not: each is tried with a real forbidden import."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parents[1]
sys.path.insert(0, str(TOP / "tests"))

import walls  # noqa: E402

LIST = walls.read(TOP / "tests/walls.toml")


def run(top: Path) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, str(top / "tests/walls.py")], capture_output=True, text=True, timeout=60, check=False
    )
    return done.returncode, done.stdout + done.stderr


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    top = tmp_path_factory.mktemp("tree")
    for part in ("daemon", "drivers"):
        shutil.copytree(TOP / part, top / part, ignore=shutil.ignore_patterns("__pycache__", "*.egg-info"))
    (top / "tests").mkdir()
    for file in ("walls.py", "walls.toml"):
        shutil.copy(TOP / "tests" / file, top / "tests" / file)
    return top


def test_they_hold(tree: Path) -> None:
    assert run(tree) == (0, "the walls hold\n")


def module_of(top: Path, room: str) -> Path:
    """A file that stands in the room itself."""
    place = walls.place_of(room, top)
    if not place.is_dir():
        return place.with_suffix(".py")
    return max((f for f in place.glob("*.py")), key=lambda f: (f.name != "__init__.py", f.name))


def forbidden(room: walls.Room) -> str:
    """An import that this room may not have: a library for a pure one, else a room above it."""
    if room.pure:
        return "import jinja2"
    if room.name == "cli":
        return "import sqlite3"
    return "import rushlight.cli.common"


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(LIST.rooms))
def test_a_forbidden_import_is_named(tree: Path, name: str) -> None:
    file = module_of(tree, name)
    before = file.read_text()
    line = forbidden(LIST.rooms[name])
    file.write_text(f"{before}\n{line}\n")
    try:
        code, said = run(tree)
    finally:
        file.write_text(before)
    assert code == 1
    assert f"{name} may not " in said, said


@pytest.mark.slow
@pytest.mark.parametrize(
    "line", ["import os", "import sqlite3", "def f():\n    import socket", "import rushlight.clock"]
)
def test_the_core_stays_pure_however_it_is_written(tree: Path, line: str) -> None:
    file = tree / "daemon/rushlight/core/tank.py"
    before = file.read_text()
    file.write_text(f"{before}\n{line}\n")
    try:
        code, said = run(tree)
    finally:
        file.write_text(before)
    assert code == 1
    assert "rushlight.core.tank" in said


def test_a_chain_that_may_never_be(tree: Path) -> None:
    """The page may import the journal, and the journal by mistake the core: then the page leads to the core."""
    listed, file = tree / "tests/walls.toml", tree / "daemon/rushlight/journal/reader.py"
    before, code_before = listed.read_text(), file.read_text()
    listed.write_text(
        before.replace('[room.journal]\nrooms = ["effects"', '[room.journal]\nrooms = ["core", "effects"')
    )
    file.write_text(f"{code_before}\nimport rushlight.core.wakeups\n")
    try:
        code, said = run(tree)
    finally:
        listed.write_text(before)
        file.write_text(code_before)
    assert code == 1
    assert "web may never lead to core: web → journal → core" in said


def test_a_module_in_no_room_and_an_untrue_promise(tree: Path) -> None:
    stray, init = tree / "daemon/rushlight/stray.py", tree / "daemon/rushlight/science/__init__.py"
    before = init.read_text()
    stray.write_text('"""Nobody\'s."""\n')
    init.write_text(before.replace("settings", "settings, journal"))
    try:
        code, said = run(tree)
    finally:
        stray.unlink()
        init.write_text(before)
    assert code == 1
    assert "rushlight.stray stands in no room" in said
    assert "science/__init__.py does not say" in said
