"""The filter's arithmetic against statsmodels' Kalman filter (a reference library) and its own algebra."""

import math
import random

import numpy as np
import pytest

from helpers.later import Later
from rushlight.science.inference.kalman import Belief, merge, predict, regress, regress_along, update
from rushlight.tank.nitrate import balance as bal
from rushlight.tank.nitrate import kinds, readings

statsmodels = Later("statsmodels.tsa.statespace.kalman_filter")


def reference(readings, transition, noise, start, row, variance):
    """Filtered states of statsmodels for the same model, all readings on the common time grid, NaN where none."""
    n = len(start.mean)
    kf = statsmodels.KalmanFilter(k_endog=1, k_states=n)
    kf.bind(np.asarray(readings, dtype=float)[:, None])
    kf["design"] = np.asarray(row, dtype=float)[None, :]
    kf["obs_cov"] = np.array([[variance]])
    kf["transition"] = np.asarray(transition, dtype=float)
    kf["selection"] = np.eye(n)
    kf["state_cov"] = np.asarray(noise, dtype=float)
    kf.initialize_known(np.asarray(start.mean, dtype=float), np.asarray(start.cov, dtype=float))
    return kf.filter()


@pytest.mark.parametrize("pace", kinds.PACES, ids=["settled", "moving", "losing"])
def test_level_and_rate_filter_equals_statsmodels_to_1e_9(pace):
    rng = random.Random(7)
    feed = 1.7
    start = bal.begin(0.0, feed).modes[1].belief
    s = kinds.step(pace, 1.0, feed, feed)
    size = bal.SIZE
    transition = [list(s.level_row), list(s.uptake_row)] + [
        [float(i == j) for j in range(size)] for i in range(2, size)
    ]
    noise = [[0.0] * size for _ in range(size)]
    noise[0][0], noise[1][1], noise[0][1] = s.level_noise, s.uptake_noise, s.joint_noise
    noise[1][0], noise[3][3] = s.joint_noise, 0.4
    values = [20 + 0.3 * t + rng.gauss(0, 2) if t % 3 else math.nan for t in range(120)]
    row, variance = readings.SEEN_BY_ELECTRODE, 4.0
    found = reference(values, transition, noise, start, row, variance)
    belief, loglik = start, 0.0
    for t, value in enumerate(values):
        if not math.isnan(value):
            belief, one = update(belief, row, variance, value)
            loglik += one
        assert np.allclose(belief.mean, found.filtered_state[:, t], rtol=0, atol=1e-9)
        assert np.allclose(belief.cov, found.filtered_state_cov[:, :, t], rtol=0, atol=1e-9)
        belief = predict(belief, transition, [0.0] * size, noise)
    assert loglik == pytest.approx(found.llf, abs=1e-8)


def test_regress_on_a_gaussian_reading_equals_the_kalman_update():
    cov = [[9.0, -1.2, 0.1], [-1.2, 0.5, 0.02], [0.1, 0.02, 0.03]]
    belief = Belief([20.0, 1.0, 0.7], cov)
    variance, value = 4.0, 24.0
    straight, _ = update(belief, (1.0, 0.0, 0.0), variance, value)
    gain = 9.0 / (9.0 + variance)
    indirect = regress(belief, 0, 20.0 + gain * 4.0, 9.0 * (1 - gain))
    assert np.allclose(straight.mean, indirect.mean, atol=1e-12)
    assert np.allclose(straight.cov, indirect.cov, atol=1e-12)


def test_regress_along_a_direction_equals_the_kalman_update_along_it():
    cov = [[9.0, -1.2, 0.1], [-1.2, 0.5, 0.02], [0.1, 0.02, 0.03]]
    belief, row = Belief([20.0, 1.0, 0.7], cov), (1.0, 0.0, 20.0)
    variance, value = 4.0, 30.0
    straight, _ = update(belief, row, variance, value)
    expected, spread = belief.along(row)
    gain = spread / (spread + variance)
    indirect = regress_along(belief, row, expected + gain * (value - expected), spread * (1 - gain))
    assert np.allclose(straight.mean, indirect.mean, atol=1e-12)
    assert np.allclose(straight.cov, indirect.cov, atol=1e-12)


def test_merge_keeps_the_moments_of_the_mixture():
    rng = np.random.default_rng(3)
    a = Belief([1.0, 2.0], [[1.0, 0.3], [0.3, 2.0]])
    b = Belief([-1.0, 5.0], [[0.5, -0.1], [-0.1, 1.0]])
    drawn = np.concatenate(
        [rng.multivariate_normal(a.mean, a.cov, 300_000), rng.multivariate_normal(b.mean, b.cov, 700_000)]
    )
    merged = merge([(0.3, a), (0.7, b)])
    assert np.allclose(merged.mean, drawn.mean(axis=0), atol=0.01)
    assert np.allclose(merged.cov, np.cov(drawn.T), atol=0.02)


def test_what_is_known_exactly_cannot_be_learned():
    exact = Belief([1.0], [[0.0]])
    with pytest.raises(ValueError, match="without error"):
        update(exact, (1.0,), 0.0, 2.0)
    with pytest.raises(ValueError, match="known exactly"):
        regress(exact, 0, 2.0, 1.0)
