"""Quiet hours and days on the local wall clock.  Pure; knows midnight and both changes of the clock."""

from __future__ import annotations

import datetime as dt
import zoneinfo

_DAY = dt.timedelta(days=1)


def quiet_until(zone: zoneinfo.ZoneInfo, begin: str, end: str, at_s: float) -> float | None:
    """When the quiet hours that hold at `at_s` are over, Unix seconds; None if it is not quiet then.

    `begin` and `end` are HH:MM local, 00:00 to 24:00; a window may run past midnight; equal times are no window.
    A clock time that comes twice when the clock goes back begins a window the first time and ends it the
    second; one that is skipped when the clock goes forward counts as the same stretch after the change.
    """
    if not begin or not end or begin == end:
        return None
    today = dt.datetime.fromtimestamp(at_s, zone).date()
    over_midnight = minutes(end) <= minutes(begin)
    for day in (today - _DAY, today):
        from_s = at(zone, day, begin)
        last = day + _DAY if over_midnight else day
        until_s = max(at(zone, last, end), at(zone, last, end, fold=1))
        if from_s <= at_s < until_s:
            return until_s
    return None


def at(zone: zoneinfo.ZoneInfo, day: dt.date, clock: str, fold: int = 0) -> float:
    """That wall time on that local day, Unix seconds."""
    total = minutes(clock)
    if total == 24 * 60:
        day, total = day + _DAY, 0
    time = dt.time(total // 60, total % 60, fold=fold)
    return dt.datetime.combine(day, time, zone).timestamp()


def minutes(clock: str) -> int:
    """Minutes after midnight of HH:MM.  Raises ValueError where it is no time."""
    hour, _, minute = clock.partition(":")
    total = int(hour) * 60 + int(minute)
    if not 0 <= total <= 24 * 60:
        raise ValueError(f"{clock!r} is not a time between 00:00 and 24:00")
    return total
