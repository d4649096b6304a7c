"""ISO weeks (ISO 8601) on the site's calendar: which one it is, and where its seven days lie."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from dataclasses import dataclass

from rushlight.localtime import local_day, midnight_of


@dataclass(frozen=True, slots=True)
class Week:
    """One numbered summary and the seven whole local days that it covers, Unix seconds."""

    year: int
    number: int
    from_s: float
    until_s: float

    @property
    def name(self) -> str:
        """As people count them: `48/2026`."""
        return f"{self.number}/{self.year}"

    @property
    def key(self) -> str:
        """As a period's name in the journal: `2026-W48`."""
        return f"{self.year}-W{self.number:02d}"


def week_at(at_s: float, zone: zoneinfo.ZoneInfo) -> Week:
    """The summary of the ISO week in which `at_s` lies: the seven local days before that day.

    Written once in each ISO week, whichever its day, the numbers follow one another without a gap.
    """
    today = local_day(at_s, zone)
    iso = today.isocalendar()
    from_s, until_s = (midnight_of(day, zone) for day in (today - dt.timedelta(days=7), today))
    return Week(iso.year, iso.week, from_s, until_s)
