"""The three kinds of tank of the nitrate balance: how the net rate moves in each, and how likely one becomes another.

Owns their paces, their noise and the odds of a change.  Knows no belief.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rushlight.science.chemistry import nitrogen


@dataclass(frozen=True, slots=True)
class Pace:
    """How the net rate moves in one kind of tank."""

    spread: float
    """Standard deviation of the net rate in the long run, as a share of supply."""
    memory_days: float
    """How long a deviation lasts."""
    leaves: tuple[float, float, float]
    """Chance per day that the tank becomes one of each kind; its own kind's place is 0."""
    fades: bool = False
    draws: float = 1.0
    """How much more plants take where there is more, as a share of what hale ones would."""


SETTLED = Pace(spread=0.08, memory_days=15.0, leaves=(0.0, 1 / 2000, 1 / 400))
MOVING = Pace(spread=0.35, memory_days=200.0, leaves=(1 / 200, 0.0, 1 / 2000))
LOSING = Pace(spread=0.05, memory_days=400.0, leaves=(1 / 800, 1 / 2000, 0.0), fades=True, draws=0.25)
PACES = (SETTLED, MOVING, LOSING)
"""Chosen on simulated tanks (tests/bench/bench_nitrate.py and bench_odds.py, tuning seeds) for early and rare warnings
and odds that come true; no source."""

SILENT_FROM_DAYS = 28.0
"""Who does not test for so long writes down no water changes either (own choice)."""
SILENT_FADES, SILENT_ENDS_DAYS = 0.5, 100.0
"""A watched tank is taken to fade as often as gives early warning; while nobody tests, fading begins so much less
often, and what is amiss lasts so long, so that a year's silence is no alarm in itself (own choice)."""
BACK_HOME = 1.0
"""How near home a tank comes back that went wrong unseen, standard deviation as a share of it (own choice)."""
FADE = (0.006, 0.010)
"""Uptake lost per day by fading plants, as a share of supply: mean and standard deviation.  From all to half of it
within a month or within half a year; chosen as above.  So wide because a third of that spread, with the belief before
this one, told at the warning but half to two thirds of what plants lost that failed within three weeks."""
FIRST_ODDS = (0.8, 0.15, 0.05)
"""Of the kinds of tank before any test (own choice)."""
CARRIED_DOUBT = 0.3
"""How well it is known what water changes carry out: standard deviation as a share of it (no source)."""
LEVEL_NOISE = 0.1
"""Day-to-day wandering of the level that no rate explains, mg/L per √day (no source)."""
SCALE_FLOOR = 0.3
"""Net rates below this (mg/L per day) are within what any tank does, whatever its feed (own choice)."""
SCALE_UNKNOWN = 1.0
"""Size of net rates where no feed is known, mg/L per day (own choice)."""


STAYS = (0.0, 0.0, 0.0)
"""What no kind of tank makes of the rest of the state: the kit's being off, and the answers to light and warmth."""


def scale(feed: float) -> float:
    """The size that net rates have in a tank with so much feed, mg/L per day."""
    return max(SCALE_FLOOR, nitrogen.SHARE_MEAN * feed) if feed > 0.0 else SCALE_UNKNOWN


@dataclass(frozen=True, slots=True)
class Step:
    """A stretch of time under one model: what it does to level and uptake, and the noise it adds to them."""

    level_row: tuple[float, ...]
    """The level afterwards as a combination of the state before."""
    uptake_row: tuple[float, ...]
    level_noise: float
    joint_noise: float
    uptake_noise: float


def step(pace: Pace, days: float, feed: float, usual: float, left_over: float = 0.0) -> Step:
    """The model over `days` at the given feed, where balanced plants leave `left_over` mg/L per day.

    Closed form of the integrated Ornstein-Uhlenbeck process: with θ = memory, e = e^(−t/θ), σ² its stationary
    variance, var r = σ²(1−e²), cov(∫r, r) = σ²θ(1−e)², var ∫r = σ²θ²(2t/θ − 3 + 4e − e²)
    (Gillespie 1996, Phys. Rev. E 54:2084-2091).  For t ≪ θ the last is 2σ²t³/3θ, and the bracket mere rounding.
    """
    theta, var = pace.memory_days, (pace.spread * scale(usual)) ** 2 + (CARRIED_DOUBT * left_over) ** 2
    left, lasting = nitrogen.decay(days, theta)
    x = days / theta
    bracket = 2.0 * x - 3.0 + 4.0 * left - left * left if x > 1e-3 else x**3 * (2.0 / 3.0 - 0.5 * x)
    fades = float(pace.fades)
    return Step(
        level_row=(
            1.0,
            -lasting,
            feed * days - usual * (days - lasting),
            0.0,
            fades * theta * (days - lasting),
            *STAYS,
        ),
        uptake_row=(0.0, left, usual * (1.0 - left), 0.0, -fades * lasting, *STAYS),
        level_noise=var * theta * theta * bracket + LEVEL_NOISE**2 * days,
        joint_noise=-var * theta * (1.0 - left) ** 2,
        uptake_noise=var * (1.0 - left * left),
    )


def turns(days: float, *, silent: bool) -> list[list[float]]:
    """By kind, the chance of each kind after `days`; shape (3, 3), rows add up to 1.

    `silent`: nobody has tested for `SILENT_FROM_DAYS`.
    """
    moves = [[-math.expm1(-days * rate) for rate in pace.leaves] for pace in PACES]
    if silent:
        moves[0][2] = -math.expm1(-days * SETTLED.leaves[2] * SILENT_FADES)
        moves[1][0] = moves[2][0] = -math.expm1(-days / SILENT_ENDS_DAYS)
    for i, row in enumerate(moves):
        row[i] = 1.0 - sum(row)
    return moves
