"""What DEVELOPERS.md shows of adding a driver, an alarm, an outlet and a kind of entry is done in a copy of the tree.

Each works as written, and touches no more files than it says: driver 5, alarm 4, outlet 4, entry 6 at most.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

TOP = Path(__file__).parents[1]
TEXT = (TOP / "DEVELOPERS.md").read_text()
MOST = {"driver": 5, "alarm": 4, "outlet": 4, "kind of entry": 6}
_STEP = re.compile(
    r"^`(?P<file>[\w./-]+)`(?:, (?P<where>after|before|instead of) `(?P<anchor>[^\n]+)`|, (?P<end>at its end))?:\n\n"
    r"```\w*\n(?P<block>.*?)^```$"
    r"|^`(?P<made>[\w./-]+)`: `(?P<command>[^`]+)`$",
    re.M | re.S,
)


def steps(what: str) -> list[re.Match[str]]:
    section = re.search(rf"^### Add an? {what}\n(.*?)(?=^### )", TEXT, re.M | re.S)
    assert section is not None
    return list(_STEP.finditer(section[1]))


def run(top: Path, *words: str) -> str:
    path = os.pathsep.join(str(top / folder) for folder in ("daemon", "drivers", "tests"))
    done = subprocess.run(
        [sys.executable, *words],
        cwd=top,
        env=os.environ | {"PYTHONPATH": path},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def change(top: Path, step: re.Match[str]) -> str:
    """Do one step; returns the file that it touched."""
    if step["made"]:
        module = step["command"].removeprefix("python -m ").split(" > ")[0]
        (top / step["made"]).write_text(run(top, "-m", module))
        return str(step["made"])
    file, block = top / step["file"], step["block"]
    if step["end"]:
        file.write_text(file.read_text() + block)
    elif step["where"] is None:
        assert not file.exists(), f"{step['file']} is there already"
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(block)
    else:
        before, anchor = file.read_text(), step["anchor"]
        lines = [n for n, line in enumerate(before.splitlines()) if line.strip().startswith(anchor.strip())]
        assert lines, f"{step['file']} has no line {anchor!r}"
        at = lines[0] + (step["where"] == "after")
        kept = before.splitlines(keepends=True)
        rest = kept[at + 1 :] if step["where"] == "instead of" else kept[at:]
        file.write_text("".join([*kept[:at], block, *rest]))
    return str(step["file"])


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    for part in ("daemon", "drivers", "deploy", "tests/helpers", "tests/recordings", "tests/drivers"):
        shutil.copytree(TOP / part, tmp_path / part, ignore=shutil.ignore_patterns("__pycache__", "*.egg-info"))
    for file in ("config.example.toml", "tests/walls.py", "tests/walls.toml", "pyproject.toml"):
        shutil.copy(TOP / file, tmp_path / file)
    return tmp_path


TRIED = {
    "driver": "from rushlight_drivers import Channel, load\n"
    "spec = load('steady')\n"
    "driver = spec.build([Channel('p', spec.options(value=24.5), 'temperature', '', 1.0)], lambda: 7.0)\n"
    "driver.open()\n"
    "assert [(s.channel, s.mono_s, s.value) for s in driver.poll(0.1)] == [('p', 7.0, 24.5)]",
    "alarm": "from pathlib import Path\n"
    "from rushlight.alarms.table import TABLE\n"
    "assert 'water_cloudy' in TABLE and '## water_cloudy' in Path('deploy/alarms.md').read_text()",
    "outlet": "from rushlight.config import loading as config\n"
    "from rushlight.service import notifying\n"
    "text = open('daemon/rushlight/demo/rowan_street.toml').read() + '[notice]\\nfile = \"n.txt\"\\n'\n"
    "assert list(notifying.outlets(config.check(config.parse(text)), lambda: 0.0))[-1] == 'notice'",
    "kind of entry": "from rushlight.cli.recording import _KINDS\nassert 'ground' in _KINDS",
}


@pytest.mark.parametrize("what", MOST)
def test_it_works_as_written(tree: Path, what: str) -> None:
    touched = {change(tree, step) for step in steps(what)}
    assert 3 <= len(touched) <= MOST[what], touched
    run(tree, "-c", TRIED[what])
    run(tree, "tests/walls.py")
    if what == "driver":
        named = ["-k", "steady or Steady"]
        run(tree, "-m", "pytest", "-q", "-p", "no:cacheprovider", "tests/drivers/test_conformance.py", *named)
        run(tree, "-m", "pytest", "-q", "-p", "no:cacheprovider", "tests/drivers/test_recordings.py", *named)
    for test in (f for f in touched if Path(f).name.startswith("test_")):
        run(tree, "-m", "pytest", "-q", "-p", "no:cacheprovider", test)
