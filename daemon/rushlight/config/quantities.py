"""Values of the configuration that carry a unit of their own: `litres = "36 gal"`, `low = "70 °F"`.

Owns where such a value may stand.  A text there becomes the number that stands for it in the unit that the option is
otherwise in; what is wrong with it is a `Fault` that says which units are understood.  A bare number stays as it is,
whatever the site's units, so that no file means something else once `[site] units` is changed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, get_args

from rushlight.config.checking import Fault
from rushlight.localunits import Units
from rushlight.settings import UnitSystem

_LIMITS = {
    **{name: name for name in ("nitrate", "nitrite", "ammonia", "chlorine")},
    "level_low": "level",
    "conductivity_high": "conductivity",
    "kh_low": "kh",
    "gh_high": "gh",
}
_SUBSTANCES = {name: name for name in ("nitrate", "nitrite", "ammonia", "kh", "gh", "chlorine", "chloride")}
_SYSTEMS: tuple[UnitSystem, ...] = get_args(UnitSystem)
_ENDS = dict.fromkeys(("low", "high"), "temperature")
_Slot = tuple[dict[str, Any], str, str, str]
"""A table, a key in it, the key's whole path, and what quantity it holds."""


def plain(raw: Mapping[str, Any]) -> tuple[dict[str, Any], list[Fault]]:
    """The table with a number for every quantity that was written with its unit, and what is wrong with the others."""
    site = raw.get("site")
    system = site.get("units") if isinstance(site, dict) else None
    units = Units(next((s for s in _SYSTEMS if s == system), "metric"))
    out: dict[str, Any] = {k: _copy(v) if k in {"tank", "probe"} else v for k, v in raw.items()}
    faults = []
    for table, key, path, quantity in list(_slots(out)):
        if isinstance(table[key], str):
            try:
                table[key] = float(f"{units.meant(table[key], quantity):.9g}")
            except ValueError as e:
                faults.append(Fault(path, str(e)))
                if key == "litres":
                    table[key] = 1.0  # so that nobody is told besides that it is missing
                else:
                    del table[key]
    return out, faults


def _copy(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _copy(v) for k, v in value.items()}
    return [_copy(v) for v in value] if isinstance(value, list) else value


def _slots(raw: dict[str, Any]) -> Iterator[_Slot]:
    for i, tank in enumerate(_tables(raw.get("tank"))):
        yield from _held(tank, f"tank[{i}]", {"litres": "volume"})
        for name, holds in (("source_water", _SUBSTANCES), ("limits", _LIMITS)):
            for table in _tables([tank.get(name)]):
                yield from _held(table, f"tank[{i}].{name}", holds)
        for limits in _tables([tank.get("limits")]):
            for band in _tables([limits.get("temperature")]):
                yield from _held(band, f"tank[{i}].limits.temperature", _ENDS)
    for i, probe in enumerate(_tables(raw.get("probe"))):
        if probe.get("quantity") in ("temperature", "air_temperature"):
            for band in _tables([probe.get("range")]):
                yield from _held(band, f"probe[{i}].range", _ENDS)


def _tables(value: Any) -> Iterator[dict[str, Any]]:
    return (v for v in value if isinstance(v, dict)) if isinstance(value, list) else iter(())


def _held(table: dict[str, Any], path: str, holds: Mapping[str, str]) -> Iterator[_Slot]:
    return ((table, key, f"{path}.{key}", holds[key]) for key in table if key in holds)
