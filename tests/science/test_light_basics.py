"""Medians, locations, integrals and the sum: what must hold for any values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.science.inference import cusum, robust
from rushlight.science.optics import dose

NUMBERS = st.floats(-1e6, 1e6)


@given(st.lists(NUMBERS, min_size=1, max_size=50))
def test_median_and_spread_agree_with_numpy(values: list[float]):
    assert robust.median(values) == pytest.approx(float(np.median(values)), abs=1e-6)
    mad = float(np.median(np.abs(np.array(values) - np.median(values))))
    assert robust.spread(values) == pytest.approx(1.4826 * mad, abs=1e-5)


def test_spread_against_scipy():
    from scipy.stats import median_abs_deviation

    values = np.random.default_rng(1).normal(5.0, 2.0, 301).tolist()
    assert robust.spread(values) == pytest.approx(median_abs_deviation(values, scale="normal"), rel=1e-3)


def test_nothing_has_no_median():
    with pytest.raises(ValueError, match="nothing"):
        robust.median([])


def test_location_against_scipy_huber_loss():
    """scipy's least squares with the Huber loss and the same bend minimises the same sum."""
    from scipy.optimize import least_squares

    rng = np.random.default_rng(2)
    sds = rng.uniform(0.5, 3.0, 63)
    values = np.r_[rng.normal(100.0, sds[:60]), 130.0, 131.0, 60.0]
    ours, error = robust.weighted_location(values.tolist(), sds.tolist(), clip_sd=2.0)
    theirs = least_squares(lambda m: (values - m[0]) / sds, [99.0], loss="huber", f_scale=2.0, xtol=1e-12, ftol=1e-12)
    assert ours == pytest.approx(float(theirs.x[0]), abs=1e-4)
    assert 0.05 < error < 0.4


@given(NUMBERS, NUMBERS, st.floats(1.0, 600.0), st.floats(0.01, 0.99))
def test_cutting_an_interval_changes_no_integral(a: float, b: float, dt_s: float, share: float):
    middle = a + share * (b - a)
    whole = dose.trapezoid(a, b, dt_s)
    parts = dose.trapezoid(a, middle, share * dt_s) + dose.trapezoid(middle, b, (1.0 - share) * dt_s)
    assert parts == pytest.approx(whole, rel=1e-9, abs=1e-3)


def test_longest_gap_never_below_ten_minutes():
    assert dose.longest_gap_s(1.0) == 600.0
    assert dose.longest_gap_s(300.0) == 900.0


@given(st.floats(0.0, 20.0), NUMBERS, st.floats(0.001, 10.0))
def test_the_sum_is_never_negative_nor_above_its_ceiling(total: float, x: float, sd: float):
    score = cusum.fall_score(x, sd, 0.05, 4.0)
    assert 0.0 <= cusum.score_step(total, score, 20.0) <= 20.0


def test_no_single_value_scores_beyond_the_clip():
    assert cusum.fall_score(-99.0, 0.02, 0.05, 4.0) == pytest.approx(cusum.fall_score(-0.08, 0.02, 0.05, 4.0))
