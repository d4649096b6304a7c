"""Whole tanks whose plants take up less, each for one reason: an invention, lived day by day, that the core sees as
events alone: light, water temperature, strips by their pads, looks, harvests and light at the leaves.

Plants grow and take up nitrogen in proportion to the light that comes to their leaves and with the water's warmth, and
stand in their own shade: nobody cuts those that outgrow their light, the others are thinned as they go.  Daylight comes
through a window by the sun's height, the season and the clouds (`lightsim`): it is the only witness that a probe is dirty.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from helpers import lightsim
from helpers.site import CONFIG, config_of
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.core.view import tank_view
from rushlight.effects import AlarmChange
from rushlight.events import Event, Growth, Harvest, LightSpot, Reading, Test, WaterChange
from rushlight.settings import Config

REASONS = ("outgrown", "dimmed", "dirty probe", "cut back", "cold", "nothing")
DAY_S = 86_400.0
START_S = 1_767_225_600.0
"""2026-01-01."""
PLACES = ("umbrella sedge", "water mint", "creeping jenny")
PADS = (0.0, 10.0, 25.0, 50.0, 100.0, 250.0)
WEEKS, ONSET = 32, 14
LAMP_LX = 6000.0
EVERY_S = 600.0
LATITUDE, LONGITUDE, ZONE = 53.3, -6.3, "Europe/Dublin"
ON_MINUTE, OFF_MINUTE = 480.0, 1080.0
SPRING_SKY = 0.15
"""Daylight's part of the light by which the plants' usual uptake is reckoned."""


@dataclass
class Verdict:
    """What the product said from the onset on."""

    outgrown: bool
    alarms: set[str]
    last: set[str]
    """The alarms that stand at the end."""


def config() -> Config:
    """The small installation, its probes heard every ten minutes: often enough to see the lamp go on and off."""
    return config_of(CONFIG.replace("every_seconds = 300", "every_seconds = 600"))


def events(reason: str, seed: int) -> Iterator[Event]:
    """One tank's life as it is written down."""
    rng = np.random.default_rng([1818, REASONS.index(reason), seed])
    lost, shade_to = rng.uniform(0.2, 0.4), rng.uniform(0.4, 0.65)
    usual = {place: rng.uniform(0.15, 0.6) for place in PLACES}
    litres, supply = 140.0, rng.uniform(0.9, 1.5)
    nitrate, area, fastest, slow = rng.uniform(15, 25), rng.uniform(0.7, 1.1), rng.uniform(0.10, 0.16), 0.0
    per_leaf, new = rng.uniform(15, 35), 0.0
    sky, on = _window(rng)
    usual_light = (1.0 + SPRING_SKY) * LAMP_LX * on[0].sum()
    for day in range(7 * WEEKS):
        at_s, week = START_S + day * DAY_S, day / 7.0
        ramp = min(1.0, max(0.0, (week - ONSET) / 5.0))
        lamp = 1.0 - lost * ramp if reason == "dimmed" else 1.0
        probe = 1.0 - lost * ramp if reason == "dirty probe" else 1.0
        shade = 1.0 - (1.0 - shade_to) * ramp if reason == "outgrown" else 1.0
        cold = rng.normal(0.0, 0.2) + (5.0 * min(1.0, 4 * ramp) if reason == "cold" else 0.0)
        warmth = 2.0 ** (-cold / 10.0 * 1.4)
        slow = 0.97 * slow + rng.normal(0.0, 0.02)
        given = (LAMP_LX * lamp * on[day].sum() + sky[day].sum()) / usual_light
        effort = given * shade * warmth * math.exp(slow)
        size = min(1.0, area) if reason == "cut back" else 1.0
        rate = fastest * effort * (1.0 - area / 6.0) - (0.03 if reason == "outgrown" else 0.0) * ramp
        new += max(0.0, area * rate / 7.0) * per_leaf
        area *= math.exp(rate / 7.0)
        nitrate = max(0.0, nitrate + supply - supply * effort * (0.35 + 0.65 * size))
        if day % 7 == 6:
            nitrate -= 0.15 * (nitrate - 5.0)
        yield from _day(rng, at_s, LAMP_LX * lamp * on[day] + sky[day], probe, 24.0 - cold)
        noon_s = at_s + 13 * 3600.0
        if day % 7 == 6:
            yield from _week(rng, noon_s, day, nitrate, area, new, litres)
            new = 0.0
        if week in (2.0, 10.0, 19.0, 22.0, 25.0, 28.0, 31.0):
            for n, place in enumerate(PLACES):
                opened = 1.2 if reason == "cut back" and week > ONSET else 1.0
                light = LAMP_LX * lamp + float(sky[day][int((noon_s - at_s) // EVERY_S)])
                value = light * usual[place] * shade * opened * float(np.exp(rng.normal(0.0, 0.12)))
                yield LightSpot(
                    at_s=noon_s + 60 + n, id=f"spot-{day}-{n}", tank="foyer", place=place, value=round(value)
                )
        cut = (
            0.45
            if reason == "cut back" and day == 7 * ONSET + 2
            else 0.3
            if area > 2.5 and reason != "outgrown"
            else 0.0
        )
        if cut:
            yield Harvest(at_s=noon_s + 600, id=f"cut-{day}", tank="foyer", fresh_grams=round(60 * cut * area, 1))
            area *= 1.0 - cut


def _window(rng: np.random.Generator) -> tuple[lightsim.Array, lightsim.Array]:
    """A row a day: daylight at the probe in lux, and whether the lamp is on, whose timer follows the clock."""
    days, step_s = 7 * WEEKS, int(EVERY_S)
    _, _, clear = lightsim.sky(LATITUDE, LONGITUDE, int(START_S), days, step_s)
    sky = 112.0 * clear * lightsim.clouds(rng, days, step_s) * rng.uniform(0.015, 0.03)
    minutes = lightsim.local_minutes(START_S + np.arange(0, days * DAY_S, EVERY_S), ZONE)
    on = (minutes >= ON_MINUTE) & (minutes < OFF_MINUTE)
    return sky.reshape(days, -1), on.reshape(days, -1)


def _day(rng: np.random.Generator, at_s: float, light: lightsim.Array, probe: float, temp_c: float) -> Iterator[Event]:
    for n, lux in enumerate(light):
        s = n * EVERY_S
        value = float(lux) * probe * (1.0 + rng.normal(0.0, 0.01))
        yield Reading(at_s=at_s + s + 60.0, probe="foyer-light", value=max(0.0, round(value, 1)))
        if n % 3 == 0:
            yield Reading(at_s=at_s + s + 90.0, probe="foyer-temperature", value=round(temp_c + rng.normal(0, 0.05), 2))


def _week(
    rng: np.random.Generator, at_s: float, day: int, nitrate: float, area: float, new: float, litres: float
) -> Iterator[Event]:
    seen = nitrate * math.exp(rng.normal(0.0, 0.12))
    pad = min(PADS, key=lambda p: abs(p - seen))
    yield Test(at_s=at_s - 3600.0, id=f"test-{day}", tank="foyer", method="strip", kit="strip", values={"nitrate": pad})
    yield WaterChange(at_s=at_s - 1800.0, id=f"change-{day}", tank="foyer", litres=0.15 * litres)
    cover = float(np.clip(-math.expm1(-0.5 * area * math.exp(rng.normal(0, 0.05))) + rng.normal(0, 0.02), 0, 1))
    leaves = float(max(0, rng.binomial(max(0, round(new)), 0.93) + rng.integers(-1, 2)))
    yield Growth(at_s=at_s, id=f"look-{day}", tank="foyer", cover=cover, new_leaves=leaves)


def live(reason: str, seed: int) -> Verdict:
    """Live one tank and hear what is said of it."""
    core = Core(config())
    timeline, alarms, grown = Timeline(core, core.initial()), set[str](), False
    last: dict[str, str] = {}
    for event in sorted(events(reason, seed), key=lambda e: e.at_s):
        for effect in timeline.feed(event):
            last |= {effect.alarm: effect.state} if isinstance(effect, AlarmChange) else {}
            if (
                isinstance(effect, AlarmChange)
                and effect.state == "unacknowledged"
                and event.at_s > START_S + ONSET * 7 * DAY_S
            ):
                alarms.add(effect.alarm)
        if isinstance(event, Growth | LightSpot) and event.at_s > START_S + (ONSET - 4) * 7 * DAY_S:
            view = tank_view(core, timeline.state, event.at_s, "foyer")
            grown = grown or any("outgrown" in s for s in view.growth_sentences)
    return Verdict(grown, alarms, {a for a, state in last.items() if state in ("unacknowledged", "acknowledged")})
