"""Family 3, window and season: plants that live partly by a window at 52 to 57 degrees north, with a light probe.

The window's light follows the sun's height (Cooper's declination) and a sky that remembers yesterday; uptake follows
the light that plants had lately by a saturating response (Monod's form), and the level by another.  Nothing is wrong
with a tank whose nitrate is higher in December than in June.
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
    sun_sine,
    trouble,
)

HOURS = np.arange(0.25, 24.0, 0.5)


def clear(c: Setting, day: int) -> float:
    """Clear sky's dose of a day, in units of its mean over the year at 50° N or so."""
    sine = np.maximum(0.0, sun_sine(c, day, HOURS))
    return float((sine**1.15).sum() / 12.0)


def sky(mean: Array, rng: np.random.Generator) -> Array:
    """Tomorrow's transmittance on a logit scale, given today's."""
    return 0.45 * mean + 0.9 * rng.standard_normal(np.shape(mean))


def through(x: Array) -> Array:
    """Logit to transmittance: 0.15 to 1."""
    return 0.15 + 0.85 / (1.0 + np.exp(-x))


class Window:
    """Healthy, or with plants that weaken, or with a lamp that does, which the probe sees."""

    name = "window"
    number = 3
    kinds = ("plants",)
    jitter = ("share", "most", "half", "light_half", "depth", "length")

    def setting(self, rng: np.random.Generator, days: int) -> Setting:
        litres, supply = rng.uniform(50, 250), rng.uniform(0.8, 1.6)
        c = Setting(
            litres=litres,
            grams=round(supply / daily_supply(Setting(litres, 0, 0, 0, (), a_date(rng)), 1.0, 0.7), 3),
            source=float(rng.choice([0.0, 5.0])),
            limit=40.0,
            kits=(KitInUse("strip", "strip", (0.0, 10.0, 25.0, 50.0, 100.0, 250.0)),),
            start=a_date(rng),
            jitter_days=float(rng.choice([0.0, 1.5])),
            missed=0.05,
            latitude=rng.uniform(52.0, 57.0),
        )
        share, x, light = rng.uniform(0.3, 1.2), 0.0, []
        for day in range(days):
            x = float(sky(x, rng))
            light.append(share * clear(c, day) * float(through(x)))
        c.window = np.array(light)
        c.lamp = np.exp(rng.normal(0.0, 0.003, days))
        if rng.random() < 0.3:
            begins = rng.uniform(60, max(61, days))
            c.lamp_from = int(begins)
            gone = np.clip((np.arange(days) - begins) / rng.uniform(80, 300), 0, 1) * rng.uniform(0.3, 0.6)
            c.lamp *= 1.0 - gone
        return c

    def draw(self, c: Setting, rng: np.random.Generator, n: int) -> State:
        assert c.window is not None
        share = np.clip(rng.normal(0.7, 0.1, n), 0.45, 0.95)
        home, half, light_half = rng.uniform(4.0, 16.0, n), rng.uniform(8.0, 40.0, n), rng.uniform(0.3, 1.5, n)
        # `home` is where the level would stand in the year's mean light: the lamp's, and the window's as it is on average.
        middle = 1.0 + self.usual(c)
        return kit_traits(rng, n, (1.0, 1.0), 0.22) | {
            "level": home * rng.uniform(0.8, 1.3, n),
            "share": share,
            "half": half,
            "light_half": light_half,
            "most": daily_supply(c, c.grams, share) * (half + home) / home * (light_half + middle) / middle,
            "had": np.full(n, 1.0 + c.window[:14].mean()),
            "sky": np.zeros(n),
            "wobble": np.zeros(n),
            "unrest": rng.uniform(0.005, 0.025, n),
            "depth": rng.uniform(0.5, 0.95, n),
            "length": rng.uniform(50, 250, n),
            "onset": np.full(n, NEVER),
            "kind": np.zeros(n, int),
        }

    def usual(self, c: Setting) -> float:
        """The window's mean over a year, judged from what the probe has seen of this one."""
        assert c.window is not None
        seen = c.window[:28].mean() / max(0.02, float(np.mean([clear(c, d) for d in range(28)])))
        return float(seen * np.mean([clear(c, d) for d in range(0, 365, 7)]))

    def light(self, c: Setting, s: State, day: int, rng: np.random.Generator) -> Array:
        """What the probe saw, and past the last reading what may come: season, a sky, the lamp as it has gone."""
        assert c.window is not None and c.lamp is not None
        seen = len(c.lamp) if c.seen_days is None else c.seen_days
        if day < seen:
            return c.window[day] + c.lamp[day]
        back = np.arange(max(0, seen - 60), max(1, seen))
        per = c.window[back].sum() / max(1e-6, sum(clear(c, int(d)) for d in back)) / 0.57
        s["sky"] = sky(s["sky"], rng)
        lately = c.lamp[max(0, seen - 7) : max(1, seen)].mean()
        before = c.lamp[max(0, seen - 35) : max(1, seen - 28)].mean()
        lamp = max(0.0, lately + (day - seen) * min(0.0, (lately - before) / 28.0))
        return per * clear(c, day) * through(s["sky"]) + lamp

    def step(self, c: Setting, s: State, day: int, acts: Acts, rng: np.random.Generator) -> Flow:
        assert c.lamp is not None
        n = len(s["level"])
        trouble(s, day, 1 / 600, 1, rng)
        if acts.lamp_new and len(c.lamp) > day:
            c.lamp[day:] = 1.0
            c.lamp_from = None
        s["had"] = s["had"] + (self.light(c, s, day, rng) - s["had"]) / 7.0
        s["wobble"] = 0.95 * s["wobble"] + s["unrest"] * rng.standard_normal(n)
        moved = exchange(s, acts, c.source)
        here = np.maximum(0.0, s["level"] + moved)
        strength = (1.0 - s["depth"] * ramp(s, day)) * np.exp(s["wobble"])
        uptake = s["most"] * strength * s["had"] / (s["light_half"] + s["had"]) * here / (s["half"] + here)
        return settle(c, s, moved, daily_supply(c, acts.grams, s["share"]), uptake)


def winter(c: Setting, day: int) -> bool:
    """November to January."""
    return (c.start + dt.timedelta(days=day)).month in {11, 12, 1}
