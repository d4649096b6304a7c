"""Where nitrate is going if things stay as they are, and what a change would do to that.

Owns the look ahead: the level's distribution on each coming day, the chance of passing the limit by then, the day of
even odds.  Reads a balance and changes none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rushlight.effects import Estimate
from rushlight.localtime import DAY_S
from rushlight.science.chemistry.nitrogen import ratio_nodes
from rushlight.science.inference.gaussian import Part, below, mixture_below, mixture_quantile, moments_above_zero
from rushlight.science.inference.kalman import Belief, predict
from rushlight.tank.nitrate.balance import (
    KIT,
    LEVEL,
    LIGHT,
    NOTHING,
    SHARE,
    SIZE,
    UPTAKE,
    WARMTH,
    Balance,
    Homing,
    Mode,
    parts_along,
)
from rushlight.tank.nitrate.kinds import PACES, Pace, scale, step
from rushlight.tank.nitrate.light_seen import LightSeen

HORIZON_DAYS = 28
"""How far ahead chances are worked out day by day (own choice)."""
KNOT_DAYS = 4
"""How far apart the days are on which they are worked out (own choice; `HORIZON_DAYS` is a multiple of it)."""
FARTHEST_DAYS = 365.0
"""Even odds later than this are not told: no tank stays as it is for so long (own choice)."""
NEAR_DAYS = 0.05
"""How near to that day is near enough (own choice)."""


@dataclass(frozen=True, slots=True)
class Course:
    """What of a balance the look ahead needs on every coming day, worked out once."""

    modes: tuple[tuple[float, Belief, Pace], ...]
    """Odds, which sum to one, belief and pace of each model."""
    homing: Homing
    exchange: float
    """The share of the water that this keeper changes per day."""
    source: float
    """Nitrate of the water that comes in by that, mg/L."""
    recent: float
    usual: float
    left_over: float
    light: LightSeen | None
    light_age_days: float
    warmer_c: float

    def driven(self, days: float) -> tuple[float, float]:
        """What light and warmth above the usual add to uptake in so many days, mg/L for each β and w.

        The water is taken to stay as warm as it is.
        """
        size = scale(self.usual)
        return size * self.light_days(days), size * self.warmer_c / 10.0 * days

    def light_days(self, days: float) -> float:
        """By how much the coming light is above the usual, as a share of it, summed over so many days."""
        if self.light is None:
            return 0.0
        before = self.light.ahead_days(self.light_age_days) if self.light_age_days > 1.0 else 0.0
        return self.light.ahead_days((self.light_age_days if before else 0.0) + days) - before

    def staying(self, pace: Pace, days: float) -> tuple[float, float, float]:
        """The share of the level that is left after `days`, what comes for the rest, mg/L, and that for each k.

        Water is changed at the keeper's pace, taken as a steady exchange, and plants bring the level home likewise.
        """
        pull = pace.draws * self.homing.pull
        both = self.exchange + pull
        if both <= 0.0:
            return 1.0, 0.0, 0.0
        kept = math.exp(-both * days)
        come = (1.0 - kept) / both
        source = come * (self.exchange * self.source + pull * self.homing.home)
        return kept, source, -come * pull * self.homing.home * self.homing.off

    def ahead(self, days: float) -> list[Part]:
        """The level's distribution `days` on, as a mixture to be cut at zero.

        Feed stays as in the last week; by water changes and plants that take more where there is more (`staying`) what
        is there now shrinks by e^(−λt), what comes meanwhile by half as much in the exponent.
        """
        out: list[Part] = []
        driven = self.driven(days)
        for odds, belief, pace in self.modes:
            kept, come, by_kit = self.staying(pace, days)
            half = math.sqrt(kept)
            stretch = step(pace, days, self.recent, self.usual, self.left_over)
            row = (kept, *(half * x for x in stretch.level_row[1:KIT]), by_kit, *(-half * more for more in driven))
            mean, variance = belief.along(row)
            mean += half * self.left_over * (days + stretch.level_row[UPTAKE]) + come
            out.append((odds, mean, math.sqrt(variance + stretch.level_noise * kept) or 1e-9))
        return out


def course(balance: Balance) -> Course:
    """Where a balance is going if things stay as they are."""
    total = sum(m.weight for m in balance.modes)
    modes = tuple((m.weight / total, m.belief, pace) for m, pace in zip(balance.modes, PACES, strict=True))
    habits = balance.homing, balance.exchange, balance.change_source
    age_days = max(0.0, (balance.at_s - balance.light_at_s) / DAY_S)
    return Course(
        modes, *habits, balance.recent, balance.usual, balance.left, balance.light, age_days, balance.warmer_c
    )


def level_estimate(parts: list[Part]) -> Estimate:
    """Mean and central 90 % interval of a level, cut at zero."""
    weights = [(w, *moments_above_zero(m, s)[:2]) for w, m, s in parts]
    mass = sum(w * k for w, k, _ in weights)
    mean = sum(w * k * m for w, k, m in weights) / mass if mass > 0.0 else 0.0
    low, high = (mixture_quantile(parts, p, floor=0.0) for p in (0.05, 0.95))
    return Estimate(mean=mean, low=low, high=high)


def estimate(parts: list[Part]) -> Estimate:
    """Mean and central 90 % interval of a normal mixture."""
    mean = sum(w * m for w, m, _ in parts)
    return Estimate(mean=mean, low=mixture_quantile(parts, 0.05), high=mixture_quantile(parts, 0.95))


def flow_estimate(parts: list[Part]) -> Estimate:
    """The same of a supply or an uptake, of which none is the least; the means still add up to the net rate's."""
    plain = estimate(parts)
    return Estimate(mean=max(0.0, plain.mean), low=max(0.0, plain.low), high=max(0.0, plain.high))


