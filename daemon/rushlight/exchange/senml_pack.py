"""Readings as a SenML pack in JSON (RFC 8428), and back.

Owns the choice of names and units.  Units are primary units of the SenML registry (RFC 8428, section 12.1;
kg/m3 by RFC 8798, section 2); a quantity without one there is written without a unit, in the probe's own.  Every
record stands alone and carries an absolute time.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TextIO

from rushlight.config import checking
from rushlight.eventlines import LATEST_S, LineError
from rushlight.events import Reading
from rushlight.science.measuring import units
from rushlight.settings import Probe
from rushlight_drivers.formats import senml
from rushlight_drivers.formats.senml import Record, SenmlError

_ALLOWED = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_ESCAPED = "x:"
"""Begins the name of a probe whose id has characters that a SenML name may not have."""


@dataclass(frozen=True, slots=True)
class _Registered:
    """A registered unit; our canonical value times `factor` is the value in it."""

    unit: str
    factor: float = 1.0


_OUT: Mapping[tuple[str, str], _Registered] = {
    ("temperature", "°C"): _Registered("Cel"),
    ("air_temperature", "°C"): _Registered("Cel"),
    ("ph", "pH"): _Registered("pH"),
    ("ph", "mV"): _Registered("V", 1e-3),
    ("light", "lx"): _Registered("lx"),
    ("nitrate", "mg/L"): _Registered("kg/m3", 1e-3),
    ("nitrate", "mV"): _Registered("V", 1e-3),
    ("conductivity", "µS/cm"): _Registered("S/m", 1e-4),
    ("level", "cm"): _Registered("m", 1e-2),
    ("level", "%"): _Registered("/", 1e-2),
    ("humidity", "%"): _Registered("%RH"),
}
"""By quantity and canonical unit."""

_IN: Mapping[str, Mapping[str, tuple[str, float]]] = {
    "temperature": {"Cel": ("°C", 1.0), "K": ("K", 1.0)},
    "air_temperature": {"Cel": ("°C", 1.0), "K": ("K", 1.0)},
    "ph": {"pH": ("pH", 1.0), "mV": ("mV", 1.0), "V": ("mV", 1e3)},
    "light": {"lx": ("lx", 1.0)},
    "nitrate": {"kg/m3": ("mg/L", 1e3), "mV": ("mV", 1.0), "V": ("mV", 1e3)},
    "conductivity": {"S/m": ("µS/cm", 1e4)},
    "level": {"cm": ("cm", 1.0), "m": ("cm", 100.0), "mm": ("mm", 1.0), "/100": ("%", 1.0), "/": ("%", 100.0)},
    "humidity": {"%RH": ("%", 1.0), "/100": ("%", 1.0), "/": ("%", 100.0)},
}
"""Units that are understood: what we call them, and the factor to get there.  Those outside RFC 8428's table (mV,
cm, mm, /100) belong to the secondary units of RFC 8798; they are taken and never written."""


def write(readings: Iterable[tuple[Reading, Probe]], out: TextIO) -> int:
    """One record a line inside one pack; returns how many."""
    n = 0
    for reading, probe in readings:
        record = _record(reading, probe)
        if record is not None:
            out.write(("[" if n == 0 else ",\n") + senml.format([record])[1:-1])
            n += 1
    out.write("[]\n" if n == 0 else "]\n")
    return n


def _record(reading: Reading, probe: Probe) -> Record | None:
    if reading.value is None or reading.quality in {4, 9}:
        return None
    said = reading.unit or probe.unit
    name = name_of(probe.id)
    try:
        registered = _OUT.get((probe.quantity, units.standard_unit(probe.quantity, said)))
        standard = units.to_standard(probe.quantity, reading.value, said)
    except ValueError:
        return None  # a unit that came with the reading and that nobody here can read
    if registered is None:
        own = units.from_standard(probe.quantity, standard, probe.unit)
        return Record(name=name, value=_digits(own), time_s=_digits(reading.at_s))
    value = _digits(standard * registered.factor)
    return Record(name=name, unit=registered.unit, value=value, time_s=_digits(reading.at_s))


def read(source: TextIO, probes: Mapping[str, Probe]) -> Iterator[Reading]:
    """The readings of a pack; raises `LineError` for the first record that can't be one."""
    text = source.read()
    if text.strip() == "[]":
        return
    try:
        records = senml.parse(text)
    except SenmlError as e:
        raise LineError(0, "pack", str(e)) from None
    names = {name_of(p): p for p in probes}
    for i, record in enumerate(records):
        try:
            probe = probes[names[record.name]]
        except KeyError:
            close = checking.nearest(record.name, names)
            raise LineError(0, f"record {i}", f"n: no probe called {record.name!r}{close}") from None
        yield _reading(i, record, probe)


def _reading(i: int, record: Record, probe: Probe) -> Reading:
    if record.value is None:
        raise LineError(0, f"record {i}", "v: expected a number; only numbers are readings")
    if not record.is_absolute:
        raise LineError(
            0, f"record {i}", "t: expected a time since 1970; one that counts from now means nothing in a file"
        )
    try:
        value, unit = _in_own(record, probe)
    except ValueError as e:
        raise LineError(0, f"record {i}", f"u: {e}") from None
    if not record.time_s < LATEST_S:
        raise LineError(0, f"record {i}", "t: expected a time before 2100")
    if not math.isfinite(value):
        raise LineError(0, f"record {i}", "v: is too large in this unit")
    return Reading(at_s=round(record.time_s, 3), probe=probe.id, value=value, unit=unit)


def _in_own(record: Record, probe: Probe) -> tuple[float, str]:
    """The value in the probe's own unit, with no unit; or, where that is of another family, with its unit."""
    assert record.value is not None
    if not record.unit:
        return record.value, ""
    known = _IN.get(probe.quantity, {})
    if record.unit not in known:
        raise ValueError(
            f"{record.unit!r} is no unit for {probe.quantity}; expected one of {', '.join(known) or 'none'}"
        )
    unit, factor = known[record.unit]
    standard = units.to_standard(probe.quantity, _digits(record.value * factor), unit)
    family = units.standard_unit(probe.quantity, unit)
    if family != units.standard_unit(probe.quantity, probe.unit):
        return _digits(standard), family
    return _digits(units.from_standard(probe.quantity, standard, probe.unit)), ""


def name_of(probe_id: str) -> str:
    """The probe's id as a SenML name; two ids never give the same one."""
    if _ALLOWED.fullmatch(probe_id) and not probe_id.startswith(_ESCAPED):
        return probe_id
    return _ESCAPED + "".join(
        c if (c.isascii() and c.isalnum()) or c == "-" else "".join(f"_{b:02x}" for b in c.encode()) for c in probe_id
    )


def _digits(value: float) -> float:
    """Fifteen significant digits: all that a decimal survives a double with, so that there and back is the same."""
    return float(f"{value:.15g}")
