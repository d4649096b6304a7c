"""How well outgrown plants are told from other reasons, in whole tanks: half a year of events each, through the core.

    python tests/bench/bench_outgrown.py [TANKS] [FIRST_SEED] [REASON ...]

One line a tank, as a tank takes half a minute: its reason, whether it was called outgrown, the alarms after the onset, and those
that stand at the end.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.wholetanks import REASONS, live


def main() -> None:
    given = sys.argv[1:3]
    tanks, first = (int(a) for a in (*given, *("10", "1000")[len(given) :]))
    for reason in sys.argv[3:] or REASONS:
        called = 0
        for seed in range(first, first + tanks):
            said = live(reason, seed)
            called += said.outgrown
            told = f"{' '.join(sorted(said.alarms))}; at the end {' '.join(sorted(said.last)) or 'nothing'}"
            print(f"{reason:12s} {seed}  outgrown {said.outgrown!s:5s}  {told}", flush=True)
        print(f"{reason:12s} called outgrown in {called} of {tanks}", flush=True)


if __name__ == "__main__":
    main()
