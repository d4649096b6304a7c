"""The core's state to bytes and back.  A snapshot is a cache: delete it and it is made again from the journal."""

from __future__ import annotations

import hashlib
from functools import cache
from typing import Any

from pydantic import TypeAdapter, ValidationError

from rushlight import __version__
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


def version(config: Config) -> str:
    """What a snapshot depends on besides the journal: this program and this configuration."""
    probes = [(p.id, p.tank, p.quantity, p.unit, p.dose) for p in config.probe]
    shape = repr((config.site, config.tank, config.kit, probes))
    return f"{__version__}-{hashlib.sha256(shape.encode()).hexdigest()[:16]}"
