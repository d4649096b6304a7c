"""A lamp beside a window, simulated: what a light probe would read for a year or so, faults and people included.

The sun comes from pvlib, clear skies from its Haurwitz model; clouds follow a three-state daily regime with an
Ornstein-Uhlenbeck transmittance inside the day.  Nothing here uses the product's own formulae.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

Array = Any


@dataclass(frozen=True)
class Room:
    """One tank's place.  Light levels are lux at the probe."""

    latitude: float = 52.0
    longitude: float = -1.5
    timezone: str = "Europe/London"
    lamp_lx: float = 5000.0
    window_share: float = 0.02
    """Light at the probe as a share of what falls on open ground."""
    facing: str = "plain"
    """plain: a share of the whole sky; south, east, north: direct sun only from there."""
    on_minute: int = 480
    off_minute: int = 1080
    timer_follows_clock: bool = True
    noise: float = 0.01
    lamp_wander: float = 0.003
    """Day-to-day standard deviation of the lamp's true output."""
    gaps: float = 0.02
    outages: float = 6.0
    """Stretches without readings, of up to six hours, a year."""
    room_light_lx: float = 0.0
    curtains: bool = False
    shadows: float = 0.0
    """Hours-long shadows on lamp and daylight alike, a year."""


@dataclass
class Year:
    """Readings (NaN: none), and the truth behind them."""

    times: Array
    values: Array
    lamp: Array
    daylight: Array
    output: Array
    """The lamp's true output against its start, by reading."""
    room: Room = field(default_factory=Room)


@functools.lru_cache(maxsize=4)
def sky(latitude: float, longitude: float, start_s: int, days: int, step_s: int) -> tuple[Array, Array, Array]:
    """Sun elevation and azimuth in degrees and clear-sky irradiance in W/m², by pvlib."""
    import pandas as pd
    import pvlib

    index = pd.to_datetime(np.arange(start_s, start_s + days * 86400, step_s), unit="s", utc=True)
    position = pvlib.solarposition.get_solarposition(index, latitude, longitude)
    clear = pvlib.clearsky.haurwitz(position["apparent_zenith"])["ghi"].to_numpy()
    return position["elevation"].to_numpy(), position["azimuth"].to_numpy(), clear


def clouds(rng: np.random.Generator, days: int, step_s: int) -> Array:
    """Transmittance of the sky, step by step."""
    change = np.array([[0.45, 0.40, 0.15], [0.18, 0.52, 0.30], [0.08, 0.37, 0.55]])
    per_day = 86400 // step_s
    out = np.empty(days * per_day)
    state = 1
    x = 0.0
    for d in range(days):
        state = rng.choice(3, p=change[state])
        middle, size, tau_s = ((0.97, 0.02, 3600.0), (0.65, 0.28, 900.0), (0.28, 0.09, 2400.0))[state]
        middle = min(1.0, max(0.1, middle + rng.normal(0.0, (0.01, 0.1, 0.1)[state])))
        keep = np.exp(-step_s / tau_s)
        shocks = rng.normal(0.0, np.sqrt(1.0 - keep * keep), per_day)
        for i in range(per_day):
            x = keep * x + shocks[i]
            out[d * per_day + i] = middle + size * x
    return np.clip(out, 0.05, 1.08)


def local_minutes(times: Array, timezone: str) -> Array:
    """Local minutes of the day, by the zone's offset at each time."""
    import pandas as pd

    index = pd.to_datetime(times, unit="s", utc=True).tz_convert(ZoneInfo(timezone))
    return np.asarray(index.hour * 60 + index.minute + index.second / 60.0)


