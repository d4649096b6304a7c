"""The service's unit, judged by systemd's own tools."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"
UNIT = DEPLOY / "systemd/rushlight.service"
LIMIT = 2.5

pytestmark = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze")


def analyse(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["systemd-analyze", *map(str, arguments)], capture_output=True, text=True, check=False)


def installed(folder: Path, text: str) -> Path:
    """The unit as it stands after the installation, with a programme in the place of the one it starts."""
    program = folder / "bin/rushlight"
    program.parent.mkdir()
    shutil.copy("/bin/true", program)
    unit = folder / "rushlight.service"
    unit.write_text(re.sub(r"^ExecStart=\S+", f"ExecStart={program}", text, flags=re.MULTILINE))
    return unit


def verdict(unit: Path) -> tuple[int, str]:
    done = analyse("verify", "--man=no", unit)
    return done.returncode, done.stderr


def test_verify_has_nothing_to_say(tmp_path: Path) -> None:
    # verify ends with 0 for unknown keys and bad values, so silence is what counts.
    assert verdict(installed(tmp_path, UNIT.read_text())) == (0, "")


@pytest.mark.parametrize(
    ("was", "becomes"),
    [("WatchdogSec=90", "WatchdogSec=soon"), ("Restart=always", "Restrat=always"), ("User=rushlight", "User=nobody")],
)
def test_verify_would_notice(tmp_path: Path, was: str, becomes: str) -> None:
    text = UNIT.read_text()
    assert was in text
    assert verdict(installed(tmp_path, text.replace(was, becomes)))[1] != ""


def test_exposure_is_within_the_limit(tmp_path: Path) -> None:
    # The threshold is the score times ten.
    done = analyse("security", "--offline=yes", "--no-pager", f"--threshold={LIMIT * 10:.0f}", UNIT)
    assert done.returncode == 0, done.stdout
    score = re.search(r"Overall exposure level for rushlight\.service: ([0-9.]+)", done.stdout)
    assert score is not None
    assert float(score[1]) <= LIMIT


def test_every_relaxed_option_is_explained_in_the_unit() -> None:
    done = analyse("security", "--offline=yes", "--no-pager", UNIT)
    open_options = {m[1] for m in re.finditer(r"^✗ ([A-Za-z]+)=", done.stdout, re.MULTILINE)}
    explained = set(
        re.findall(r"[A-Z][A-Za-z]+", " ".join(re.findall(r"^# RELAXED ([^:]*):", UNIT.read_text(), re.MULTILINE)))
    )
    assert open_options, done.stdout
    assert open_options <= explained, f"open without a reason given: {sorted(open_options - explained)}"


@pytest.mark.parametrize(
    "line",
    ["Type=notify", "StartLimitIntervalSec=0", "Restart=always", "WatchdogSec=90", "NotifyAccess=main"],
)
def test_what_the_daemon_relies_on_is_there(line: str) -> None:
    assert line in UNIT.read_text().splitlines()


def test_nothing_is_required_that_may_fail() -> None:
    text = UNIT.read_text()
    assert not re.search(r"^(Requires|BindsTo|Requisite)=", text, re.MULTILINE)
    assert "network-online" not in re.sub(r"^#.*$", "", text, flags=re.MULTILINE)


@pytest.mark.slow
def test_scripts_are_clean() -> None:
    if shutil.which("shellcheck") is None:
        pytest.skip("needs shellcheck")
    scripts = [DEPLOY / "install.sh", *sorted((DEPLOY / "install").glob("*.sh"))]
    done = subprocess.run(["shellcheck", "-x", *scripts], cwd=DEPLOY, capture_output=True, text=True, check=False)
    assert done.stdout == ""
    assert done.returncode == 0, done.stderr


def test_usage_names_every_option() -> None:
    script = (DEPLOY / "install.sh").read_text()
    known = set(re.findall(r"^ {8}(--[a-z-]+)\)", script, re.MULTILINE)) | {"--help"}
    said = subprocess.run(["bash", DEPLOY / "install.sh", "--help"], capture_output=True, text=True, check=True).stdout
    assert known == set(re.findall(r"(?<![\w])--[a-z-]+", said))


def test_an_unknown_option_is_refused() -> None:
    done = subprocess.run(["bash", DEPLOY / "install.sh", "--dry-rum"], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "--dry-rum" in done.stderr
