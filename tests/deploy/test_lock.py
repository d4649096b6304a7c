"""The locked packages: what ships is within what pyproject.toml allows, whole, and known by its hashes.

Looked at without the network; that they install is seen in test_installation.py, which takes nothing else.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())
LOCK = ROOT / "deploy/lock"
PYTHONS = ("3.11", "3.12", "3.13")


def locked(name: str) -> dict[str, tuple[Version, int]]:
    """Each package of a set, with its version and how many hashes stand for it."""
    found = {}
    for block in re.split(r"\n(?=[a-z0-9])", (LOCK / name).read_text()):
        if match := re.match(r"([a-z0-9.-]+)==(\S+) ", block):
            found[match[1]] = (Version(match[2]), block.count("--hash=sha256:"))
    return found


def wanted(*extras: str) -> list[Requirement]:
    project = PROJECT["project"]
    lists = [project["dependencies"], *(project["optional-dependencies"][e] for e in ("pictures", *extras))]
    return [Requirement(r) for some in [*lists, PROJECT["build-system"]["requires"]] for r in some]


@pytest.mark.parametrize("python", PYTHONS)
@pytest.mark.parametrize("extra", ["", "timeseries", "services"])
def test_what_is_locked_is_what_the_project_asks_for(python: str, extra: str) -> None:
    found = locked(f"py{python}-{extra}.txt" if extra else f"py{python}.txt")
    for requirement in wanted(*filter(None, [extra])):
        name = requirement.name.lower().replace("_", "-")
        assert name in found, f"bash deploy/lock/make.sh: {name} is not locked"
        assert found[name][0] in requirement.specifier, f"bash deploy/lock/make.sh: {name}"
    assert all(hashes for _version, hashes in found.values())


@pytest.mark.parametrize("python", PYTHONS)
@pytest.mark.parametrize("extra", ["timeseries", "services"])
def test_what_is_added_later_changes_nothing_of_the_base(python: str, extra: str) -> None:
    base, more = locked(f"py{python}.txt"), locked(f"py{python}-{extra}.txt")
    assert {n: v for n, v in more.items() if n in base} == base


def test_every_debian_that_is_installed_on_has_its_set() -> None:
    from helpers.machines import PYTHON

    assert set(PYTHON.values()) <= set(PYTHONS)
