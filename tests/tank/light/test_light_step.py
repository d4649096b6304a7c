"""A step of the lamp: what may add up to one, and what one shadow or one habit may not.

The sums are checked by hand against the bounds that `light.abrupt_loss` states; readings are made here, the lamp's level
being known.
"""

from __future__ import annotations

import numpy as np
import pytest

from helpers.lightrun import run
from helpers.lightsim import Room, simulate
from rushlight.tank.light import abrupt_loss, lamp_floor
from rushlight.tank.light.abrupt_loss import Abrupt

H = 3600.0
LEVEL = 5000.0


def readings(*parts: tuple[float, float]) -> tuple[list[float], list[float]]:
    """Five-minute readings for a lamp on from hour 8 to 18; (hour, share of the level) parts, each until the next."""
    times = [8 * H + 300.0 * k for k in range(120)]
    return times, [LEVEL * next(share for hour, share in reversed(parts) if t >= hour * H) for t in times]


def look(*parts: tuple[float, float], ramp_s: float = 0.0) -> float | None:
    return lamp_floor.stays_below([(8 * H, 18 * H, LEVEL)], *readings(*parts), 8 * H, ramp_s)


def test_daylight_however_strong_is_never_beneath_the_lamp() -> None:
    assert look((8, 1.0), (10, 3.0), (11, 1.01), (12, 9.0), (17, 1.0)) is None


def test_a_dip_of_a_quarter_of_an_hour_is_seen_and_one_of_a_single_reading_is_not() -> None:
    assert look((8, 1.3), (12, 0.85), (12.25, 1.3)) == pytest.approx(12 * H + 600.0)
    assert look((8, 1.3), (12, 0.6), (12.05, 1.3)) is None


def test_a_lamp_that_is_out_or_within_its_anchors_error_is_not_beneath() -> None:
    assert look((8, 1.3), (12, 0.3), (14, 1.3)) is None
    assert look((8, 0.97)) is None


def test_a_lamp_that_comes_on_slowly_is_not_beneath_its_own_light() -> None:
    rising = (8, 0.55), (8.3, 0.7), (8.5, 0.9), (8.75, 1.1)
    assert look(*rising) is not None
    assert look(*rising, ramp_s=1.2 * H) is None


def test_one_day_whatever_it_holds_is_no_step() -> None:
    """Both switchings and the light between them far down: two switchings and one dip, then a healthy morning."""
    state = Abrupt()
    abrupt_loss.take_switching(state, 8 * H, 50.0)
    assert abrupt_loss.take_beneath(state, 12 * H)
    abrupt_loss.take_switching(state, 18 * H, 50.0)
    assert not state.decided()
    abrupt_loss.take_switching(state, 32 * H, -0.1)
    assert not state.decided()


def test_a_shadow_on_a_switching_counts_no_more_for_what_else_it_darkens() -> None:
    before, after = Abrupt(), Abrupt()
    abrupt_loss.take_switching(before, 8 * H, 50.0)
    abrupt_loss.take_beneath(before, 12 * H)
    abrupt_loss.take_beneath(after, 12 * H)
    abrupt_loss.take_switching(after, 18 * H, 50.0)
    assert before.sum == after.sum == pytest.approx(abrupt_loss.MOST_PER_EDGE)


def test_weak_switchings_and_two_days_beneath_the_lamp_come_to_a_step() -> None:
    state, alone = Abrupt(), Abrupt()
    for day in (0, 1):
        for hour in (8, 18):
            abrupt_loss.take_switching(state, (24 * day + hour) * H, 0.8)
            abrupt_loss.take_switching(alone, (24 * day + hour) * H, 0.8)
            abrupt_loss.take_beneath(state, (24 * day + 13) * H)
    assert state.decided()
    assert state.twice()
    assert not alone.decided()


def test_a_lamp_that_dims_itself_every_noon_is_no_witness_by_its_noons() -> None:
    state = Abrupt()
    counted = []
    for day in range(10):
        abrupt_loss.take_switching(state, (24 * day + 8) * H, -3.0)
        counted.append(abrupt_loss.take_beneath(state, (24 * day + 13) * H))
        abrupt_loss.take_switching(state, (24 * day + 18) * H, -3.0)
    assert counted == [True] * 3 + [False] * 7


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "at"), [(2002, 134.5), (2005, 245.4)])
def test_a_step_under_broken_cloud_is_seen_by_light_beneath_the_lamp(seed: int, at: float) -> None:
    """Each switching is blurred by a sixth of the lamp; sun and clear sky by pvlib."""
    year = simulate(seed, room=Room(window_share=0.06), days=365, step_loss=0.2, step_at_day=at)
    upto = (year.times - year.times[0]) / 86400.0 < at + 3.0
    year.times, year.values, year.output = (np.asarray(x)[upto] for x in (year.times, year.values, year.output))
    day = run(year).first("lamp_dimming")
    assert day is not None
    assert at < day <= at + 2.0
