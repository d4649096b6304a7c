"""The core's state to bytes and back.  A snapshot is a cache: delete it and it is made again from the journal."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from typing import Any

from pydantic import TypeAdapter, ValidationError

from rushlight.core.step import SiteState
from rushlight.settings import Config


@cache
def _adapter() -> TypeAdapter[Any]:
    return TypeAdapter(SiteState)


def dump(state: SiteState) -> bytes:
    """The state as JSON text."""
    return bytes(_adapter().dump_json(state))


def load(blob: bytes) -> SiteState | None:
    """The state in a snapshot, or None when it was made by another version and no longer fits."""
    try:
        state = _adapter().validate_json(blob)
    except ValidationError:
        return None
    assert isinstance(state, SiteState)
    return state


CORE = (
    "alarms",
    "config/checking.py",
    "colours.py",
    "core",
    "effects.py",
    "eventlines.py",
    "events.py",
    "config/implied.py",
    "entry/entered.py",
    "entry/firstaid.py",
    "entry/kitunits.py",
    "localtime.py",
    "localunits.py",
    "science",
    "settings.py",
    "tank",
    "views.py",
)
"""The rooms whose code makes the state; a test follows what the core imports and finds each of them here."""


def version(config: Config) -> str:
    """What a snapshot depends on besides the journal: the code of the core and this configuration.

    After an upgrade that changes any of that code the state is made anew, so what runs is what a replay would make.
    """
    shape = repr((config.site, config.tank, config.kit, [(p.id, p.tank, p.quantity, p.unit) for p in config.probe]))
    return f"{code_digest(resources.files('rushlight'))[:16]}-{hashlib.sha256(shape.encode()).hexdigest()[:16]}"


def code_digest(package: Traversable) -> str:
    """A hash over the names and bytes of the core's source files, whatever order the folders list them in."""
    whole = hashlib.sha256()
    for name in CORE:
        for path, source in sorted(_sources(package / name, name)):
            whole.update(f"{path}\0{len(source)}\0".encode())
            whole.update(source)
    return whole.hexdigest()


def _sources(place: Traversable, path: str) -> Iterator[tuple[str, bytes]]:
    if place.is_dir():
        for inner in place.iterdir():
            yield from _sources(inner, f"{path}/{inner.name}")
    elif path.endswith(".py"):
        yield path, place.read_bytes()
