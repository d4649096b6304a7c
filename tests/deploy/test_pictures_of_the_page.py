"""The pictures in README are made by the command that README names, and stay small."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bench import page_pictures
from helpers.browser import CHROMIUM

pytestmark = pytest.mark.slow
TOP = Path(__file__).parents[2]


@pytest.mark.browser
@pytest.mark.timeout(240)
def test_the_command_makes_every_picture_that_readme_shows(tmp_path: Path) -> None:
    """From the first weeks of the year, so that it is quick."""
    if not CHROMIUM.exists():
        pytest.skip("chromium-headless-shell is not installed")
    shown = set(re.findall(r"deploy/pictures/([\w.]+)\)", (TOP / "README.md").read_text()))
    made = page_pictures.make(tmp_path, 1, 20)
    assert set(made) == shown
    for name, size in made.items():
        assert 2000 < size < page_pictures.most_bytes(name)
        assert (TOP / f"deploy/pictures/{name}").stat().st_size < page_pictures.most_bytes(name)
