"""How early, and how surely, any rule at all could warn of nitrate from weekly strips: the ceiling of bench_nitrate.py.

    python tests/bench/bench_nitrate_ceiling.py [tuning|fresh] [number of tanks]

An observer that no daemon can have: it knows from what the simulator draws its tanks, how every keeper may read a
strip, and nothing else.  It holds tens of thousands of such tanks beside the one it watches and weighs each by the
exact chance of every strip so far (importance sampling; Liu, *Monte Carlo Strategies in Scientific Computing*, 2001,
ch. 2), so its chance of a crossing within so many days is, but for sampling error, the true posterior, on which by
Neyman & Pearson the best rules for a given rate of false warnings rest.  Its threshold is set, in hindsight and to its
own advantage, on the very tanks that it is judged on.

What it found on 100 + 100 fading and 200 steady tanks (tuning seeds), at 0.095 false warnings a tank-year: a median lead
of 29 days over both kinds of fade (18 and 49), and 12 of 109 crossings missed.  Those rise from some 20 mg/L to the
limit under an unbroken row of strips read as 25, or with a single 50 at the end, which a steady tank at 20 to 25 mg/L
shows as often: the pads 25 and 50 meet at 35 to 37.5 mg/L, too near a limit of 40.  To miss one of 109 it had to warn
in vain 0.93 times a tank-year.  So what bench_nitrate.py misses, nobody sees on such strips at one false warning in ten
tank-years; a drop test once in a while does.

Tanks whose water is changed or whose feedings are entered are left out: the bank would need one of its own for each.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import numpy as np
from scipy.special import ndtr

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench_nitrate import SEEDS

from helpers.nitrate_tanks import DAY_S, LIMIT, PADS, START_S, SimulatedTank, simulate
from rushlight.events import Feeding, Test, WaterChange

BANK = 60_000
DAYS = 600
STEP = 0.25
"""Levels are looked up to so many mg/L."""
HORIZONS = (0, 14, 28, 42, 56, 90)
TOP = 400.0


@dataclass(frozen=True)
class Bank:
    """Tanks drawn as `simulate` draws them: their levels as steps of `STEP`, by day, and the day of crossing."""

    levels: np.ndarray
    crossing: np.ndarray


def draw(count: int, seed: int) -> Bank:
    """A third steady, a third fading, a third fading slowly; a fade may begin on any day."""
    rng = np.random.default_rng(seed)
    kind = rng.integers(0, 3, count)
    supply, home = rng.uniform(0.8, 1.6, count), rng.uniform(5.0, 25.0, count)
    depth = rng.uniform(0.4, 0.9, count)
    length = np.where(kind == 2, rng.uniform(200, 400, count), rng.uniform(50, 200, count))
    begins = np.where(kind == 0, 1e9, rng.uniform(0, DAYS, count))
    unrest = rng.uniform(0.005, 0.025, count)
    level, wobble = home.copy(), np.zeros(count)
    levels = np.empty((DAYS, count), np.int16)
    crossing = np.full(count, 10**6)
    for day in range(DAYS):
        levels[day] = np.minimum(level, TOP - 1.0) / STEP
        crossing[(crossing == 10**6) & (level > LIMIT)] = day
        wobble = 0.9 * wobble + supply * unrest * rng.standard_normal(count)
        faded = np.clip((day - begins) / length, 0.0, 1.0) * depth
        uptake = (supply + wobble) * (1.0 - faded) + np.where(day < begins, 0.02 * (level - home), 0.0)
        level = np.maximum(0.0, level + supply - np.minimum(uptake, level + supply))
    return Bank(levels, crossing)


def log_chances() -> np.ndarray:
    """log P(pad | level) by way of reading (border and error), pad and level; a slip of the hand is one in 2,000."""
    pads, levels = np.array(PADS), np.maximum(np.arange(0.0, TOP, STEP), 1e-3)
    raised = np.maximum(pads, 2.5)
    table = []
    for borders in (0.5 * (pads[1:] + pads[:-1]), np.sqrt(raised[1:] * raised[:-1])):
        plain = [(b - levels) / (0.22 * levels) for b in borders]
        skewed = [np.log(b / levels) / 0.22 for b in borders]
        for z in (plain, skewed):
            under = np.vstack([np.zeros(len(levels)), *map(ndtr, z), np.ones(len(levels))])
            table.append(np.diff(under, axis=0))
    return np.log(np.maximum(np.array(table), 0.0005)).astype(np.float32)


def watch(bank: Bank, chances: np.ndarray, sim: SimulatedTank) -> np.ndarray:
    """Day by day, the chance of having passed the limit by each horizon."""
    weights = np.zeros((len(chances), len(bank.crossing)), np.float32)
    tests = iter([e for e in sim.events if isinstance(e, Test)])
    test, rows, seen = next(tests, None), [], True
    for day in range(len(sim.levels)):
        while test is not None and test.at_s < START_S + day * DAY_S:
            on = min(DAYS - 1, round((test.at_s - START_S) / DAY_S))
            weights += chances[:, PADS.index(float(test.values["nitrate"]))][:, bank.levels[on]]
            test, seen = next(tests, None), True
        if seen or day % 7 == 0:
            odds = np.exp(weights - weights.max()).sum(axis=0)
            odds /= odds.sum()
            seen = False
        rows.append([float(odds[bank.crossing <= day + h].sum()) for h in HORIZONS])
    return np.array(rows)


def episodes(chance: np.ndarray, threshold: float) -> list[tuple[int, int]]:
    """First and last days on which the warning stands; it clears at half the threshold."""
    found: list[tuple[int, int]] = []
    up = False
    for day, now in enumerate(chance):
        if not up and now >= threshold:
            up = True
            found.append((day, day))
        elif up and now <= 0.5 * threshold:
            up = False
        elif up:
            found[-1] = (found[-1][0], day)
    return found


def lead(chance: np.ndarray, threshold: float, sim: SimulatedTank) -> int:
    """As in bench_nitrate.py; -1 for a missed crossing."""
    for start, end in episodes(chance, threshold):
        if end >= sim.fade_day and start <= sim.crossing_day:
            return sim.crossing_day - max(start, sim.fade_day)
    return -1


def fit(sim: SimulatedTank) -> bool:
    """Whether the bank knows such a tank."""
    return not any(isinstance(e, (WaterChange, Feeding)) for e in sim.events)


def main() -> None:
    which = sys.argv[1] if len(sys.argv) > 1 else "fresh"
    n = int(sys.argv[2]) if len(sys.argv) > 2 else 100
    base, chances, bank = SEEDS[which], log_chances(), draw(BANK, 5)
    groups: dict[str, list[tuple[SimulatedTank, np.ndarray]]] = {}
    for name, slow, offset in (("50 to 200 days", False, 0), ("200 to 400 days", True, 20_000)):
        sims = (simulate(base + offset + i, fading=True, days=DAYS, slow=slow) for i in range(n))
        groups[name] = [(s, watch(bank, chances, s)) for s in sims if s.crossing_day and fit(s)]
    sims = (simulate(base + 50_000 + i, fading=False) for i in range(2 * n))
    steady = [(s, watch(bank, chances, s)) for s in sims if fit(s)]
    years = sum(len(s.levels) for s, _ in steady) / 365.25
    print(f"{which} seeds; a missed crossing counts as a lead of -1 day; {years:.0f} tank-years of steady tanks")
    for allowed in (0.1, 0.2, 0.5, 1.0):
        for k, horizon in enumerate(HORIZONS):
            rates = ((t, sum(len(episodes(c[:, k], t)) for _, c in steady) / years) for t in np.arange(0.01, 1.0, 0.01))
            threshold, false = next(((t, f) for t, f in rates if f <= allowed), (math.nan, math.nan))
            leads = {name: [lead(c[:, k], threshold, s) for s, c in group] for name, group in groups.items()}
            everything = [x for group in leads.values() for x in group]
            cells = [f"both {median(everything):.0f} d, missed {everything.count(-1)} of {len(everything)}"]
            cells += [f"{name} {median(x):.0f} d, missed {x.count(-1)} of {len(x)}" for name, x in leads.items()]
            print(f"  false {false:.3f} a year, chance within {horizon:2d} d >= {threshold:.2f}: " + "; ".join(cells))


if __name__ == "__main__":
    main()
