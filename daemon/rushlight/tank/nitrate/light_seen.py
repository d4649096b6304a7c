"""The light that a tank's plants have had, what they are used to, and what the season and the lamp will give them.

Owns the comparison of light with the usual, and the light that is to come.  Knows no belief: how far uptake follows
light each tank's tests tell.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from functools import lru_cache

from rushlight.science.optics import sun

USED_TO_DAYS = 365.0
"""What plants are used to is a mean over so long, in a young record over all of it: a whole round of seasons."""
WEEK_DAYS, MONTH_DAYS = 7.0, 28.0
"""Plants feel a mean of about a week; a lamp's fall is read from its mean of a week against that of a month."""
WINDOW_DAYS = 60.0
"""What a window lets in of the season's light is a mean over so long, in a young record over all of it: weeks of clouds
say nothing of the next."""
FALLS_MOST, FALLS_DAYS = 0.005, 28.0
"""A lamp's fall is taken to go on for so long, by no more than so much of its output a day: one tube of two that went
out is no fall (own choice)."""
BRIGHTEST = 2.0
"""More than so many times the usual light counts for no more: leaves are sated then (own choice)."""
YEAR_DAYS = 365


@dataclass(frozen=True, slots=True)
class LightSeen:
    """Doses in mol m⁻² d⁻¹; `outdoors` in MJ m⁻² d⁻¹ above the air, 0 where the latitude is not known."""

    days: float
    """How many days of light are known."""
    usual: float
    """What plants are used to, lamp and window together."""
    lamp: float
    window: float
    """The week's means."""
    let_in: float
    """What the window gave over the last weeks, and what the season had to give meanwhile."""
    outdoors: float
    percent: float | None = None
    percent_before: float | None = None
    """The lamp's output, means of a week and of a month; None before its anchor is known."""
    latitude: float | None = None
    day_of_year: int = 1
    months: tuple[float, ...] = (0.0,) * 12
    """What the window let in of the season's light when that month was last seen; 0 is not known."""

    @property
    def now(self) -> float:
        """How much more light than usual plants have had this week, as a share of the usual; less is below nought."""
        return self._more(self.lamp + self.window)

    def ahead(self, days: float) -> float:
        """The same `days` on: the window by the season and its own past, the lamp as it falls."""
        return self._more(self.lamp * self._lamp_left(days) + self._window_ahead(days))

    def ahead_days(self, days: float) -> float:
        """The sum of `ahead` over the coming days, in days; by Simpson's rule over stretches of four weeks at most."""
        if not self.changes:
            return self.now * days
        total, n = 0.0, max(1, round(days / 28.0))
        for k in range(n):
            a, b = days * k / n, days * (k + 1) / n
            total += (b - a) / 6.0 * (self.ahead(a) + 4.0 * self.ahead(0.5 * (a + b)) + self.ahead(b))
        return total

    @property
    def changes(self) -> bool:
        """Whether the coming light is another than this week's: by season or by a lamp that falls."""
        return self._falls < 0.0 or (self.latitude is not None and self.window > 0.02 * self.usual)

    @property
    def _falls(self) -> float:
        """The lamp's change a day as a share of its output; never a rise."""
        if self.percent is None or self.percent_before is None or self.percent <= 0.0:
            return 0.0
        slope = (self.percent - self.percent_before) / (MONTH_DAYS - WEEK_DAYS) / self.percent
        return min(0.0, max(-FALLS_MOST, slope))

    def _lamp_left(self, days: float) -> float:
        return 1.0 + self._falls * min(days, FALLS_DAYS)

    def _window_ahead(self, days: float) -> float:
        if self.latitude is None or self.outdoors <= 0.0:
            return self.window
        day = (self.day_of_year - 1 + round(days)) % YEAR_DAYS + 1
        share = self.months[_month(day)] or self.let_in / self.outdoors
        there = share * outdoors_mj(self.latitude, day)
        # What the week was like wears off as its weather does.
        return there + (self.window - there) * max(0.0, 1.0 - days / WEEK_DAYS)

    def _more(self, dose: float) -> float:
        return min(BRIGHTEST, dose / self.usual) - 1.0 if self.usual > 0.0 else 0.0


def see_light(
    seen: LightSeen | None,
    dose_mol: float,
    lamp_percent: float | None,
    window_mol: float | None = None,
    latitude: float | None = None,
    date: str = "",
) -> LightSeen:
    """A day's light, the part of it that came through a window (None: none known), and the lamp's output."""
    window = min(dose_mol, window_mol or 0.0)
    day, outdoors = 1, 0.0
    if latitude is not None:
        day = dt.date.fromisoformat(date).timetuple().tm_yday
        outdoors = outdoors_mj(latitude, day)
    if seen is None:
        seen = LightSeen(0.0, dose_mol, dose_mol - window, window, window, outdoors)
    days = seen.days + 1.0
    return replace(
        seen,
        days=days,
        usual=_towards(seen.usual, dose_mol, min(days, USED_TO_DAYS)),
        lamp=_towards(seen.lamp, dose_mol - window, WEEK_DAYS),
        window=_towards(seen.window, window, WEEK_DAYS),
        let_in=_towards(seen.let_in, window, min(days, WINDOW_DAYS)),
        outdoors=_towards(seen.outdoors, outdoors, min(days, WINDOW_DAYS)),
        percent=_if_known(seen.percent, lamp_percent, WEEK_DAYS),
        percent_before=_if_known(seen.percent_before, lamp_percent, MONTH_DAYS),
        latitude=latitude,
        day_of_year=day,
        months=_months(seen, window, outdoors, day),
    )


def behind_dirt(seen: LightSeen) -> LightSeen:
    """A day on which the probe is known to be dirty: over a week the light comes back to the usual in what is held."""
    there = seen.lamp + seen.window
    more = _towards(there, seen.usual, WEEK_DAYS) / there if there > 0.0 else 1.0
    return replace(seen, lamp=seen.lamp * more, window=seen.window * more, percent_before=seen.percent)


def _months(seen: LightSeen, window: float, outdoors: float, day: int) -> tuple[float, ...]:
    """A month that begins again is learned anew."""
    if outdoors <= 0.0:
        return seen.months
    this, months = _month(day), list(seen.months)
    again = this != _month(seen.day_of_year) or not months[this]
    before = seen.let_in / seen.outdoors if again and seen.outdoors > 0.0 else months[this]
    months[this] = _towards(before, window / outdoors, 15.0)
    return tuple(months)


def _towards(old: float, new: float, days: float) -> float:
    """A mean with a memory of so many days."""
    return old + (new - old) / days


def _if_known(old: float | None, new: float | None, days: float) -> float | None:
    if old is None or new is None:
        return new if old is None else old
    return _towards(old, new, days)


def _month(day: int) -> int:
    return min(11, int((day - 1) / 30.42))


@lru_cache(maxsize=4 * YEAR_DAYS)
def outdoors_mj(latitude: float, day_of_year: int) -> float:
    """What the season has to give, MJ m⁻² above the air."""
    return sun.extraterrestrial_mj_m2(latitude, day_of_year)
