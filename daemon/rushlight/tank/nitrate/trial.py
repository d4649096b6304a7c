"""What nitrate would do if feed, light or water were changed now, set against the same future as it is.

Owns the trial.  It starts from the very distribution that the forecast has and moves it by what the change does: never
less uptake for more light, never less nitrate for more feed.  So whatever the figures, more light, less feed or a
larger change of cleaner water never ends higher than less of it.  Plants cannot take up what is not there: what would
fall below nought stays at nought, and the band piles up there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rushlight.effects import Estimate
from rushlight.science.inference.gaussian import Part, mixture_quantile, moments_above_zero
from rushlight.science.inference.kalman import Belief, regress
from rushlight.tank.nitrate.balance import KIT, LEVEL, LIGHT, SHARE, UPTAKE, Balance
from rushlight.tank.nitrate.forecast import Course, course
from rushlight.tank.nitrate.kinds import Pace, step
from rushlight.tank.nitrate.light_seen import BRIGHTEST

NODES = ((1 / 6, -math.sqrt(3.0)), (2 / 3, 0.0), (1 / 6, math.sqrt(3.0)))
"""Three points and weights that carry a normal's first five moments (Gauss-Hermite; Abramowitz & Stegun 25.4.46)."""


@dataclass(frozen=True, slots=True)
class Change:
    """What would be done differently; as it is where nothing is said."""

    feed: float | None = None
    """mg/L per day at a share of one."""
    light_factor: float = 1.0
    fraction: float = 0.0
    """Of the water, changed now."""
    source: float = 0.0
    """mg/L."""


def tried(balance: Balance, change: Change, days: int) -> list[tuple[int, Estimate]]:
    """The level on each day from now to `days`, mg/L as NO3: mean and central 90 %."""
    coming = course(_above_nought(balance))
    return [(day, piled_up(_ahead(coming, change, float(day)))) for day in range(days + 1)]


def on_day(balance: Balance, days: float) -> Estimate:
    """The level so many days from now if nothing is changed, mg/L as NO3: mean and central 90 %."""
    return piled_up(_ahead(course(_above_nought(balance)), Change(), days))


def _above_nought(balance: Balance) -> Balance:
    """A copy in which what is there now is not below nought."""
    now = balance.copy()
    for mode in now.modes:
        _, mean, variance = moments_above_zero(mode.belief.mean[LEVEL], mode.belief.sd(LEVEL))
        mode.belief = regress(mode.belief, LEVEL, mean, variance)
    return now


def piled_up(parts: Sequence[Part]) -> Estimate:
    """Mean and central 90 % of a mixture in which all below nought is at nought."""
    mean = sum(w * mass * m for w, (mass, m, _) in ((w, moments_above_zero(m, s)) for w, m, s in parts))
    low, high = (max(0.0, mixture_quantile(parts, p)) for p in (0.05, 0.95))
    return Estimate(mean=mean, low=min(low, mean), high=max(high, mean))


def _ahead(coming: Course, change: Change, days: float) -> list[Part]:
    """The distribution as it is, moved by the change; light's doubt is spread over `NODES`."""
    out: list[Part] = []
    more = _more_light(coming, change.light_factor, days)
    for odds, belief, pace in coming.modes:
        mean, sd, taken, share, kept = _mode_ahead(coming, belief, pace, change, days)
        if change.feed is not None:
            mean += math.sqrt(kept) * share * (change.feed - coming.recent) * days
        for weight, z in NODES:
            response = max(0.0, belief.mean[LIGHT] + z * belief.sd(LIGHT))
            gain = min(1.0, response) * more * taken
            out.append((weight * odds, mean - gain, sd))
    return out


def _more_light(coming: Course, factor: float, days: float) -> float:
    """What the change adds to the light to come, as a share of the usual."""
    as_it_is = 1.0 + (coming.light_days(days) / days if days > 0.0 else 0.0)
    return min(max(as_it_is, BRIGHTEST), factor * as_it_is) - as_it_is


def _mode_ahead(
    coming: Course, belief: Belief, pace: Pace, change: Change, days: float
) -> tuple[float, float, float, float, float]:
    """One model's level as feed and light are: mean, deviation, what plants at home take meanwhile, share, what stays.

    As in `Course.ahead`: what is there now shrinks to what stays, what comes meanwhile by half as much in the exponent.
    """
    kept, come, by_kit = coming.staying(pace, days)
    half, left_over = math.sqrt(kept), coming.left_over
    stretch = step(pace, days, coming.recent, coming.usual, left_over)
    stays = kept * (1.0 - change.fraction)
    driven = coming.driven(days)
    row = (stays, *(half * x for x in stretch.level_row[1:KIT]), by_kit, *(-half * more for more in driven))
    mean, variance = belief.along(row)
    mean += kept * change.fraction * change.source
    lasting = -stretch.level_row[UPTAKE]
    mean += half * left_over * (days - lasting) + come
    share = max(0.0, belief.mean[SHARE])
    followed = coming.recent * days - stretch.level_row[SHARE]
    taken = half * max(0.0, lasting * belief.mean[UPTAKE] + share * followed - left_over * (days - lasting))
    return mean, math.sqrt(variance + stretch.level_noise * kept) or 1e-9, taken, share, kept
