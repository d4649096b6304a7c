"""What finer evidence is worth to the nitrate watch: the same tanks, read by eye, by picture, on thinned samples, both.

    python tests/bench/bench_evidence.py [tuning|fresh|more] [number of tanks of each kind] [way ...]

The tanks and their keepers are those of bench_nitrate.py; no threshold is touched.  A picture has a log-normal error of
`PICTURE` from strip to strip and a level of its own a keeper (`LEVEL`), as known solutions leave it, and says so.  A
second strip is dipped in a thinned sample where `tank.kits.choice` finds that to tell most of all that strips by eye
can, and the limit is in question; it is read with an error of its own.
"""

from __future__ import annotations

import math
import random
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench_nitrate import SEEDS, lead_days

from helpers.nitrate_tanks import DAY_S, PADS, START_S, STRIP, Habits, SimulatedTank, read_strip, simulate
from rushlight.events import Test, WaterChange
from rushlight.tank.kits import choice
from rushlight.tank.kits.said import Said
from rushlight.tank.nitrate.report import NitrateReport
from rushlight.tank.nitrate.watch import NitrateWatch

PICTURE, LEVEL = 0.12, 0.06
DOUBT = (0.05, 0.95)
"""Chances of standing above the limit, now or within two weeks, between which a second strip is thought of."""
WAYS = ("eye", "picture", "thinned", "both")


@dataclass
class Run:
    """Days on which `nitrate_rising` was raised and cleared, and strips used."""

    starts: list[int]
    ends: list[int]
    strips: int = 0


def level_at(sim: SimulatedTank, at_s: float) -> float:
    """The tank's true nitrate at a moment of the day."""
    day, part = divmod((at_s - START_S) / DAY_S, 1.0)
    level = sim.levels[int(day)]
    for e in sim.events:
        if isinstance(e, WaterChange) and 0.0 <= at_s - e.at_s < part * DAY_S:
            level += (e.fraction or 0.0) * (sim.tank.source_water["nitrate"] - level)
    return max(0.0, level + part * sim.rates[int(day)])


def thin(watch: NitrateWatch, report: NitrateReport) -> tuple[int, int] | None:
    """How to thin a second strip's sample; None where it would not tell enough."""
    if report.nitrate is None or not report.chances:
        return None
    if not any(DOUBT[0] < report.chance_within(d) < DOUBT[1] for d in (0.0, 14.0)):
        return None
    water = watch.tank.source_water["nitrate"]
    found = choice.options(watch.tank, (STRIP,), report.nitrate, water=water)
    best = next((o for o in found if o.kind == "thinned"), None)
    return best.cups if best is not None and best.bits > choice.WORTH_ASKING else None


def live(sim: SimulatedTank, way: str, rng: random.Random) -> Run:
    """One tank's life with its keeper's evidence."""
    watch = NitrateWatch(sim.tank, (STRIP,), "UTC", has_electrode=False)
    state, out, up = watch.initial(), Run([], []), False
    own = math.exp(rng.gauss(0.0, LEVEL))
    habits = Habits(geometric=rng.random() < 0.5, lognormal=rng.random() < 0.5)
    water = sim.tank.source_water["nitrate"]
    events = iter(sim.events)
    event = next(events, None)
    for day in range(len(sim.levels)):
        at_s = START_S + day * DAY_S
        while event is not None and event.at_s < at_s:
            if not isinstance(event, Test):
                watch.on_fact(state, event)
            else:
                out.strips += 1
                level = level_at(sim, event.at_s)
                if way in {"picture", "both"}:
                    watch.on_test(state, event, pictured(level, own, rng))
                else:
                    watch.on_fact(state, event)
                cups = thin(watch, watch.report(state, event.at_s)) if way in {"thinned", "both"} else None
                if cups is not None:
                    out.strips += 1
                    second(watch, state, event, cups, way, level, own, water, habits, rng)
            event = next(events, None)
        watch.close_day(state, None, "", at_s)
        says = next(f.says for f in watch.findings(state, at_s) if f.alarm == "nitrate_rising")
        if says == "raise" and not up:
            up = True
            out.starts.append(day)
            out.ends.append(day)
        elif says == "clear":
            up = False
        elif up:
            out.ends[-1] = day
    return out


def pictured(level: float, own: float, rng: random.Random, parts: float = 1.0, water: float = 0.0) -> Said:
    """What a picture says of a sample."""
    sample = (level + (parts - 1.0) * water) / parts
    read = max(0.0, (sample + 5.0) * own * math.exp(rng.gauss(0.0, PICTURE)) - 5.0)
    sd = math.hypot(PICTURE, LEVEL)
    said = Said(substance="nitrate", by="picture", low=read, high=read, share=sd, floor=sd * 5.0, shift=5.0)
    return replace(said, dilution=parts, source=water)


def second(watch, state, event, cups, way, level, own, water, habits, rng) -> None:  # type: ignore[no-untyped-def]
    """A second strip in a thinned sample, a few minutes later."""
    parts = sum(cups) / cups[0]
    again = replace(
        event, id=f"{event.id}-thin", at_s=event.at_s + 300.0, dilution=parts, dilution_source={"nitrate": water}
    )
    if way == "both":
        watch.on_test(state, again, pictured(level, own, rng, parts, water))
        return
    pad = read_strip((level + (parts - 1.0) * water) / parts, habits, rng)
    assert pad in PADS
    watch.on_fact(state, replace(again, values={"nitrate": pad}))


def main() -> None:
    """One line a way of reading."""
    base = SEEDS[sys.argv[1] if len(sys.argv) > 1 else "fresh"]
    n = int(sys.argv[2]) if len(sys.argv) > 2 else 30
    fading = [s for i in range(n) for s in (simulate(base + i, fading=True, days=600),) if s.crossing_day]
    fading += [s for i in range(n) for s in (simulate(base + 20_000 + i, True, days=600, slow=True),) if s.crossing_day]
    steady = [simulate(base + 50_000 + i, fading=False) for i in range(n)]
    years = sum(len(s.levels) for s in steady) / 365.25
    print(f"{len(fading)} tanks that fade and cross, {years:.0f} tank-years of steady ones", flush=True)
    for way in sys.argv[3:] or WAYS:
        done = [(s, live(s, way, random.Random(f"{way} {i}"))) for i, s in enumerate(fading)]
        calm = [live(s, way, random.Random(f"{way} calm {i}")) for i, s in enumerate(steady)]
        leads = [lead_days(r.starts, r.ends, s) for s, r in done]
        strips = sum(r.strips for r in calm) / years
        print(
            f"{way:8s} median lead {median(-1 if x is None else x for x in leads):5.1f} d   missed {leads.count(None):3d}"
            f" of {len(leads)}   false {sum(len(r.starts) for r in calm) / years:.2f} a tank-year"
            f"   strips {strips:.0f} a year where all is steady, "
            f"{sum(r.strips for _, r in done) / sum(len(s.levels) for s, _ in done) * 365.25:.0f} where plants fade",
            flush=True,
        )


if __name__ == "__main__":
    main()
