"""The calibration guide: which standards, their values at temperature, and what the readings come to.

Owns the steps and the form.  The verdict is that of `tank.probes.entered`, as for every other keyboard.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rushlight.events import Calibration
from rushlight.localunits import Units
from rushlight.science.chemistry.buffers import STANDARD, TECHNICAL, TEMPERATURES_C, buffer_ph, named
from rushlight.science.measuring.units import standard_unit, to_standard
from rushlight.settings import Probe
from rushlight.tank.probes.calibration import COLDEST_C, WARMEST_C, come_to, raw_of, read_otherwise
from rushlight.web.entering.fields import FieldError, in_record, number

POINTS = 3
TEMPS_C = (15.0, 20.0, 25.0, 30.0)
"""Columns of the buffer table."""


@dataclass(frozen=True, slots=True)
class BufferRow:
    """One buffer of the table: its label at 25 °C, and its pH at `TEMPS_C`."""

    label: float
    series: str
    values: tuple[float, ...]


def buffer_table() -> list[BufferRow]:
    """The buffers that the guide knows."""
    at_25 = TEMPERATURES_C.index(25.0)
    return [
        BufferRow(table[at_25], series, tuple(buffer_ph(name, t) for t in TEMPS_C))
        for series, tables in (("standard series", STANDARD), ("technical series", TECHNICAL))
        for name, table in tables.items()
        if name != "oxalate"
    ]


def points(form: Mapping[str, str], probe: Probe, units: Units) -> list[dict[str, float]]:
    """The standards that were filled in, in the units of the record; the raw value in the probe's own.

    Raises FieldError for a half-filled one, or none.
    """
    found: list[dict[str, float]] = []
    numbers = range(1, POINTS + 1)
    read = {f"{name}_{n}": probe.quantity for n in numbers for name in ("value", "raw") if read_otherwise(probe, units)}
    form = in_record(form, {f"temp_{n}": "temperature" for n in numbers} | read, units)
    for n in numbers:
        value = number(form, f"value_{n}", most=100_000)
        raw = number(form, f"raw_{n}", least=-100_000, most=1e6)
        if raw is not None and read_otherwise(probe, units):
            raw = raw_of(probe, raw)
        temp_c = number(form, f"temp_{n}", least=-1e6)
        if temp_c is not None and not COLDEST_C <= temp_c <= WARMEST_C:
            low, high = (units.figure(c, "°C", "g") for c in (COLDEST_C, WARMEST_C))
            raise FieldError(f"temp_{n}", f"expected a number from {low} to {high}")
        if value is None and raw is None:
            continue
        if value is None:
            raise FieldError(f"value_{n}", "which standard was it?")
        if raw is None:
            raise FieldError(f"raw_{n}", "what did the probe show in it?")
        found.append({"value": value, "raw": raw, "temperature_c": 25.0 if temp_c is None else temp_c})
    if not found:
        raise FieldError("value_1", "fill in at least one standard")
    return found


def raw_in(probe: Probe, unit: str, value: float | None, units: Units) -> tuple[str, float | None]:
    """What the device gives, as people here read it: the unit, and its value now; `unit` is the device's own."""
    if not read_otherwise(probe, units):
        return unit, value
    standard = standard_unit(probe.quantity, probe.unit)
    known = None if value is None else units.of(to_standard(probe.quantity, value, probe.unit), standard)
    return units.word(standard), known


@dataclass(frozen=True, slots=True)
class Preview:
    """What the points would come to."""

    accepted: bool
    words: str
    lines: tuple[str, ...] = ()


def preview(probe: Probe, entry: Calibration, units: Units) -> Preview:
    """What it would come to, before anything is saved."""
    verdict = come_to(probe, entry, units)
    lines = []
    for p in entry.points if probe.quantity == "ph" else ():
        name = named(p.value)
        if name is not None:
            at = units.say(p.temperature_c, "°C", "g")
            lines.append(f"Buffer {p.value:g} is {buffer_ph(name, p.temperature_c):.2f} at {at}.")
    return Preview(verdict.accepted, verdict.words, tuple(lines))
