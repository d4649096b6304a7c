"""What is typed in answer to the questions of a first configuration, as values; ValueError says what is wanted."""

from __future__ import annotations

import datetime as dt
import itertools
import re
import zoneinfo
from collections.abc import Callable, Mapping

from rushlight.guide.animals import Keeping, keeping

Lives = tuple[tuple[Keeping, dt.date | None], ...]
"""How each tank's animals are kept, and since when it stands."""


def parts(text: str) -> list[str]:
    """What stands between commas or semicolons; a comma within a number, as in 0,9, is none."""
    return [part.strip() for part in re.split(r";|(?<!\d),|,(?!\d)", text) if part.strip()]


def place(usual_zone: str) -> Callable[[str], tuple[str, str]]:
    """Reads a name and, after the last comma, an IANA time zone; without one it is the usual."""

    def read(text: str) -> tuple[str, str]:
        name, comma, zone = text.rpartition(",")
        zone = zone.strip()
        if comma and zone in zoneinfo.available_timezones():
            return name.strip(), zone
        if comma and "/" in zone:
            raise ValueError(f"{zone} is no time zone; an IANA name such as Europe/Dublin")
        return text, usual_zone

    return read


def tanks(text: str) -> tuple[tuple[str, float, float], ...]:
    """Name, litres and grams of feed a day of each tank."""
    found = []
    for part in parts(text):
        match = re.fullmatch(r"(.*\S)\s+(\S+)\s+(\S+)", part)
        if match is None:
            raise ValueError("name, litres and grams for each, such as Foyer 140 0.9, Reading room 54 0.4")
        found.append((match[1], positive(match[2]), positive(match[3])))
    if not found:
        raise ValueError("at least one tank")
    return tuple(found)


def lives(count: int) -> Callable[[str], Lives]:
    """Reads who lives in each of so many tanks and since when it stands; one answer may serve for all."""

    def read(text: str) -> Lives:
        found = []
        for part in parts(text):
            who, _, since = part.partition(" ")
            found.append((keeping(who), day(since.strip())))
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


def source(text: str) -> Mapping[str, float]:
    """What is known of nitrate (mg/L as NO3), KH, GH (°dH) and pH, in that order."""
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
        raise ValueError("figures that water can have: mg/L, degrees, degrees, pH")
    return found


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


def wifi(text: str) -> tuple[str, str]:
    """Name and password of a Wi-Fi, with the first comma between them."""
    name, comma, password = text.partition(",")
    if not comma or not name.strip() or not password.strip():
        raise ValueError("name and password with a comma between them")
    return name.strip(), password.strip()
