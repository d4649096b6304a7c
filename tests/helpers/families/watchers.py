"""Who watches a simulated tank: the product through its replay, and an observer who knows the family's laws.

Both hand back the same thing, so that one judge reads them side by side.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from helpers.families.common import DAY_S, Acts, Array, LivedTank, Setting, State, chances, planned
from rushlight import eventlines
from rushlight.config import loading as configuration
from rushlight.replay import replay

HORIZON = 28
ALARMS = ("nitrate_rising", "nitrate_high")
STANDS = {"unacknowledged", "acknowledged", "shelved"}


@dataclass
class Told:
    """What was said of one tank: by midnight (NaN: nothing), and each alarm's episodes as first and last day."""

    low: Array
    high: Array
    chance: Array
    alarms: dict[str, list[tuple[int, int]]] = field(default_factory=dict)


def nothing(days: int) -> Told:
    return Told(np.full(days, np.nan), np.full(days, np.nan), np.full(days, np.nan), {a: [] for a in ALARMS})


def product(tank: LivedTank) -> Told:
    """The product as anybody may run it: `rushlight replay --daily` over the tank's configuration and event lines."""
    days, start_s = len(tank.levels), tank.setting.start_s
    told, up = nothing(days), dict.fromkeys(ALARMS, False)
    for line in replay(configuration.check(tank.raw_config), tank.lines(), daily=True):
        record = json.loads(line)
        day = int((eventlines.unix_s(record["at"]) - start_s) // DAY_S)
        if record["kind"] == "daily" and 0 <= day < days:
            _note_daily(told, day, record)
            for name, stands in up.items():
                if stands:
                    told.alarms[name][-1] = (told.alarms[name][-1][0], day)
        elif record["kind"] == "alarm" and record["alarm"] in up:
            name, stands = record["alarm"], record["state"] in STANDS
            if stands and not up[name]:
                told.alarms[name].append((day, day))
            up[name] = stands
    return told


def _note_daily(told: Told, day: int, record: dict[str, Any]) -> None:
    if record["nitrate"] is not None:
        told.low[day], told.high[day] = record["nitrate"]["low"], record["nitrate"]["high"]
    if record.get("chance_28_days") is not None:
        told.chance[day] = record["chance_28_days"]


def knowing(tank: LivedTank, particles: int = 3000, ahead: int = 1000) -> Told:
    """The family's ceiling: a particle filter on the family's own laws (Gordon, Salmond and Smith 1993).

    Tanks drawn from the laws are lived beside the true one under the same recorded acts, weighed by the chance of
    each strip, and drawn anew where few carry the weight; constants are then blurred by 2 %, so that copies part.
    Looking ahead it lives them on for 28 days under the acts that this keeper is used to.
    """
    c, laws, days = seen_of(tank.setting), tank.laws, len(tank.levels)
    rng = np.random.default_rng([tank.seed, 3])
    s, weights, told = laws.draw(c, rng, particles), np.zeros(particles), nothing(days)
    tests = iter(tank.tests)
    test, stale, odds = next(tests, None), True, np.nan
    for day in range(days):
        share = np.exp(weights - weights.max())
        share /= share.sum()
        told.low[day], told.high[day] = quantiles(s["level"], share)
        if stale or day % 7 == 0:
            odds, stale = look_ahead(tank, pick(s, share, ahead, rng), day, rng), False
        told.chance[day] = odds
        before = s["level"].copy()
        acts = tank.acts[day] if c.feed_told else replace(tank.acts[day], grams=np.nan)
        flow = laws.step(c, s, day, acts, rng)
        start = before + flow.exchanged
        while test is not None and test[0] < day + 1:
            level = start + (test[0] % 1.0) * (s["level"] - start)
            weights = weights + np.log(chances(c.kits[test[1]], s, level, test[2]))
            test, stale = next(tests, None), True
        if stale:
            s, weights = renewed(s, weights, laws.jitter, rng)
    return told


def seen_of(c: Setting) -> Setting:
    """What of a setting an observer is told."""
    return c if c.feed_told else replace(c, grams=np.nan)


def look_ahead(tank: LivedTank, s: State, day: int, rng: np.random.Generator) -> float:
    """The share of tanks that stand above the limit on this midnight or one of the 28 to come."""
    c, n = replace(seen_of(tank.setting), seen_days=day), len(s["level"])
    passed = s["level"] > c.limit
    for d in range(day, day + HORIZON):
        acts: Acts = planned(c, d, rng, n)
        tank.laws.step(c, s, d, acts, rng)
        passed |= s["level"] > c.limit
    return float(passed.mean())


def pick(s: State, share: Array, n: int, rng: np.random.Generator) -> State:
    """Systematic resampling (Kitagawa 1996)."""
    at = np.minimum(np.searchsorted(np.cumsum(share), (np.arange(n) + rng.random()) / n), len(share) - 1)
    return {k: v[at].copy() for k, v in s.items()}


def renewed(s: State, weights: Array, blurred: tuple[str, ...], rng: np.random.Generator) -> tuple[State, Array]:
    """The same belief in fresh particles where fewer than half carry it."""
    share = np.exp(weights - weights.max())
    share /= share.sum()
    n = len(share)
    if 1.0 / (share**2).sum() > 0.5 * n:
        return s, weights
    s = pick(s, share, n, rng)
    for name in blurred:
        s[name] = s[name] * np.exp(0.02 * rng.standard_normal(s[name].shape))
    return s, np.zeros(n)


def quantiles(values: Array, share: Array) -> tuple[float, float]:
    """The central 90 %."""
    order = np.argsort(values)
    below = np.cumsum(share[order])
    low, high = (values[order[min(len(order) - 1, int(np.searchsorted(below, q)))]] for q in (0.05, 0.95))
    return float(low), float(high)
