"""Units: what each quantity may be written in, and what one unit is in another.

Owns the canonical unit of every quantity and substance, the accepted spellings, and the exact conversions.
Never guesses: a unit with two readings is an error that spells out both, with both numbers.

Every accepted unit is `(value + shift) * factor` in the canonical unit of its family.  Some quantities have
more than one family, because no conversion is possible without further knowledge: lux and µmol m⁻² s⁻¹, or pH
and the millivolts of its electrode.  These are kept apart, each with its own canonical unit.

Sources: atomic weights are the IUPAC/CIAAW abridged standard values; one German degree is 10 mg CaO per litre,
one French degree 10 mg CaCO3 per litre, by definition; the US gallon is 231 cubic inches (NIST Handbook 44),
the imperial one 4.54609 L (UK Weights and Measures Act 1985, schedule 1); the inch is 2.54 cm.  NIST SP 811 (2008),
appendix B.8, prints gallon (U.S.) 3.785 412 E-03 m3, gallon [Canadian and U.K. (Imperial)] 4.546 09 E-03 m3 and inch
2.54 E+00 cm: read in copies of its table, not in the print.  The Handbook and the Act are named from memory.  SenML
unit names are those of RFC 8428.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass

N, O, H, CA, C = 14.007, 15.999, 1.008, 40.078, 12.011  # noqa: E741 - chemical symbols
"""g/mol, IUPAC/CIAAW abridged standard atomic weights."""
NO3, NO2, NH4, NH3 = N + 3 * O, N + 2 * O, N + 4 * H, N + 3 * H
CACO3, CAO, HCO3 = CA + C + 3 * O, CA + O, H + C + 3 * O

NO3_PER_N = NO3 / N
NO2_PER_N = NO2 / N
NH4_PER_N = NH4 / N
NH3_PER_NH4 = NH3 / NH4

MMOL_PER_DH = 10.0 / CAO
"""mmol/L of calcium (or of carbonate) in one German degree: 10 mg CaO per litre."""
MEQ_PER_DH = 2.0 * MMOL_PER_DH
CACO3_PER_DH = MMOL_PER_DH * CACO3
"""mg/L as CaCO3 in one German degree."""

US_GALLON_L = 3.785411784
IMPERIAL_GALLON_L = 4.54609
INCH_CM = 2.54


@dataclass(frozen=True, slots=True)
class Unit:
    """One accepted unit: `(value + shift) * factor` is the value in `standard`."""

    standard: str
    factor: float = 1.0
    shift: float = 0.0

    def of(self, value: float) -> float:
        """The value in the family's canonical unit."""
        return (value + self.shift) * self.factor

    def back(self, value: float) -> float:
        """A value in the canonical unit, in this one."""
        return value / self.factor - self.shift


@dataclass(frozen=True, slots=True)
class Amount:
    """A test's value in the canonical unit.  `bound` is '<' or '>' when the kit's range ended there, else ''."""

    value: float
    bound: str = ""


@dataclass(frozen=True, slots=True)
class _Reading:
    """One of the two things an ambiguous unit could mean: in words, as a number, and how to write it instead."""

    words: str
    standard: Callable[[float], float]
    unit: str
    write: str


def _table(standard: str, spellings: dict[str, float]) -> dict[str, Unit]:
    """Units of one family from 'spelling|spelling: factor' lines."""
    return {s: Unit(standard, factor) for names, factor in spellings.items() for s in names.split("|")}


