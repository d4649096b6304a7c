"""How often the one true cause of rising nitrate is ranked first, on tanks in which one thing went wrong.

Run as a script: `python tests/bench/bench_causes.py [tuning|holdout|fresh] [tanks per cause]`.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.nitrate_causes import CAUSES, Story, story
from helpers.nitrate_tanks import DAY_S, START_S, STRIP
from rushlight.tank.nitrate import NitrateReport, NitrateState, NitrateWatch

SEEDS = {"tuning": 40_000, "holdout": 970_000, "fresh": 3_000_000}
"""`holdout` was looked at while the priors were chosen, so it flatters; `fresh` was run only after the last choice."""


def run(told: Story) -> NitrateReport:
    """The report that a keeper reads: on the day `nitrate_rising` is raised after the onset, or at the story's end."""
    watch = NitrateWatch(told.tank, (STRIP,), "UTC", has_electrode=False)
    state = watch.initial()
    events = iter(told.events)
    event = next(events, None)
    at_s = START_S
    for n, light in enumerate(told.lights):
        at_s = START_S + (n + 1) * DAY_S
        while event is not None and event.at_s < at_s:
            watch.on_fact(state, event)
            event = next(events, None)
        watch.close_day(state, light, light.date, at_s)
        if n > told.onset_day and _rising(watch, state, at_s):
            break
    return watch.report(state, at_s)


def _rising(watch: NitrateWatch, state: NitrateState, at_s: float) -> bool:
    return any(f.alarm == "nitrate_rising" and f.says == "raise" for f in watch.findings(state, at_s))


def main() -> None:
    which = sys.argv[1] if len(sys.argv) > 1 else "fresh"
    n = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    right = total = 0
    for k, cause in enumerate(CAUSES):
        first = Counter[str]()
        for i in range(n):
            report = run(story(SEEDS[which] + 1000 * k + i, cause))
            first[report.causes[0].cause if report.causes else "no change seen"] += 1
        right, total = right + first[cause], total + n
        print(f"  {cause:15s} ranked first {first[cause] / n:4.0%}   {dict(first)}")
    print(f"{which}: {right / total:.1%} of {total} tanks")


if __name__ == "__main__":
    main()
