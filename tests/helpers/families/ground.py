"""Family 6, ground: a bed that keeps what falls into it, gives it up slowly, and breathes nitrate; a keeper who lets go.

Solids lie in the ground and decay in proportion to what lies there (first order).  The ground takes nitrate up by the
square root of the level, as a film does that nitrate cannot reach the bottom of (half order; Harremoës 1978, from
memory), while nothing disturbs it; the few plants take what they take.  Water is changed rarely, much of it at once,
and never in summer; the source holds more in winter.  Feed is told by a guess, strips are read by the room's light,
worse in winter, worst near nought, and by most people as the lower pad.  No source for any of these figures.
"""

from __future__ import annotations

import datetime as dt
import math

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

STRIPS = ((0.0, 15.0, 30.0, 60.0, 120.0, 240.0), (0.0, 10.0, 20.0, 30.0, 50.0, 75.0, 100.0, 200.0))
DROPS = {step: tuple(float(x) for x in range(0, 301, step)) for step in (2, 5)}
SUPPLY = (0.4, 1.6)
"""mg/L a day by the keeper's guess, at the usual share."""
UNTOLD, RARELY = 0.25, 1 / 110
"""Households where nobody says what is fed; the chance of a large change on a day that is not in summer."""


def dark(c: Setting, day: int) -> float:
    """1 at midwinter, 0 at midsummer."""
    return float(
        0.5 + 0.5 * np.cos(2.0 * np.pi * ((c.start + dt.timedelta(days=day)).timetuple().tm_yday + 10) / 365.0)
    )


