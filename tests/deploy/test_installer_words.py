"""What the installer says where it can't go on: its own functions, with the system's tools played by stand-ins."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "deploy/install.sh"
INSTALL = SCRIPT.with_suffix("")
PARTS = "\n".join(f"source {INSTALL}/{name}.sh" for name in ("common", "system", "release"))


def call(tmp_path: Path, code: str, **tools: str) -> subprocess.CompletedProcess[str]:
    """Run shell code with the installer's functions at hand; `tools` are programs that stand before the system's."""
    folder = tmp_path / "tools"
    folder.mkdir()
    for name, body in tools.items():
        (folder / name.replace("_", "-")).write_text(f"#!/bin/sh\n{body}\n")
        (folder / name.replace("_", "-")).chmod(0o755)
    head = f"set -euo pipefail\ndry_run=no any_system=yes broker=no wheels='' source_tree={tmp_path}\n{PARTS}\n"
    return subprocess.run(
        ["bash", "-c", head + code], env={**os.environ, "PATH": f"{folder}:{os.environ['PATH']}"},
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip


def test_without_a_network_the_installer_says_so_and_not_apt_alone(tmp_path: Path) -> None:
    apt = 'case "$*" in *install*) echo "E: Unable to locate package python3-venv" >&2; exit 100;; esac'
    done = call(tmp_path, "apt_install python3-venv", apt_get=apt)
    assert done.returncode == 1, "not apt's own status"
    assert "Unable to locate package" in done.stderr
    assert "install.sh: the Debian packages python3-venv could not be installed: is there a network?" in done.stderr


@pytest.mark.parametrize(
    ("architecture", "machine", "said"),
    [
        ("arm64", "aarch64", ""),
        ("amd64", "x86_64", ""),
        ("armhf", "armv7l", ""),
        ("armhf", "armv6l", "this board is armv6l; the libraries are ready-made for ARM version 7 and later"),
        ("i386", "i686", "this system is i386; the libraries are ready-made for arm64, armhf"),
    ],
)
def test_which_boards_are_taken(tmp_path: Path, architecture: str, machine: str, said: str) -> None:
    done = call(
        tmp_path, "dry_run=yes; check_system && echo taken", dpkg=f"echo {architecture}", uname=f"echo {machine}"
    )
    assert (done.returncode, "taken" in done.stdout) == ((1, False) if said else (0, True)), done.stderr
    assert said in done.stderr


def test_a_python_that_nothing_was_tested_with_is_named(tmp_path: Path) -> None:
    done = call(tmp_path, f"tested_with {tmp_path}", python3="echo 3.99")
    assert done.returncode == 1
    assert "no packages were tested with 3.99" in done.stderr


@pytest.mark.parametrize("network", [True, False])
def test_the_release_before_gets_what_the_configuration_uses_too(tmp_path: Path, network: bool) -> None:
    """Each by its own list; of one that one may only go back to the want is said and stops nothing."""
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc/config.toml").write_text("[timeseries]\n")
    for name in ("0.0.9-aa-py3.11", "0.1.0-bb-py3.11"):
        lock = tmp_path / f"opt/{name}/share/rushlight/deploy/lock/py3.11-timeseries.txt"
        tools = tmp_path / f"opt/{name}/bin"
        for folder in (lock.parent, tools):
            folder.mkdir(parents=True)
        lock.touch()
        has = tools / "has"
        works = network or name.startswith("0.1.0")
        (tools / "python").write_text(f"#!/bin/sh\ncase $1 in -c) ;; *) [ -e {has} ] ;; esac\n")
        (tools / "pip").write_text(f"#!/bin/sh\necho pip $*\n{f'touch {has}' if works else 'exit 1'}\n")
        for tool in tools.iterdir():
            tool.chmod(0o755)
    (tmp_path / "opt/current").symlink_to("0.1.0-bb-py3.11")
    (tmp_path / "opt/previous").symlink_to("0.0.9-aa-py3.11")
    places = f"opt={tmp_path}/opt etc={tmp_path}/etc release=0.1.0-bb-py3.11"
    done = call(tmp_path, f"{places}\nequip_releases; echo equipped=$equipped; equip_releases; echo equipped=$equipped")
    assert done.returncode == 0, done.stderr
    for name in ("0.0.9-aa-py3.11", "0.1.0-bb-py3.11"):
        fetched = done.stdout.count(f"-r {tmp_path}/opt/{name}/share/rushlight/deploy/lock/py3.11-timeseries.txt")
        assert fetched == (1 if network or name.startswith("0.1.0") else 2), done.stdout
    assert ("note: 0.0.9-aa-py3.11 lacks packages" in done.stdout) != network
    assert re.findall("equipped=(.*)", done.stdout) == ["yes", "no"], "only what runs asks for a restart"


def script(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["bash", SCRIPT, *words], capture_output=True, text=True, check=False, timeout=120)


@pytest.mark.slow
def test_every_option_of_the_help_is_taken_and_a_dry_run_of_it_only_talks(tmp_path: Path) -> None:
    """On whatever system this is; that nothing is changed is tested on clean machines (test_installation.py)."""
    options = set(re.findall(r"^  (?:-h, )?(--[a-z-]+)", script("--help").stdout, re.MULTILINE))
    assert len(options) == 9
    for option in sorted(options - {"--help"}):
        value = [str(tmp_path)] if option == "--wheels" else []
        done = script("--dry-run", "--any-system", option, *value)
        if option == "--roll-back":
            assert (done.returncode, "no release to go back to" in done.stderr) == (1, True), done.stderr
        elif option == "--uninstall":
            assert (done.returncode, "nothing to remove" in done.stdout) == (0, True), done.stdout + done.stderr
        else:
            assert done.returncode == 0, f"{option}: {done.stderr}"
            assert "would build release" in done.stdout and "change(s) would be made" in done.stdout, option
        assert ("mosquitto" in done.stdout) == (option == "--broker"), option


def test_an_option_that_does_not_exist_is_refused() -> None:
    done = script("--dry-run", "--wheel", "x")
    assert (done.returncode, "unknown option --wheel" in done.stderr) == (2, True)
