"""Local units: the one place where a quantity is turned into the units that people at the site think in, and back.

Owns which units a site of each kind reads, how finely a figure is written in them, and what a bare number or a bare
`gal` means there.  The factors are those of `science.measuring.units`.  Everything that is kept, worked out or handed
to programs stays in the units of the record; only what a person reads or writes passes through here.  Pure.

Which units: `us` reads °F, US gallons, inches, ppm, and hardness as ppm of CaCO3; `uk` imperial gallons and inches,
and °C, mg/L and degrees of hardness still (common practice, no source).  Dry food, salts and plants are weighed in
grams everywhere, as doses are.  In fresh water 1 mg/L is 1 ppm, since a litre weighs a kilogram within half a per cent
from 0 to 30 °C.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from rushlight.science.measuring.units import STANDARD, Unit, accepted, normalise, unit_of
from rushlight.settings import UnitSystem

_THOUSANDS = re.compile(r"[-+−]?[1-9]\d{0,2},\d{3}")
_WRITTEN = re.compile(r"\s*([-+−]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*(.*?)\s*")


def number(value: float, digits: int = 2) -> str:
    """A number as people write it: so many significant digits, never an exponent, no trailing zeros."""
    if value == 0:
        return "0"
    size = f"{abs(value):.{digits}g}"
    rounded = float(size)
    text = f"{rounded:.0f}" if rounded >= 10 ** (digits - 1) else f"{rounded:.6f}".rstrip("0").rstrip(".")
    return f"−{text}" if value < 0 else text


def _tenths(value: float) -> str:
    """Two digits, from ten on three: to a tenth of a gallon or of an inch, finer for small amounts."""
    return number(value, 2 if abs(value) < 9.95 else 3)


def _whole(value: float) -> str:
    return f"{value + 0.0:.0f}"


@dataclass(frozen=True, slots=True)
class _Shown:
    """How a unit of the record is shown: the word, the unit, how a figure is written (None: as in the record)."""

    word: str
    unit: Unit
    written: Callable[[float], str] | None = None


_INCH = _Shown("in", unit_of("length", "in"), _tenths)
_SHOWN: Mapping[UnitSystem, Mapping[str, _Shown]] = MappingProxyType(
    {
        "metric": {},
        "us": {
            "°C": _Shown("°F", unit_of("temperature", "°F")),
            "L": _Shown("gal", unit_of("volume", "US gal"), _tenths),
            "cm": _INCH,
            "mg/L": _Shown("ppm", unit_of("nitrate", "ppm")),
            "°dH": _Shown("ppm as CaCO3", unit_of("kh", "ppm as CaCO3"), _whole),
        },
        "uk": {"L": _Shown("gal", unit_of("volume", "imp gal"), _tenths), "cm": _INCH},
    }
)
_GALLON: Mapping[UnitSystem, str] = MappingProxyType({"us": "US gal", "uk": "imp gal"})
"""What `gal` is short for."""


@dataclass(frozen=True, slots=True)
class Units:
    """The units of one site; where one is not shown in another the figure is written as it always was.

    `unit` is one of the record's, alone or with what follows it: '°C', 'mg/L as NO3 a day'.  `spec` is a format
    specification for the record's figure, or a number of significant digits.
    """

    system: UnitSystem = "metric"

    def word(self, unit: str) -> str:
        """The unit as it is read here: '°F' for '°C', 'ppm as NO3 a day' for 'mg/L as NO3 a day'."""
        head, space, rest = unit.partition(" ")
        shown = _SHOWN[self.system].get(head)
        return unit if shown is None else f"{shown.word}{space}{rest}"

    def name(self, litres: str) -> str:
        """What water is counted in, spelt out: 'gallons' for 'litres'."""
        return litres if self.word("L") == "L" else "gallons"

    @property
    def gallon(self) -> str:
        """How the site's gallon is written where it must not be taken for another one."""
        return _GALLON.get(self.system, "")

    def of(self, value: float, unit: str) -> float:
        """The value in the site's unit."""
        shown = self._shown(unit)
        return value if shown is None else shown.unit.back(value)

    def change_of(self, value: float, unit: str) -> float:
        """A difference, or a change in some time, in the site's unit: a degree Celsius more is 1.8 °F more."""
        shown = self._shown(unit)
        return value if shown is None else value / shown.unit.factor

    def figure(self, value: float, unit: str, spec: str | int = 2) -> str:
        """The value's figure alone."""
        return self._written(self.of(value, unit), unit, spec)

    def change_figure(self, value: float, unit: str, spec: str | int = 2) -> str:
        """A difference's figure alone."""
        return self._written(self.change_of(value, unit), unit, spec)

    def say(self, value: float, unit: str, spec: str | int = 2) -> str:
        """The value with its unit: '77 °F'; without a unit the figure alone."""
        return f"{self.figure(value, unit, spec)} {self.word(unit)}".rstrip()

    def say_change(self, value: float, unit: str, spec: str | int = 2) -> str:
        """A difference with its unit: '1.8 °F'."""
        return f"{self.change_figure(value, unit, spec)} {self.word(unit)}".rstrip()

    def beside(
        self, value: float, limit: float, unit: str, spec: str | int = 3, *, change: bool = False
    ) -> tuple[str, str]:
        """The figures of a value and of the limit it is held against.

        Where both would read the same though they differ, rounding would hide that the limit is passed: they are then
        written with the first decimal that tells them apart, if that is one of four.
        """
        of, figure = (self.change_of, self.change_figure) if change else (self.of, self.figure)
        said = figure(value, unit, spec), figure(limit, unit, 3)
        if said[0] == said[1]:
            for decimals in range(1, 5):
                finer = [f"{of(v, unit):.{decimals}f}".replace("-", "−") for v in (value, limit)]
                if finer[0] != finer[1]:
                    return finer[0], finer[1].rstrip("0").rstrip(".")
        return said

    def read(self, text: str, quantity: str) -> float:
        """What a person wrote, in the record's unit: a number in the site's unit, or one with its own: '10 gal', '76F'.

        Raises:
            ValueError: it is no such number, or it or its unit has two readings, or the unit is none of the quantity's.
        """
        found = _WRITTEN.fullmatch(text)
        value = math.nan if found is None else float(found[1].replace(",", ".").replace("−", "-"))
        if found is None or not math.isfinite(value):
            raise ValueError(f"expected a number such as {self.examples(quantity)}, got {text[:40]!r}")
        if _THOUSANDS.fullmatch(found[1]):
            whole = found[1].replace(",", "")
            raise ValueError(f"{found[1]!r} has two readings: write {value:g} or {whole}")
        return self.in_record(value, quantity, found[2])

    def in_record(self, value: float, quantity: str, unit: str = "") -> float:
        """A value in the record's unit; an empty `unit` is the site's own, a bare 'gal' the site's gallon.

        Raises:
            ValueError: the unit is none of the quantity's or has two readings.
        """
        if not unit:
            shown = self._shown(STANDARD[quantity])
            return value if shown is None else shown.unit.of(value)
        return unit_of(quantity, self._meant(unit), value).of(value)

    def meant(self, text: str, quantity: str) -> float:
        """As `read`, of a text that has to name its unit, since the number alone would be the record's: '36 gal'.

        Raises:
            ValueError: as `read`, or no unit is named.
        """
        found = _WRITTEN.fullmatch(text)
        if found is None or not found[2]:
            known = ", ".join(accepted(quantity))
            raise ValueError(f"expected a number, or in quotes one with its unit ({known}), got {text[:40]!r}")
        return self.read(text, quantity)

    def examples(self, quantity: str) -> str:
        """What may be written, for a message: '12, or with its unit: L, mL, US gal, imp gal'."""
        return f"12, or one with its unit ({', '.join(accepted(quantity))})"

    def _meant(self, unit: str) -> str:
        gallon = _GALLON.get(self.system)
        return gallon if gallon and normalise(unit) in {"gal", "gals", "gallon", "gallons"} else unit

    def _shown(self, unit: str) -> _Shown | None:
        return _SHOWN[self.system].get(unit.partition(" ")[0])

    def _written(self, value: float, unit: str, spec: str | int) -> str:
        shown = self._shown(unit)
        if shown is not None and shown.written is not None:
            return shown.written(value)
        if shown is not None and shown.unit.shift:  # whole degrees Celsius are no whole degrees Fahrenheit
            value = round(value, 1)
        return number(value, spec) if isinstance(spec, int) else format(value, spec)


METRIC = Units()
