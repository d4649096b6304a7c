"""A snapshot never outlives the code that made it."""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import replace
from importlib import resources
from pathlib import Path

import pytest

from helpers.site import config_of, lines_of
from rushlight import eventlines
from rushlight.clock import SimulatedClock
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.service import offline, snapshots
from rushlight.service.engine import Engine


@pytest.fixture
def package(tmp_path: Path) -> Path:
    """A copy of the code, to be changed."""
    with resources.as_file(resources.files("rushlight")) as here:
        return Path(shutil.copytree(here, tmp_path / "rushlight", ignore=shutil.ignore_patterns("__pycache__")))


@pytest.mark.parametrize(
    "name", ["tank/nitrate/watch.py", "alarms/wording/words.py", "core/step.py", "science/chemistry/ammonia.py"]
)
def test_any_change_of_the_core_is_another_version_and_nothing_else_is(package: Path, name: str) -> None:
    before = snapshots.code_digest(package)
    assert before == snapshots.code_digest(resources.files("rushlight")), "where it lies does not matter"
    (package / "web" / "app.py").write_text("# another page\n")
    (package / "core" / "__pycache__").mkdir()
    (package / "core" / "__pycache__" / "x.pyc").write_bytes(b"compiled")
    assert snapshots.code_digest(package) == before
    (package / name).write_text((package / name).read_text() + "\n")
    changed = snapshots.code_digest(package)
    assert changed != before
    (package / name).write_text((package / name).read_text().replace("a", "b", 1))
    assert snapshots.code_digest(package) != changed, "a change that is no longer nor shorter"
    changed = snapshots.code_digest(package)
    (package / name).rename((package / name).with_name("renamed.py"))
    assert snapshots.code_digest(package) not in (before, changed)


def test_all_that_the_core_is_made_of_is_counted() -> None:
    """What Python loads for the core and for reading a journal's lines, asked of a fresh interpreter."""
    script = (
        "import sys, rushlight.core.view, rushlight.eventlines\n"
        "print(*(m.__file__ for n, m in sys.modules.items() if n.startswith('rushlight.')))"
    )
    loaded = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout.split()
    package = str(resources.files("rushlight"))
    ours = {path.removeprefix(f"{package}/") for path in loaded}
    ours -= {f"{room}/__init__.py" for room in ("config", "entry")}  # nothing but their promise
    counted = {path for path in ours if any(path == name or path.startswith(f"{name}/") for name in snapshots.CORE)}
    assert ours - counted == set(), "loaded for the core, and no part of the digest"
    idle = {name for name in snapshots.CORE if not any(path == name or path.startswith(f"{name}/") for path in ours)}
    assert idle == set(), "part of the digest, and not of the core"


def test_after_an_upgrade_the_state_is_made_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A snapshot by older code, whose state is another than ours would be, is not gone by."""
    config = config_of()
    lines = lines_of("foyer-temperature", [24.0] * 60 + [29.0] * 36, start="2026-03-01T06:00:00Z", every_s=300)
    test = (
        '{"at":"2026-03-01T15:00:00Z","id":"t","kind":"test","tank":"foyer","method":"strip","values":{"nitrate":25}}'
    )
    events = [eventlines.parse_line(line) for line in [*lines, test]]
    later_s = events[-1].at_s + 60.0
    older = replace(config, tank=tuple(replace(t, litres=3 * t.litres) for t in config.tank))  # stands for other code
    version = snapshots.version(config)
    monkeypatch.setattr(snapshots, "version", lambda _config: "older-code")
    offline.fill(older, tmp_path, events, later_s)
    monkeypatch.setattr(snapshots, "version", lambda _config: version)
    journal = offline.open_journal(config, tmp_path, later_s)
    try:
        engine = Engine(config, journal, SimulatedClock(wall_s=later_s), boot_id="b", synchronised=lambda: True)
        rebuilt = Timeline(Core(config), Core(config).initial())
        for stored in journal.events_since(0):
            rebuilt.feed(stored.event)
        reached = engine.timeline.state.at_s
        assert reached is not None
        rebuilt.advance(reached)
        assert snapshots.dump(engine.timeline.state) == snapshots.dump(rebuilt.state)
    finally:
        journal.close(later_s)
