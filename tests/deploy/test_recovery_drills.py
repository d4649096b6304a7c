"""Recovery drills with the whole daemon: a wrong clock at boot, and an upgrade across two forms of the journal.

The drills that need a machine of their own (a clean system, a dead card) are in test_docs_commands.py, where they
follow recovery.md word for word.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from helpers.waiting import until
from rushlight.clock import SystemClock
from rushlight.config import loading as configuration
from rushlight.service import control
from rushlight.service.service import Service

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "daemon/rushlight/demo/rowan_street.toml"
DAY_S = 86400.0


class BoardClock(SystemClock):
    """The real clocks, with the wall clock off by `shift_s` as on a board that lost power."""

    def __init__(self, shift_s: float) -> None:
        self.shift_s = shift_s

    def wall_s(self) -> float:
        return super().wall_s() + self.shift_s


def settings(folder: Path) -> configuration.Config:
    """The invented library with one live thermometer, talking each second."""
    raw = tomllib.loads(DEMO.read_text())
    raw["probe"] = [{"id": "t", "tank": "foyer", "quantity": "temperature", "driver": "simulated", "every_seconds": 1}]
    raw["storage"] = {"folder": str(folder), "flush_seconds": 1}
    return configuration.check(raw)


@contextlib.contextmanager
def running(folder: Path, clock: BoardClock, boot_id: str, synchronised: Callable[[], bool]) -> Iterator[Service]:
    service = Service(settings(folder), folder, clock, boot_id=boot_id, synchronised=synchronised)
    status: list[int] = []
    thread = threading.Thread(target=lambda: status.append(service.run()))
    thread.start()
    try:
        until(lambda: _answers(folder), what="the daemon answers")
        yield service
    finally:
        service.stop.set()
        thread.join(30)
    assert status == [0]


def _answers(folder: Path) -> bool:
    with contextlib.suppress(control.NotRunningError):
        control.ask(folder, do="view")
        return True
    return False


def exported(folder: Path) -> list[dict[str, Any]]:
    config_file = folder.parent / "config.toml"
    config_file.write_text(DEMO.read_text() + f'\n[storage]\nfolder = "{folder}"\n')
    done = subprocess.run([RUSHLIGHT, "export", "--config", config_file], capture_output=True, text=True, check=True)
    return [json.loads(line) for line in done.stdout.splitlines()]


RUSHLIGHT = str(Path(sys.executable).with_name("rushlight"))


def unix_s(text: str) -> float:
    return dt.datetime.fromisoformat(text).timestamp()


def strip_test(at_s: float, id_: str) -> dict[str, Any]:
    at = dt.datetime.fromtimestamp(at_s, dt.UTC).isoformat()
    return {"kind": "test", "at": at, "id": id_, "tank": "foyer", "method": "strip", "values": {"nitrate": 25.0}}


@pytest.mark.parametrize("shift_s", [-700 * DAY_S, 400 * DAY_S], ids=["back to the past", "off to the future"])
def test_a_wrong_clock_at_boot_leaves_no_wrong_time_behind(tmp_path: Path, shift_s: float) -> None:
    folder = tmp_path / "data"
    synchronised = threading.Event()

    # A life before, with the right time.
    synchronised.set()
    began_s = time.time()
    with running(folder, BoardClock(0.0), "first boot", synchronised.is_set):
        control.ask(folder, do="record", line=strip_test(time.time(), "before"))
    synchronised.clear()

    # The board comes up with the wrong time and works at once; somebody tests; then the network tells the time.
    clock = BoardClock(shift_s)
    with running(folder, clock, "second boot", synchronised.is_set):
        until(lambda: _reading(folder) is not None, what="values although the time is wrong")
        first_s = _reading(folder)["value_at_s"]
        until(lambda: _reading(folder)["value_at_s"] > first_s, what="the next value")
        assert not control.ask(folder, do="view")["view"]["clock_ok"]
        control.ask(
            folder, do="record", line=strip_test(time.time(), "meanwhile")
        )  # from a phone, which knows the time
        clock.shift_s = 0.0
        synchronised.set()
        until(lambda: control.ask(folder, do="view")["view"]["clock_ok"], what="the clock is trusted")
        until(lambda: (_reading(folder) or {}).get("value_at_s", 0) > time.time() - 3, what="more values")
    ended_s = time.time()

    lines = exported(folder)
    times = [unix_s(line["at"]) for line in lines]
    assert [t for t in times if not began_s - 2 <= t <= ended_s + 2] == []
    assert times == sorted(times)
    assert [line["id"] for line in lines if line["kind"] == "test"] == ["before", "meanwhile"]
    assert sum(line["kind"] == "reading" for line in lines) >= 3

    # The next start finds nothing to mend.
    with running(folder, BoardClock(0.0), "second boot", synchronised.is_set):
        until(lambda: _reading(folder) is not None, what="values again")
        standing = [a["alarm"] for t in control.ask(folder, do="view")["view"]["tanks"] for a in t["alarms"]]
        assert "clock_untrusted" not in standing
    again = exported(folder)
    assert again[: len(lines)] == lines


def _reading(folder: Path) -> dict[str, Any] | None:
    foyer = next(t for t in control.ask(folder, do="view")["view"]["tanks"] if t["id"] == "foyer")
    probe = foyer["probes"][0]
    return probe if probe["value"] is not None else None


# ---------------------------------------------------------------------- two forms on


@pytest.fixture(scope="module")
def newer(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """This program as it may be two forms of the journal later: one more table, then a column in it."""
    tree = tmp_path_factory.mktemp("newer")
    for part in ("daemon", "drivers"):
        shutil.copytree(ROOT / part, tree / part, ignore=shutil.ignore_patterns("__pycache__"))
    file = tree / "daemon/rushlight/journal/schema.py"
    text = file.read_text()
    added = (
        '\nMIGRATIONS += (("one more table", "CREATE TABLE extra (no INTEGER PRIMARY KEY) STRICT"),\n'
        '    ("one more column", "ALTER TABLE extra ADD COLUMN note TEXT NOT NULL DEFAULT \'\'"))\n\nVERSION = len(MIGRATIONS)'
    )
    assert text.count("\nVERSION = len(MIGRATIONS)") == 1
    file.write_text(text.replace("\nVERSION = len(MIGRATIONS)", added))
    return tree


@pytest.fixture
def house(tmp_path: Path) -> Path:
    (tmp_path / "config.toml").write_text(DEMO.read_text() + f'\n[storage]\nfolder = "{tmp_path}/data"\n')
    return tmp_path


def rushlight(house: Path, *words: str, tree: Path = ROOT) -> subprocess.CompletedProcess[str]:
    """Run a command of the program in `tree`."""
    environ = dict(os.environ) | {"PYTHONPATH": f"{tree}/daemon:{tree}/drivers"}
    code = "import rushlight.cli, sys; print(rushlight.__file__, file=sys.stderr); rushlight.cli.main()"
    done = subprocess.run(
        [sys.executable, "-c", code, *words], cwd=house, env=environ, capture_output=True, text=True, check=False
    )
    assert str(tree) in done.stderr, "the other program ran"
    return done


def version(house: Path) -> int:
    with contextlib.closing(sqlite3.connect(house / "data/journal.sqlite")) as conn:
        return int(conn.execute("PRAGMA user_version").fetchone()[0])


def test_an_upgrade_across_two_forms_keeps_every_entry(house: Path, newer: Path) -> None:
    for n in range(3):
        assert rushlight(house, "record", "feeding", "--tank", "foyer", f"grams=0.{n + 1}").returncode == 0
    before, old = rushlight(house, "export").stdout, version(house)
    assert before.count("feeding") == 3

    assert rushlight(house, "record", "feeding", "--tank", "foyer", "grams=0.9", tree=newer).returncode == 0
    assert version(house) == old + 2
    after = rushlight(house, "export", tree=newer).stdout
    assert after.startswith(before)
    assert after.count("feeding") == 4
    with contextlib.closing(sqlite3.connect(house / "data/journal.sqlite")) as conn:
        assert conn.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        steps = [row[0] for row in conn.execute("SELECT version FROM migration ORDER BY version")]
    assert steps == list(range(1, old + 3)), "each step was taken once, and written down"


def test_an_older_program_leaves_a_newer_journal_alone(house: Path, newer: Path) -> None:
    rushlight(house, "record", "feeding", "--tank", "foyer", "grams=0.9", tree=newer)
    there = (house / "data/journal.sqlite").read_bytes()
    done = rushlight(house, "record", "feeding", "--tank", "foyer", "grams=0.1")
    assert done.returncode == 1
    assert re.search(r"version|newer", done.stderr), done.stderr
    assert (house / "data/journal.sqlite").read_bytes() == there


def test_a_backup_from_before_is_restored_by_the_newer_program(house: Path, newer: Path) -> None:
    rushlight(house, "record", "feeding", "--tank", "foyer", "grams=0.1")
    (house / "copies").mkdir()
    copy = rushlight(house, "backup", "--to", "copies").stdout.strip()
    rushlight(house, "record", "feeding", "--tank", "foyer", "grams=0.9", tree=newer)
    assert rushlight(house, "restore", "--replace", copy, tree=newer).returncode == 0
    rushlight(house, "record", "feeding", "--tank", "foyer", "grams=0.3", tree=newer)
    grams = [json.loads(line)["grams"] for line in rushlight(house, "export", tree=newer).stdout.splitlines()]
    assert grams == [0.1, 0.3]
    assert any(p.name.startswith("journal") and p.name != "journal.sqlite" for p in (house / "data").iterdir()), (
        "the other is kept"
    )


def test_a_backup_from_a_newer_program_is_refused_by_the_older(house: Path, newer: Path) -> None:
    rushlight(house, "record", "feeding", "--tank", "foyer", "grams=0.1")
    kept = rushlight(house, "export").stdout
    other = house / "other"
    other.mkdir()
    (other / "config.toml").write_text(DEMO.read_text() + f'\n[storage]\nfolder = "{other}/data"\n')
    rushlight(other, "record", "feeding", "--tank", "foyer", "grams=0.9", tree=newer)
    (other / "copies").mkdir()
    copy = rushlight(other, "backup", "--to", "copies", tree=newer).stdout.strip()
    done = rushlight(house, "restore", "--replace", str(other / copy))
    assert done.returncode == 1
    assert "version" in done.stderr
    assert rushlight(house, "export").stdout == kept
