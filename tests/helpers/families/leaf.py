"""Family 2, leaf mass: leaves that shade each other, are pruned and grow again, and eat by Michaelis-Menten.

Light caught follows Monsi and Saeki (1953; Beer's law over leaf mass), uptake Michaelis and Menten.  Strips read up to
12 % off for good, pads are coarse beside the limit, and no light probe stands there.  Nitrogen is conserved: what
leaves hold came out of the water, and leaves it as litter, in the keeper's hands, or back into the water.
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

DEAD_DAYS = 10.0


class Leaf:
    """Leaf mass 1 is what the tank carried on its first day; `tissue` is the nitrogen that it holds, mg/L as NO3."""

    name = "leaf"
    number = 2
    kinds = ("lamp", "die-back", "hidden feed")
    jitter = ("share", "most", "half", "thick", "turn", "depth", "length", "extra", "bias")

    def setting(self, rng: np.random.Generator, days: int) -> Setting:
        litres, supply = rng.uniform(50, 250), rng.uniform(0.8, 2.0)
        return Setting(
            litres=litres,
            grams=round(supply / daily_supply(Setting(litres, 0, 0, 0, (), a_date(rng)), 1.0, 0.7), 3),
            source=float(rng.choice([0.0, 5.0, 10.0])),
            limit=60.0,
            kits=(KitInUse("strip", "strip", (0.0, 5.0, 20.0, 40.0, 80.0, 160.0)),),
            start=a_date(rng),
            jitter_days=1.5,
            missed=0.05,
            records_feed=bool(rng.random() < 0.2),
            prune_every=int(rng.integers(40, 90)),
            prune=round(rng.uniform(0.2, 0.45), 2),
        )

    def draw(self, c: Setting, rng: np.random.Generator, n: int) -> State:
        share = np.clip(rng.normal(0.7, 0.1, n), 0.45, 0.95)
        supply = daily_supply(c, c.grams, share)
        home, half, thick = rng.uniform(6.0, 36.0, n), rng.uniform(5.0, 25.0, n), rng.uniform(1.2, 2.5, n)
        turn = rng.uniform(0.008, 0.025, n)
        return kit_traits(rng, n, (0.88, 1.12), 0.18) | {
            "level": home.copy(),
            "share": share,
            "half": half,
            "thick": thick,
            "turn": turn,
            "leaf": np.ones(n),
            "tissue": supply / turn,
            "most": supply * (half + home) / home / (1.0 - np.exp(-thick)),
            "dead": np.zeros(n),
            "wobble": np.zeros(n),
            "unrest": rng.uniform(0.01, 0.03, n),
            "depth": rng.uniform(0.4, 0.75, n),
            "length": rng.uniform(60, 300, n),
            "extra": rng.uniform(0.35, 0.9, n),
            "onset": np.full(n, NEVER),
            "kind": np.zeros(n, int),
            "lamp": np.ones(n),
            "lost": np.zeros(n),
        }

    def step(self, c: Setting, s: State, day: int, acts: Acts, rng: np.random.Generator) -> Flow:
        n = len(s["level"])
        trouble(s, day, 1 / 600, 3, rng)
        struck = day >= s["onset"]
        s["lamp"] = np.where(struck & (s["kind"] == 0), 1.0 - s["depth"] * ramp(s, day), 1.0)
        if acts.lamp_new:
            s["onset"], s["kind"] = np.where(s["kind"] == 0, day, s["onset"]), s["kind"]
            s["depth"] = np.where(s["kind"] == 0, 0.0, s["depth"])
        cut = acts.prune * s["leaf"]
        dying = np.where(struck & (s["kind"] == 1) & (day - s["onset"] < DEAD_DAYS), s["depth"], 0.0)
        died = s["leaf"] * (1.0 - (1.0 - dying) ** (1.0 / DEAD_DAYS))
        s["leaf"] = s["leaf"] - cut - died
        s["dead"] = s["dead"] + 0.5 * died * s["tissue"]  # half of it is fished out, half rots
        rotted = 0.1 * s["dead"]
        s["dead"] = s["dead"] - rotted
        fed = daily_supply(c, acts.grams, s["share"])
        hidden = np.where(struck & (s["kind"] == 2), s["extra"] * daily_supply(c, c.grams, s["share"]), 0.0)
        moved = exchange(s, acts, c.source)
        s["wobble"] = 0.95 * s["wobble"] + s["unrest"] * rng.standard_normal(n)
        here = np.maximum(0.0, s["level"] + moved)
        caught = 1.0 - np.exp(-s["thick"] * s["leaf"])
        uptake = s["most"] * s["lamp"] * caught * here / (s["half"] + here) * np.exp(s["wobble"])
        flow = settle(c, s, moved, fed + hidden + rotted, uptake)
        litter = s["turn"] * s["leaf"]
        s["leaf"] = s["leaf"] + flow.uptake / s["tissue"] - litter
        s["lost"] = s["lost"] + (litter + cut + 0.5 * died) * s["tissue"]
        return flow

    @staticmethod
    def held(s: State) -> np.ndarray:
        """Nitrogen in leaves, in rot, and carried out so far, mg/L as NO3: grows by uptake less what rots back."""
        return s["leaf"] * s["tissue"] + s["dead"] + s["lost"]
