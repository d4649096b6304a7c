"""Reads the configuration file, checks it whole, and hands out frozen `settings`.

Owns the order of checking and the words of every complaint.  Never writes, never opens a device, and never
puts a secret's text into an error.
"""

from __future__ import annotations

import dataclasses
import itertools
import json
import os
import stat
import tomllib
import zoneinfo
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

import rushlight_drivers
from rushlight.alarms.table import TABLE
from rushlight.config import checking, quantities
from rushlight.config.checking import Fault
from rushlight.science.optics import photometry
from rushlight.settings import Config, Kit, Probe, Tank


class ConfigError(Exception):
    """The configuration can't be used; `faults` lists everything that is wrong with it."""

    def __init__(self, file: Path | str, faults: list[Fault]) -> None:
        self.file, self.faults = file, faults
        things = "1 thing" if len(faults) == 1 else f"{len(faults)} things"
        super().__init__("\n".join([f"{file}: {things} to mend", *(f"  {f}" for f in faults)]))


def load(file: Path | str) -> Config:
    """The checked configuration in `file`; raises `ConfigError` with every fault at once."""
    file = Path(file)
    try:
        text = file.read_bytes()
    except OSError as e:
        raise ConfigError(file, [Fault("file", f"can't be read ({e.strerror})")]) from None
    raw = parse(text, file)
    return check(raw, file, readable_by_others=bool(file.stat().st_mode & stat.S_IROTH))


def parse(text: str | bytes, file: Path | str = "config") -> dict[str, Any]:
    """The table in a TOML text; raises `ConfigError`."""
    try:
        return tomllib.loads(text if isinstance(text, str) else text.decode())
    except (ValueError, RecursionError) as e:  # a number of 5,000 digits is no TOMLDecodeError, nor is a deep nest
        raise ConfigError(file, [Fault("file", f"is not TOML: {e}")]) from None


def check(raw: Mapping[str, Any], file: Path | str = "config", *, readable_by_others: bool = False) -> Config:
    """The checked configuration in an already decoded table; raises `ConfigError`."""
    if fault := checking.unfit(raw):
        raise ConfigError(file, [fault])
    raw, found = quantities.plain(raw)
    bare, driver_keys = _split_probes(raw)
    config: Config | None = None
    try:
        # Strict checking of JSON keeps "140" from passing for 140 and still takes lists for tuples.
        config = _adapter(Config).validate_json(json.dumps(bare, default=str), strict=True)
    except ValidationError as e:
        found += checking.faults(e, Config)
    except ValueError as e:
        found.append(Fault("file", str(e)))
    options, faults = _driver_options(bare, driver_keys)
    found += faults
    if config is None:
        site = raw.get("site")
        raise ConfigError(file, found + _zone_faults(site.get("timezone") if isinstance(site, Mapping) else None))
    if len(options) == len(config.probe):
        probes = tuple(dataclasses.replace(p, options=o) for p, o in zip(config.probe, options, strict=True))
        config = dataclasses.replace(config, probe=probes)
    found += _secret_faults(config, readable_by_others=readable_by_others) + _cross_faults(config)
    if found:
        raise ConfigError(file, found)
    return config


def secret(value: str, file: str) -> str:
    """A secret given in place or by file; a bare file name is looked up among systemd's credentials first.

    Raises OSError when the file can't be read.
    """
    if not file:
        return value
    folder = os.environ.get("CREDENTIALS_DIRECTORY", "")
    held = Path(folder) / file if folder and "/" not in file else None
    return (held if held is not None and held.exists() else Path(file)).read_text().strip()


@cache
def _adapter(of: type) -> TypeAdapter[Any]:
    """Made once: pydantic takes longer to make it than to check a whole configuration."""
    return TypeAdapter(of)


def _split_probes(raw: Mapping[str, Any]) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Take the drivers' own keys out of the probe tables."""
    own = {f.name for f in dataclasses.fields(Probe)} - {"options"}
    bare, rest = dict(raw), []
    probes = raw.get("probe", [])
    if isinstance(probes, list) and all(isinstance(p, dict) for p in probes):
        bare["probe"] = [{k: v for k, v in p.items() if k in own} for p in probes]
        rest = [{k: v for k, v in p.items() if k not in own} for p in probes]
    return bare, rest


