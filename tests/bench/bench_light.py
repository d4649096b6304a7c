"""How soon a fading lamp is seen, how often a healthy one is suspected, and what two simpler tests would have done.

Run as a script: `python tests/bench/bench_light.py [--years 100] [--runs 20] [--rooms plain2,plain6] [--what fades]
[--seed-offset 0]`.  Seeds are fixed, so the figures are the same every time; the settings were chosen on offset 0, other
offsets are rooms and weather that they have never seen.  Everything is simulated by `helpers.lightsim`; the verdicts are the product's own.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.lightrun import run, true_loss
from helpers.lightsim import Room, Year, simulate

ROOMS = {
    "plain2": Room(),
    "people": Room(window_share=0.02, room_light_lx=250.0, curtains=True, shadows=6.0),
    "plain6": Room(window_share=0.06),
    "south": Room(facing="south", window_share=0.03, room_light_lx=250.0, curtains=True, shadows=6.0),
    "east": Room(
        facing="east", window_share=0.03, room_light_lx=250.0, curtains=True, shadows=6.0, timer_follows_clock=False
    ),
    "north": Room(facing="north", window_share=0.04, lamp_lx=3000.0, room_light_lx=300.0, curtains=True, shadows=10.0),
}
FADES = (0.25, 0.5, 1.0)


def spell(values: list[float]) -> str:
    if not values:
        return "none"
    q = np.percentile(values, [50, 90, 100])
    return f"median {q[0]:.2f}, nine in ten {q[1]:.2f}, worst {q[2]:.2f}"


def daily_dose(year: Year) -> np.ndarray:
    """Total daily light from the readings, holes filled by the day's mean: what a simple logger would sum."""
    per_day = int(86400 / (year.times[1] - year.times[0]))
    return np.nanmean(year.values.reshape(-1, per_day), axis=1)


def cusum_on_dose(dose: np.ndarray, learn: int = 28, k: float = 0.5, h: float = 5.0) -> int | None:
    """Day of the first alarm of a lower CUSUM (k 0.5, h 5) on the total daily dose, anchored on the first four weeks."""
    mean, sd = dose[:learn].mean(), dose[:learn].std(ddof=1)
    total = 0.0
    for i, z in enumerate((dose[learn:] - mean) / sd):
        total = max(0.0, total - z - k)
        if total > h:
            return learn + i
    return None


def sliding_mean(dose: np.ndarray, share: float = 0.05) -> int | None:
    """Day on which the week's mean first lies 5 % below the mean of the 30 days before it."""
    for i in range(37, len(dose)):
        if dose[i - 6 : i + 1].mean() < (1.0 - share) * dose[i - 36 : i - 6].mean():
            return i
    return None


def sliding_mean_of_lamp(year: Year, share: float = 0.05) -> int | None:
    """The same sliding mean, given the lamp's true daily output: what the sliding baseline costs by itself."""
    per_day = int(86400 / (year.times[1] - year.times[0]))
    return sliding_mean(year.lamp.reshape(-1, per_day).mean(axis=1), share)


def fades(name: str, room: Room, runs: int, offset: int) -> None:
    everything: list[float] = []
    for fade in FADES:
        losses, missed, fouled, wrong, early = [], 0, 0, 0, 0
        others: dict[str, list[float]] = {"cusum on dose": [], "sliding mean": [], "sliding mean of lamp": []}
        false: dict[str, int] = dict.fromkeys(others, 0)
        for seed in range(offset, offset + runs):
            year = simulate(1000 + seed, room=room, fade_percent_week=fade)
            result = run(year)
            day = result.first("lamp_dimming")
            fouled += result.first("light_probe_fouled") is not None
            wrong += result.state.fouled
            if day is None:
                missed += 1
            elif day < 60.0:
                early += 1
            else:
                losses.append(true_loss(year, day))
            dose = daily_dose(year)
            for key, at in (
                ("cusum on dose", cusum_on_dose(dose)),
                ("sliding mean", sliding_mean(dose)),
                ("sliding mean of lamp", sliding_mean_of_lamp(year)),
            ):
                if at is not None and at < 60:
                    false[key] += 1
                elif at is not None:
                    others[key].append(true_loss(year, at))
        everything += losses
        print(
            f"{name:8} fade {fade:4} %/week: loss at alarm {spell(losses)}; missed {missed}, early {early}; called a fouled probe ever {fouled}, in the end {wrong} of {runs}"
        )
        for key, values in others.items():
            print(
                f"{'':8} {key:20}: loss {spell(values)}; before the fade {false[key]}, never {runs - len(values) - false[key]}"
            )
    print(f"{name:8} all fades: {spell(everything)}", flush=True)


def steps(name: str, room: Room, runs: int, offset: int) -> None:
    delays = []
    for seed in range(offset, offset + runs):
        at = 60 + (seed * 37) % 250 + (0.0, 0.4, 0.5, 0.76)[seed % 4]
        day = run(simulate(2000 + seed, room=room, step_loss=0.2, step_at_day=at)).first("lamp_dimming", at)
        delays.append(999.0 if day is None else day - at)
    print(
        f"{name:8} step of 20 %: days to alarm {spell(delays)}; within two days {sum(d <= 2.0 for d in delays)} of {runs}",
        flush=True,
    )


def healthy(name: str, room: Room, years: int, offset: int) -> None:
    false: list[tuple[int, float, str]] = []
    simple = {"cusum on dose": 0, "sliding mean": 0}
    for seed in range(offset, offset + years):
        year = simulate(3000 + seed, room=room)
        result = run(year)
        false += [(seed, d, a) for d, a in result.raised("lamp_dimming", "light_probe_fouled", "lamp_off")]
        dose = daily_dose(year)
        simple["cusum on dose"] += cusum_on_dose(dose) is not None
        simple["sliding mean"] += sliding_mean(dose) is not None
    print(
        f"{name:8} {years} healthy tank-years: false alarms {false or 'none'}; years with a false alarm of the simple tests: {simple}",
        flush=True,
    )


def fouling(name: str, room: Room, runs: int, offset: int) -> None:
    cases: list[tuple[str, dict[str, float]]] = [(f"{f} %/week", {"foul_percent_week": f}) for f in FADES]
    for what, how in (*cases, ("25 % step", {"foul_step": 0.25})):
        first, final, later = 0, 0, []
        for seed in range(offset, offset + runs):
            kwargs = dict(how) | ({"step_at_day": 60 + (seed * 37) % 200} if "foul_step" in how else {})
            result = run(simulate(4000 + seed, room=room, **kwargs))
            lamp, probe = result.first("lamp_dimming"), result.first("light_probe_fouled")
            first += probe is not None and (lamp is None or probe <= lamp)
            final += result.state.fouled
            if probe is not None and lamp is not None:
                later.append(max(0.0, probe - lamp))
        print(
            f"{name:8} probe fouled {what:10}: called so at first {first}, in the end {final} of {runs}; days to correct it {spell(later)}",
            flush=True,
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--years", type=int, default=100)
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--seed-offset", type=int, default=0)
    parser.add_argument("--rooms", default=",".join(ROOMS))
    parser.add_argument("--what", default="fades,steps,healthy,fouling")
    args = parser.parse_args()
    began = time.time()
    names = args.rooms.split(",")
    for name in names:
        room = dataclasses.replace(ROOMS[name])
        for what in args.what.split(","):
            count = args.years // len(names) if what == "healthy" else args.runs
            {"fades": fades, "steps": steps, "healthy": healthy, "fouling": fouling}[what](
                name, room, count, args.seed_offset
            )
    print(f"{time.time() - began:.0f} s")


if __name__ == "__main__":
    main()
