"""What cover alone can tell at best: an observer that knows the plants' laws, beside what is wanted.

    python tests/bench/bench_growth_ceiling.py [TANKS] [FIRST_SEED]

Simulated plants (`helpers/plants.py`).  The observer knows each tank's law and constants, what every harvest took, how
far looks err and how growth wanders; it does not know when growth falls to a half.  Particles carry that, and it tells
a fall once its odds pass a bound that was chosen on seeds below 1000 for one false telling in ten tank-years.  No
product can know so much: what this reaches is a bound, not a goal.
"""

from __future__ import annotations

import math
import statistics
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.plants import START_S, Laws, Look, Plants, live
from rushlight.events import Growth, Harvest

WEEKS, HALVED = 60, 34
PARTICLES = 600
HAZARD = 1.0 / 100.0
"""A week's chance of a fall, as the observer has it."""
BOUNDS = (0.5, 0.55, 0.6, 0.65, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99)
COVER_SD, EXPOSED_SD = 0.02, 0.05


def odds(plants: Plants, seed: int) -> list[tuple[float, float]]:
    """After each look: the week, and how likely a fall of the last half year is."""
    assert plants.laws is not None
    rng, laws = np.random.default_rng([77, seed]), plants.laws
    area, walk = np.full(PARTICLES, laws.area), np.zeros(PARTICLES)
    slowed = np.full(PARTICLES, math.inf)
    told, day = [], 0
    for event in plants.entries:
        until = math.floor((event.at_s - START_S) / 86_400.0 + 0.3)
        for at in range(day, until):
            if at % 7 == 0:
                walk = 0.6 * walk + rng.normal(0.0, 0.08, PARTICLES)
                fresh = (rng.random(PARTICLES) < HAZARD) & np.isinf(slowed)
                slowed[fresh] = at / 7.0
            rate = _rates(laws, area) * np.exp(walk) * np.where(np.isinf(slowed), 1.0, 0.5)
            area = area * np.exp(rate / 7.0)
        day = max(day, until)
        if isinstance(event, Harvest):
            area = np.maximum(0.05, area - (event.fresh_grams or 0.0) / 60.0)
        elif isinstance(event, Growth) and event.cover is not None:
            expected = -np.expm1(-laws.depth * area)
            sd = np.hypot(COVER_SD, EXPOSED_SD * laws.depth * area * np.exp(-laws.depth * area))
            weight = np.exp(-0.5 * ((event.cover - expected) / sd) ** 2) / sd + 1e-12
            weight /= weight.sum()
            told.append((day / 7.0, float(weight[~np.isinf(slowed)].sum())))
            kept = rng.choice(PARTICLES, PARTICLES, p=weight)
            area, walk, slowed = area[kept] * np.exp(rng.normal(0, 0.004, PARTICLES)), walk[kept], slowed[kept]
    return told


def _rates(laws: Laws, area: np.ndarray) -> np.ndarray:
    if laws.law == "logistic":
        return laws.fastest * (1.0 - area / laws.room)
    if laws.law == "light":
        return 1.25 * laws.fastest * -np.expm1(-0.5 * area) / (0.5 * area) - 0.25 * laws.fastest
    return 0.5 * laws.fastest * np.log(laws.room / area)


def tellings(told: list[tuple[float, float]], bound: float, from_week: float = 0.0) -> list[float]:
    """Weeks at which the odds rose past the bound; over again once they are even."""
    found, standing = [], False
    for week, chance in told:
        if not standing and chance > bound:
            standing = True
            found += [week] if week >= from_week else []
        elif standing and chance < 0.5:
            standing = False
    return found


def main() -> None:
    """A row a pace of looking, at the bound that keeps false tellings to one in ten tank-years on the tuning seeds."""
    given = sys.argv[1:3]
    tanks, first = (int(a) for a in (*given, *("40", "5000")[len(given) :]))
    for name, every in (("weekly, cover", 7), ("fortnightly, cover", 14)):
        look = Look(every_days=every, leaves=False, longest=False)
        calm = [odds(live(s, 104, look), s) for s in range(tanks)]
        false = {b: sum(len(tellings(t, b)) for t in calm) / (2.0 * tanks) * 10.0 for b in BOUNDS}
        bound = next((b for b in BOUNDS if false[b] <= 1.0), BOUNDS[-1])
        seeds = range(first, first + tanks)
        judged = [odds(live(s, 104, look), s) for s in seeds]
        wrong = sum(len(tellings(t, bound)) for t in judged) / (2.0 * tanks) * 10.0
        fell = [odds(live(s, WEEKS, look, halved_week=HALVED), s) for s in seeds]
        weeks = [next(iter(tellings(t, bound, HALVED)), math.inf) - HALVED for t in fell]
        print(f"{name:20s} bound {bound}: halving told in {sum(map(math.isfinite, weeks))} of {tanks}, median "
              f"{statistics.median(weeks):.1f} weeks; false in ten years {wrong:.2f}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
