"""How early, how rarely in vain, and how honestly the nitrate watch warns, against a plain strip rule.

Run as a script: `python tests/bench/bench_nitrate.py [tuning|holdout] [number of tanks]`.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path
from statistics import mean, median

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.nitrate_tanks import DAY_S, LIMIT, START_S, STRIP, SimulatedTank, simulate
from rushlight.events import Test
from rushlight.tank.nitrate import NitrateWatch

SEEDS = {"tuning": 1_000, "holdout": 900_000}
ALARMS = ("nitrate_rising", "nitrate_high", "uptake_behind")


@dataclass
class Outcome:
    """What one tank's run gave."""

    raised: dict[str, list[tuple[int, int]]] = field(default_factory=dict)
    """By alarm: first and last day of each episode."""
    covered: int = 0
    judged: int = 0
    rate_covered: int = 0
    widths: list[float] = field(default_factory=list)
    strip_rule: list[int] = field(default_factory=list)


def run(sim: SimulatedTank) -> Outcome:
    """Every event and midnight of one tank through the watch."""
    watch = NitrateWatch(sim.tank, (STRIP,), "UTC", has_electrode=False)
    state = watch.initial()
    out = Outcome({a: [] for a in ALARMS})
    up = dict.fromkeys(ALARMS, False)
    events = iter(sim.events)
    event = next(events, None)
    last_reading = 0.0
    for day, level in enumerate(sim.levels):
        at_s = START_S + day * DAY_S
        while event is not None and event.at_s < at_s:
            watch.on_fact(state, event)
            if isinstance(event, Test):
                reading = float(event.values["nitrate"])
                if reading > LIMIT >= last_reading:
                    out.strip_rule.append(day)
                last_reading = reading
            event = next(events, None)
        watch.close_day(state, None, "", at_s)
        report = watch.report(state, at_s)
        for finding in watch.findings(state, at_s):
            episodes = out.raised[finding.alarm]
            if finding.says == "raise" and not up[finding.alarm]:
                up[finding.alarm] = True
                episodes.append((day, day))
            elif finding.says == "clear":
                up[finding.alarm] = False
            elif up[finding.alarm]:
                episodes[-1] = (episodes[-1][0], day)
        if report.nitrate is not None:
            out.judged += 1
            out.covered += report.nitrate.low <= level <= report.nitrate.high
            out.rate_covered += report.net_rate.low <= sim.rates[day] <= report.net_rate.high
            out.widths.append(report.nitrate.high - report.nitrate.low)
    return out


def lead_days(starts: list[int], ends: list[int], sim: SimulatedTank) -> int | None:
    """Days between the first warning that stood in or after the fade's beginning, and the crossing."""
    for start, end in zip(starts, ends, strict=True):
        if end >= sim.fade_day and start <= sim.crossing_day:
            return sim.crossing_day - max(start, sim.fade_day)
    return None


def main() -> None:
    which = sys.argv[1] if len(sys.argv) > 1 else "holdout"
    n = int(sys.argv[2]) if len(sys.argv) > 2 else 100
    base = SEEDS[which]
    fades = [s for s in (simulate(base + i, fading=True, days=500) for i in range(n)) if s.crossing_day]
    steady = [simulate(base + 50_000 + i, fading=False) for i in range(n)]
    done = [(s, run(s)) for s in fades]
    quiet = [(s, run(s)) for s in steady]
    years = sum(len(s.levels) for s in steady) / 365.25
    print(f"{which}: {len(fades)} fading tanks, {years:.0f} tank-years of steady ones")
    for alarm in (*ALARMS, "strip above limit"):

        def starts(o: Outcome, alarm: str = alarm) -> tuple[list[int], list[int]]:
            if alarm == "strip above limit":
                return o.strip_rule, o.strip_rule
            return [a for a, _ in o.raised[alarm]], [b for _, b in o.raised[alarm]]

        leads = [lead_days(*starts(o), s) for s, o in done]
        found = sorted(x for x in leads if x is not None)
        early = sum(1 for s, o in done for a in starts(o)[0] if a < s.fade_day)
        false = sum(len(starts(o)[0]) for _, o in quiet)
        quart = (
            f"{found[len(found) // 10]:4d} {found[len(found) // 4]:4d} {median(found):5.0f} {found[3 * len(found) // 4]:4d}"
            if found
            else ""
        )
        print(
            f"  {alarm:18s} lead p10 p25 median p75: {quart}  missed {leads.count(None):3d}"
            f"  early in fading {early:3d}  false {false:3d} = {false / years:.3f}/tank-year"
        )
    for name, group in (("fading", done), ("steady", quiet)):
        judged = sum(o.judged for _, o in group)
        print(
            f"  {name}: 90 % interval covers level on {sum(o.covered for _, o in group) / judged:.1%}, rate "
            f"{sum(o.rate_covered for _, o in group) / judged:.1%} of days; mean width {mean(w for _, o in group for w in o.widths):.1f} mg/L"
        )


if __name__ == "__main__":
    main()
