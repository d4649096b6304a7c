"""The whole loop: a keeper who reacts, with the product, with a fixed calendar and a threshold, and with nothing.

    python tests/bench/bench_loop.py [--family all] [--seeds fresh] [--first 0] [--tanks 20] [--years 3] [--workers 2]

The same tanks and the same person (`helpers.families.keeper`: lapses, holidays, less feed, changes, a search for the
cause) live on under each adviser: the product, stepped event by event through its own timeline; a strip every week, or
every month, with a warning when it reads above the limit and one reminder a test; and nobody.  A year's figures, with
90 % intervals by resampling whole tanks (Efron 1979); the product's days above the limit against those of the weekly
strip, tank by tank.  `untold` are days above the limit on which no warning stood and nobody had begun to act.
"""

from __future__ import annotations

import argparse
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.families.catalogue import FAMILIES
from helpers.families.common import SPLITS, seed_of
from helpers.families.keeper import ADVISERS, Lived, advised

FIGURES = ("above", "above_untold", "tests", "changes", "messages", "of_warmth", "hungry")
NAMES = ("days above", "untold", "tests", "changes", "messages", "of them of the water's warmth", "days of short feed")


def one(n: int, family: str, split: str, days: int, who: tuple[str, ...]) -> dict[str, Lived]:
    """One tank under each adviser."""
    laws = FAMILIES[family]
    return {w: advised(laws, seed_of(laws.number, split, n), days, w) for w in who}


def resampled(rows: np.ndarray) -> np.ndarray:
    """Means over 2,000 draws of whole tanks."""
    rng = np.random.default_rng(1)
    return rows[rng.integers(0, len(rows), (2000, len(rows)))].mean(axis=1)


def spell(mean: float, draws: np.ndarray) -> str:
    draws = draws[np.isfinite(draws)]
    low, high = np.percentile(draws, [5, 95]) if len(draws) else (np.nan, np.nan)
    return f"{mean:.1f} ({low:.1f} to {high:.1f})"


def report(done: list[dict[str, Lived]], who: tuple[str, ...]) -> None:
    """A year's figures by adviser, and the reduction against the weekly strip."""
    for w in who:
        rows = np.array([[getattr(d[w], f) / d[w].days * 365.25 for f in FIGURES] for d in done])
        draws = resampled(rows)
        cells = [f"{n} {spell(rows[:, k].mean(), draws[:, k])}" for k, n in enumerate(NAMES)]
        print(f"  {w:8s} " + ", ".join(cells))
    if {"product", "weekly"} <= set(who):
        rows = np.array([[d["product"].above, d["weekly"].above] for d in done], float)
        draws = resampled(rows)
        with np.errstate(divide="ignore", invalid="ignore"):
            fewer = 100.0 * (1.0 - draws[:, 0] / draws[:, 1])
            mean = 100.0 * (1.0 - rows[:, 0].mean() / rows[:, 1].mean())
        print(f"  days above the limit against the weekly strip: {spell(mean, fewer)} % fewer")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--family", default="all", choices=["all", *FAMILIES])
    parser.add_argument("--seeds", default="tuning", choices=SPLITS)
    parser.add_argument(
        "--first", type=int, default=0, help="of the split's million: those run before are fresh no more"
    )
    parser.add_argument("--tanks", type=int, default=20)
    parser.add_argument("--years", type=float, default=3.0)
    parser.add_argument("--who", default=",".join(ADVISERS))
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    who, days = tuple(args.who.split(",")), round(args.years * 365.25)
    for family in FAMILIES if args.family == "all" else [args.family]:
        work = partial(one, family=family, split=args.seeds, days=days, who=who)
        with ProcessPoolExecutor(args.workers) as pool:
            done = list(pool.map(work, range(args.first, args.first + args.tanks)))
        print(f"{family}, {args.seeds} seeds: {args.tanks} tanks of {args.years:g} years, figures a year (90 %)")
        report(done, who)
        sys.stdout.flush()


if __name__ == "__main__":
    main()