def _nitrogen(standard: str, own: str, ion: str, per_n: float, weight: float) -> dict[str, Unit]:
    """Spellings of a nitrogen species, given as itself, as nitrogen, or in moles."""
    table: dict[str, Unit] = {}
    for scale, mass in ((1.0, "mg/l"), (1.0, "ppm"), (1e-3, "ug/l"), (1e-3, "ppb"), (1e3, "g/l")):
        for as_itself in ("", own, f"as{own}", ion):
            table[mass + as_itself] = Unit(standard, scale)
        for as_n in ("n", "asn", "-n", f"{own}-n", f"as{own}-n", f"{own}n", f"{ion}-n"):
            table[mass + as_n] = Unit(standard, scale * per_n)
    table |= _table(standard, {f"{own}|{ion}|mg{own}/l": 1.0, f"n|{own}-n|{ion}-n|mgn/l|mg{own}-n/l": per_n})
    return table | _table(standard, {"mmol/l|mm": weight, "umol/l": weight / 1000.0})


def _ammonia() -> dict[str, Unit]:
    """Total ammonia: canonical as NH4, since at a tank's pH nearly all of it is."""
    standard = "mg/L"
    table = _nitrogen(standard, "nh4", "nh4+", NH4_PER_N, NH4)
    for mass in ("mg/l", "ppm"):
        table |= _table(standard, {f"{mass}nh3+nh4|{mass}nh3/nh4|{mass}nh4+nh3|{mass}nh3+nh4+|{mass}asnh3+nh4": 1.0})
        table |= _table(standard, {f"{mass}tan|{mass}nh3-n|{mass}asnh3-n": NH4_PER_N, f"{mass}asnh3": 1 / NH3_PER_NH4})
    return table | _table(standard, {"tan|nh3-n": NH4_PER_N, "nh3+nh4|nh3/nh4": 1.0})


_DH = {"dh|°dh|ºdh|degdh|odh|dgh|°dgh|germandegrees|°d": 1.0}
_FRENCH_ENGLISH = {"°fh|fh|frenchdegrees": 10.0 / CACO3_PER_DH, "°e|°clark|clark|englishdegrees": 14.254 / CACO3_PER_DH}
_AS_CACO3 = {
    "mg/lcaco3|mg/lascaco3|ppm|ppmcaco3|ppmascaco3|mgcaco3/l": 1.0 / CACO3_PER_DH,
    "gpg": 17.118 / CACO3_PER_DH,
}
_CELSIUS = {
    **dict.fromkeys(("c", "°c", "ºc", "degc", "cel", "celsius", "degreescelsius"), Unit("°C")),
    **dict.fromkeys(("f", "°f", "ºf", "degf", "[degf]", "fahrenheit"), Unit("°C", 5.0 / 9.0, -32.0)),
    **dict.fromkeys(("k", "kelvin"), Unit("°C", 1.0, -273.15)),
    "mc": Unit("°C", 1e-3),
}
_MILLIVOLT = _table("mV", {"mv|millivolt": 1.0, "v|volt": 1000.0})
_LUX = _table("lx", {"lx|lux|lm/m2": 1.0, "klx|klux": 1000.0})
_PPFD = _table("µmol/m²/s", {"umol/m2/s|umolm-2s-1|umol/(m2s)|umol/m2s|umol/s/m2|ppfd": 1.0, "mol/m2/s": 1e6})
_LENGTH = _table("cm", {"cm": 1.0, "mm": 0.1, "m": 100.0, "in|inch|inches|\"|″|′′|''": INCH_CM})
_LENGTH |= _table("cm", {"ft|foot|feet|'|′": 12 * INCH_CM})
_PERCENT = _table("%", {"%|%rh|percent": 1.0, "/|ratio": 100.0})

