"""Local time on the two days on which Dublin changes its clocks in 2025, and beside them.

The changes are those of the IANA time zone database: 30 March 2025 01:00 UTC forward, 26 October 2025 01:00 UTC back.
"""

import ast
import datetime as dt
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

import rushlight
from rushlight.localtime import clock_on, local_date, midnight_after, midnight_before, minute_on, minutes

DUBLIN = ZoneInfo("Europe/Dublin")


def utc(text):
    return dt.datetime.fromisoformat(text + "+00:00").timestamp()


@pytest.mark.parametrize("text", ["25:00", "7", "-1:00", "24:01", "ab:cd", ""])
def test_what_is_no_time(text):
    with pytest.raises(ValueError, match=r".+"):
        minutes(text)


def test_midnight_either_way():
    day = dt.date(2025, 1, 10)
    assert clock_on(day, "24:00", DUBLIN) == clock_on(day + dt.timedelta(days=1), "00:00", DUBLIN)
    assert minute_on(day, 1440.0, DUBLIN) == clock_on(day, "24:00", DUBLIN)


@pytest.mark.parametrize(
    ("noon", "before", "after", "hours"),
    [
        ("2025-01-10T12:00:00", "2025-01-10T00:00:00", "2025-01-11T00:00:00", 24),
        ("2025-03-30T12:00:00", "2025-03-30T00:00:00", "2025-03-30T23:00:00", 23),
        ("2025-10-26T12:00:00", "2025-10-25T23:00:00", "2025-10-27T00:00:00", 25),
    ],
)
def test_days_of_23_24_and_25_hours(noon, before, after, hours):
    at_s = utc(noon)
    assert (midnight_before(at_s, DUBLIN), midnight_after(at_s, DUBLIN)) == (utc(before), utc(after))
    assert midnight_after(at_s, DUBLIN) - midnight_before(at_s, DUBLIN) == hours * 3600
    assert midnight_before(utc(before), DUBLIN) == utc(before), "midnight is the day's own first instant"
    assert local_date(utc(after), DUBLIN) > local_date(at_s, DUBLIN)


def test_a_clock_time_that_comes_twice_or_never():
    autumn, spring = dt.date(2025, 10, 26), dt.date(2025, 3, 30)
    assert clock_on(autumn, "01:30", DUBLIN) == utc("2025-10-26T00:30:00")
    assert clock_on(autumn, "01:30", DUBLIN, fold=1) == utc("2025-10-26T01:30:00")
    assert clock_on(spring, "01:30", DUBLIN) == utc("2025-03-30T01:30:00")


@pytest.mark.slow
def test_nobody_else_asks_the_zone_for_days():
    """Every other module asks this one, so that there is one answer; the invented year and UTC stamps are exempt."""
    own = {"localtime.py", "year.py", "staff.py"}
    asked = []
    for file in Path(rushlight.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text())):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
                continue
            utc_only = any("UTC" in ast.dump(a) for a in node.args)
            if node.func.attr in {"fromtimestamp", "combine"} and not utc_only and file.name not in own:
                asked.append(f"{file.name}:{node.lineno}")
    assert not asked
