"""How a nitrate electrode wanders: which way and how fast, as its own calibrations have shown.

Owns what is known of one electrode's drift, in the logarithm of the concentration, where Nernst's law makes a drift in
mV a sum.  Between calibrations the electrode is a Brownian motion with a direction: after t days it is off by a normal
with mean m t and variance W t.  What each calibration takes away is such a sum, so m and W are learned from those sums.
An electrode that wanders widely shows it within weeks, too: by how readings bend from day to day, as water does not.
Never looks at a test or a belief (`readings` does).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from rushlight.localtime import DAY_S
from rushlight.science.measuring.electrode import nernst_slope

MV = math.log(10.0) / nernst_slope(25.0)
"""Natural logarithm of the concentration per mV, at 25 °C."""
FIRST_WALK, FIRST_COUNTS = (1.0 * MV) ** 2, 1.0
"""Variance of the random part per day before any calibration, 1 mV per √day, and for how many calibrations it counts
(common practice, no source)."""
FIRST_WAY = 1.0 * MV
"""Standard deviation of the direction before any calibration: a cheap immersed electrode runs away by a mV a day
(common practice, no source)."""
LEAST_DAYS = 3.0
"""Two calibrations closer together tell of the calibrating, not of the drift (own choice)."""
BEND_DAYS = 10.0
"""Over so many days it is learned how far readings bend from one day to the next (own choice)."""
BEND_MOST = 3.0
"""A bend beyond so many usual ones is a change of water or of the electrode, and counts as that many (own choice)."""
MOST_OFF = 4.0
"""A sum larger than this, a factor of fifty, is a fault of the electrode or of its calibration (own choice)."""


FIRST_BEND = 2.0 * math.sqrt(FIRST_WALK / math.pi)
"""How far readings of such a walk bend: second differences of a Brownian motion have variance 2 W, and a
normal's absolute value is √(2/π) of its deviation on average."""


@dataclass(frozen=True, slots=True)
class Wander:
    """What an electrode's calibrations have shown, as sums over the stretches between them."""

    days: float = 0.0
    off: float = 0.0
    off_squares: float = 0.0
    """Each stretch's off², over its days."""
    stretches: int = 0
    value: float | None = None
    """The last reading before the next one, mg/L, and the level then believed in."""
    level: float = 0.0
    at_s: float | None = None
    """When that was."""
    stretch_days: float | None = None
    """How long the stretch was that a calibration has just ended, until a reading tells what it took away."""

    daily: tuple[float, ...] = ()
    """The logarithms of up to three readings, a day apart."""
    daily_at_s: float = 0.0
    bend: float = FIRST_BEND
    """How far a day's reading lies off the straight line through those of the two days before it, usual size."""

    @property
    def walk(self) -> float:
        """Variance of the random part per day: as calibrations show it, or more where readings bend more."""
        shown = 0.25 * math.pi * self.bend * self.bend
        if not self.stretches:
            return max(FIRST_WALK, shown)
        left = max(0.0, self.off_squares - self.off * self.off / self.days)
        return max((FIRST_COUNTS * FIRST_WALK + left) / (FIRST_COUNTS + self.stretches - 1.0), shown)

    @property
    def way(self) -> tuple[float, float]:
        """The direction per day, mean and variance."""
        precision = self.days / self.walk + 1.0 / FIRST_WAY**2
        return self.off / self.walk / precision, 1.0 / precision

    def spread(self, from_days: float, to_days: float) -> float:
        """Variance that the offset gains between two ages of the calibration: of the walk, and of the direction."""
        return self.walk * (to_days - from_days) + self.way[1] * (to_days**2 - from_days**2)


UNKNOWN = Wander()


def calibrated(wander: Wander, days: float | None) -> Wander:
    """A calibration, so many days after the one before it; None is the first.  What it took away is not known yet."""
    known = days is not None and days >= LEAST_DAYS and wander.value is not None
    return replace(wander, stretch_days=days if known else None, daily=())


def _bent(wander: Wander, at_s: float, value: float) -> Wander:
    """A reading a day after the last that was kept for this; what lies further apart begins anew."""
    days = (at_s - wander.daily_at_s) / DAY_S
    if wander.daily and days < 0.95:
        return wander
    daily = (*wander.daily[-2:], value) if days < 1.5 else (value,)
    if len(daily) < 3:
        return replace(wander, daily=daily, daily_at_s=at_s)
    size = min(abs(daily[2] - 2.0 * daily[1] + daily[0]), BEND_MOST * wander.bend)
    return replace(wander, daily=daily, daily_at_s=at_s, bend=wander.bend + (size - wander.bend) / BEND_DAYS)


def seen(wander: Wander, at_s: float, value: float, level: float) -> Wander:
    """A reading, mg/L, at that level believed in: the first after a calibration tells by how much it was off before."""
    value, level = max(0.1, value), max(0.1, level)
    out = replace(_bent(wander, at_s, math.log(value)), value=value, level=level, at_s=at_s, stretch_days=None)
    if wander.stretch_days is None or wander.value is None:
        return out
    off, days = math.log(wander.value / value) - math.log(wander.level / level), wander.stretch_days
    if abs(off) > MOST_OFF:
        return out
    return replace(
        out,
        days=wander.days + days,
        off=wander.off + off,
        off_squares=wander.off_squares + off * off / days,
        stretches=wander.stretches + 1,
    )
