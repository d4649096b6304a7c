"""What a configuration says where it says nothing: the limits that are usual, and which of several probes counts.

Owns these rules, so that the core, the page and `check` tell the same.  Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Literal

from rushlight.settings import Band, Config, Probe, Tank

USUAL: Mapping[str, Band] = MappingProxyType(
    {"temperature": Band(low=18.0, high=30.0), "ph": Band(low=6.0, high=8.5)},
)
"""What stands in for a limit that the keeper left out, °C and pH.  Common practice for mixed freshwater tanks, no
source: wide enough for most fish, narrow enough to tell a heater that is stuck on or broken."""
ASSUMED = "assumed, common practice, no source"
"""What is said of such a limit."""

_SIDES: tuple[Literal["low", "high"], ...] = ("low", "high")


def band(tank: Tank, quantity: str) -> Band:
    """The limits that are watched for `temperature` or `ph`, a side that was left out by what is usual.

    An assumed side that would lie beyond the given one is left open.
    """
    given: Band = getattr(tank.limits, quantity)
    usual = USUAL[quantity]
    low = given.low if given.low is not None else usual.low
    high = given.high if given.high is not None else usual.high
    return Band(low=low, high=high) if low is None or high is None or low < high else given


def assumed(tank: Tank, quantity: str) -> tuple[Literal["low", "high"], ...]:
    """The sides of that band which the keeper left out."""
    given, watched = getattr(tank.limits, quantity), band(tank, quantity)
    return tuple(s for s in _SIDES if getattr(given, s) is None and getattr(watched, s) is not None)


def alike(config: Config, tank: str, quantity: str) -> tuple[Probe, ...]:
    """A tank's probes of one quantity, in the file's order."""
    return tuple(p for p in config.probe if p.tank == tank and p.quantity == quantity)


def carrier(probes: Iterable[Probe]) -> Probe | None:
    """Which of a tank's probes of one quantity an estimate is made from: the one that says `dose`, else the first."""
    found = tuple(probes)
    return next((p for p in found if p.dose), found[0] if found else None)


def carries(config: Config, probe: Probe) -> str:
    """What is worked out from this probe and none of its tank's others: `dose`, `nitrate`, or nothing."""
    what = {"light": "dose", "nitrate": "nitrate"}.get(probe.quantity, "")
    return what if carrier(alike(config, probe.tank, probe.quantity)) is probe else ""
