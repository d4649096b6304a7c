"""However often a light probe is read, a switching of the lamp is worth the same.

Readings are simulated by `helpers.lightsim` (sun and clear sky from pvlib); the lamp's true output is known there.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from helpers.lightrun import run
from helpers.lightsim import Room, Year, simulate

ROOM = Room(outages=0.0)


def _half_way(year: Year, every: float) -> Year:
    """The same readings, but whatever is read while a lamp takes three seconds to come on or go off lies between."""
    values = year.values.copy()
    changed = np.flatnonzero(np.diff(year.lamp > 0.0)) + 1
    rng = np.random.default_rng(5)
    for i in changed[rng.random(len(changed)) < 3.0 / every]:
        values[i] = 0.5 * (values[i - 1] + values[i])
    return dataclasses.replace(year, values=values)


@pytest.mark.parametrize("every_s", [10, 30, 60, 120, 200, 300])
@pytest.mark.parametrize("seed", [11, 14])
def test_each_switching_is_worth_the_lamp_at_any_pace(every_s: int, seed: int) -> None:
    year = simulate(seed, room=ROOM, days=12, step_s=every_s)
    done = run(_half_way(year, every_s), every_s=every_s)
    jumps = [jump for slot in done.state.lamp.slots for jump, _ in slot.learned]
    assert len(jumps) >= 22
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
