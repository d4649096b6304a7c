"""One hardness at a moment: level, course and chances, and the evidence that its alarm tells.

Owns how the filter's belief becomes figures.  The filter is `minerals`.  Pure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rushlight.alarms.evidence import MineralEvidence
from rushlight.effects import Estimate
from rushlight.localtime import DAY_S
from rushlight.localunits import METRIC, Units
from rushlight.tank.water import minerals
from rushlight.tank.water.minerals import MineralFact

TREND_TESTS, TREND_DAYS, TREND_SURE = 7, 42.0, 0.98
"""A forecast needs so many tests over so long, and so much certainty that the level moves towards its limit at all:
coarse pads make trends of noise (own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hardness:
    """One hardness: its level, how it moves in °dH per day, and days until its limit if things stay as they are."""

    level: Estimate
    rate: float
    days_to_limit: float | None
    in_four_weeks: Estimate
    chance_now: float
    chance_in_four_weeks: float
    """0 until the tests show a trend."""
    tests: int
    """0: it was never tested; worked out from source water, feed and changes."""
    tested_at_s: float


def band(told: Hardness, units: Units = METRIC) -> str:
    """The level in words, with its central 90 %."""
    low, high = (units.figure(v, "°dH", ".1f") for v in (told.level.low, told.level.high))
    return f"about {units.say(told.level.mean, '°dH', '.1f')} ({low} to {high})"


def hardness_of(
    facts: Sequence[MineralFact],
    at_s: float,
    known_rate: float,
    limit: float,
    *,
    falling: bool,
    prior: minerals.Prior | None = None,
) -> Hardness | None:
    """One hardness at `at_s` from its facts, a known rate in °dH a day and, before any test, a prior; None: unknown."""
    belief = minerals.believe(facts, at_s, known_rate, prior)
    if belief is None:
        return None
    habit = minerals.custom(facts, at_s)
    mean, sd = minerals.ahead(belief, known_rate, habit, minerals.HORIZON_DAYS)

    def past(mean: float, sd: float, at: float = limit) -> float:
        below = minerals.chance_below(mean, sd, at)
        return below if falling else 1.0 - below

    later = Estimate(mean=mean, low=max(0.0, mean - minerals.Z90 * sd), high=mean + minerals.Z90 * sd)
    towards = past(minerals.rate(belief, known_rate, habit), math.sqrt(belief.v_drift), at=0.0)
    seen_s = belief.last_test_s - belief.first_test_s
    seen = belief.tests >= TREND_TESTS and seen_s >= TREND_DAYS * DAY_S and towards >= TREND_SURE
    trend = seen or belief.tests == 0
    return Hardness(
        level=belief.estimate(),
        rate=minerals.rate(belief, known_rate, habit),
        days_to_limit=minerals.days_to(belief, known_rate, habit, limit, falling=falling),
        in_four_weeks=later,
        chance_now=past(belief.level, belief.level_sd),
        chance_in_four_weeks=past(mean, sd) if trend else 0.0,
        tests=belief.tests,
        tested_at_s=belief.last_test_s,
    )


def evidence_of(told: Hardness, name: str, limit: float, sentence: str) -> MineralEvidence:
    """What the alarm about it may say."""
    return MineralEvidence(
        quantity=name,
        value=round(told.level.mean, 2),
        low=round(told.level.low, 2),
        high=round(told.level.high, 2),
        unit="°dH",
        limit=limit,
        rate_per_day=round(told.rate, 4),
        days_to_limit=told.days_to_limit,
        chance_now=round(told.chance_now, 3),
        chance_in_four_weeks=round(told.chance_in_four_weeks, 3),
        tested_at_s=told.tested_at_s if told.tests else None,
        sentence=sentence,
    )
