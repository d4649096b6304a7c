"""How often the one true cause of rising nitrate is ranked first, on tanks in which one thing went wrong.

Beside it, how much of the truth is told: the median of its part over what it truly adds, and how often the part's 90 %
interval holds that, where the cause is named at all.

Run as a script: `python tests/bench/bench_causes.py [tuning|holdout|fresh] [tanks per cause]`.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from statistics import mean, median

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.nitrate_causes import CAUSES, Story, story
from helpers.nitrate_tanks import DAY_S, START_S, STRIP
from rushlight.tank.nitrate.report import NitrateReport
from rushlight.tank.nitrate.watch import NitrateState, NitrateWatch

SEEDS = {"tuning": 40_000, "holdout": 970_000, "fresh": 5_000_000}
"""`holdout` was looked at while the priors were chosen, so it flatters; `fresh` was run only after the last choice."""


@dataclass(frozen=True)
class Told:
    """What the keeper of one tank is told, and what is true."""

    first: str
    part: float | None
    """The true cause's part over what it truly adds; None where it is not named."""
    held: bool
    """Whether the part's interval holds the truth."""


def run(told: Story) -> Told:
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
    return judged(told, watch.report(state, at_s), n)


def judged(told: Story, report: NitrateReport, day: int) -> Told:
    """The report beside the truth of its last two weeks."""
    true = mean(told.extra[day - 13 : day + 1])
    named = next((s.change for s in report.causes if s.cause == told.cause), None)
    first = report.causes[0].cause if report.causes else "no change seen"
    return Told(first, named.mean / true if named else None, named is not None and named.low <= true <= named.high)


def _rising(watch: NitrateWatch, state: NitrateState, at_s: float) -> bool:
    return any(f.alarm == "nitrate_rising" and f.says == "raise" for f in watch.findings(state, at_s))


def main() -> None:
    which = sys.argv[1] if len(sys.argv) > 1 else "fresh"
    n = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    right = total = 0
    for k, cause in enumerate(CAUSES):
        first = line(cause, [run(story(SEEDS[which] + 1000 * k + i, cause)) for i in range(n)], cause)
        right, total = right + first, total + n
    print(f"{which}: {right / total:.1%} of {total} tanks")
    smaller = [run(story(SEEDS[which] + 7000 + i, "water changes", still=0.4)) for i in range(n)]
    line("smaller changes", smaller, "water changes")


def line(name: str, told: list[Told], cause: str) -> int:
    """Print one cause's line; how many had it first."""
    first = Counter(t.first for t in told)
    parts = [t.part for t in told if t.part is not None]
    part = (
        f"told {median(parts):4.2f} of the truth, held {sum(t.held for t in told) / len(parts):4.0%}" if parts else ""
    )
    print(f"  {name:15s} ranked first {first[cause] / len(told):4.0%}   {part}   {dict(first)}", flush=True)
    return first[cause]


if __name__ == "__main__":
    main()
