"""How well growth is told: coverage of the 90 % interval, weeks until a halving is told, false tellings.

    python tests/bench/bench_growth.py [TANKS] [FIRST_SEED] [ROW ...]

Simulated plants of three laws (`helpers/plants.py`); the thresholds were tuned on seeds below 1000, what is printed of
seeds from 1000 on is for judging.
"""

import statistics
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.plants import LAWS, Look, Plants, live, tell
from rushlight.events import Growth

WEEKS, HALVED = 60, 34


def coverage(tanks: int, first: int, look: Look) -> tuple[float, float, int]:
    """Share of looks whose interval holds the true rate, mean half width, looks judged."""
    held, halves = [], []
    for seed in range(first, first + tanks):
        plants = live(seed, WEEKS, look)
        for event, state in tell(plants):
            if isinstance(event, Growth) and state.rate is not None:
                day = round((event.at_s - plants.start_s) / 86_400.0) - 1
                if day >= 28:
                    held.append(state.rate.low <= plants.rate(day) <= state.rate.high)
                    halves.append((state.rate.high - state.rate.low) / 2)
    return sum(held) / len(held), statistics.mean(halves), len(held)


def told_after(tanks: int, first: int, look: Look) -> list[float]:
    """Weeks from the halving until it is told, infinite where it never is."""
    out = []
    for seed in range(first, first + tanks):
        plants = live(seed, WEEKS, look, halved_week=HALVED)
        when = first_told(plants, from_week=HALVED)
        out.append(when - HALVED if when is not None else float("inf"))
    return out


def first_told(plants: Plants, *, from_week: float = 0.0) -> float | None:
    """The week of the first telling from `from_week` on."""
    standing = False
    for event, state in tell(plants):
        week = (event.at_s - plants.start_s) / 86_400.0 / 7.0
        if state.slow_s is not None and not standing and week >= from_week:
            return week
        standing = state.slow_s is not None
    return None


def false_tellings(tanks: int, first: int, look: Look) -> float:
    """Tellings in ten tank-years without a halving."""
    told = 0
    for seed in range(first, first + tanks):
        standing = False
        for _, state in tell(live(seed, 104, look)):
            told += state.slow_s is not None and not standing
            standing = state.slow_s is not None
    return told / (tanks * 2.0) * 10.0


def main() -> None:
    given = sys.argv[1:3]
    tanks, first = (int(a) for a in (*given, *("30", "1000")[len(given) :]))
    looks = {
        "weekly, all": Look(),
        "weekly, cover": Look(leaves=False, longest=False),
        "weekly, leaves": Look(cover=False, longest=False),
        "weekly, longest": Look(cover=False, leaves=False),
        "fortnightly, all": Look(every_days=14),
        "fortnightly, cover": Look(every_days=14, leaves=False, longest=False),
    }
    print(
        f"{tanks} tanks a row from seed {first}, laws {', '.join(LAWS)}; wanted: 0.85-0.95, median 5 / 8 weeks, < 1 false"
    )
    only = sys.argv[3:] or list(looks)
    for name, look in ((n, k) for n, k in looks.items() if n in only):
        share, half, n = coverage(tanks, first, look)
        weeks = told_after(tanks, first, look)
        false = false_tellings(tanks, first, look)
        told = sum(w < float("inf") for w in weeks)
        print(
            f"{name:20s} coverage {share:.3f} (± {half:.3f} per week, {n} looks); halving told in {told}/{tanks}, median "
            f"{statistics.median(weeks):.1f} weeks; false in ten years {false:.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
