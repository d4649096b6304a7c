"""A lamp's hours on the wall clock: when they fall, as seconds, and which switchings they mean.

Owns nothing that is remembered; a timer keeps local time, so every date and zone is looked up afresh.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from zoneinfo import ZoneInfo

from rushlight.settings import OnHours


def wall_s(day: dt.date, minute: float, zone: ZoneInfo) -> float:
    """Seconds since 1970 of a local minute of a day; minutes may run past 24:00."""
    hours, minutes = divmod(minute, 60.0)
    later, hours = divmod(int(hours), 24)
    seconds = round(minutes * 60.0)
    clock = dt.datetime(day.year, day.month, day.day, tzinfo=zone) + dt.timedelta(days=later)
    return (clock.replace(hour=hours) + dt.timedelta(seconds=seconds)).timestamp()


def slots_of(hours: Sequence[OnHours]) -> list[tuple[int, float]]:
    """The switchings of a schedule; 24:00 is the next day's 00:00."""
    return [(sign, _minute(text) % 1440.0) for h in hours for sign, text in ((1, h.on), (-1, h.off))]


def _minute(text: str) -> float:
    hours, minutes = text.split(":")
    return int(hours) * 60.0 + int(minutes)
