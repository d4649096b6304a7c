"""Family 4, households: feed that nobody wrote down, deaths, source water that changes, filters that fail, many habits.

Two strip kits or strips beside drops, pads that span the limit, changes at odd times, top-offs, and gaps without a test
of months, in some tanks of a year or two.  Ammonia that a stopped filter leaves waits and comes as nitrate later.
In a third of the households nobody ever says what is fed, not even an observer of these laws.
"""

from __future__ import annotations

import math

import numpy as np

from helpers.families.common import (
    NEVER,
    Acts,
    Flow,
    KitInUse,
    Setting,
    State,
    a_date,
    daily_supply,
    exchange,
    kit_traits,
    ramp,
    settle,
    trouble,
)

STRIPS = (
    (0.0, 10.0, 25.0, 50.0, 100.0, 250.0),
    (0.0, 5.0, 20.0, 40.0, 80.0, 160.0),
    (0.0, 20.0, 40.0, 80.0, 160.0, 200.0),
    (0.0, 1.0, 5.0, 10.0, 20.0, 40.0, 80.0, 160.0),
)
UNTOLD = 1 / 3
SUPPLY = (0.6, 2.0)
"""mg/L a day, at the usual share."""
DROPS = KitInUse("drops", "drops", tuple(float(x) for x in range(0, 305, 5)))


def a_gram(c: Setting) -> float:
    """What a gram of feed a day supplies at the usual share, mg/L a day."""
    return float(daily_supply(c, 1.0, 0.7))


class Mixed:
    """Plants here have one state, a vigour; everything else that can go wrong goes wrong."""

    name = "mixed"
    number = 4
    kinds = ("plants", "sudden", "hidden feed", "source water", "deaths", "filter")
    jitter = ("share", "most", "half", "depth", "length", "extra", "bias", "drop_bias")

    def setting(self, rng: np.random.Generator, days: int) -> Setting:
        litres, supply = rng.uniform(40, 300), rng.uniform(*SUPPLY)
        first, second = rng.choice(len(STRIPS), 2, replace=False)
        kits: tuple[KitInUse, ...] = (KitInUse("strip", "strip", STRIPS[first]),)
        also = rng.random()
        if also < 0.3:
            kits += (KitInUse("other-strip", "strip", STRIPS[second]),)
        elif also < 0.5:
            kits += (DROPS,)
        habit = rng.random()
        told = bool(rng.spawn(1)[0].random() >= UNTOLD)  # a stream of its own: no other draw of a seed depends on it
        gaps: list[tuple[int, int]] = []
        if rng.random() < 0.35 and days > 200:
            begins = int(rng.integers(60, days - 100))
            gaps.append((begins, begins + int(rng.integers(40, 150))))
        if rng.random() < 0.15 and days > 500:
            gaps = [(100, 100 + int(rng.integers(365, max(366, min(730, days - 130)))))]
        return Setting(
            litres=litres,
            grams=round(supply / a_gram(Setting(litres, 0, 0, 0, (), a_date(rng))), 3),
            source=float(rng.choice([0.0, 5.0, 10.0])),
            limit=float(rng.choice([25.0, 40.0, 50.0])),
            kits=kits,
            start=a_date(rng),
            every_days=float(rng.choice([5.0, 7.0, 10.0])),
            jitter_days=float(rng.choice([0.0, 2.0, 4.0])),
            missed=float(rng.choice([0.0, 0.1, 0.25])),
            gaps=tuple(gaps),
            records_feed=bool(rng.random() < 0.3),
            feed_told=told,
            change_odds=1 / 30 if habit < 0.4 else 0.0,
            change_every=14 if habit > 0.8 else 0,
            change=round(rng.uniform(0.1, 0.4), 2),
            top_off_every=7 if rng.random() < 0.5 else 0,
            top_off=round(rng.uniform(0.02, 0.08), 3),
        )

    def draw(self, c: Setting, rng: np.random.Generator, n: int) -> State:
        share = np.clip(rng.normal(0.7, 0.1, n), 0.45, 0.95)
        home, half = c.limit * rng.uniform(0.15, 0.7, n), rng.uniform(2.0, 15.0, n)
        weekly = c.change * (1 / c.change_every if c.change_every else c.change_odds)
        untold = math.isnan(c.grams)
        grams = rng.uniform(*SUPPLY, n) / a_gram(c) if untold else np.full(n, c.grams)
        net = daily_supply(c, grams, share) - weekly * (home - c.source)
        net = net + (c.top_off * c.source / c.top_off_every if c.top_off_every else 0.0)
        return kit_traits(rng, n, (0.85, 1.15), 0.2) | {
            "level": home * rng.uniform(0.8, 1.2, n),
            "grams": grams,
            "share": share,
            "half": half,
            "most": np.maximum(0.05, net) * (half + home) / home,
            "wobble": np.zeros(n),
            "unrest": rng.uniform(0.01, 0.04, n),
            "depth": rng.uniform(0.4, 0.95, n),
            "length": rng.uniform(40, 250, n),
            "extra": rng.uniform(0.4, 1.5, n),
            "water": rng.uniform(10.0, 40.0, n),
            "carcass": np.zeros(n),
            "waiting": np.zeros(n),
            "lasts": rng.uniform(20, 400, n),
            "onset": np.full(n, NEVER),
            "kind": np.zeros(n, int),
        }

    def step(self, c: Setting, s: State, day: int, acts: Acts, rng: np.random.Generator) -> Flow:
        n = len(s["level"])
        trouble(s, day, 1 / 600, len(self.kinds), rng)
        kind, since = s["kind"], day - s["onset"]
        struck = since >= 0
        usual = daily_supply(c, s["grams"], s["share"])
        fed = usual if math.isnan(acts.grams) else daily_supply(c, acts.grams, s["share"])
        fed = fed + np.where(struck & (kind == 2) & (since < s["lasts"]), s["extra"] * usual, 0.0)
        # A fish that dies unseen holds some weeks' worth of the feed's nitrogen, and gives it up in days.
        s["carcass"] = s["carcass"] + np.where((since == 0) & (kind == 4), 25.0 * s["extra"] * usual, 0.0)
        rotted = 0.12 * s["carcass"]
        s["carcass"] = s["carcass"] - rotted
        # With the filter off only part of the ammonia is oxidised; the rest waits.
        works = np.where(struck & (kind == 5) & (since < 0.1 * s["lasts"]), 0.2, 1.0)
        s["waiting"] = s["waiting"] + fed + rotted
        supply = s["waiting"] * 0.7 * works
        s["waiting"] = s["waiting"] - supply
        source = np.where(struck & (kind == 3), s["water"], c.source)
        moved = exchange(s, acts, source)
        s["wobble"] = 0.95 * s["wobble"] + s["unrest"] * rng.standard_normal(n)
        lost = np.where(kind == 0, ramp(s, day), np.where(kind == 1, np.clip(since / 5.0, 0.0, 1.0), 0.0)) * s["depth"]
        here = np.maximum(0.0, s["level"] + moved)
        uptake = s["most"] * (1.0 - lost) * np.exp(s["wobble"]) * here / (s["half"] + here)
        return settle(c, s, moved, supply, uptake)
