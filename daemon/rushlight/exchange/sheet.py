"""Readings as comma-separated values with a header line (RFC 4180), and back.

Owns the columns.  A value's unit stands beside it; an empty value is 'the device has none', an empty quality is
'not judged'.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TextIO, cast

from rushlight.config import checking
from rushlight.eventlines import LineError, rfc3339, unix_s
from rushlight.events import Quality, Reading
from rushlight.science.measuring import units
from rushlight.settings import Probe

COLUMNS = ("at", "tank", "probe", "quantity", "value", "unit", "quality")
_NEEDED = ("at", "probe", "value")
_QUALITIES = {str(q): q for q in (1, 2, 3, 4, 9)}


def write(readings: Iterable[tuple[Reading, Probe]], out: TextIO) -> int:
    """A header and one row a reading; returns how many rows."""
    rows = csv.writer(out, lineterminator="\r\n")
    rows.writerow(COLUMNS)
    n = 0
    for reading, probe in readings:
        n += 1
        value = "" if reading.value is None else repr(reading.value).removesuffix(".0")
        unit = reading.unit or probe.unit or units.STANDARD[probe.quantity]
        rows.writerow((rfc3339(reading.at_s), probe.tank, probe.id, probe.quantity, value, unit, reading.quality or ""))
    return n


def read(source: TextIO, probes: Mapping[str, Probe]) -> Iterator[Reading]:
    """The readings of a sheet; raises `LineError` with the line and the column of the first fault."""
    rows = csv.reader(source, strict=True)
    try:
        header = next(rows, None)
        columns = _columns(header)
        for row in rows:
            if row:
                yield _reading(_cells(row, columns, rows.line_num), probes, rows.line_num)
    except csv.Error as e:
        raise LineError(max(1, rows.line_num), "line", f"not comma-separated values ({e})") from None


def _columns(header: Sequence[str] | None) -> list[str]:
    if header is None:
        raise LineError(1, "line", "is empty; expected a header")
    names = [c.strip().removeprefix("\ufeff").casefold() for c in header]
    if len(names) == 1 and ";" in names[0]:
        raise LineError(1, "line", "columns are separated by semicolons; expected commas")
    for i, name in enumerate(names):
        if name not in COLUMNS:
            raise LineError(1, name or f"column {i + 1}", f"unknown column{checking.nearest(name, COLUMNS)}")
        if name in names[:i]:
            raise LineError(1, name, "is there twice")
    for name in _NEEDED:
        if name not in names:
            raise LineError(1, name, f"is missing; expected the columns {', '.join(_NEEDED)}")
    return names


def _cells(row: Sequence[str], columns: Sequence[str], line_no: int) -> dict[str, str]:
    if len(row) != len(columns):
        raise LineError(line_no, "line", f"has {len(row)} columns, the header has {len(columns)}")
    return dict(zip(columns, (c.strip() for c in row), strict=True))


def _reading(cells: Mapping[str, str], probes: Mapping[str, Probe], line_no: int) -> Reading:
    probe = probes.get(cells["probe"])
    if probe is None:
        close = checking.nearest(cells["probe"], probes)
        raise LineError(line_no, "probe", f"no probe called {cells['probe']!r}{close}")
    for key, own in (("tank", probe.tank), ("quantity", probe.quantity)):
        if cells.get(key) not in {None, "", own}:
            raise LineError(line_no, key, f"{probe.id} belongs to {own!r}, got {cells[key]!r}")
    quality = cells.get("quality", "")
    if quality and quality not in _QUALITIES:
        raise LineError(line_no, "quality", f"expected 1, 2, 3, 4, 9 or nothing, got {quality!r}")
    return Reading(
        at_s=unix_s(cells["at"], line_no),
        probe=probe.id,
        value=_value(cells["value"], line_no),
        unit=_unit(cells.get("unit", ""), probe, line_no),
        quality=cast("Quality | None", _QUALITIES.get(quality)),
    )


def _value(text: str, line_no: int) -> float | None:
    if not text:
        return None
    try:
        value = float(text) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise LineError(line_no, "value", f"expected a number such as 24.5 or nothing, got {text!r}")
    return value


def _unit(text: str, probe: Probe, line_no: int) -> str:
    """Empty where it is the probe's own; raises `LineError` for one that does not fit the quantity."""
    if not text:
        return ""
    try:
        units.unit_of(probe.quantity, text)
    except ValueError as e:
        raise LineError(line_no, "unit", str(e)) from None
    own = probe.unit or units.STANDARD[probe.quantity]
    return "" if units.normalise(text) == units.normalise(own) else text
