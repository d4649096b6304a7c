"""Tanks whose true nitrate is known, and what a keeper with strips sees of them.

An invention for tests and benchmarks, independent of the filter that it judges: uptake here is a plain curve with
noise, integrated day by day, and knows nothing of Ornstein-Uhlenbeck processes.
"""

from __future__ import annotations

import datetime as dt
import math
import random
from dataclasses import dataclass, field

from rushlight.events import Feeding, TankEvent, Test, WaterChange
from rushlight.settings import Feed, Kit, Tank

PADS = (0.0, 10.0, 25.0, 50.0, 100.0, 250.0)
STRIP = Kit(id="strip", method="strip", pads={"nitrate": PADS})
LIMIT = 40.0
DAY_S = 86400.0
START_S = dt.datetime(2025, 1, 6, tzinfo=dt.UTC).timestamp()


@dataclass(frozen=True)
class Habits:
    """How a keeper and a strip behave."""

    geometric: bool = False
    """Whether the pad nearest on a log scale is read, rather than the nearest one."""
    lognormal: bool = False
    error: float = 0.22
    every_days: int = 7
    jitter_days: float = 0.0
    missed: float = 0.0
    feedings: bool = False
    water_changes_days: int = 0
    feed_known: bool = True


@dataclass
class SimulatedTank:
    """One tank's truth, day by day, and its events; day n's level is at the local midnight that starts it."""

    tank: Tank
    levels: list[float]
    rates: list[float]
    supply: float
    events: list[TankEvent] = field(default_factory=list)
    fade_day: int | None = None
    crossing_day: int | None = None
    kept: list[float] = field(default_factory=list)


def read_strip(level: float, habits: Habits, rng: random.Random) -> float:
    """The pad that a person calls the nearest."""
    if habits.lognormal:
        seen = level * math.exp(habits.error * rng.gauss(0, 1))
    else:
        seen = max(0.0, level * (1 + habits.error * rng.gauss(0, 1)))
    if habits.geometric:
        return min(PADS, key=lambda p: abs(math.log(max(p, 2.5)) - math.log(max(seen, 0.1))))
    return min(PADS, key=lambda p: abs(p - seen))


def simulate(
    seed: int,
    fading: bool,
    days: int = 365,
    habits: Habits | None = None,
    slow: bool = False,
    after_days: int = 21,
) -> SimulatedTank:
    """A tank that stays near its level, or one whose plants fade until nitrate is past the limit.

    A fade takes 50 to 200 days to run its course, a slow one 200 to 400, as when a lamp ages.  It is followed for
    `after_days` past the crossing, in which nobody does anything about it.
    """
    rng = random.Random(seed)
    habits = habits or random_habits(rng)
    litres = rng.uniform(50, 250)
    supply = rng.uniform(0.8, 1.6)
    share = min(0.95, max(0.45, rng.gauss(0.7, 0.1)))
    grams = supply / share * litres / 4426.6 * 6.25 / 0.42  # at 42 % protein, 4.4266 mg NO3 per mg N
    level = rng.uniform(5, 25)
    fade_day = rng.randint(60, 150) if fading else 10**6
    depth, length = rng.uniform(0.4, 0.9), rng.uniform(200, 400) if slow else rng.uniform(50, 200)
    unrest = rng.uniform(0.005, 0.025)
    change = rng.uniform(0.1, 0.3)
    source = rng.choice([0.0, 5.0])
    wobble = 0.0
    home = level
    exported = change * (level - source) / habits.water_changes_days if habits.water_changes_days else 0.0
    feed = Feed(grams_per_day=grams if habits.feed_known else 0.0)
    tank = Tank(id="sim", litres=litres, feed=feed, source_water={"nitrate": source})
    out = SimulatedTank(tank, [], [], supply, fade_day=fade_day if fading else None)
    next_test = float(rng.randint(0, habits.every_days - 1))
    for day in range(days):
        out.levels.append(level)
        at_s = START_S + day * DAY_S
        fed = supply
        if habits.feedings:
            today = grams * max(0.2, rng.gauss(1.0, 0.15))
            fed = supply * today / grams
            out.events.append(Feeding(at_s=at_s + 9 * 3600, id=f"f{day}", tank="sim", grams=today))
        if habits.water_changes_days and day % habits.water_changes_days == 3:
            level += change * (source - level)
            out.events.append(WaterChange(at_s=at_s + 60, id=f"w{day}", tank="sim", fraction=round(change, 2)))
        wobble = 0.9 * wobble + supply * unrest * rng.gauss(0, 1)
        faded = min(1.0, max(0.0, (day - fade_day) / length)) * depth
        uptake = (supply - exported + wobble) * (1 - faded)
        if day < fade_day:  # a settled tank's plants grow a little more when there is a little more to eat
            uptake += 0.02 * (level - home)
        uptake = min(uptake, level + fed)
        if next_test < day + 1:
            when = at_s + rng.uniform(8, 21) * 3600
            part = (when - at_s) / DAY_S
            now = max(0.0, level + part * (fed - uptake))
            if rng.random() >= habits.missed:
                value = read_strip(now, habits, rng)
                out.events.append(Test(at_s=when, id=f"t{day}", tank="sim", method="strip", values={"nitrate": value}))
            next_test += habits.every_days + (rng.uniform(-1, 1) * habits.jitter_days)
        out.rates.append(fed - uptake)
        out.kept.append(uptake / fed)
        level = max(0.0, level + fed - uptake)
        if fading and out.crossing_day is None and level > LIMIT:
            out.crossing_day = day + 1
        if out.crossing_day is not None and day > out.crossing_day + after_days:
            break
    out.events.sort(key=lambda e: (e.at_s, e.id))
    return out


def random_habits(rng: random.Random) -> Habits:
    """The keepers and strips that there are."""
    return Habits(
        geometric=rng.random() < 0.5,
        lognormal=rng.random() < 0.5,
        jitter_days=rng.choice([0.0, 1.5]),
        missed=rng.choice([0.0, 0.05]),
        feedings=rng.random() < 0.3,
        water_changes_days=rng.choice([0, 0, 0, 30]),
        feed_known=rng.random() < 0.85,
    )
