"""Carbonate and total hardness of one tank: level and drift from coarse tests and known changes.

Owns the two-state filter (level in °dH, unexplained drift in °dH per day) and its look ahead.  A pure function of
the facts: it is run anew from the first fact whenever asked, so the order of arrival cannot matter.

What nitrification spends and topping off brings in is known from elsewhere and handed in; the drift is what the tests
show beyond that, such as stones that dissolve.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rushlight.effects import Estimate
from rushlight.localtime import DAY_S

DRIFT_SD, DRIFT_SHARE = 0.02, 1.0
"""How far a tank may drift from the stoichiometry: °dH per day, and as a share of the known rate, since stones, feed
and unrecorded top-offs give back what nitrification takes (common practice, no source)."""
DRIFT_WANDER = 0.001
"""°dH per day and √day (own choice)."""
LEVEL_WANDER = 0.04
"""°dH per √day: rain in the tap, an unrecorded litre (own choice)."""
HUBER = 2.0
"""Standard deviations beyond which a test is trusted less, the more it surprises (after Huber 1964)."""
UNKNOWN_SOURCE_SD = 5.0  # own choice
SOURCE_SD = 0.15
"""How far the tap strays from what the keeper gave for it, as a share (common practice, no source)."""
UPTAKE_SHARE_SD = 0.35
"""Deviation of what nitrification spends, as a share, while no test tells how much nitrate plants take up, which gives
half of it back, and how much of the feed's nitrogen is nitrified (own choice)."""
HORIZON_DAYS = 28  # own choice
FARTHEST_DAYS = 365  # own choice
Z90 = 1.6448536269514722


@dataclass(slots=True, kw_only=True)
class MineralFact:
    """One thing that bears on a hardness.

    `test`: `amount` °dH with standard deviation `sd`.  `change`: fraction `amount` replaced by water of `source` °dH
    (None is not known).  `rise`: so many °dH added; `regular` when it is a top-off, which will come again.
    """

    at_s: float
    kind: Literal["test", "change", "rise"]
    id: str = ""
    amount: float = 0.0
    sd: float = 0.0
    source: float | None = None
    regular: bool = False

    def key(self) -> tuple[float, str, str, float]:
        """Order by time, then id and content, never by arrival."""
        return (self.at_s, self.id, self.kind, self.amount)


@dataclass(slots=True)
class Belief:
    """Level and drift: means, variances, covariance, and what the next days hold by custom."""

    at_s: float
    level: float
    drift: float = 0.0
    v_level: float = 0.0
    v_drift: float = 0.0
    cov: float = 0.0
    tests: int = 0
    first_test_s: float = 0.0
    last_test_s: float = 0.0
    doubted: int = 0
    """Which way the last test was too surprising to be believed: 1 up, −1 down, 0 it was not."""
    doubted_dh: float | None = None
    """What that test read, °dH; None where it was believed."""

    @property
    def level_sd(self) -> float:
        """Standard deviation of the level, °dH."""
        return math.sqrt(max(0.0, self.v_level))

    def estimate(self) -> Estimate:
        """Level with its central 90 % interval, never negative."""
        return _estimate(self.level, self.level_sd)

    def pass_time(self, to_s: float, known_rate: float) -> None:
        """Carry on to `to_s` at a known rate plus the unexplained drift."""
        days = max(0.0, (to_s - self.at_s) / DAY_S)
        self.at_s = max(self.at_s, to_s)
        self.level = max(0.0, self.level + (known_rate + self.drift) * days)
        self.v_level += 2.0 * days * self.cov + days**2 * self.v_drift + LEVEL_WANDER**2 * days
        self.cov += days * self.v_drift
        self.v_drift += DRIFT_WANDER**2 * days

    def take(self, fact: MineralFact) -> None:
        """A test, a water change, or something added."""
        if fact.kind == "rise":
            self.level += fact.amount
        elif fact.kind == "change":
            self._mix(fact.amount, fact.source)
        else:
            self._test(fact)

    def _mix(self, fraction: float, source: float | None) -> None:
        keep = 1.0 - fraction
        if source is not None:
            self.level = keep * self.level + fraction * source
        self.v_level = keep**2 * self.v_level + (0.0 if source is not None else (fraction * UNKNOWN_SOURCE_SD) ** 2)
        self.cov *= keep

    def _test(self, fact: MineralFact) -> None:
        spread = self.v_level + fact.sd**2
        surprise = fact.amount - self.level
        self.doubted_dh = None
        if self.tests == 1 or abs(surprise) <= HUBER * math.sqrt(spread):
            self.doubted = 0
        elif self.doubted * surprise > 0:  # the second in a row: the water did change, unrecorded
            self.doubted = 0
            self.v_level += surprise**2
            spread = self.v_level + fact.sd**2
        else:  # one strip read a pad off must not carry the day
            self.doubted, self.doubted_dh = (1 if surprise > 0 else -1), fact.amount
            spread = self.v_level + 2.0 * (fact.sd * surprise / HUBER) ** 2 / spread
        gain_level, gain_drift = self.v_level / spread, self.cov / spread
        self.level = max(0.0, self.level + gain_level * surprise)
        self.drift += gain_drift * surprise
        self.v_drift -= gain_drift * self.cov
        self.v_level *= 1.0 - gain_level
        self.cov *= 1.0 - gain_level
        self.tests += 1
        self.first_test_s = self.first_test_s or fact.at_s
        self.last_test_s = fact.at_s


