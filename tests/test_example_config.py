"""config.example.toml says every option, each at its default, and is itself a configuration that works."""

from __future__ import annotations

import dataclasses
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter

import rushlight_drivers
from helpers.example_config import example, inner
from rushlight import settings
from rushlight.config import loading as config

EXAMPLE = Path(__file__).parents[1] / "config.example.toml"


def test_the_file_is_what_the_settings_say() -> None:
    """Regenerate with: python tests/helpers/example_config.py > config.example.toml."""
    assert EXAMPLE.read_text() == example()


def test_it_is_accepted_as_it_stands() -> None:
    got = config.load(EXAMPLE)
    assert got.tank[0].id == "foyer"
    assert got.tank[0].limits.temperature == settings.Band(low=21, high=27)


def every_section(cls: type, path: str = "") -> list[tuple[str, type]]:
    """Each section's path and class."""
    found = []
    for f in dataclasses.fields(cls):
        held = inner(cls, f.name)
        if held is not None and held not in {settings.Band, settings.OnHours} and f.name != "options":
            here = f"{path}.{f.name}" if path else f.name
            found += [(here, held), *every_section(held, here)]
    return found


@pytest.mark.parametrize(("path", "cls"), every_section(settings.Config), ids=lambda v: v if isinstance(v, str) else "")
def test_every_option_of_a_section_is_in_the_file(path: str, cls: type) -> None:
    section = re.split(rf"^(?:# )?\[+{re.escape(path)}\]+.*$", EXAMPLE.read_text(), maxsplit=1, flags=re.MULTILINE)
    assert len(section) == 2, f"no section {path}"
    body = re.split(r"^(?:# )?\[", section[1], maxsplit=1, flags=re.MULTILINE)[0]
    for f in dataclasses.fields(cls):
        held = inner(cls, f.name)
        if f.name != "options" and (held is None or held in {settings.Band, settings.OnHours}):
            assert re.search(rf"^(?:# )?{f.name} =", body, flags=re.MULTILINE), f"{path}.{f.name}"


def test_an_option_in_a_comment_is_the_default_and_may_be_uncommented() -> None:
    """What stands behind `# ` is taken as TOML, section by section, and compared with the class."""
    classes = dict(every_section(settings.Config))
    path, checked = "", 0
    for line in EXAMPLE.read_text().splitlines():
        if head := re.match(r"(?:# )?\[+([a-z.]+)\]+(.*)", line):
            path = "" if head[2].strip() else head[1]
        option = re.fullmatch(r"# (\w+) = (.*)", line)
        if not (option and path in classes) or "(left out)" in line or "(must be given)" in line:
            continue
        name = option[1]
        value = tomllib.loads(f"{name} = {option[2]}")[name]
        field = next(f for f in dataclasses.fields(classes[path]) if f.name == name)
        default: Any = field.default if field.default is not dataclasses.MISSING else None
        if field.default_factory is not dataclasses.MISSING:
            default = field.default_factory()
        if default is None:
            continue  # a sample for something that must be given
        assert TypeAdapter(type(default)).validate_python(value) == default, f"{path}.{name}"
        checked += 1
    assert checked > 60


@pytest.mark.parametrize("name", rushlight_drivers.NAMES)
def test_every_driver_has_its_options_in_the_file(name: str) -> None:
    body = EXAMPLE.read_text().split(f"# [[probe]]    ({name})\n")[1].split("\n\n")[0]
    for f in dataclasses.fields(rushlight_drivers.load(name).options):
        assert re.search(rf"^# {f.name} =", body, flags=re.MULTILINE), f.name
