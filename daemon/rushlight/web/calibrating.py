"""The calibration guide: which standards, their values at temperature, and what the readings come to.

Owns the steps and the form.  The arithmetic is `science.electrode` and `science.buffers`; the core judges what is
saved by the same rules.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from rushlight.science import electrode
from rushlight.science.buffers import STANDARD, TECHNICAL, TEMPERATURES_C, buffer_ph, named
from rushlight.science.units import unit_of
from rushlight.settings import Probe
from rushlight.web.fields import FieldError, number

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


def points(form: Mapping[str, str]) -> list[dict[str, float]]:
    """The standards that were filled in.  Raises FieldError for a half-filled one, or none."""
    found: list[dict[str, float]] = []
    for n in range(1, POINTS + 1):
        value = number(form, f"value_{n}", most=100_000)
        raw = number(form, f"raw_{n}", least=-100_000, most=1e6)
        temp_c = number(form, f"temp_{n}", least=0, most=40)
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


@dataclass(frozen=True, slots=True)
class Preview:
    """What the points would come to."""

    accepted: bool
    words: str
    lines: tuple[str, ...] = ()


def preview(probe: Probe, given: list[dict[str, float]]) -> Preview | None:
    """Slope and offset before anything is saved; None for probes that are no electrodes."""
    if probe.quantity not in {"ph", "nitrate"}:
        return None
    unit = unit_of(probe.quantity, probe.unit)
    in_mv = unit.standard == "mV"
    if probe.quantity == "nitrate" and not in_mv:
        return None
    kind: electrode.Electrode = "ph" if probe.quantity == "ph" else "nitrate"
    standards = [_standard(p, in_mv=in_mv, scale=unit.of) for p in given]
    try:
        verdict = electrode.calibrate(kind, standards)
    except ValueError as e:
        return Preview(False, f"refused: {e}")
    lines = []
    for p in given:
        name = named(p["value"]) if kind == "ph" else None
        if name is not None:
            there = buffer_ph(name, p["temperature_c"])
            lines.append(f"Buffer {p['value']:g} is {there:.2f} at {p['temperature_c']:g} °C.")
    return Preview(verdict.accepted, verdict.words, tuple(lines))


def _standard(point: Mapping[str, float], *, in_mv: bool, scale: Any) -> electrode.Standard:
    """In millivolts; a board that shows pH has used Nernst's slope, which is undone."""
    temp_c, raw = point["temperature_c"], point["raw"]
    millivolt = scale(raw) if in_mv else -electrode.nernst_slope(temp_c) * (raw - 7.0)
    return electrode.Standard(point["value"], millivolt, temp_c)
