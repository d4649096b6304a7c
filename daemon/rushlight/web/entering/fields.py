"""What a person typed, as values: numbers, times, one out of a list.

Owns the words of complaint beside a field.  Pure.
"""

from __future__ import annotations

import datetime as dt
import math
import re
import zoneinfo
from collections.abc import Mapping

from rushlight.localtime import DAY_S
from rushlight.localunits import METRIC, Units

AHEAD_S = 300.0
"""A phone's clock may be so much ahead of ours, or behind, before it is spoken of."""
LATEST_DAYS = 366.0
_MS = 1000.0
_UNIT = re.compile(r"[-+\N{MINUS SIGN}]?[\d.,]+\s*([^\d\s.,_].*|)")
_THOUSANDS = re.compile(r"-?[1-9]\d{0,2},\d{3}")


class FieldError(ValueError):
    """A field that can't be used: its name and what is wrong; of a number too small or too large what it may be."""

    def __init__(self, name: str, what: str, span: tuple[float, float] | None = None) -> None:
        super().__init__(what)
        self.name, self.what, self.span = name, what, span


def number(form: Mapping[str, str], name: str, *, least: float = 0.0, most: float = 1e6) -> float | None:
    """A number with a decimal point or comma; None for an empty field.  Raises FieldError, also for two readings."""
    typed = form.get(name, "").strip().replace("\N{MINUS SIGN}", "-")
    text = typed.replace(",", ".")
    if not text:
        return None
    if _THOUSANDS.fullmatch(typed) and least <= (large := float(typed.replace(",", ""))) <= most:
        raise FieldError(name, f"“{typed[:20]}” has two readings: write {float(text):g} or {large:.0f}")
    try:
        value = float(text.replace("_", "?"))  # to Python 1_0 is ten; to a person it is a slip
    except ValueError:
        raise FieldError(name, f"“{text[:20]}” is not a number") from None
    if not math.isfinite(value) or not least <= value <= most:
        raise FieldError(name, f"expected a number from {least:g} to {most:g}", (least, most))
    return value


def in_record(form: Mapping[str, str], quantities: Mapping[str, str], units: Units) -> dict[str, str]:
    """The form with the named fields in the record's units, in place of the site's or the one that was typed.

    Raises FieldError.
    """
    plain = dict(form)
    for name, quantity in quantities.items():
        typed = form.get(name, "").strip()
        unit = _UNIT.fullmatch(typed)
        if unit is None or (units == METRIC and not unit[1]) or _THOUSANDS.fullmatch(typed):
            continue  # `number` has its own words for what is none
        try:
            plain[name] = repr(units.read(typed, quantity))
        except ValueError as e:
            raise FieldError(name, str(e)) from None
    return plain


def needed(form: Mapping[str, str], name: str, *, least: float = 0.0, most: float = 1e6) -> float:
    """The same where it can't be left out."""
    value = number(form, name, least=least, most=most)
    if value is None:
        raise FieldError(name, "is missing")
    return value


def chosen(form: Mapping[str, str], name: str, words: Mapping[str, str]) -> str:
    """One key of `words`.  Raises FieldError."""
    value = form.get(name, "")
    if value not in words:
        raise FieldError(name, "choose one")
    return value


def text(form: Mapping[str, str], name: str, longest: int = 500) -> str:
    """Words, cut to a sensible length, without control characters."""
    return "".join(c for c in form.get(name, "").strip() if c >= " " or c == "\n")[:longest]


def done_at(form: Mapping[str, str], now_s: float, zone: zoneinfo.ZoneInfo) -> float:
    """When it was done: now, a local time that was typed, or as long ago as a phone without network kept it.

    Raises FieldError for a time that can't be read, lies ahead, or is more than a year back.
    """
    typed = form.get("done_at", "").strip()
    at_s = _typed(typed, zone) if typed else now_s - _kept_s(form)
    if at_s > now_s + AHEAD_S:
        raise FieldError("done_at", "lies in the future")
    if at_s < now_s - LATEST_DAYS * DAY_S:
        raise FieldError("done_at", "is more than a year ago")
    return min(at_s, now_s)


def clock_gap_s(form: Mapping[str, str], now_s: float) -> float:
    """How far the phone's clock is ahead of ours, seconds; 0 where the form does not say.  Its delay counts as gap."""
    try:
        gap_s = float(form["sent_ms"]) / _MS - now_s
    except (KeyError, ValueError):
        return 0.0
    return gap_s if math.isfinite(gap_s) else 0.0


def _typed(typed: str, zone: zoneinfo.ZoneInfo) -> float:
    try:
        when = dt.datetime.fromisoformat(typed)
    except ValueError:
        raise FieldError("done_at", "expected a date and a time such as 2026-03-01 18:30") from None
    return (when if when.tzinfo else when.replace(tzinfo=zone)).timestamp()


def _kept_s(form: Mapping[str, str]) -> float:
    """How long the phone held the entry, by its own clock alone, so that a wrong clock does no harm."""
    try:
        kept_s = (float(form["sent_ms"]) - float(form["kept_ms"])) / _MS
    except (KeyError, ValueError):
        return 0.0
    return max(0.0, kept_s) if math.isfinite(kept_s) else 0.0