UNITS: dict[str, dict[str, Unit]] = {
    "temperature": _CELSIUS,
    "air_temperature": _CELSIUS,
    "ph": _table("pH", {"ph": 1.0}) | _MILLIVOLT,
    "light": _LUX | _PPFD,
    "nitrate": _nitrogen("mg/L", "no3", "no3-", NO3_PER_N, NO3) | _MILLIVOLT,
    "nitrite": _nitrogen("mg/L", "no2", "no2-", NO2_PER_N, NO2),
    "ammonia": _ammonia(),
    "kh": _table("°dH", _DH | _FRENCH_ENGLISH | _AS_CACO3 | {"dkh|°dkh|°kh|kh": 1.0})
    | _table("°dH", {"meq/l|mval/l|mmol/lhco3": 1.0 / MEQ_PER_DH, "mmol/lcaco3": 1.0 / MMOL_PER_DH})
    | _table("°dH", {"mg/lhco3|mg/lashco3": 1.0 / (MEQ_PER_DH * HCO3)}),
    "gh": _table("°dH", _DH | _FRENCH_ENGLISH | _AS_CACO3 | {"°gh|gh": 1.0})
    | _table("°dH", {"meq/l|mval/l": 1.0 / MEQ_PER_DH, "mmol/l|mmol/lca+mg|mmol/lcaco3": 1.0 / MMOL_PER_DH})
    | _table("°dH", {"mg/lcao": 0.1, "mg/lca|mg/lasca": 1.0 / (MMOL_PER_DH * CA)}),
    "chlorine": _table("mg/L", {"mg/l|ppm|mg/lcl2|ppmcl2": 1.0, "ug/l": 1e-3}),
    "chloride": _table("mg/L", {"mg/l|ppm|mg/lcl|mg/lcl-|ppmcl": 1.0, "mmol/l": 35.45}),
    "conductivity": _table("µS/cm", {"us/cm": 1.0, "ms/cm": 1000.0, "ms/m": 10.0, "s/m": 1e4, "s/cm": 1e6}),
    "level": _LENGTH | _PERCENT,
    "length": _LENGTH,
    "humidity": _PERCENT,
    "volume": _table("L", {"l|litre|litres|liter|liters": 1.0, "ml": 1e-3, "m3": 1000.0, "dm3": 1.0})
    | _table("L", {"usgal|usgallon|usgallons|gal(us)|galus": US_GALLON_L})
    | _table("L", {"impgal|imperialgallons|ukgal|gal(uk)|gal(imp)": IMPERIAL_GALLON_L}),
    "mass": _table("g", {"g|gram|grams": 1.0, "mg": 1e-3, "kg": 1000.0, "oz": 28.349523125, "lb|lbs": 453.59237}),
}
"""Quantity or substance -> normalised spelling -> unit."""

STANDARD: dict[str, str] = {
    "temperature": "°C",
    "air_temperature": "°C",
    "ph": "pH",
    "light": "lx",
    "nitrate": "mg/L",
    "nitrite": "mg/L",
    "ammonia": "mg/L",
    "kh": "°dH",
    "gh": "°dH",
    "chlorine": "mg/L",
    "chloride": "mg/L",
    "conductivity": "µS/cm",
    "level": "cm",
    "length": "cm",
    "humidity": "%",
    "volume": "L",
    "mass": "g",
}
"""What a value is in when nothing is said; nitrate as NO3, nitrite as NO2, ammonia as NH3+NH4 (weighed as NH4)."""


def _plain(quantity: str, spelling: str) -> Callable[[float], float]:
    return UNITS[quantity][spelling].of


def _two(quantity: str, *readings: tuple[str, str, str]) -> tuple[_Reading, ...]:
    """Readings from (words, normalised spelling, what to write)."""
    return tuple(
        _Reading(words, _plain(quantity, spelling), STANDARD[quantity], f"'{write}'")
        for words, spelling, write in readings
    )


