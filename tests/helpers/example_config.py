"""Writes config.example.toml from the settings' own fields, defaults and docstrings.

    python tests/helpers/example_config.py > config.example.toml

A `##` line explains, a `#` line is an option with its default, a bare line is what an owner must set.
"""

from __future__ import annotations

import ast
import dataclasses
import datetime as dt
import inspect
import textwrap
import typing
from collections.abc import Iterator
from typing import Any

import rushlight_drivers
from rushlight import settings

ORDER = ("site", "tank", "kit", "push", "email", "contacts", "page", "probe")
"""As a person comes to need them; the rest follows, and last the drivers' own options."""
REST = "## ---------------- Second part: what most installations leave as it is."
DRIVERS = "## ---------------- Third part: what each driver takes in a probe's table."
HEAD = """\
## rushlight: every option with its default and unit.  A line with ## explains, a line with # is an option at its
## default, a bare line is the example of the Rowan Street library: change these.  Copy this file to config.toml,
## then: rushlight check --config config.toml
##
## Secrets (passwords, tokens, topics, addresses that carry a key): keep them in a file of their own, mode 0600, and
## name it with the option that ends in _file; a bare name is looked up among systemd's credentials first.
"""
FILLED = {
    "site": {"name": "Rowan Street library", "timezone": "Europe/Dublin", "latitude": 53.3, "longitude": -6.3},
    "tank": {"id": "foyer", "name": "Foyer", "litres": 140, "started": dt.date(2025, 1, 10)},
    "tank.feed": {"grams_per_day": 0.9, "protein_percent": 42},
    "tank.lamp": {"spectrum": "white_led"},
    "tank.testing": {"shortest_days": 2, "longest_days": 10, "kit": "strip"},
    "tank.limits": {"nitrate": 40},
    "kit": {"id": "strip", "method": "strip"},
    "probe": {"id": "foyer-temperature", "tank": "foyer", "quantity": "temperature", "driver": "none"},
}
PADS = (
    "pads = { nitrate = [0, 10, 25, 50, 100, 250], nitrite = [0, 0.5, 1, 3, 10], ammonia = [0, 0.5, 1, 3, 6], "
    "ph = [6.0, 6.5, 7.0, 7.5, 8.0, 8.5], kh = [0, 3, 5, 10, 15, 20], gh = [0, 4, 9, 14, 20] }"
)
RAW = {
    "tank": ['source_water = { nitrate = 5.0, kh = 4.0, gh = 7.0, ph = 7.4 }'],
    "tank.lamp": ['hours = [{ on = "08:00", off = "18:00" }]'],
    "tank.limits": ["temperature = { low = 21, high = 27 }", "ph = { low = 6.4, high = 7.8 }"],
    "kit": [PADS],
}  # fmt: skip
LISTS = {"tank", "kit", "probe", "contacts.person", "contacts.sitter"}
SAMPLE = {
    "contacts.person": {"id": '"librarian"'},
    "contacts.sitter": {"person": '"sitter"', "first_day": "2026-07-18", "last_day": "2026-08-01"},
}


def docs(cls: type) -> dict[str, str]:
    """The docstring under each field, base classes included."""
    found: dict[str, str] = {}
    for c in reversed(cls.__mro__):
        if not dataclasses.is_dataclass(c):
            continue
        body = ast.parse(textwrap.dedent(inspect.getsource(c))).body[0]
        assert isinstance(body, ast.ClassDef)
        for at, after in zip(body.body, body.body[1:], strict=False):
            if isinstance(at, ast.AnnAssign) and isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant):
                assert isinstance(at.target, ast.Name)
                found[at.target.id] = inspect.cleandoc(str(after.value.value))
    return found


