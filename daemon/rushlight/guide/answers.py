"""What is typed in answer to the questions of a first configuration, as values; ValueError says what is wanted."""

from __future__ import annotations

import datetime as dt
import itertools
import re
import zoneinfo
from collections.abc import Callable, Mapping
from typing import get_args

from rushlight.guide import wizard
from rushlight.guide.animals import Keeping, keeping
from rushlight.localunits import METRIC, Units
from rushlight.settings import UnitSystem

Lives = tuple[tuple[Keeping, dt.date | None], ...]
"""How each tank's animals are kept, and since when it stands."""


def parts(text: str) -> list[str]:
    """What stands between commas or semicolons; a comma within a number, as in 0,9, is none."""
    return [part.strip() for part in re.split(r";|(?<!\d),|,(?!\d)", text) if part.strip()]


def place(usual_zone: str) -> Callable[[str], tuple[str, str, UnitSystem]]:
    """Reads a name and, after commas, an IANA time zone, or the usual one, and the units, or metric ones."""
    systems: tuple[UnitSystem, ...] = get_args(UnitSystem)

    def read(text: str) -> tuple[str, str, UnitSystem]:
        before, comma, word = text.rpartition(",")
        system = next((s for s in systems if comma and s == word.strip().lower()), None)
        text = text if system is None else before.strip()
        name, comma, zone = text.rpartition(",")
        zone = zone.strip()
        if comma and zone in zoneinfo.available_timezones():
            return name.strip(), zone, system or "metric"
        if comma and "/" in zone:
            raise ValueError(f"{zone} is no time zone; an IANA name such as Europe/Dublin")
        return text, usual_zone, system or "metric"

    return read


def tanks(units: Units = METRIC) -> Callable[[str], tuple[tuple[str, float, float], ...]]:
    """Reads name, volume and grams of feed a day of each tank; the volume comes out in litres."""

    def read(text: str) -> tuple[tuple[str, float, float], ...]:
        found = []
        for part in parts(text):
            match = re.fullmatch(r"(.*\S)\s+(\S+)\s+(\S+)", part)
            if match is None:
                raise ValueError(f"name, {units.name('litres')} and grams for each, such as {example(units)}")
            found.append((match[1], _litres(match[2], units), positive(match[3])))
        if not found:
            raise ValueError("at least one tank")
        return tuple(found)

    return read


def example(units: Units) -> str:
    """Two tanks, as they may be typed."""
    big, small = (units.figure(litres, "L", ".0f") for litres in (140.0, 54.0))
    return f"Foyer {big} 0.9, Reading room {small} 0.4"


def _litres(text: str, units: Units) -> float:
    """A volume above 0; a comma before three digits is asked about, not guessed."""
    return positive(repr(units.read(text, "volume")))


def lives(count: int, units: Units = METRIC) -> Callable[[str], Lives]:
    """Reads who lives in each of so many tanks and since when it stands; one answer may serve for all."""

    def read(text: str) -> Lives:
        found = []
        for part in parts(text):
            who, _, since = part.partition(" ")
            found.append((keeping(who, units), day(since.strip())))
        if len(found) not in {1, count}:
            raise ValueError(f"{count} answers with commas between them, or one for all")
        return tuple(found * (count if len(found) == 1 else 1))

    return read


def positive(text: str) -> float:
    """A number above 0."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise ValueError(f"{text!r} is no number") from None
    if not 0 < value < 1e6:
        raise ValueError("a number above 0")
    return value


def day(text: str) -> dt.date | None:
    """A date; None for a dash or nothing."""
    if text in {"", "-"}:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise ValueError("a date such as 2025-01-10, or -") from None


def source(units: Units = METRIC) -> Callable[[str], Mapping[str, float]]:
    """Reads what is known of nitrate, KH, GH and pH, in that order; out come mg/L as NO3 and °dH."""
    return lambda text: _source(text, units)


def _source(text: str, units: Units) -> Mapping[str, float]:
    words = text.replace(",", ".").split()
    order = ("nitrate", "kh", "gh", "ph")
    if set(words) <= {"-"}:
        return {}
    if len(words) != len(order):
        raise ValueError("four figures with blanks between them, - for what is not known")
    try:
        found = {name: float(word) for name, word in zip(order, words, strict=True) if word != "-"}
    except ValueError:
        raise ValueError("four figures with blanks between them, - for what is not known") from None
    if any(not 0 <= v < 1000 for v in found.values()) or found.get("ph", 7.0) > 14:
        hard = "degrees" if units.word("°dH") == "°dH" else units.word("°dH")
        raise ValueError(f"figures that water can have: {units.word('mg/L')}, {hard}, {hard}, pH")
    return {k: units.in_record(v, k) if k in ("kh", "gh") else v for k, v in found.items()}


def pads(text: str) -> tuple[tuple[float, ...], str]:
    """The values, and the unit where the box says that they are nitrogen."""
    said = re.fullmatch(r"(.*?)(NO3-?N|as N|N)?\s*", text.strip(), re.IGNORECASE)
    figures, nitrogen = (said[1], said[2]) if said else (text, None)
    values = tuple(float(word) for word in figures.replace(",", " ").split())
    if len(values) < 2 or values[0] < 0 or any(b <= a for a, b in itertools.pairwise(values)):
        raise ValueError("at least two numbers, rising, with blanks between them")
    return values, "mg/L as N" if nitrogen else ""


def yes(text: str) -> bool:
    """Yes or no."""
    if text.lower() not in {"yes", "y", "no", "n"}:
        raise ValueError("yes or no")
    return text.lower().startswith("y")


def address(text: str) -> str:
    """An address of the web, without the stroke at its end; nothing for 'none'."""
    if text.lower() in {"", "none"}:
        return ""
    if not text.startswith(("https://", "http://")):
        raise ValueError("an address that begins with https://, or none")
    return text.rstrip("/")


def phones(text: str) -> tuple[str, bool]:
    """The push server's address, empty for none; and whether phones in the home network may open the page."""
    where, comma, word = text.rpartition(",")
    if not comma:
        where, word = text, ""
    if comma and word.strip().lower() != "closed":
        raise ValueError("after the comma: closed, or nothing")
    return address(where.strip()), not comma


def names(text: str) -> list[str]:
    """Names with commas between them, in the form that topics and folders take."""
    return [wizard.slug(n) for n in text.split(",") if n.strip()]


def boards(text: str) -> tuple[list[str], tuple[str, str]]:
    """Names of boards, and after a semicolon name and password of a Wi-Fi, with the first comma between them."""
    given, _, network = text.partition(";")
    found = names(given)
    name, comma, password = network.partition(",")
    if found and not (comma and name.strip() and password.strip()):
        raise ValueError("after the boards a semicolon, then name and password of the Wi-Fi with a comma between them")
    return found, (name.strip(), password.strip())
