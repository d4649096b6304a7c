"""What is typed in answer to the questions of a first configuration, as values; ValueError says what is wanted."""

from __future__ import annotations

import datetime as dt
import itertools
import re
import zoneinfo
from collections.abc import Mapping


def names(text: str) -> tuple[str, ...]:
    """Names with commas between them."""
    found = tuple(name.strip() for name in text.split(",") if name.strip())
    if not found:
        raise ValueError("at least one name")
    return found


def timezone(text: str) -> str:
    """An IANA time zone."""
    if text not in zoneinfo.available_timezones():
        raise ValueError("an IANA name such as Europe/Dublin")
    return text


def history(text: str) -> tuple[dt.date | None, Mapping[str, float]]:
    """When a tank was set up, and what is known of the water that is filled in."""
    first, _, rest = text.strip().partition(" ")
    return day(first), source(rest)


def positive(text: str) -> float:
    """A number above 0."""
    value = float(text.replace(",", "."))
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
    if words in ([], ["-"]):
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


def server(text: str) -> str:
    """An address; empty for none."""
    if text.lower() in {"", "none"}:
        return ""
    if not text.startswith(("https://", "http://")):
        raise ValueError("an address such as https://push.example.org, or none")
    return text.rstrip("/")
