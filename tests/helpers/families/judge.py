"""How true what was said turned out: reliability, Brier score, coverage, lead, missed and false warnings.

Each word has one meaning here:

- *case*: a midnight, one a week from four weeks after the start, on which a chance was stated, up to four weeks after
  the first crossing; past that there is nothing left to foretell.  The last four weeks of a run are left out.
- *came*: the true level is above the limit on that midnight or on one of the 28 to come.
- *holds*: in a tenth with 30 cases or more, the share that came lies within two standard errors or 5 points of the mean
  stated chance.  The error is clustered by tank, as a tank's weeks are not independent of each other, and no smaller
  than the stated chance itself would give on a quarter of the cases: the 28 days of four cases in a row overlap, and
  where nothing came at all a spread between tanks says nothing.
- *skill*: 1 − Brier score ÷ that of always stating the family's base rate (Murphy 1973).
- *lead*: days from the first warning that stood in or after the trouble's beginning, but not from before that beginning,
  to the crossing; a crossing without such a warning before it is *missed* and counts as a lead of −1 day in the median.
  This is `bench_nitrate.py`'s meaning.  Where nothing went wrong and the limit was passed (season, pruning), the trouble
  is taken to begin 120 days before.
- *false*: an episode that begins in steady time: before anything went wrong, and not within 120 days before a crossing.
  Counted a year of steady time.
- *covers*: the 90 % interval holds the true level on 87 to 95 % of all days and on no fewer than 82 % in any situation
  with a tank-year of days or more; fewer days tell too little.
- *situation*: what is the matter with the tank on that day (`steady`, or its trouble), and beside it, overlapping,
  `winter`, `in and after a gap`, `feed untold`, `last four weeks before the limit`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from statistics import median

import numpy as np

from helpers.families.common import Array, LivedTank
from helpers.families.watchers import HORIZON, Told
from helpers.families.window import winter

Pair = tuple[LivedTank, Told]
Episodes = list[tuple[int, int]]
BEFORE = 120
MISSED = -1
GAP_DAYS = 30
YEAR = 365.25


@dataclass(frozen=True)
class Case:
    """One stated chance, and whether it came."""

    tank: int
    stated: float
    came: bool


@dataclass(frozen=True)
class Tenth:
    """One tenth of stated chance."""

    count: int
    stated: float
    came: float
    error: float
    """Standard error of `came` − `stated`, clustered by tank."""

    @property
    def holds(self) -> bool | None:
        """None where there are too few cases to tell."""
        if self.count < 30:
            return None
        return abs(self.came - self.stated) <= max(0.05, 2.0 * self.error)


def cases(pairs: list[Pair]) -> list[Case]:
    """All cases of these tanks."""
    out: list[Case] = []
    for n, (tank, told) in enumerate(pairs):
        above = np.array(tank.levels) > tank.setting.limit
        crossing = tank.crossing_day
        last = len(above) - HORIZON if crossing is None else min(len(above) - HORIZON, crossing + HORIZON)
        stated = (d for d in range(HORIZON, last, 7) if not np.isnan(told.chance[d]))
        out += [Case(n, float(told.chance[d]), bool(above[d : d + HORIZON + 1].any())) for d in stated]
    return out


def reliability(found: list[Case]) -> list[Tenth | None]:
    """By tenths of stated chance; None where none was stated."""
    return [tenth([c for c in found if min(9, int(c.stated * 10)) == k]) for k in range(10)]


def tenth(found: list[Case]) -> Tenth | None:
    if not found:
        return None
    n = len(found)
    by_tank: dict[int, float] = {}
    stated, came = sum(c.stated for c in found) / n, sum(c.came for c in found) / n
    for c in found:
        by_tank[c.tank] = by_tank.get(c.tank, 0.0) + (c.came - c.stated - (came - stated))
    clustered = sum(x * x for x in by_tank.values()) ** 0.5 / n
    return Tenth(n, stated, came, max(clustered, (stated * (1.0 - stated) * 4.0 / n) ** 0.5))


def brier(found: list[Case]) -> tuple[float, float, float]:
    """Score, skill against the base rate, base rate.  Skill is 0 where all or nothing came."""
    stated, came = np.array([c.stated for c in found]), np.array([float(c.came) for c in found])
    score, base = float(((stated - came) ** 2).mean()), float(came.mean())
    plain = base * (1.0 - base)
    return score, 1.0 - score / plain if plain else 0.0, base


def situations(tank: LivedTank) -> dict[str, Array]:
    """Masks over a tank's days."""
    days = np.arange(len(tank.levels))
    after = days >= (tank.onset_day if tank.onset_day is not None else len(days))
    out = {"steady": ~after, tank.kind: after} if tank.kind != "steady" else {"steady": ~after}
    if tank.setting.lamp is not None or tank.setting.water_c is not None:
        out["winter"] = np.array([winter(tank.setting, int(d)) for d in days])
    tested = [0.0, *(t[0] for t in tank.tests), float(len(days))]
    gap = np.zeros(len(days), bool)
    for a, b in pairwise(tested):
        if b - a > GAP_DAYS:
            gap |= (days > a + GAP_DAYS) & (days < b + 28)
    if gap.any():
        out["in and after a gap"] = gap
    if not tank.setting.feed_told:
        out["feed untold"] = days >= 0
    if tank.crossing_day is not None:
        out["last four weeks before the limit"] = (days >= tank.crossing_day - 28) & (days < tank.crossing_day)
    return out


