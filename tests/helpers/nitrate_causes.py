"""Tanks in which exactly one thing went wrong, known to the test and recorded or not, as a keeper would record it."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from helpers.nitrate_tanks import DAY_S, START_S, Habits, read_strip
from rushlight.events import Feeding, Harvest, Stocking, TankEvent, Test, WaterChange
from rushlight.settings import Feed, Tank
from rushlight.tank.day import DayLight

CAUSES = ("feed", "light", "harvest", "water changes", "source water", "stocking", "unexplained")


@dataclass
class Story:
    """One tank's events and light, what went wrong, and when."""

    tank: Tank
    cause: str
    onset_day: int
    events: list[TankEvent] = field(default_factory=list)
    lights: list[DayLight] = field(default_factory=list)
    levels: list[float] = field(default_factory=list)
    extra: list[float] = field(default_factory=list)
    """What went wrong adds so much to each day's nitrate, mg/L, at the level that was."""


def story(seed: int, cause: str, onset_day: int = 100, after_days: int = 70, still: float = 0.0) -> Story:  # noqa: C901
    """Balanced until the onset; then one change that lets nitrate rise by 0.3 to 0.8 of the supply.

    `still`: of the water changes that stop, the part that is still made.
    """
    rng = random.Random(seed)
    litres, supply = rng.uniform(60, 200), rng.uniform(0.8, 1.6)
    share = min(0.9, max(0.5, rng.gauss(0.7, 0.08)))
    grams = supply / share * litres / 4426.6 * 6.25 / 0.42
    size = rng.uniform(0.35, 0.8)
    changing = cause in {"water changes", "source water"}
    every, fraction = 7, rng.uniform(0.2, 0.3)
    level = home = rng.uniform(15, 22) if changing else rng.uniform(8, 20)
    source = 2.0
    uptake = supply - (fraction / every * (level - source) if changing else 0.0)
    logs_feed = cause != "stocking"
    tank = Tank(id="sim", litres=litres, feed=Feed(grams_per_day=grams), source_water={"nitrate": source})
    out = Story(tank, cause, onset_day)
    light0 = rng.uniform(5, 10)
    for day in range(onset_day + after_days):
        at_s = START_S + day * DAY_S
        out.levels.append(level)
        gone = max(0, day - onset_day)
        wrong = day >= onset_day
        factor, light, fed = 1.0, light0, grams
        if cause == "feed" and wrong:
            fed = grams * (1 + size)
        if cause == "stocking" and wrong:  # more fish, fed more, and nobody writes it down
            fed = grams * (1 + size)
            if day == onset_day:
                out.events.append(Stocking(at_s=at_s + 100, id="stock", tank="sim", change=6))
        if cause == "light" and wrong:
            factor = 1 - size * min(1.0, gone / 30)
            light = light0 * factor
        if cause == "harvest" and wrong:
            factor = 1 - min(0.6, size) * (0.99**gone)
            if day == onset_day:
                standing_g = 75 * supply * litres / 4426.6 / 0.02
                cut = standing_g * min(0.6, size) * rng.uniform(0.8, 1.2)
                out.events.append(Harvest(at_s=at_s + 100, id="cut", tank="sim", dry_grams=cut))
        if cause == "unexplained" and wrong:
            factor = 1 - size * min(1.0, gone / 20)
        part = fraction * (still if cause == "water changes" and wrong else 1.0)
        if changing and day % every == 2 and part > 0.0:
            from_tap = 25.0 if cause == "source water" and wrong else source
            level += part * (from_tap - level)
            change = WaterChange(
                at_s=at_s + 50, id=f"w{day}", tank="sim", fraction=round(part, 2), source={"nitrate": from_tap}
            )
            out.events.append(change)
        today = fed * max(0.3, rng.gauss(1, 0.1))
        if logs_feed:
            out.events.append(Feeding(at_s=at_s + 9 * 3600, id=f"f{day}", tank="sim", grams=today))
        if day % 7 == seed % 7:
            value = read_strip(level, Habits(), rng)
            out.events.append(
                Test(at_s=at_s + 10 * 3600, id=f"t{day}", tank="sim", method="strip", values={"nitrate": value})
            )
        feedback = 0.02 * (level - home) if not wrong else 0.0
        exchanged = 0.0
        if cause == "water changes":
            exchanged = (1.0 - still) * fraction / every * (home - source)
        elif cause == "source water":
            exchanged = fraction / every * (25.0 - source)
        out.extra.append(supply * (fed / grams - 1.0) + uptake * (1.0 - factor) + (exchanged if wrong else 0.0))
        taken = uptake * factor + (feedback if not changing else 0.0) + supply * 0.02 * rng.gauss(0, 1)
        level = max(0.0, level + supply * today / grams - taken)
        dose = light * max(0.5, rng.gauss(1, 0.04))
        out.lights.append(DayLight(date=f"d{day}", dose_mol=dose, coverage=1.0, lamp_percent=100 * light / light0))
    out.events.sort(key=lambda e: (e.at_s, e.id))
    return out