@dataclass(frozen=True, slots=True)
class Prior:
    """What may be said of a hardness before any test: level and deviation in °dH at `at_s`, deviation of the rate."""

    at_s: float
    level: float
    sd: float
    rate_sd: float


def untested(source: float, spent: float, begun_s: float, started_s: float | None) -> Prior:
    """A tank filled with water of `source` °dH that loses `spent` °dH a day, as it was when records began.

    What was done before that nobody wrote down: the level lies anywhere between the source's and what is left of it
    without any change of water.
    """
    days = max(0.0, (begun_s - started_s) / DAY_S) if started_s is not None else math.inf
    least = max(0.0, source - spent * days) if spent > 0 else source
    spread = (source - least) ** 2 / 12.0 + (SOURCE_SD * source) ** 2
    return Prior(begun_s, 0.5 * (source + least), math.sqrt(spread), UPTAKE_SHARE_SD * spent)


def believe(facts: Sequence[MineralFact], at_s: float, known_rate: float, prior: Prior | None = None) -> Belief | None:
    """What the facts up to `at_s` say, sorted by their key; before the first test what the prior says, if any."""
    belief: Belief | None = None
    if prior is not None and prior.at_s <= at_s:
        belief = Belief(prior.at_s, prior.level, v_level=prior.sd**2, v_drift=prior.rate_sd**2)
    for fact in facts:
        if fact.at_s > at_s:
            break
        if belief is None or (belief.tests == 0 and fact.kind == "test"):
            if fact.kind == "test":
                v_drift = DRIFT_SD**2 + (DRIFT_SHARE * known_rate) ** 2
                belief = Belief(fact.at_s, fact.amount, v_level=fact.sd**2, v_drift=v_drift, tests=1)
                belief.first_test_s = belief.last_test_s = fact.at_s
            continue
        belief.pass_time(fact.at_s, known_rate)
        belief.take(fact)
    if belief is not None:
        belief.pass_time(at_s, known_rate)
    return belief


@dataclass(frozen=True, slots=True)
class Custom:
    """What is done regularly: °dH per day from topping off, and water changes as a share per day towards `source`."""

    rise: float = 0.0
    share: float = 0.0
    source: float | None = None


def custom(facts: Sequence[MineralFact], at_s: float, days: float = 56.0) -> Custom:
    """The last eight weeks' custom; nothing is called custom before it has been seen twice."""
    recent = [f for f in facts if at_s - days * DAY_S < f.at_s <= at_s]
    over = max(14.0, min(days, (at_s - facts[0].at_s) / DAY_S)) if facts else days
    rises = [f.amount for f in recent if f.kind == "rise" and f.regular]
    changes = [f for f in recent if f.kind == "change" and f.source is not None]
    share = sum(f.amount for f in changes) / over if len(changes) > 1 else 0.0
    weight = sum(f.amount for f in changes)
    source = sum(f.amount * (f.source or 0.0) for f in changes) / weight if share and weight else None
    return Custom(sum(rises) / over if len(rises) > 1 else 0.0, share, source)


def rate(belief: Belief, known_rate: float, habit: Custom) -> float:
    """Change of the level as things stand, °dH per day."""
    pull = habit.share * (habit.source - belief.level) if habit.source is not None else 0.0
    return known_rate + belief.drift + habit.rise + pull


def ahead(belief: Belief, known_rate: float, habit: Custom, days: int) -> tuple[float, float]:
    """Mean and standard deviation of the level in so many days, if things stay as they are."""
    level = belief.level
    for _ in range(days):
        pull = habit.share * (habit.source - level) if habit.source is not None else 0.0
        level = max(0.0, level + known_rate + belief.drift + habit.rise + pull)
    v = belief.v_level + 2.0 * days * belief.cov + days**2 * belief.v_drift + LEVEL_WANDER**2 * days
    fade = math.exp(-habit.share * days) if habit.source is not None else 1.0
    return level, math.sqrt(max(0.0, v)) * (0.5 + 0.5 * fade)


def days_to(belief: Belief, known_rate: float, habit: Custom, limit: float, *, falling: bool) -> float | None:
    """Days until the mean passes the limit; 0 if it has, None if not within a year."""
    level = belief.level
    for day in range(FARTHEST_DAYS + 1):
        if (level < limit) if falling else (level > limit):
            return float(day)
        pull = habit.share * (habit.source - level) if habit.source is not None else 0.0
        level = max(0.0, level + known_rate + belief.drift + habit.rise + pull)
    return None


def chance_below(mean: float, sd: float, limit: float) -> float:
    """Probability that a normal value lies below the limit."""
    if sd <= 0:
        return 1.0 if mean < limit else 0.0
    return 0.5 * math.erfc((mean - limit) / (sd * math.sqrt(2.0)))


def _estimate(mean: float, sd: float) -> Estimate:
    return Estimate(mean=mean, low=max(0.0, mean - Z90 * sd), high=mean + Z90 * sd)
