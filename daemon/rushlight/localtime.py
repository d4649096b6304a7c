"""Local time: every question about days, midnights and clock times at the site is answered here.  Pure.

A zone is looked up afresh each time, so days of 23 and 25 hours are what they are.  A clock time that comes twice when
the clock goes back is the first of the two unless `fold` is 1; one that is skipped counts as the same stretch after
the change (PEP 495).
"""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

DAY_S = 86_400.0
"""A day that has 24 hours."""
HOUR_S = 3_600.0


def local_time(at_s: float, zone: ZoneInfo) -> dt.datetime:
    """An instant, Unix seconds, on the wall clock of `zone`."""
    return dt.datetime.fromtimestamp(at_s, zone)


def local_day(at_s: float, zone: ZoneInfo) -> dt.date:
    """The local date of an instant."""
    return local_time(at_s, zone).date()


def local_date(at_s: float, zone: ZoneInfo) -> str:
    """The local date of an instant, ISO 8601."""
    return local_day(at_s, zone).isoformat()


def midnight_of(day: dt.date, zone: ZoneInfo) -> float:
    """The midnight with which a local day begins, Unix seconds."""
    return dt.datetime.combine(day, dt.time(), zone).timestamp()


def midnight_before(at_s: float, zone: ZoneInfo) -> float:
    """The last local midnight at or before `at_s`."""
    return midnight_of(local_day(at_s, zone), zone)


def midnight_after(at_s: float, zone: ZoneInfo) -> float:
    """The first local midnight after `at_s`; 23, 24 or 25 hours after the one before."""
    return midnight_of(local_day(at_s, zone) + dt.timedelta(days=1), zone)


def minutes(clock: str) -> int:
    """Minutes after midnight of HH:MM.  Raises ValueError where it is no time between 00:00 and 24:00."""
    hour, _, minute = clock.partition(":")
    total = int(hour) * 60 + int(minute)
    if not 0 <= total <= 24 * 60:
        raise ValueError(f"{clock!r} is not a time between 00:00 and 24:00")
    return total


def clock_on(day: dt.date, clock: str, zone: ZoneInfo, fold: int = 0) -> float:
    """HH:MM on a local day, Unix seconds; 24:00 is the next day's midnight."""
    days, minute = divmod(minutes(clock), 24 * 60)
    time = dt.time(minute // 60, minute % 60, fold=fold)
    return dt.datetime.combine(day + dt.timedelta(days=days), time, zone).timestamp()


def minute_on(day: dt.date, minute: float, zone: ZoneInfo) -> float:
    """The same for a local minute of a day with its fraction; minutes may run past 24:00."""
    hours, minutes_ = divmod(minute, 60.0)
    later, hours = divmod(int(hours), 24)
    clock = dt.datetime(day.year, day.month, day.day, tzinfo=zone) + dt.timedelta(days=later)
    return (clock.replace(hour=hours) + dt.timedelta(seconds=round(minutes_ * 60.0))).timestamp()


def told_date(at_s: float, now_s: float, zone: ZoneInfo) -> str:
    """'10 April', with the year where it is another than now."""
    when, now = local_day(at_s, zone), local_day(now_s, zone)
    return f"{when.day} {when:%B}" + ("" if when.year == now.year else f" {when.year}")
