"""Strips with an electrode beside them, on invented tanks whose nitrate is known: what the electrode is worth.

Independent of the product's model: uptake is lost in a straight line, strips are read as the nearest pad with 22 %
error, the electrode's bias is a random walk in millivolts (1 mV is 4.0 %, Nernst at 25 °C), reset once a month.
"""

from __future__ import annotations

import math
import random

import pytest

from rushlight.science.inference.interval import Span, blurred
from rushlight.tank.nitrate import balance as bal
from rushlight.tank.nitrate import forecast, readings

pytestmark = pytest.mark.slow

PADS = (0.0, 10.0, 25.0, 50.0, 100.0, 250.0)
EDGES = (0.0, 5.0, 17.5, 37.5, 75.0, 175.0, math.inf)
FEED = 12.0 * 0.16
"""Nitrate that the feed could become at most, mg/L per day."""
MV = math.log(10.0) / 59.16
"""Natural log of concentration per millivolt: Nernst's slope at 25 °C, mV a decade."""


def _truth(rng: random.Random, fades: bool, days: int) -> list[float]:
    supply, level, from_day, over = rng.uniform(0.8, 1.6), rng.uniform(8.0, 25.0), rng.randint(50, 80), 120.0
    out = []
    for day in range(days):
        lost = min(0.8, max(0.0, (day - from_day) / over)) if fades else 0.0
        level = max(0.5, level + supply * lost + rng.gauss(0.0, 0.05))
        out.append(level)
    return out


def _watched(seed: int, fades: bool, drift_mv: float | None, days: int = 170) -> tuple[float, float]:
    """Share of days on which the 90 % interval held the level, and the mean squared error; no electrode: None."""
    rng = random.Random(seed)
    truth = _truth(rng, fades, days)
    now = bal.begin(0.0, FEED)
    bias_mv = 0.0
    held, squares = 0, 0.0
    for day, level in enumerate(truth):
        for quarter in range(4):
            bal.pass_time(now, (day + quarter / 4) * 86400.0 + 1.0, FEED)
            if drift_mv is None:
                continue
            bias_mv += rng.gauss(0.0, drift_mv / 2.0)
            if day % 30 == 0 and quarter == 2:
                readings.calibrate(now)
                bias_mv = 0.0
            told = level * math.exp(MV * (bias_mv + rng.gauss(0.0, 0.3)))
            readings.read_electrode(now, told)
        if day % 7 == 0:
            read = level * math.exp(rng.gauss(0.0, 0.22))
            pad = min(range(len(PADS)), key=lambda i: abs(PADS[i] - read))
            readings.read_level(now, blurred(Span(EDGES[pad], EDGES[pad + 1]), 0.2, 1.0), 0.2)
            now.n_tests += 1
        said = forecast.level_estimate(bal.level_parts(now))
        if day > 14:
            held += said.low <= level <= said.high
            squares += (said.mean - level) ** 2
    return held / (days - 15), squares / (days - 15)


@pytest.mark.parametrize("drift_mv", [0.3, 1.0])
@pytest.mark.parametrize("fades", [True, False])
def test_an_electrode_beside_the_strips_makes_the_level_better_known(fades: bool, drift_mv: float) -> None:
    """It once made a rising tank worse known than strips alone did, and sure of it."""
    alone = [_watched(seed, fades, None) for seed in range(3)]
    beside = [_watched(seed, fades, drift_mv) for seed in range(3)]
    assert sum(held for held, _ in beside) / 3 >= 0.8
    assert sum(square for _, square in beside) < sum(square for _, square in alone)
