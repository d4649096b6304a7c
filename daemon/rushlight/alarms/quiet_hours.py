"""Quiet hours and days on the local wall clock.  Pure; knows midnight and both changes of the clock."""

from __future__ import annotations

import datetime as dt
import zoneinfo

from rushlight.localtime import clock_on, local_day, minutes

_DAY = dt.timedelta(days=1)


def quiet_until(zone: zoneinfo.ZoneInfo, begin: str, end: str, at_s: float) -> float | None:
    """When the quiet hours that hold at `at_s` are over, Unix seconds; None if it is not quiet then.

    `begin` and `end` are HH:MM local, 00:00 to 24:00; a window may run past midnight; equal times are no window.
    A clock time that comes twice when the clock goes back begins a window the first time and ends it the
    second; one that is skipped when the clock goes forward counts as the same stretch after the change.
    """
    if not begin or not end or begin == end:
        return None
    today = local_day(at_s, zone)
    over_midnight = minutes(end) <= minutes(begin)
    for day in (today - _DAY, today):
        from_s = clock_on(day, begin, zone)
        last = day + _DAY if over_midnight else day
        until_s = max(clock_on(last, end, zone), clock_on(last, end, zone, fold=1))
        if from_s <= at_s < until_s:
            return until_s
    return None