def chance_above(parts: list[Part], limit: float) -> float:
    """Probability that the level is above `limit`, given that it is not negative."""
    over = 1.0 - mixture_below(parts, limit)
    real = 1.0 - mixture_below(parts, 0.0)
    return min(1.0, max(0.0, over / real)) if real > 1e-12 else 0.0


def chances(coming: Course, limit: float) -> tuple[float, ...]:
    """Probability that the limit has been passed by day 0, 1, … `HORIZON_DAYS`; never falls from day to day.

    Worked out every `KNOT_DAYS` and straight between: from day to day nothing bends.
    """
    out = [chance_by(coming, limit, 0.0, 0.0)]
    for day in range(KNOT_DAYS, HORIZON_DAYS + 1, KNOT_DAYS):
        before, then = out[-1], chance_by(coming, limit, float(day), out[-1])
        out += [before + (then - before) * (n + 1) / KNOT_DAYS for n in range(KNOT_DAYS)]
    return tuple(out)


def chance_by(coming: Course, limit: float, days: float, before: float) -> float:
    """Probability that the limit has been passed by `days` from now, given that of an earlier day."""
    return max(before, chance_above(coming.ahead(days), limit))


def told_days(coming: Course, limit: float, nitrate: Estimate, net_rate: Estimate) -> float | None:
    """Days to even odds of standing above the limit, where they follow from the level and the rate told beside them.

    They follow within a factor of two: the forecast bends, as uptake grows with the level, and what it then says no
    reader can follow, so it is not told.  None otherwise, or where odds stay below even for a year.
    """
    if nitrate.mean >= limit:
        return 0.0 if _even(coming, limit, 0.0) or _even(coming, limit, FARTHEST_DAYS) else None
    if net_rate.mean <= 0.0:
        return None
    straight = (limit - nitrate.mean) / net_rate.mean
    early, late = 0.5 * straight, min(2.0 * straight, FARTHEST_DAYS)
    if early >= late or _even(coming, limit, early) or not _even(coming, limit, late):
        return None
    while late - early > NEAR_DAYS:
        middle = 0.5 * (early + late)
        if _even(coming, limit, middle):
            late = middle
        else:
            early = middle
    return late


def _even(coming: Course, limit: float, days: float) -> bool:
    return chance_above(coming.ahead(days), limit) >= 0.5


def chance_behind(balance: Balance) -> float:
    """Probability that uptake, and what habitual water changes carry out, is below nine tenths of supply.

    A keeper who changes water by habit has settled on plants that take less than all of it; that is no alarm.
    """
    export = balance.export
    parts = parts_along(balance, (0.0, 1.0, -0.9 * balance.recent, *NOTHING[2:]))
    return sum(w * below(-(m + export) / s) for w, m, s in parts)


def at_this_level(balance: Balance, mode: Mode, pace: Pace) -> Belief:
    """What one model believes, with uptake as it is at this level instead of at home."""
    homing = balance.homing
    pull = pace.draws * homing.pull
    unit = [[float(i == j) for j in range(SIZE)] for i in range(SIZE)]
    unit[UPTAKE][LEVEL], unit[UPTAKE][KIT] = pull, pull * homing.home * homing.off
    unit[UPTAKE][LIGHT], unit[UPTAKE][WARMTH] = balance.driven
    shift = [0.0] * SIZE
    shift[UPTAKE] = -pull * homing.home
    return predict(mode.belief, unit, shift, [[0.0] * SIZE for _ in range(SIZE)])


def share_kept_up(balance: Balance, feed: float) -> Estimate | None:
    """Uptake over supply at the given feed; None where supply is too small or too uncertain to divide by.

    Given the share φ, uptake is normal and the ratio u / (φ S) too; the distribution is the mixture over φ, which
    keeps the strong correlation of the two (a larger share means more supply and more uptake).  Plants cannot keep up
    with less than nothing: where more nitrate appears than the feed makes, that is a share of none.
    """
    if feed < 0.05:
        return None
    parts: list[Part] = []
    total = sum(m.weight for m in balance.modes)
    for mode, pace in zip(balance.modes, PACES, strict=True):
        b = at_this_level(balance, mode, pace)
        share, sd = b.mean[SHARE], b.sd(SHARE)
        if share < 2.0 * sd or sd <= 0.0:
            return None
        slope = b.cov[UPTAKE][SHARE] / (sd * sd)
        rest = max(1e-12, b.cov[UPTAKE][UPTAKE] - slope * slope * sd * sd)
        for weight, phi in ratio_nodes(share, sd):
            supply = max(0.1, phi) * feed
            uptake = b.mean[UPTAKE] + slope * (phi - share)
            parts.append((weight * mode.weight / total, uptake / supply, rest**0.5 / supply))
    above = (moments_above_zero(m, s) for _, m, s in parts)
    mean = sum(w * mass * m for (w, _, _), (mass, m, _) in zip(parts, above, strict=True))
    low, high = (mixture_quantile(parts, p) for p in (0.05, 0.95))
    return Estimate(mean=mean, low=max(0.0, low), high=max(mean, high))
