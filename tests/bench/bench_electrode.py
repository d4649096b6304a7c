"""What a nitrate electrode that drifts does to the warnings: settled tanks warned in vain, fading ones warned in time.

    python tests/bench/bench_electrode.py [tuning|fresh] [number of tanks of each kind]

The tanks and their keepers are those of bench_nitrate.py, who go on with their strips.  The electrode is read every six
hours with 0.3 mV of noise and calibrated every 30 days; between calibrations it runs away one way, or at random.  A
millivolt is 4.0 % (Nernst at 25 °C).

Last figures, 20 tanks of each kind, fresh seeds; settled ones warned of a rise / of a high level, lead and missed: strips
alone 0 / 0, 14 d, 5; 1 mV a day 0 / 0, 12 d, 2; 3 mV per root day 0 / 0, 20 d, 4.  Before wandering was learned from the
readings' own bends, 14 tanks, 3 mV per root day: 4 / 4, 22 d, 2.  Ten tuning tanks of each: 0.5 mV a day 0 / 0, 16 d, 0;
1 mV per root day 0 / 0, 14 d, 0, as before.
"""

from __future__ import annotations

import math
import random
import sys
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench_nitrate import SEEDS, lead_days

from helpers.nitrate_tanks import DAY_S, START_S, STRIP, SimulatedTank, simulate
from rushlight.tank.nitrate.watch import NitrateWatch

MV = math.log(10.0) / 59.16
"""Natural logarithm of concentration per millivolt: Nernst's slope at 25 °C, 59.16 mV a decade."""
NOISE_MV, CALIBRATED_DAYS = 0.3, 30
WAYS: dict[str, tuple[float, float] | None] = {
    "strips alone": None,
    "no drift": (0.0, 0.0),
    "0.5 mV a day, one way": (0.5, 0.0),
    "1 mV a day, one way": (1.0, 0.0),
    "1 mV per root day": (0.0, 1.0),
    "3 mV per root day": (0.0, 3.0),
}
"""Drift in mV a day with a sign of the electrode's own, and its random walk in mV per root day."""
WARNINGS = ("nitrate_rising", "nitrate_high")


def live(sim: SimulatedTank, drift: tuple[float, float] | None, rng: random.Random) -> dict[str, list[list[int]]]:
    """One tank's life; of each warning the days on which it began, and on which it was last up."""
    watch = NitrateWatch(sim.tank, (STRIP,), "UTC", has_electrode=drift is not None)
    state = watch.initial()
    spans: dict[str, list[list[int]]] = {w: [] for w in WARNINGS}
    up = dict.fromkeys(WARNINGS, False)
    events, bias_mv = list(sim.events), 0.0
    sign = rng.choice((-1.0, 1.0))
    for day, level in enumerate(sim.levels):
        at_s = START_S + day * DAY_S
        for quarter in range(4 if day else 0):
            now_s = at_s - DAY_S + quarter * DAY_S / 4.0
            while events and events[0].at_s < now_s:
                watch.on_fact(state, events.pop(0))
            if drift is None:
                continue
            if quarter == 2 and day % CALIBRATED_DAYS == 1:
                watch.on_calibration(state, now_s)
                bias_mv = 0.0
            bias_mv += sign * drift[0] / 4.0 + rng.gauss(0.0, drift[1] / 2.0)
            before = sim.levels[day - 1]
            true = max(0.1, before + quarter / 4.0 * (level - before))
            watch.on_electrode(state, now_s + 60.0, true * math.exp(MV * (bias_mv + rng.gauss(0.0, NOISE_MV))))
        watch.close_day(state, None, "", at_s)
        for found in watch.findings(state, at_s):
            if found.alarm not in spans:
                continue
            if found.says == "raise" and not up[found.alarm]:
                spans[found.alarm].append([day, day])
            up[found.alarm] = found.says == "raise" or (up[found.alarm] and found.says != "clear")
            if up[found.alarm]:
                spans[found.alarm][-1][1] = day
    return spans


def main() -> None:
    """One line a kind of electrode."""
    base = SEEDS[sys.argv[1] if len(sys.argv) > 1 else "fresh"]
    n = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    fading = [s for i in range(n) for s in (simulate(base + i, fading=True, days=600),) if s.crossing_day]
    steady = [simulate(base + 50_000 + i, fading=False) for i in range(n)]
    print(f"{len(fading)} tanks that fade and cross, {len(steady)} settled ones for a year", flush=True)
    for name, drift in WAYS.items():
        calm = [live(s, drift, random.Random(f"{name} calm {i}")) for i, s in enumerate(steady)]
        vain = {w: sum(bool(spans[w]) for spans in calm) for w in WARNINGS}
        leads = []
        for i, s in enumerate(fading):
            spans = live(s, drift, random.Random(f"{name} {i}"))["nitrate_rising"]
            leads.append(lead_days([a for a, _ in spans], [b for _, b in spans], s))
        print(
            f"{name:22s} settled tanks warned: rising {vain['nitrate_rising']}, high {vain['nitrate_high']} of {n}   "
            f"fading: median lead {median(-1 if x is None else x for x in leads):.0f} d, "
            f"missed {leads.count(None)} of {len(leads)}",
            flush=True,
        )


if __name__ == "__main__":
    main()
