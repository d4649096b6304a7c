"""How warm a tank's water has been, against what its plants are used to.  Knows no belief."""

from __future__ import annotations

from dataclasses import dataclass, replace

WEEK_DAYS, USED_TO_DAYS = 7.0, 365.0
"""Plants feel a mean of about a week; what they are used to is a whole round of seasons, or all of a young record (own
choice)."""
MOST_C = 8.0
"""A difference beyond this counts for no more: no leaf answers to it as to a few degrees (own choice)."""


@dataclass(frozen=True, slots=True)
class WarmthSeen:
    """Means of the water's temperature, °C."""

    days: float
    usual_c: float
    week_c: float

    @property
    def warmer_c(self) -> float:
        """By how much the last week was warmer than usual; colder is below nought."""
        return min(MOST_C, max(-MOST_C, self.week_c - self.usual_c))


def see_water(seen: WarmthSeen | None, water_c: float) -> WarmthSeen:
    """A day's mean."""
    if seen is None:
        return WarmthSeen(1.0, water_c, water_c)
    days = seen.days + 1.0
    return replace(
        seen,
        days=days,
        usual_c=seen.usual_c + (water_c - seen.usual_c) / min(days, USED_TO_DAYS),
        week_c=seen.week_c + (water_c - seen.week_c) / min(days, WEEK_DAYS),
    )