def _driver_options(bare: Mapping[str, Any], driver_keys: list[dict[str, Any]]) -> tuple[list[Any], list[Fault]]:
    """Each probe's options as its driver's own class."""
    out: list[Any] = []
    found: list[Fault] = []
    for i, keys in enumerate(driver_keys):
        name = bare["probe"][i].get("driver", "none")
        if name not in rushlight_drivers.NAMES:
            expected = ", ".join(rushlight_drivers.NAMES)
            close = checking.nearest(str(name), rushlight_drivers.NAMES)
            found.append(Fault(f"probe[{i}].driver", f"expected one of {expected}, got {name!r}{close}"))
            continue
        cls = rushlight_drivers.load(name).options
        try:
            out.append(_adapter(cls).validate_json(json.dumps(keys, default=str), strict=True))
        except ValidationError as e:
            found += [_with_probe_keys(f, cls) for f in checking.faults(e, cls, ("probe", i))]
    return out, found


def _with_probe_keys(fault: Fault, options: type) -> Fault:
    """A misspelt key of the probe itself looks like a driver's; suggest from both."""
    if not fault.what.startswith("unknown key"):
        return fault
    known = [f.name for c in (Probe, options) for f in dataclasses.fields(c) if f.name != "options"]
    return Fault(fault.key, f"unknown key{checking.nearest(fault.key.rsplit('.', 1)[-1], known)}")


def _secret_faults(config: Config, *, readable_by_others: bool) -> list[Fault]:
    """A field that keeps itself out of its repr is a secret: by file or in place, not both, and read by nobody else."""
    found = []
    for key, section in _sections(config):
        for f in dataclasses.fields(section):
            if not getattr(section, f.name):
                continue
            if getattr(section, f"{f.name}_file", ""):
                found.append(Fault(f"{key}.{f.name}", f"give it here or in {f.name}_file, not both"))
            elif readable_by_others and not f.repr:
                what = f"a secret in a file that others may read; chmod o-r it or use {f.name}_file"
                found.append(Fault(f"{key}.{f.name}", what))
    return found


def _sections(config: Any, key: str = "") -> Iterator[tuple[str, Any]]:
    """Every dataclass in the configuration with its key path."""
    for f in dataclasses.fields(config):
        value, path = getattr(config, f.name), f"{key}.{f.name}" if key else f.name
        for i, item in enumerate(value if isinstance(value, tuple) else (value,)):
            if dataclasses.is_dataclass(item):
                here = f"{path}[{i}]" if isinstance(value, tuple) else path
                yield here, item
                yield from _sections(item, here)


def _cross_faults(config: Config) -> list[Fault]:
    """What no single key can tell."""
    found = _zone_faults(config.site.timezone)
    for name, things in (("tank", config.tank), ("kit", config.kit), ("probe", config.probe)):
        found += _repeated(name, [t.id for t in things])
    for i, tank in enumerate(config.tank):
        found += _tank_faults(f"tank[{i}]", tank, config.kit)
    for i, kit in enumerate(config.kit):
        found += [
            Fault(f"kit[{i}].pads.{s}", "expected at least two values, rising")
            for s, pads in kit.pads.items()
            if len(pads) < 2 or any(b <= a for a, b in itertools.pairwise(pads))
        ]
        found += _kit_unit_faults(f"kit[{i}].units", kit)
    for key in ("priority", "on_delay_s", "off_delay_s"):
        for name in getattr(config.alarms, key):
            if name not in TABLE:
                found.append(Fault(f"alarms.{key}.{name}", f"no alarm called {name!r}{checking.nearest(name, TABLE)}"))
    tanks = [t.id for t in config.tank]
    for i, probe in enumerate(config.probe):
        if probe.tank not in tanks:
            found.append(
                Fault(f"probe[{i}].tank", f"no tank called {probe.tank!r}{checking.nearest(probe.tank, tanks)}")
            )
        found += _quantity_faults(f"probe[{i}].quantity", probe) + _unit_faults(f"probe[{i}].unit", probe)
        found += _dose_faults(f"probe[{i}].dose", probe, config.probe[:i])
    return found


