"""What is installed holds whatever the source tree holds: templates, styles, the demonstration's configuration."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
GIVEN = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["package-data"]
FILES = [
    (package, file.relative_to(ROOT / root / package))
    for root, package in (("daemon", "rushlight"), ("drivers", "rushlight_drivers"))
    for file in sorted((ROOT / root / package).rglob("*"))
    if file.is_file() and file.suffix not in {".py", ".pyc"}
]


@pytest.mark.parametrize(("package", "file"), FILES, ids=str)
def test_every_file_beside_the_code_is_installed_with_it(package: str, file: Path) -> None:
    """An editable installation would never miss one; the one on the Pi would."""
    assert any(file.match(pattern.removeprefix("**/")) for pattern in GIVEN[package])