_DEGREES_TEMPERATURE = _two("temperature", ("degrees Celsius", "c", "°C"), ("degrees Fahrenheit", "f", "°F"))
_DEGREES_HARDNESS = _two("gh", ("German degrees", "dh", "°dH"), ("French degrees", "fh", "°fH"))
_GALLONS = _two("volume", ("US gallons", "usgal", "US gal"), ("imperial gallons", "impgal", "imp gal"))
_MG_KH = _two("kh", ("as CaCO3", "mg/lcaco3", "mg/L CaCO3"), ("as HCO3", "mg/lhco3", "mg/L HCO3"))
_MMOL_KH = _two("kh", ("of hydrogen carbonate", "meq/l", "meq/L"), ("of CaCO3", "mmol/lcaco3", "mmol/L CaCO3"))
_MG_GH = _two("gh", ("as CaCO3", "mg/lcaco3", "mg/L CaCO3"), ("of calcium", "mg/lca", "mg/L Ca"))
_UNIONISED_AT_PH7 = 1.0 / (0.0056386 * NH3_PER_NH4)
_NH3 = (
    _Reading("total ammonia weighed as NH3", _plain("ammonia", "mg/lasnh3"), "mg/L", "'mg/L as NH3'"),
    _Reading(
        "un-ionised ammonia alone, which at pH 7 and 25 °C would be a total of",
        lambda v: v * _UNIONISED_AT_PH7,
        "mg/L",
        "the total in 'mg/L'",
    ),
)
_DISSOLVED = (
    _Reading("on the 0.5 scale", lambda v: v / 0.5, "µS/cm", "'µS/cm'"),
    _Reading("on the 0.7 scale", lambda v: v / 0.7, "µS/cm", "'µS/cm'"),
)

_AMBIGUOUS: dict[str, dict[str, tuple[_Reading, ...]]] = {
    "temperature": dict.fromkeys(("°", "deg", "degree", "degrees"), _DEGREES_TEMPERATURE),
    "air_temperature": dict.fromkeys(("°", "deg", "degree", "degrees"), _DEGREES_TEMPERATURE),
    "volume": dict.fromkeys(("gal", "gallon", "gallons"), _GALLONS),
    "kh": {
        **dict.fromkeys(("°", "deg", "degree", "degrees", "°h", "°f"), _DEGREES_HARDNESS),
        "mg/l": _MG_KH,
        "mmol/l": _MMOL_KH,
    },
    "gh": {**dict.fromkeys(("°", "deg", "degree", "degrees", "°h", "°f"), _DEGREES_HARDNESS), "mg/l": _MG_GH},
    "ammonia": dict.fromkeys(("nh3", "mg/lnh3", "ppmnh3"), _NH3),
    "conductivity": dict.fromkeys(("ppm", "mg/l", "tds"), _DISSOLVED),
}


def normalise(spelling: str) -> str:
    """One spelling for all ways of typing the same unit: µ or u, ² or 2, any case, any spacing."""
    text = unicodedata.normalize("NFKC", spelling).casefold()
    for old, new in (("μ", "u"), ("−", "-"), ("–", "-"), ("·", ""), ("^", ""), ("_", ""), ("*", ""), ("\u2044", "/")):
        text = text.replace(old, new)
    return "".join(text.split())


def unit_of(quantity: str, unit: str = "", value: float = 1.0) -> Unit:
    """The unit by its spelling; an empty one is the quantity's canonical unit.

    `value` only serves the message: an ambiguous unit is explained with the number at hand.

    Raises:
        ValueError: the quantity or the unit is unknown, or the unit has two readings.
    """
    table = UNITS.get(quantity)
    if table is None:
        raise ValueError(f"{quantity}: not a quantity that has units here")
    if not unit:
        return Unit(STANDARD[quantity])
    key = normalise(unit)
    found = table.get(key)
    if found is not None:
        return found
    readings = _AMBIGUOUS.get(quantity, {}).get(key)
    if readings:
        raise ValueError(_explain(value, unit, readings))
    raise ValueError(f"{unit!r} is not a unit of {quantity}; write one of {', '.join(accepted(quantity))}")


def _explain(value: float, unit: str, readings: tuple[_Reading, ...]) -> str:
    parts = [f"{r.words} {r.standard(value):.4g} {r.unit} (write {r.write})" for r in readings]
    return f"{value:g} {unit} can be read in two ways: " + ", or ".join(parts)