class Ground:
    """`bed` is the nitrogen in the ground, mg/L of the water above as NO3."""

    name = "ground"
    number = 6
    kinds = ("stirred", "ground stops", "deaths", "feeder", "more fish")
    jitter = ("share", "guess", "solid", "decay", "breath", "plants", "swing", "depth", "length", "extra", "bias")

    def setting(self, rng: np.random.Generator, days: int) -> Setting:
        litres, supply, use = rng.uniform(25, 200), rng.uniform(*SUPPLY), rng.random()
        strip = KitInUse("strip", "strip", STRIPS[int(rng.integers(2))])
        drops = KitInUse("drops", "drops", DROPS[int(rng.choice([2, 5]))])
        gaps = []
        for _ in range(int(rng.integers(0, 3))):
            begins = int(rng.integers(50, max(51, days - 60)))
            gaps.append((begins, begins + int(rng.integers(25, 80))))
        return Setting(
            litres=litres,
            grams=round(supply / float(daily_supply(Setting(litres, 0, 0, 0, (), a_date(rng)), 1.0, 0.7)), 2),
            source=float(rng.choice([2.0, 10.0, 20.0])),
            limit=float(rng.choice([40.0, 60.0, 80.0])),
            kits=(strip,) if use < 0.45 else (drops,) if use < 0.8 else (strip, drops),
            start=a_date(rng),
            every_days=float(rng.choice([7.0, 14.0, 21.0])),
            jitter_days=5.0,
            missed=0.2,
            gaps=tuple(gaps),
            feed_told=bool(rng.random() >= UNTOLD),
            top_off_every=7,
            top_off=round(rng.uniform(0.01, 0.07), 3),
            habit=self.habit,
        )

    @staticmethod
    def habit(c: Setting, day: int, rng: np.random.Generator, n: int = 0) -> Acts:
        """Tops off every week; once in a while, and not in summer, most of the water."""
        odds = RARELY * (dark(c, day) > 0.15)
        change = np.where(rng.random(n or 1) < odds, np.round(rng.uniform(0.4, 0.7, n or 1), 2), 0.0)
        return Acts(c.grams, change if n else float(change[0]), c.top_off if day % c.top_off_every == 1 else 0.0)

    def draw(self, c: Setting, rng: np.random.Generator, n: int) -> State:
        share, solid = np.clip(rng.normal(0.75, 0.1, n), 0.45, 0.98), rng.uniform(0.2, 0.5, n)
        guess = np.exp(rng.normal(0.0, 0.2, n))
        untold = math.isnan(c.grams)
        grams = rng.uniform(*SUPPLY, n) / float(daily_supply(c, 1.0, 0.7)) if untold else np.full(n, c.grams)
        fed, decay = daily_supply(c, grams * guess, share), np.exp(rng.uniform(np.log(0.005), np.log(0.03), n))
        home, by_plants = c.limit * rng.uniform(0.2, 0.8, n), rng.uniform(0.0, 0.6, n)
        net = fed + c.top_off * c.source / c.top_off_every - 0.8 * RARELY * 0.55 * (home - c.source)
        return kit_traits(rng, n, (0.85, 1.15), 0.15) | {
            "level": home * rng.uniform(0.5, 1.1, n),
            "lean": np.where(rng.random(n) < 0.6, rng.uniform(0.6, 0.9, n), 0.5),
            "eye": rng.uniform(0.12, 0.22, n),
            "grams": grams,
            "guess": guess,
            "share": share,
            "solid": solid,
            "decay": decay,
            "bed": solid * fed / decay * rng.uniform(0.4, 1.0, n),
            "plants": by_plants * np.maximum(0.05, net),
            "breath": (1.0 - by_plants) * np.maximum(0.05, net) / np.sqrt(home),
            "source": np.full(n, c.source),
            "swing": rng.uniform(0.0, 0.6, n),
            "unrest": rng.uniform(0.01, 0.04, n),
            "depth": rng.uniform(0.5, 1.0, n),
            "length": rng.uniform(20, 200, n),
            "extra": rng.uniform(0.3, 1.2, n),
            "onset": np.full(n, NEVER),
            "kind": np.zeros(n, int),
            **{name: np.zeros(n) for name in ("carcass", "wobble")},
        }

    def step(self, c: Setting, s: State, day: int, acts: Acts, rng: np.random.Generator) -> Flow:
        n = len(s["level"])
        trouble(s, day, 1 / 550, len(self.kinds), rng)
        since, depth = day - s["onset"], np.minimum(1.0, s["depth"])
        stirred, stops, deaths, feeder, more = ((since >= 0) & (s["kind"] == k) for k in range(5))
        usual = daily_supply(c, s["grams"] * s["guess"], s["share"])
        fed = usual if math.isnan(acts.grams) else usual * acts.grams / c.grams
        fed = fed + np.where(more, s["extra"] * usual, 0.0)
        spilt = np.where(feeder & (since < 10.0 + 20.0 * depth), 2.0 * s["extra"] * usual, 0.0)
        s["carcass"] = s["carcass"] + np.where(
            deaths & (since % 20 == 0) & (since < 80), 10.0 * s["extra"] * usual, 0.0
        )
        rotted = 0.1 * s["carcass"]
        # A hand in the ground lifts part of it in a week, and where air has come nothing breathes nitrate for a while.
        lifted = np.where(stirred & (since < 7), 1.0 - (1.0 - 0.8 * depth) ** (1.0 / 7.0), 0.0) * s["bed"]
        decayed = s["decay"] * (s["bed"] - lifted)
        works = np.where(stirred, 1.0 - depth * (1.0 - ramp(s, day)), 1.0 - np.where(stops, depth * ramp(s, day), 0.0))
        s["carcass"] = s["carcass"] - rotted
        s["bed"] = s["bed"] - lifted - decayed + s["solid"] * (fed + rotted) + 0.8 * spilt
        supply = (1.0 - s["solid"]) * (fed + rotted) + 0.2 * spilt + lifted + decayed
        s["source"] = c.source * (1.0 + s["swing"] * (2.0 * dark(c, day) - 1.0))
        moved = exchange(s, acts, s["source"])
        here = np.maximum(0.0, s["level"] + moved)
        s["wobble"] = 0.95 * s["wobble"] + s["unrest"] * rng.standard_normal(n)
        sinks = s["plants"] * here / (1.0 + here) * np.exp(s["wobble"]) + s["breath"] * np.sqrt(here) * works
        flow = settle(c, s, moved, supply, sinks)
        s["error"] = np.minimum(0.6, np.hypot(s["eye"] * (1.0 + 0.6 * dark(c, day)), 2.0 / np.maximum(1.0, s["level"])))
        return flow

    @staticmethod
    def kept(s: State) -> Array:
        """Nitrogen that is on its way to the water, mg/L as NO3: what is fed and has not been supplied."""
        return s["bed"] + s["carcass"]
