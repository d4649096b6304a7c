"""Family 5, growing: a tank that develops, whose plants fill up before they slacken.

Two groups of plants grow by a quota of nitrogen in their tissue, by whichever is shortest of nitrogen and the rest of
their food, and take up by what the water holds and by what room their tissue has left (Droop 1974, J. Mar. Biol. Ass.
UK 54:825; its abstract was read).  The tall group shades the low one (Monsi and Saeki 1953); cold slows both (a Q10 of
1.5 to 2.7 for uptake, Macduff et al. 1987).  Feed brings too little potassium for what it brings of nitrogen, as leaves
need half as much of it or more (Epstein 1965), and the rest is dosed.  Every other figure: no source.

Nothing is wrong with a young tank whose fish are fed more month by month, nor with nitrate that falls as leaves come.
"""

from __future__ import annotations

import datetime as dt

import numpy as np

from helpers.families.common import (
    NEVER,
    Acts,
    Array,
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

STRIPS = ((0.0, 25.0, 50.0, 75.0, 100.0, 150.0), (0.0, 5.0, 10.0, 15.0, 25.0, 40.0, 60.0, 100.0))
HUNGRY = 0.35
"""Tissue that has stopped growing holds this share of what full tissue holds."""
TRIMMED = np.array([1.0, 0.5])
"""The low group is cut half as much."""
SWING_C, ROTS, STOCK = 2.5, 0.3, 20.0
"""Room's winter to summer, half; share of litter left to rot; days of potassium that a tank holds."""


def season(c: Setting, day: int) -> float:
    """1 at the end of July, −1 at the end of January."""
    return float(-np.cos(2.0 * np.pi * ((c.start + dt.timedelta(days=day)).timetuple().tm_yday - 28) / 365.0))


class Growing:
    """`mass` is 1 where a group has come to rest; `tissue` is the nitrogen in it, mg/L as NO3.  Tall comes first."""

    name = "growing"
    number = 5
    kinds = ("algae", "creeping feed", "rot")
    jitter = ("share", "most", "half", "fastest", "q10", "potassium", "depth", "length", "extra", "bias")

    def setting(self, rng: np.random.Generator, days: int) -> Setting:
        litres, supply, logs = rng.uniform(60, 400), rng.uniform(0.6, 1.8), bool(rng.random() < 0.55)
        start, first = a_date(rng), rng.uniform(0.3, 0.6) if logs else 1.0
        full = supply / float(daily_supply(Setting(litres, 0, 0, 0, (), start), 1.0, 0.7))
        kits = tuple(KitInUse(f"strip-{k}", "strip", STRIPS[k]) for k in rng.permutation(2)[: 1 + (rng.random() < 0.2)])
        c = Setting(
            litres=litres,
            grams=round(full * first, 3),
            source=float(rng.choice([0.0, 2.0, 8.0, 15.0])),
            limit=float(rng.choice([30.0, 50.0])),
            kits=kits,
            start=start,
            every_days=float(rng.choice([4.0, 7.0, 14.0])),
            jitter_days=float(rng.choice([1.0, 3.0])),
            missed=0.1,
            records_feed=logs,
            change_every=28 if rng.random() < 0.5 else 0,
            change=round(rng.uniform(0.15, 0.35), 2),
            prune_every=int(rng.integers(21, 60)),
            prune=round(rng.uniform(0.1, 0.3), 2),
            plants_g=round(litres * supply * rng.uniform(2.0, 6.0)),
            habit=self.habit,
        )
        c.own = {
            "first": first,
            "months": int(rng.integers(3, 9)),
            "later": rng.uniform(0.0, 0.02) if logs else 0.0,
            "young_days": int(rng.integers(40, 120)) if logs or rng.random() < 0.5 else 0,
            "dose_every": int(rng.choice([7, 14])),
        }
        name = str(rng.choice(["", "cut", "shortage", "cold"], p=[0.64, 0.12, 0.12, 0.12]))
        begins, lasts, deep = int(rng.uniform(90, max(91, days))), int(rng.uniform(60, 240)), rng.uniform(0.0, 1.0)
        c.own["said"] = (name, begins, begins + lasts, deep)
        c.seen_trouble = (begins, name) if name else None
        weather, c.water_c = 0.0, np.full(days, rng.uniform(21.0, 24.0))
        for day in range(days):
            weather = 0.9 * weather + 0.3 * rng.standard_normal()
            c.water_c[day] += SWING_C * season(c, day) + weather
            if name == "cold" and begins <= day < begins + lasts:  # a heater that nobody sees has failed
                c.water_c[day] -= (3.0 + 4.0 * deep) * min(1.0, (day - begins) / 14.0)
        return c

    @staticmethod
    def fed(c: Setting, day: int) -> float:
        """Feed a day against the first day's: more by steps until the tank is stocked, then as fish grow."""
        months = day // 30
        stocked = min(1.0, c.own["first"] + (1.0 - c.own["first"]) * months / c.own["months"]) / c.own["first"]
        return float(stocked * (1.0 + c.own["later"]) ** max(0, months - c.own["months"]))

    @staticmethod
    def habit(c: Setting, day: int, rng: np.random.Generator, n: int = 0) -> Acts:
        """A gardener's round; who looks ahead knows nothing of what has not begun."""
        seen = day if c.seen_days is None else c.seen_days
        said, begins, ends, deep = c.own["said"]
        grams = c.grams * Growing.fed(c, day) * (max(0.2, rng.normal(1.0, 0.12)) if c.records_feed and not n else 1.0)
        young = day < c.own["young_days"] and day % 7 == 3
        change = c.change if young or (c.change_every and day % c.change_every == 3) else 0.0
        prune = c.prune if day and day % c.prune_every == 0 else 0.0
        if said == "cut" and day == begins <= seen:
            prune = 0.6 + 0.3 * deep
        spent = said == "shortage" and begins <= min(day, seen) < ends
        more = c.records_feed and day and day % 30 == 0 and day // 30 <= c.own["months"]
        return Acts(
            round(grams, 3),
            change,
            prune=prune,
            dose=day % c.own["dose_every"] == 5 and not spent,
            fish=2 if more else 0,
        )

    def draw(self, c: Setting, rng: np.random.Generator, n: int) -> State:
        def groups(tall: tuple[float, float], low: tuple[float, float]) -> Array:
            return np.stack([rng.uniform(*tall, n), rng.uniform(*low, n)], 1)

        share = np.clip(rng.normal(0.7, 0.1, n), 0.45, 0.95)
        home, tall = c.limit * rng.uniform(0.08, 0.5, n), rng.uniform(0.3, 0.7, n)
        parts, litter = np.stack([tall, 1.0 - tall], 1), groups((0.01, 0.02), (0.005, 0.012))
        away = litter + c.prune / c.prune_every * TRIMMED
        net = self.full(c, share) - (c.change * (home - c.source) / c.change_every if c.change_every else 0.0)
        taken = parts * (np.maximum(0.1, net) / (1.0 - ROTS * (parts * litter / away).sum(1)))[:, None]
        filled, fastest = rng.uniform(0.62, 0.9, n)[:, None], groups((0.08, 0.15), (0.04, 0.08))
        crowded = 1.0 - away / fastest * (1.0 - HUNGRY) / (1.0 - HUNGRY / filled)
        half = groups((1.0, 5.0), (6.0, 30.0))
        mass = (rng.uniform(0.12, 0.45, n) if c.own["first"] < 1.0 else rng.uniform(0.5, 1.0, n))[:, None] * np.ones(2)
        return kit_traits(rng, n, (0.9, 1.1), 0.2) | {
            "level": home * rng.uniform(0.3, 1.2, n),
            "share": share,
            "away": away,
            "litter": litter,
            "half": half,
            "fastest": fastest,
            "cap": 1.0 / np.maximum(0.15, crowded),
            "most": taken * (half + home[:, None]) / home[:, None] * (1.0 - HUNGRY) / (1.0 - filled),
            "taken": taken,
            "brim": taken / away / filled,
            "mass": mass,
            "tissue": mass * taken / away,
            "q10": rng.uniform(1.5, 2.7, n),
            "potassium": rng.uniform(0.35, 0.8, n),
            "stock": np.full(n, STOCK),
            "unrest": rng.uniform(0.01, 0.03, n),
            "depth": rng.uniform(0.3, 0.85, n),
            "length": rng.uniform(30, 200, n),
            "lasts": rng.uniform(60, 300, n),
            "extra": rng.uniform(0.25, 0.9, n),
            "onset": np.full(n, NEVER),
            "kind": np.zeros(n, int),
            **{name: np.zeros(n) for name in ("waste", "lost", "wobble")},
        }

    @staticmethod
    def full(c: Setting, share: Array) -> Array:
        """What feed supplies once the tank is stocked, mg/L a day."""
        return daily_supply(c, c.grams / c.own["first"], share)

    @staticmethod
    def warmth(c: Setting, day: int) -> float:
        """What the probe showed, and past its last reading the last week's with the season's turn, °C."""
        assert c.water_c is not None
        seen = len(c.water_c) if c.seen_days is None else c.seen_days
        if day < max(1, seen):
            return float(c.water_c[day])
        lately = c.water_c[max(0, seen - 7) : max(1, seen)].mean()
        return float(lately + SWING_C * (season(c, day) - season(c, max(0, seen - 4))))

    def step(self, c: Setting, s: State, day: int, acts: Acts, rng: np.random.Generator) -> Flow:
        n, share = len(s["level"]), s["share"]
        trouble(s, day, 1 / 900, len(self.kinds), rng)
        algae, creeping, rot = ((s["onset"] <= day) & (s["kind"] == k) for k in range(3))
        s["wobble"] = 0.95 * s["wobble"] + s["unrest"] * rng.standard_normal(n)
        vigour = s["q10"] ** ((self.warmth(c, day) - 22.5) / 10.0) * np.exp(s["wobble"])
        over = ramp(s, day) * np.clip(1.0 - (day - s["onset"] - s["lasts"]) / 30.0, 0.0, 1.0)
        vigour = vigour * np.where(
            algae, 1.0 - np.minimum(1.0, s["depth"]) * over, 1.0
        )  # they lie on all leaves until they are wiped off
        dying = np.where(rot & (day - s["onset"] < 30), 1.0 - (1.0 - np.minimum(0.99, s["depth"])) ** (1.0 / 30.0), 0.0)
        carried, back = self.shed(s, acts.prune * TRIMMED, s["litter"] + dying[:, None] * np.array([0.0, 1.0]))
        rotted = 0.05 * s["waste"]
        s["waste"], s["lost"] = s["waste"] - rotted + back, s["lost"] + carried
        fed = daily_supply(c, acts.grams, share)
        fed = fed + np.where(creeping, s["extra"] * ramp(s, day), 0.0) * daily_supply(
            c, c.grams * self.fed(c, day), share
        )
        moved = exchange(s, acts, c.source)
        here = np.maximum(0.0, s["level"] + moved)[:, None]
        lit = vigour[:, None] * np.stack([np.ones(n), np.exp(-0.6 * (s["mass"][:, 0] - 1.0))], 1)
        quota = s["tissue"] / s["mass"] / s["brim"]
        room = np.clip((1.0 - quota) / (1.0 - HUNGRY), 0.0, 1.0)
        wanted = s["most"] * s["mass"] * here / (s["half"] + here) * room * lit
        flow = settle(c, s, moved, fed + rotted, wanted.sum(1))
        s["tissue"] = s["tissue"] + wanted * (flow.uptake / np.maximum(1e-9, wanted.sum(1)))[:, None]
        self.grow(s, quota, lit)
        dosed = 0.8 * acts.dose * c.own["dose_every"]
        s["stock"] = np.clip(s["stock"] + s["potassium"] * fed / self.full(c, share) + dosed, 0.0, STOCK)
        return flow

    @staticmethod
    def shed(s: State, cut: Array, fallen: Array) -> tuple[Array, Array]:
        """Take from both groups what is cut, and what falls, of which a part stays: nitrogen carried out, and left."""
        gone, s["tissue"] = s["tissue"] * cut, s["tissue"] * (1.0 - cut)
        litter, s["tissue"] = s["tissue"] * fallen, s["tissue"] * (1.0 - fallen)
        s["mass"] = s["mass"] * (1.0 - cut) * (1.0 - fallen)
        return (gone + (1.0 - ROTS) * litter).sum(1), ROTS * litter.sum(1)

    @staticmethod
    def grow(s: State, quota: Array, lit: Array) -> None:
        """A day's growth, by whichever is shorter: nitrogen in the tissue, or potassium in the water."""
        nitrogen = np.clip((1.0 - HUNGRY / np.maximum(HUNGRY, quota)) / (1.0 - HUNGRY), 0.0, 1.0)
        by_food = np.minimum(nitrogen, np.clip(s["stock"][:, None] / 5.0, 0.0, 1.0))
        grown = s["fastest"] * by_food * np.maximum(0.0, 1.0 - s["mass"] / s["cap"]) * lit
        s["stock"] = s["stock"] - (s["taken"] * grown * s["mass"] / s["away"]).sum(1) / s["taken"].sum(1)
        s["mass"] = s["mass"] * (1.0 + grown)

    @staticmethod
    def held(s: State) -> Array:
        """Nitrogen in tissue, in waste, and carried out so far, mg/L as NO3: grows by uptake less what rots back."""
        return s["tissue"].sum(1) + s["waste"] + s["lost"]
