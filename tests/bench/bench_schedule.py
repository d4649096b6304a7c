"""How many tests an adaptive schedule asks for, and how late it warns, against tests at fixed intervals.

Run as a script: `python tests/bench/bench_schedule.py [number of tanks]`.  The same tanks, the same strips, the same
nitrate watch; only the days of testing differ.  No light alarm helps here: the plants fade for a reason that no probe
sees, which is the worst case for a schedule that stretches its interval.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import mean, median, stdev

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.nitrate_tanks import DAY_S, START_S, STRIP, Habits, SimulatedTank, random_habits, read_strip, simulate
from rushlight.events import Test
from rushlight.settings import Testing
from rushlight.tank.nitrate.report import NitrateReport
from rushlight.tank.nitrate.watch import NitrateWatch
from rushlight.tank.routine.next_test import RoutineWatch

SEED = 700_000
ALARMS = ("nitrate_rising", "nitrate_high", "uptake_behind")
TEST_HOUR_S = 18 * 3600.0


@dataclass
class Outcome:
    """One tank under one schedule."""

    tests: int = 0
    warned_day: int | None = None
    """First `nitrate_rising` after the fade began."""
    false: int = 0
    longest_gap_days: int = 0
    last_weeks: int = 0
    """Tests in the four weeks before the crossing."""


Wanted = Callable[[int, int | None, NitrateReport, frozenset[str]], bool]
"""Whether to test today: day, day of the last test, the watch's report, standing alarms."""


def fixed(every_days: int) -> Wanted:
    """A test every so many days, whatever happens."""
    return lambda day, last, report, standing: last is None or day - last >= every_days


def run(
    sim: SimulatedTank, seed: int, habits: Habits, wanted: Wanted | None, shortest: float, longest: float
) -> Outcome:
    """One tank, day by day; `wanted` None is the adaptive schedule."""
    tank = replace(sim.tank, testing=Testing(shortest_days=shortest, longest_days=longest))
    watch, routine = NitrateWatch(tank, (STRIP,), "UTC", has_electrode=False), RoutineWatch(tank, (STRIP,), "UTC")
    state, plan = watch.initial(), routine.initial()
    out, last, standing = Outcome(), None, frozenset[str]()
    events = iter([e for e in sim.events if not isinstance(e, Test)])
    event = next(events, None)
    for day, level in enumerate(sim.levels[:-1]):
        at_s = START_S + day * DAY_S
        while event is not None and event.at_s < at_s:
            watch.on_fact(state, event)
            routine.on_fact(plan, event)
            event = next(events, None)
        watch.close_day(state, None, "", at_s)
        report = watch.report(state, at_s)
        now = standing_after(standing, watch, state, at_s)
        if "nitrate_rising" in now - standing:
            if sim.fade_day is None or day < sim.fade_day:
                out.false += 1
            elif out.warned_day is None:
                out.warned_day = day
        if out.warned_day is None and sim.fade_day == day and "nitrate_rising" in now:
            out.warned_day = day
        standing = now
        if wanted is None:
            due_s, _ = routine.due(plan, at_s, report.chance_within, standing, surprised=report.asks_again)
            due = due_s <= at_s + TEST_HOUR_S
        else:
            due = wanted(day, last, report, standing)
        if due:
            rng = random.Random(seed * 1009 + day)
            value = read_strip(level + 0.75 * (sim.levels[day + 1] - level), habits, rng)
            test = Test(at_s=at_s + TEST_HOUR_S, id=f"t{day}", tank="sim", method="strip", values={"nitrate": value})
            watch.on_fact(state, test)
            routine.on_fact(plan, test)
            out.longest_gap_days = max(out.longest_gap_days, 0 if last is None else day - last)
            last, out.tests = day, out.tests + 1
            out.last_weeks += sim.crossing_day is not None and sim.crossing_day - 28 <= day < sim.crossing_day
    return out


def standing_after(before: frozenset[str], watch: NitrateWatch, state: object, at_s: float) -> frozenset[str]:
    """Which of the watch's alarms stand, raised and held as an alarm book would, without its delays."""
    standing = set(before)
    for finding in watch.findings(state, at_s):  # type: ignore[arg-type]
        if finding.says == "raise":
            standing.add(finding.alarm)
        elif finding.says == "clear":
            standing.discard(finding.alarm)
    return frozenset(standing)


def lead_days(sim: SimulatedTank, out: Outcome) -> int:
    """Days from the warning to the crossing, negative when it came late; never warned counts as the last day run."""
    assert sim.crossing_day is not None
    return sim.crossing_day - (len(sim.levels) if out.warned_day is None else out.warned_day)


def main() -> None:
    """Print one line a schedule, each compared with the first, tank by tank."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 15
    steady = [(SEED + i, simulate(SEED + i, fading=False)) for i in range(n)]
    fading = [(SEED + 5000 + i, simulate(SEED + 5000 + i, fading=True, days=500)) for i in range(3 * n)]
    fading = [(seed, s) for seed, s in fading if s.crossing_day]
    print(f"{len(steady)} settled tank-years, {len(fading)} fading tanks; strips with 22 % reading error")
    print("tests: in a settled year, and in the four weeks before the crossing; lead: days from warning to crossing")
    weekly: list[int] = []
    for name, wanted, shortest, longest in (
        ("every 7 days", fixed(7), 2.0, 7.0),
        ("every 10 days", fixed(10), 2.0, 10.0),
        ("adaptive, 2 to 10 days", None, 2.0, 10.0),
        ("adaptive, 3 to 14 days", None, 3.0, 14.0),
    ):
        quiet = [run(s, seed, random_habits(random.Random(seed)), wanted, shortest, longest) for seed, s in steady]
        late = [(s, run(s, seed, random_habits(random.Random(seed)), wanted, shortest, longest)) for seed, s in fading]
        leads = [lead_days(s, o) for s, o in late]
        weekly = weekly or leads
        gained = [a - b for a, b in zip(leads, weekly, strict=True)]
        error = stdev(gained) / len(gained) ** 0.5 if len(gained) > 1 else 0.0
        print(
            f"{name:24s} tests {mean(o.tests for o in quiet):5.1f} and {mean(o.last_weeks for _, o in late):4.1f}"
            f"   longest gap {max(o.longest_gap_days for o in quiet):2d} d   lead median {median(leads):3.0f},"
            f" in time {mean(x > 0 for x in leads):4.0%}, against the first line {mean(gained):+5.1f} ± {error:.1f} d"
            f"   false {mean(o.false for o in quiet):.2f} a year",
            flush=True,
        )


if __name__ == "__main__":
    main()