_OFFER: dict[str, tuple[str, ...]] = {
    "temperature": ("°C", "°F", "K"),
    "air_temperature": ("°C", "°F", "K"),
    "ph": ("pH", "mV"),
    "light": ("lx", "klx", "µmol/m²/s"),
    "nitrate": ("mg/L", "mg/L N", "mmol/L", "mV"),
    "nitrite": ("mg/L", "mg/L N", "mmol/L"),
    "ammonia": ("mg/L", "mg/L N", "mg/L as NH3", "mmol/L"),
    "kh": ("°dH", "ppm", "mg/L CaCO3", "mg/L HCO3", "meq/L", "°fH"),
    "gh": ("°dH", "ppm", "mg/L CaCO3", "mg/L Ca", "mmol/L", "°fH"),
    "chlorine": ("mg/L",),
    "chloride": ("mg/L", "mmol/L"),
    "conductivity": ("µS/cm", "mS/cm", "S/m"),
    "level": ("cm", "mm", "m", "in", "%"),
    "length": ("cm", "mm", "m", "in", "ft"),
    "humidity": ("%",),
    "volume": ("L", "mL", "US gal", "imp gal"),
    "mass": ("g", "mg", "kg", "oz", "lb"),
}


def accepted(quantity: str) -> tuple[str, ...]:
    """Units to offer to a person, canonical first; many more spellings are understood."""
    return _OFFER[quantity]


_SPECIES = {"nitrate": ("NO3", NO3_PER_N), "nitrite": ("NO2", NO2_PER_N), "ammonia": ("NH4", NH4_PER_N)}


def spoken(substance: str, unit: str = "") -> str:
    """The unit as a person should read it, with what was weighed where two weights are usual: 'mg/L as NO3'.

    Raises:
        ValueError: as `unit_of`.
    """
    if substance == "ph":
        return ""
    found = unit_of(substance, unit)
    species, per_n = _SPECIES.get(substance, ("", 0.0))
    if not species:
        return unit or found.standard
    weighed = {1.0: species, per_n: "N"}.get(found.factor)
    return f"mg/L as {weighed}" if weighed else unit


def standard_unit(quantity: str, unit: str = "") -> str:
    """The canonical unit of the family that `unit` belongs to: 'lx' for klx, 'µmol/m²/s' for PPFD.

    Raises:
        ValueError: as `unit_of`.
    """
    return unit_of(quantity, unit).standard


def to_standard(quantity: str, value: float, unit: str = "") -> float:
    """The value in the canonical unit of its family.

    Raises:
        ValueError: as `unit_of`, or the value is not a finite number.
    """
    if not math.isfinite(value):
        raise ValueError(f"{quantity}: {value} is not a finite number")
    return unit_of(quantity, unit, value).of(value)


def from_standard(quantity: str, value: float, unit: str) -> float:
    """A canonical value in another unit of the same family.

    Raises:
        ValueError: as `unit_of`.
    """
    return unit_of(quantity, unit, value).back(value)


def read_reported(substance: str, reported: float | str, unit: str = "") -> Amount:
    """A test's value, which may be '>250' or '<5', in the canonical unit.

    Raises:
        ValueError: as `to_standard`, the value is below 0 or a voltage, or the text is not a number with at most one of
            '<' and '>' before it.
    """
    text, bound = "", ""
    if isinstance(reported, str):
        text = reported.strip()
        bound = text[:1] if text[:1] in {"<", ">"} else ""
    try:
        # To Python 1_0 is ten; to a person it is a slip.
        number = float(text[len(bound) :].replace("_", "?") if isinstance(reported, str) else reported)
    except ValueError:
        raise ValueError(f"{substance}: {reported!r} is not a number, '>number' or '<number'") from None
    if number < 0:
        raise ValueError(f"{substance}: {reported} is below 0")
    if unit_of(substance, unit, number).standard == _MILLIVOLT["mv"].standard:
        raise ValueError(f"{substance}: {unit} is what a probe gives, not a test")
    return Amount(to_standard(substance, number, unit), bound)
