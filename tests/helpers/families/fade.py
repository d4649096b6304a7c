"""Family 1, constant fade: uptake is a plain rate that one day begins to fade in a straight line.

The laws of `helpers.nitrate_tanks`, which the product's first thresholds were tuned on, drawn anew over arrays, with a
fade that may begin on any day.
"""

from __future__ import annotations

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


class Fade:
    """Steady until it fades: in 50 to 200 days, or in 200 to 400 as when a lamp ages."""

    name = "fade"
    number = 1
    kinds = ("fade", "slow fade")
    jitter = ("share", "home", "depth", "length", "unrest")

    def setting(self, rng: np.random.Generator, days: int) -> Setting:
        litres, supply = rng.uniform(50, 250), rng.uniform(0.8, 1.6)
        changes = rng.random() < 0.25
        return Setting(
            litres=litres,
            grams=round(supply / daily_supply(Setting(litres, 0, 0, 0, (), a_date(rng)), 1.0, 0.7), 3),
            source=float(rng.choice([0.0, 5.0])),
            limit=40.0,
            kits=(KitInUse("strip", "strip", (0.0, 10.0, 25.0, 50.0, 100.0, 250.0)),),
            start=a_date(rng),
            jitter_days=float(rng.choice([0.0, 1.5])),
            missed=float(rng.choice([0.0, 0.05])),
            records_feed=bool(rng.random() < 0.3),
            change_every=30 if changes else 0,
            change=round(rng.uniform(0.1, 0.3), 2) if changes else 0.0,
        )

    def draw(self, c: Setting, rng: np.random.Generator, n: int) -> State:
        home = rng.uniform(5.0, 25.0, n)
        slow = rng.random(n) < 0.5
        return kit_traits(rng, n, (1.0, 1.0), 0.22) | {
            "level": home.copy(),
            "home": home,
            "share": np.clip(rng.normal(0.7, 0.1, n), 0.45, 0.95),
            "depth": rng.uniform(0.4, 0.9, n),
            "length": np.where(slow, rng.uniform(200, 400, n), rng.uniform(50, 200, n)),
            "slow": slow,
            "unrest": rng.uniform(0.005, 0.025, n),
            "wobble": np.zeros(n),
            "onset": np.full(n, NEVER),
            "kind": np.zeros(n, int),
        }

    def step(self, c: Setting, s: State, day: int, acts: Acts, rng: np.random.Generator) -> Flow:
        n = len(s["level"])
        trouble(s, day, 1 / 600, 1, rng)
        s["kind"] = s["slow"].astype(int)
        usual = daily_supply(c, c.grams, s["share"])
        exported = c.change * (s["home"] - c.source) / c.change_every if c.change_every else 0.0
        moved = exchange(s, acts, c.source)
        s["wobble"] = 0.9 * s["wobble"] + usual * s["unrest"] * rng.standard_normal(n)
        uptake = (usual - exported + s["wobble"]) * (1.0 - s["depth"] * ramp(s, day))
        # A settled tank's plants grow a little more when there is a little more to eat.
        uptake = uptake + np.where(day < s["onset"], 0.02 * (s["level"] - s["home"]), 0.0)
        return settle(c, s, moved, daily_supply(c, acts.grams, s["share"]), uptake)