def simulate(
    seed: int,
    *,
    room: Room | None = None,
    start: str = "2025-01-01",
    days: int = 365,
    step_s: int = 300,
    fade_percent_week: float = 0.0,
    fade_from_day: float = 60.0,
    step_loss: float = 0.0,
    step_at_day: float = 60.0,
    foul_percent_week: float = 0.0,
    foul_step: float = 0.0,
) -> Year:
    """One run.  Fades are exponential; `foul_*` act on everything the probe sees, from `fade_from_day` on."""
    room = room or Room()
    rng = np.random.default_rng(seed)
    start_s = int(np.datetime64(start).astype("datetime64[s]").astype(int))
    times = start_s + np.arange(0, days * 86400, step_s, dtype=float)
    day = (times - start_s) / 86400.0
    height, azimuth, clear = sky(room.latitude, room.longitude, start_s, days, step_s)
    open_air = 112.0 * clear * clouds(rng, days, step_s) + 400.0 * np.exp(np.clip(height, -18.0, 0.0) / 1.6) * (
        height > -12
    )
    daylight = room.window_share * open_air * _window(room, height, azimuth, rng)
    minute = local_minutes(times, room.timezone) if room.timer_follows_clock else (times % 86400) / 60.0
    shift = rng.uniform(-0.4, 0.4)  # the timer is not set to the second
    on = (minute >= room.on_minute + shift) & (minute < room.off_minute + shift)
    output = np.exp(np.clip(day - fade_from_day, 0.0, None) / 7.0 * np.log(1.0 - fade_percent_week / 100.0))
    output = np.where(day >= step_at_day, output * (1.0 - step_loss), output)
    wander = rng.normal(1.0, room.lamp_wander, days)[np.minimum(day.astype(int), days - 1)]
    lamp = room.lamp_lx * output * wander * on
    local = local_minutes(times, room.timezone)
    extra, curtain, shade = _people(room, rng, day, local, days)
    gain = np.exp(np.clip(day - fade_from_day, 0.0, None) / 7.0 * np.log(1.0 - foul_percent_week / 100.0))
    gain = np.where(day >= step_at_day, gain * (1.0 - foul_step), gain)
    values = (lamp + daylight * curtain + extra) * shade * gain * rng.normal(1.0, room.noise, len(times))
    values[rng.random(len(times)) < room.gaps] = np.nan
    for _ in range(rng.poisson(room.outages * days / 365.0)):
        at = rng.uniform(0, days)
        values[(day >= at) & (day < at + rng.uniform(0.02, 0.25))] = np.nan
    return Year(times, values, lamp, daylight, output, room)


def _window(room: Room, height: Array, azimuth: Array, rng: np.random.Generator) -> Array:
    if room.facing == "plain":
        return np.ones_like(height)
    middle = {"south": 180.0, "east": 90.0, "west": 270.0, "north": 0.0}[room.facing]
    off = np.abs((azimuth - middle + 180.0) % 360.0 - 180.0)
    direct = np.clip(np.cos(np.radians(off)), 0.0, None) * np.cos(np.radians(np.clip(height, 0.0, 90.0)))
    return 0.5 + 1.5 * direct


def _people(room: Room, rng: np.random.Generator, day: Array, minute: Array, days: int) -> tuple[Array, Array, Array]:
    extra, curtain, shade = np.zeros_like(day), np.ones_like(day), np.ones_like(day)
    whole = np.minimum(day.astype(int), days - 1)
    if room.room_light_lx:
        on = rng.normal(475.0, 12.0, days)[whole]
        off = rng.normal(1110.0, 45.0, days)[whole]
        there = (rng.random(days) < 0.85)[whole]
        extra = room.room_light_lx * ((minute >= on) & (minute < off) & there)
    if room.curtains:
        drawn = (rng.random(days) < 0.3)[whole]
        at = rng.normal(600.0, 180.0, days)[whole]
        curtain = np.where(drawn & (minute >= at) & (minute < at + 240.0), 0.25, 1.0)
    for _ in range(rng.poisson(room.shadows * days / 365.0)):
        at = rng.uniform(0, days)
        shade[(day >= at) & (day < at + rng.uniform(0.02, 0.3))] = rng.uniform(0.3, 0.9)
    return extra, curtain, shade