def coverage(pairs: list[Pair]) -> dict[str, tuple[int, float]]:
    """Days judged and the share on which the 90 % interval holds the true level, `overall` and by situation."""
    judged: dict[str, list[int]] = {}
    for tank, told in pairs:
        levels, stated = np.array(tank.levels), ~np.isnan(told.low)
        holds = stated & (told.low <= levels) & (levels <= told.high)
        for name, mask in ({"overall": np.ones(len(levels), bool)} | situations(tank)).items():
            row = judged.setdefault(name, [0, 0])
            row[0] += int((stated & mask).sum())
            row[1] += int((holds & mask).sum())
    return {name: (n, k / n) for name, (n, k) in judged.items() if n}


def covers(situation: str, days: int, share: float) -> bool:
    """Whether an interval is as honest as the goal has it."""
    if situation == "overall":
        return 0.87 <= share <= 0.95
    return days < YEAR or share >= 0.82


def in_winter(tank: LivedTank, episodes: Episodes) -> int:
    """Of an alarm's false episodes, those that begin in November to January."""
    return sum(first < steady_days(tank) and winter(tank.setting, first) for first, _ in episodes)


def begins(tank: LivedTank) -> int | None:
    """The day on which the trouble began that led over the limit; None where the limit was never passed."""
    crossing = tank.crossing_day
    if crossing is None:
        return None
    return tank.onset_day if tank.onset_day is not None and tank.onset_day <= crossing else max(0, crossing - BEFORE)


def steady_days(tank: LivedTank) -> int:
    """Steady time is from the start to here."""
    ends = [len(tank.levels)]
    if tank.onset_day is not None:
        ends.append(tank.onset_day)
    if tank.crossing_day is not None and (tank.onset_day is None or tank.crossing_day < tank.onset_day):
        ends.append(max(0, tank.crossing_day - BEFORE))
    return min(ends)


def lead(tank: LivedTank, episodes: Episodes) -> int:
    """Days of warning before the crossing, or MISSED."""
    start, crossing = begins(tank), tank.crossing_day
    assert start is not None and crossing is not None
    for first, last in episodes:
        if last >= start and first <= crossing:
            return crossing - max(first, start)
    return MISSED


@dataclass(frozen=True)
class Warned:
    """One rule for warning over all tanks."""

    leads: tuple[int, ...]
    false: int
    years: float

    @property
    def text(self) -> str:
        middle = f"{median(self.leads):.0f} d" if self.leads else "none"
        rate = f"{self.false / self.years:.3f}" if self.years else "none"
        missed = sum(x == MISSED for x in self.leads)
        return f"lead {middle}, missed {missed} of {len(self.leads)}, false {self.false} = {rate} a steady tank-year"


def warned(pairs: list[Pair], episodes: list[Episodes]) -> Warned:
    leads = tuple(lead(t, e) for (t, _), e in zip(pairs, episodes, strict=True) if t.crossing_day is not None)
    ends = [steady_days(t) for t, _ in pairs]
    false = sum(first < end for e, end in zip(episodes, ends, strict=True) for first, _ in e)
    return Warned(leads, false, sum(ends) / YEAR)


def over(chance: Array, threshold: float) -> Episodes:
    """Episodes of a warning that stands from the threshold on and clears at half of it."""
    found: Episodes = []
    up = False
    for day, now in enumerate(np.nan_to_num(chance)):
        if not up and now >= threshold:
            up = True
            found.append((day, day))
        elif up and now <= 0.5 * threshold:
            up = False
        elif up:
            found[-1] = (found[-1][0], day)
    return found


def in_hindsight(pairs: list[Pair], allowed: float = 0.1) -> tuple[float, Warned] | None:
    """The lowest threshold, chosen on these very tanks, that warns falsely no more often than allowed; None: none does."""
    for threshold in np.arange(0.02, 1.0, 0.02):
        result = warned(pairs, [over(told.chance, threshold) for _, told in pairs])
        if result.years and result.false / result.years <= allowed:
            return float(threshold), result
    return None