def toml(value: Any) -> str:
    """A default as TOML; None is written as an empty value that the reader is told to leave out."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
        case int() | dt.date():
            return str(value)
        case float():
            return f"{value:g}"
        case tuple() | list():
            return "[" + ", ".join(toml(v) for v in value) + "]"
        case dict():
            return "{ " + ", ".join(f"{k} = {toml(v)}" for k, v in value.items()) + " }" if value else "{}"
    raise TypeError(value)


def default_of(f: dataclasses.Field[Any]) -> Any:
    if f.default is not dataclasses.MISSING:
        return f.default
    return f.default_factory() if f.default_factory is not dataclasses.MISSING else dataclasses.MISSING


def inner(cls: type, name: str) -> type | None:
    """The dataclass that a field holds, alone or in a tuple."""
    hint = typing.get_type_hints(cls)[name]
    for part in (hint, *typing.get_args(hint)):
        if dataclasses.is_dataclass(part):
            assert isinstance(part, type)
            return part
    return None


def choices(cls: type, name: str) -> str:
    """`one of …` for a field that takes one of a few words."""
    hint = typing.get_type_hints(cls)[name]
    words = [
        a for h in (hint, *typing.get_args(hint)) if typing.get_origin(h) is typing.Literal for a in typing.get_args(h)
    ]
    return f"One of {', '.join(map(str, words))}." if len(words) > 1 else ""


def options(cls: type, key: str) -> Iterator[str]:
    """The lines of one section's own options."""
    said = docs(cls)
    for f in dataclasses.fields(cls):
        held = inner(cls, f.name)
        if f.name == "options" or (held is not None and held is not settings.Band and held is not settings.OnHours):
            continue
        if any(line.startswith(f"{f.name} =") for line in RAW.get(key, [])):
            yield from explain(said.get(f.name, ""), choices(cls, f.name))
            yield next(line for line in RAW[key] if line.startswith(f"{f.name} ="))
            continue
        default = default_of(f)
        yield from explain(said.get(f.name, ""), choices(cls, f.name))
        if f.name in FILLED.get(key, {}):
            yield f"{f.name} = {toml(FILLED[key][f.name])}"
        elif f.name in SAMPLE.get(key, {}):
            yield f"# {f.name} = {SAMPLE[key][f.name]}"
        elif default is None:
            yield f"# {f.name} =    (left out)"
        elif isinstance(default, settings.Band):
            yield f"# {f.name} = {{ low = …, high = … }}    (left out)"
        elif default is dataclasses.MISSING:
            yield f"# {f.name} =    (must be given)"
        else:
            yield f"# {f.name} = {toml(default)}"


def explain(*parts: str) -> Iterator[str]:
    text = " ".join(" ".join(p.split()) for p in parts if p)
    text = text.replace("None: ", "Left out: ").replace(" and land in `options`", "")
    yield from (f"## {line}" for line in textwrap.wrap(text, 112))


def sections(cls: type, key: str) -> Iterator[str]:
    """One section and those inside it."""
    required = key in FILLED
    head = f"[[{key}]]" if key in LISTS else f"[{key}]"
    yield ""
    yield from explain(inspect.getdoc(cls) or "")
    yield head if required else f"# {head}"
    yield from options(cls, key)
    for f in dataclasses.fields(cls):
        held = inner(cls, f.name)
        if held is not None and held is not settings.Band and held is not settings.OnHours and f.name != "options":
            yield from sections(held, f"{key}.{f.name}")


def drivers() -> Iterator[str]:
    """Each driver's own options, which stand in the probe's table."""
    for name in rushlight_drivers.NAMES:
        cls = rushlight_drivers.load(name).options
        yield ""
        yield from explain(f'A probe with driver = "{name}" takes these besides.', inspect.getdoc(cls) or "")
        yield f"# [[probe]]    ({name})"
        yield f'# driver = "{name}"'
        yield from options(cls, f"driver {name}")


def example() -> str:
    """The whole file."""
    lines = [HEAD.rstrip()]
    names = [f.name for f in dataclasses.fields(settings.Config)]
    for name in [*ORDER, *(n for n in names if n not in ORDER)]:
        cls = inner(settings.Config, name)
        assert cls is not None, name
        if name == next(n for n in names if n not in ORDER):
            lines += ["", REST]
        lines += sections(cls, name)
    lines += ["", DRIVERS, *drivers()]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(example(), end="")
