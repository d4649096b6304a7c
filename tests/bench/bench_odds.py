"""Whether stated odds come true, family by family, beside an observer who knows the family's laws.

    python tests/bench/bench_odds.py [--family leaf] [--seeds tuning|holdout|fresh] [--first 0] [--tanks 40]
        [--years 1.5] [--who product,knowing] [--workers 2]

Each tank is lived by its family's laws (`helpers.families`), written as configuration and event lines, and run through
`rushlight replay --daily`; the ceiling is a particle filter on the same laws.  What a case, a lead, a missed crossing, a
false warning and a situation are is said once, in `helpers.families.judge`.  Alarms are the product's own; the last line
sets a threshold on the stated chance in hindsight, at 0.1 false warnings a steady tank-year, for both alike.

`holdout` and `fresh` of families that the filter was not tuned on are for judging, never for choosing.
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

from helpers.families import catalogue, judge, watchers
from helpers.families.common import SPLITS

WATCHERS = {"product": watchers.product, "knowing": watchers.knowing}


def one(n: int, family: str, split: str, days: int, who: tuple[str, ...]) -> dict[str, judge.Pair]:
    """One tank, watched by all who are asked for."""
    tank = catalogue.tank(family, split, n, days)
    told = {w: (tank, WATCHERS[w](tank)) for w in who}
    tank.records.clear()  # they have been watched; the judge needs the truth alone
    return told


def report(name: str, pairs: list[judge.Pair]) -> None:
    """All figures of one watcher over one family."""
    print(f"  {name}")
    found = judge.cases(pairs)
    if found:
        score, skill, base = judge.brier(found)
        print(f"    chance of passing the limit within 28 days: {len(found)} cases, base rate {base:.3f}, ", end="")
        print(f"Brier {score:.4f}, skill {skill:.3f}")
        for k, t in enumerate(judge.reliability(found)):
            if t is not None:
                verdict = {True: "holds", False: "DOES NOT HOLD", None: "too few to tell"}[t.holds]
                print(
                    f"      {k / 10:.1f}: stated {t.stated:.3f} came {t.came:.3f} ± {t.error:.3f} ({t.count}) {verdict}"
                )
    else:
        print("    chance of passing the limit within 28 days: not stated")
    cells = [
        f"{s} {share:.1%} of {n}" + ("" if judge.covers(s, n, share) else " DOES NOT HOLD")
        for s, (n, share) in judge.coverage(pairs).items()
    ]
    print("    90 % interval holds the level on: " + "; ".join(cells))
    if any(told.alarms[a] for _, told in pairs for a in watchers.ALARMS):
        for alarm in watchers.ALARMS:
            print(f"    {alarm}: {judge.warned(pairs, [told.alarms[alarm] for _, told in pairs]).text}")
        both = [sorted(e for a in watchers.ALARMS for e in told.alarms[a]) for _, told in pairs]
        season = sum(judge.in_winter(t, e) for (t, _), e in zip(pairs, both, strict=True) if t.setting.lamp is not None)
        print(f"    either: {judge.warned(pairs, both).text}; of the false ones {season} begin in winter by a window")
    if found:
        best = judge.in_hindsight(pairs)
        text = "no threshold gives so few" if best is None else f"chance >= {best[0]:.2f}: {best[1].text}"
        print(f"    in hindsight, 0.1 false: {text}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--family", default="all", choices=["all", *catalogue.FAMILIES])
    parser.add_argument("--seeds", default="tuning", choices=SPLITS)
    parser.add_argument(
        "--first", type=int, default=0, help="of the split's million: those run before are fresh no more"
    )
    parser.add_argument("--tanks", type=int, default=40)
    parser.add_argument("--years", type=float, default=1.5)
    parser.add_argument("--who", default="product,knowing")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    who, days = tuple(args.who.split(",")), round(args.years * 365.25)
    for family in catalogue.FAMILIES if args.family == "all" else [args.family]:
        work = partial(one, family=family, split=args.seeds, days=days, who=who)
        with ProcessPoolExecutor(args.workers) as pool:
            done = list(pool.map(work, range(args.first, args.first + args.tanks)))
        tanks = [next(iter(d.values()))[0] for d in done]
        crossed = sum(t.crossing_day is not None for t in tanks)
        steady = sum(map(judge.steady_days, tanks)) / judge.YEAR
        years = float(np.sum([len(t.levels) for t in tanks])) / judge.YEAR
        print(
            f"{family}, {args.seeds} seeds: {len(tanks)} tanks, {years:.0f} tank-years, {steady:.0f} steady, {crossed} cross"
        )
        for w in who:
            report(w, [d[w] for d in done])
        sys.stdout.flush()


if __name__ == "__main__":
    main()
