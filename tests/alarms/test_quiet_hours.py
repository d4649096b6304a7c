"""Quiet hours by table: midnight, and both days on which Dublin changes its clocks in 2025.

The changes are those of the IANA time zone database: 30 March 2025 01:00 UTC forward, 26 October 2025 01:00 UTC back.
"""

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from rushlight.alarms.quiet_hours import quiet_until

pytestmark = pytest.mark.slow

DUBLIN = ZoneInfo("Europe/Dublin")


def utc(text):
    return dt.datetime.fromisoformat(text + "+00:00").timestamp()


@pytest.mark.parametrize(
    ("begin", "end", "now", "until"),
    [
        # an ordinary summer night, Dublin one hour ahead of UTC
        ("22:00", "07:00", "2025-06-10T20:59:59", None),
        ("22:00", "07:00", "2025-06-10T21:00:00", "2025-06-11T06:00:00"),
        ("22:00", "07:00", "2025-06-10T23:30:00", "2025-06-11T06:00:00"),
        ("22:00", "07:00", "2025-06-11T05:59:59", "2025-06-11T06:00:00"),
        ("22:00", "07:00", "2025-06-11T06:00:00", None),
        # within one day
        ("13:00", "15:00", "2025-01-10T14:00:00", "2025-01-10T15:00:00"),
        ("13:00", "15:00", "2025-01-10T15:00:00", None),
        ("00:00", "24:00", "2025-01-10T15:00:00", "2025-01-11T00:00:00"),
        ("22:00", "24:00", "2025-01-10T23:00:00", "2025-01-11T00:00:00"),
        ("22:00", "00:00", "2025-01-10T23:00:00", "2025-01-11T00:00:00"),
        # never
        ("", "", "2025-01-10T03:00:00", None),
        ("07:00", "07:00", "2025-01-10T07:00:00", None),
        # the night of 30 March is an hour short
        ("22:00", "07:00", "2025-03-29T22:00:00", "2025-03-30T06:00:00"),
        ("22:00", "07:00", "2025-03-30T05:59:59", "2025-03-30T06:00:00"),
        # 01:30 does not exist that night: the window ends where 01:30 winter time would be
        ("22:00", "01:30", "2025-03-30T00:59:00", "2025-03-30T01:30:00"),
        ("01:30", "07:00", "2025-03-30T00:59:59", None),
        ("01:30", "07:00", "2025-03-30T01:30:00", "2025-03-30T06:00:00"),
        # the night of 26 October is an hour long
        ("22:00", "07:00", "2025-10-25T21:00:00", "2025-10-26T07:00:00"),
        ("22:00", "07:00", "2025-10-26T06:59:59", "2025-10-26T07:00:00"),
        # 01:30 comes twice: a window ends at the second and begins at the first
        ("22:00", "01:30", "2025-10-26T01:29:59", "2025-10-26T01:30:00"),
        ("22:00", "01:30", "2025-10-26T01:30:00", None),
        ("01:30", "07:00", "2025-10-26T00:30:00", "2025-10-26T07:00:00"),
        ("01:30", "07:00", "2025-10-26T00:29:59", None),
    ],
)
def test_quiet_until(begin, end, now, until):
    assert quiet_until(DUBLIN, begin, end, utc(now)) == (utc(until) if until else None)


def test_a_window_is_left_exactly_once_in_a_year_of_minutes():
    """Walking through the year, the end only moves when the window has been left."""
    t, ends = utc("2025-01-01T12:00:00"), []
    while t < utc("2026-01-01T12:00:00"):
        until = quiet_until(DUBLIN, "22:00", "07:00", t)
        if until is not None:
            assert until > t
            if not ends or ends[-1] != until:
                ends.append(until)
        t += 900
    assert len(ends) == 365
    assert {dt.datetime.fromtimestamp(e, DUBLIN).strftime("%H:%M") for e in ends} == {"07:00"}
