"""What the installer says where it can't go on: its own functions, with the system's tools played by stand-ins."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

INSTALL = Path(__file__).parents[2] / "deploy/install"
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
    done = call(tmp_path, f"locks {tmp_path}", python3="echo 3.99")
    assert done.returncode == 1
    assert "no packages were tested with 3.99" in done.stderr