def _zone_faults(name: object) -> list[Fault]:
    """An unknown time zone; what is no text is complained of elsewhere."""
    if not isinstance(name, str) or name in zoneinfo.available_timezones():
        return []
    close = checking.nearest(name, zoneinfo.available_timezones())
    return [Fault("site.timezone", f"no such IANA time zone: {name!r}{close}")]


def _repeated(name: str, ids: list[str]) -> list[Fault]:
    return [Fault(f"{name}[{i}].id", f"{x!r} is used twice") for i, x in enumerate(ids) if x in ids[:i]]


def _tank_faults(key: str, tank: Tank, kits: tuple[Kit, ...]) -> list[Fault]:
    found = []
    ids = [k.id for k in kits]
    if tank.testing.kit and tank.testing.kit not in ids:
        found.append(
            Fault(f"{key}.testing.kit", f"no kit called {tank.testing.kit!r}{checking.nearest(tank.testing.kit, ids)}")
        )
    if tank.testing.longest_days < tank.testing.shortest_days:
        found.append(Fault(f"{key}.testing.longest_days", "is shorter than shortest_days"))
    for name, band in (("temperature", tank.limits.temperature), ("ph", tank.limits.ph)):
        if band.low is not None and band.high is not None and band.low >= band.high:
            found.append(Fault(f"{key}.limits.{name}.low", "is not below high"))
    if tank.lamp is not None:
        if tank.lamp.umol_per_lux is None and tank.lamp.spectrum not in photometry.SPECTRA:
            expected = ", ".join(photometry.SPECTRA)
            found.append(Fault(f"{key}.lamp.spectrum", f"expected one of {expected}, got {tank.lamp.spectrum!r}"))
        for i, h in enumerate(tank.lamp.hours):
            found += [
                Fault(f"{key}.lamp.hours[{i}].{end}", f"expected a time such as 08:00, got {text!r}")
                for end, text in (("on", h.on), ("off", h.off))
                if not is_clock_time(text)
            ]
    return found


def is_clock_time(text: str) -> bool:
    """Whether `text` is HH:MM from 00:00 to 24:00."""
    h, colon, m = text.partition(":")
    if not (colon and len(h) == 2 and len(m) == 2 and (h + m).isascii() and (h + m).isdigit()):
        return False
    return int(m) < 60 and (int(h) < 24 or text == "24:00")


def _quantity_faults(key: str, probe: Probe) -> list[Fault]:
    """A driver that can measure only some quantities is not believed about others."""
    if probe.driver not in rushlight_drivers.NAMES:
        return []  # has been said already
    allowed = rushlight_drivers.load(probe.driver).quantities
    if not allowed or probe.quantity in allowed:
        return []
    expected = ", ".join(sorted(allowed))
    return [Fault(key, f"driver {probe.driver!r} measures {expected}; got {probe.quantity!r}")]


def _kit_unit_faults(key: str, kit: Kit) -> list[Fault]:
    from rushlight.science.measuring import units  # noqa: PLC0415 - as below

    found = []
    for substance, unit in kit.units.items():
        try:
            units.read_reported(substance, 1.0, unit)
        except ValueError as e:
            found.append(Fault(f"{key}.{substance}", str(e).removeprefix(f"{substance}: ")))
    return found


def _dose_faults(key: str, probe: Probe, before: tuple[Probe, ...]) -> list[Fault]:
    """One light probe a tank carries the dose."""
    if not probe.dose:
        return []
    if probe.quantity != "light":
        return [Fault(key, f"only a light probe carries the dose; this one measures {probe.quantity}")]
    return [Fault(key, f"{p.id!r} carries this tank's dose already") for p in before if p.dose and p.tank == probe.tank]


def _unit_faults(key: str, probe: Probe) -> list[Fault]:
    from rushlight.science.measuring import units  # noqa: PLC0415 - only configurations with probes need it

    try:
        if probe.unit:
            units.to_standard(probe.quantity, 1.0, probe.unit)
    except ValueError as e:
        return [Fault(key, str(e))]
    return []
