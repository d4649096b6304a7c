"""Which stretch of time a timeline shows: one of four, or any that is asked for.

Pure.  Addresses carry days (2026-03-01) where a person chose them and whole Unix seconds where a finger did.
"""

from __future__ import annotations

import datetime as dt
import re
import zoneinfo
from collections.abc import Mapping
from dataclasses import dataclass

from rushlight.localtime import DAY_S, local_date, midnight_of

CHOICES: Mapping[str, tuple[str, float]] = {
    "fortnight": ("2 weeks", 14.0),
    "quarter": ("3 months", 91.0),
    "year": ("1 year", 365.0),
    "all": ("all", 0.0),
}
USUAL = "quarter"
SHORTEST_S = DAY_S / 4
LONGEST_S = 40 * 366 * DAY_S
_AHEAD = 0.15
"""The forecast takes up so much of a stretch that ends now, and four weeks at most."""
_AHEAD_S = 28 * DAY_S


@dataclass(frozen=True, slots=True)
class Stretch:
    """From and to, Unix seconds; `name` is one of `CHOICES`, or empty for a stretch of one's own."""

    name: str
    from_s: float
    to_s: float

    @property
    def span_s(self) -> tuple[float, float]:
        """Both ends."""
        return self.from_s, self.to_s

    @property
    def query(self) -> str:
        """What an address carries to come back to it."""
        return f"stretch={self.name}" if self.name else f"from={self.from_s:.0f}&to={self.to_s:.0f}"

    def moved(self, by: float, factor: float = 1.0) -> str:
        """The query of a stretch that lies `by` of its length later and is `factor` times as long."""
        middle, half = 0.5 * (self.from_s + self.to_s), 0.5 * (self.to_s - self.from_s)
        middle, half = middle + by * 2.0 * half, max(0.5 * SHORTEST_S, half * factor)
        return f"from={middle - half:.0f}&to={middle + half:.0f}"


def chosen(query: Mapping[str, str], now_s: float, first_s: float, zone: zoneinfo.ZoneInfo) -> Stretch:
    """The stretch that an address asks for; what can't be read is the usual one."""
    ends = query.get("from", ""), query.get("to", "")
    first, last = sorted(ends) if all("-" in e[1:] for e in ends) else ends
    from_s, to_s = _moment(first, zone), _moment(last, zone, end=True)
    if from_s is not None and to_s is not None:
        return own(min(from_s, to_s), max(from_s, to_s), now_s)
    name = query.get("stretch", "")
    name = name if name in CHOICES else USUAL
    length_s = CHOICES[name][1] * DAY_S or max(CHOICES["fortnight"][1] * DAY_S, now_s - first_s)
    return Stretch(name, now_s - length_s, now_s + min(_AHEAD_S, _AHEAD * length_s))


def own(from_s: float, to_s: float, now_s: float) -> Stretch:
    """A stretch of one's own, kept to lengths and times that can be drawn."""
    to_s = min(to_s, now_s + 2 * _AHEAD_S)
    from_s = max(min(from_s, to_s - SHORTEST_S), now_s - LONGEST_S)
    return Stretch("", from_s, max(to_s, from_s + SHORTEST_S))


def days(stretch: Stretch, now_s: float, zone: zoneinfo.ZoneInfo) -> tuple[str, str]:
    """Its first and last day, for two date fields; no day to come."""
    return local_date(stretch.from_s, zone), local_date(min(stretch.to_s, now_s), zone)


def _moment(text: str, zone: zoneinfo.ZoneInfo, *, end: bool = False) -> float | None:
    if re.fullmatch(r"-?\d{1,11}", text):
        return float(text)
    try:
        day = dt.date.fromisoformat(text)
        return midnight_of(day + dt.timedelta(days=1) if end else day, zone)
    except (ValueError, OverflowError):
        return None
