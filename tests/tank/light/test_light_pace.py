"""However often a light probe is read, a switching of the lamp is worth the same.

Readings are simulated by `helpers.lightsim` (sun and clear sky from pvlib); the lamp's true output is known there.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from helpers.lightrun import run, true_loss
from helpers.lightsim import Room, Year, local_minutes, simulate

pytestmark = pytest.mark.slow

ROOM = Room(outages=0.0)


def _half_way(year: Year, every: float) -> Year:
    """The same readings, but whatever is read while a lamp takes three seconds to come on or go off lies between."""
    values = year.values.copy()
    changed = np.flatnonzero(np.diff(year.lamp > 0.0)) + 1
    rng = np.random.default_rng(5)
    for i in changed[rng.random(len(changed)) < 3.0 / every]:
        values[i] = 0.5 * (values[i - 1] + values[i])
    return dataclasses.replace(year, values=values)


@pytest.mark.parametrize("every_s", [10, 30, 60, 120, 200, 300, 900, 1800])
@pytest.mark.parametrize("seed", [11, 14])
def test_each_switching_is_worth_the_lamp_at_any_pace(every_s: int, seed: int) -> None:
    year = simulate(seed, room=ROOM, days=12, step_s=every_s)
    done = run(_half_way(year, every_s), every_s=every_s)
    jumps = [jump for slot in done.state.lamp.slots for jump, _ in slot.learned]
    # At a quarter of an hour, one reading lost beside a switching leaves it unmeasured.
    assert len(jumps) >= (22 if every_s < 900 else 15)
    assert jumps == [pytest.approx(ROOM.lamp_lx, rel=0.04)] * len(jumps)


def test_a_step_is_seen_within_two_days_at_a_reading_a_minute() -> None:
    done = run(simulate(12, room=ROOM, days=50, step_s=60, step_loss=0.2, step_at_day=40.4), every_s=60)
    day = done.first("lamp_dimming")
    assert day is not None
    assert 40.4 < day <= 42.4


def test_light_that_leaps_at_every_reading_is_still_kept() -> None:
    """A strobe, or a bad contact: half of what was read stays, and no more than two averages a bin's length."""
    year = simulate(13, room=ROOM, days=2, step_s=30)
    year.values[::2] *= 0.3
    done = run(year, every_s=30)
    kept = np.array(done.state.times)
    assert np.max(np.diff(kept)) <= 600.0
    assert np.min(kept[3:] - kept[:-3]) >= 120.0


def _ramped(year: Year, minutes: float) -> Year:
    """The same light, but the lamp takes that long to come on and to go off, as built-in sunrises do."""
    minute = local_minutes(year.times, year.room.timezone)
    since, left = minute - year.room.on_minute, year.room.off_minute - minute
    level = np.clip(np.minimum(since, left) / minutes, 0.0, 1.0)
    lamp = year.room.lamp_lx * year.output * level
    noise = np.random.default_rng(3).normal(1.0, year.room.noise, len(lamp))
    values = np.where(np.isnan(year.values), np.nan, (lamp + year.daylight) * noise)
    return dataclasses.replace(year, values=values, lamp=lamp)


@pytest.mark.parametrize(("minutes", "every_s"), [(5, 300), (15, 300), (30, 300), (30, 60), (60, 300)])
def test_a_lamp_with_a_sunrise_of_its_own_is_measured_whole(minutes: float, every_s: int) -> None:
    done = run(_ramped(simulate(15, room=ROOM, days=45, step_s=every_s), minutes), every_s=every_s)
    percent = done.watch.lamp.percent(done.state.lamp) if done.watch.lamp else None
    assert percent is not None
    assert percent.mean == pytest.approx(100.0, abs=2.0)
    assert [s.anchor for s in done.state.lamp.slots] == [pytest.approx(ROOM.lamp_lx, rel=0.03)] * 2
    assert done.raised("lamp_dimming", "light_probe_fouled", "lamp_off") == []


def test_a_lamp_with_a_sunrise_of_its_own_is_seen_to_fade() -> None:
    year = _ramped(simulate(16, room=ROOM, days=90, fade_percent_week=1.0, fade_from_day=30.0), 30.0)
    day = run(year).first("lamp_dimming")
    assert day is not None
    assert 0.01 < true_loss(year, day) / 100.0 < 0.06
