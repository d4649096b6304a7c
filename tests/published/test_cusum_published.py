"""The cumulative sum against published run lengths, by Markov chain and by simulation, and on the Nile's flow."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rushlight.science.inference.cusum import fall_score, lower_step, score_step

pytestmark = pytest.mark.slow


def chain_run_length(shift: float, k: float, h: float, start: float = 0.0, cells: int = 400) -> float:
    """Average run length of the one-sided test by the Markov chain of Brook & Evans 1972.

    The sum is cut into cells; how it moves from one to the next comes from where `lower_step` would put it.
    """
    width = 2.0 * h / (2 * cells - 1)
    middles = np.arange(cells) * width

    def below(x: np.ndarray) -> np.ndarray:
        return np.array([0.5 * math.erfc(-v / math.sqrt(2.0)) for v in x.ravel()]).reshape(x.shape)

    # From a middle m the next sum is max(0, m + y - k), y normal about the shift; lower_step takes z = -y.
    assert lower_step(1.0, -0.7, k) == pytest.approx(max(0.0, 1.0 + 0.7 - k))
    upper = middles[None, :] + width / 2.0 - middles[:, None] + k - shift
    reach = below(upper)
    moves = np.diff(reach, axis=1, prepend=0.0)
    lengths = np.linalg.solve(np.eye(cells) - moves, np.ones(cells))
    return float(np.interp(start, middles, lengths))


@pytest.mark.parametrize(
    ("shift", "length"),
    [
        (0.0, 168.0),
        (0.25, 74.2),
        (0.5, 26.6),
        (0.75, 13.3),
        (1.0, 8.38),
        (1.5, 4.75),
        (2.0, 3.34),
        (2.5, 2.62),
        (3.0, 2.19),
        (4.0, 1.71),
    ],
)
def test_lucas_and_crosier_1982_table_1(shift: float, length: float):
    """Two-sided, k 0.5, h 4; Technometrics 24:199-205, as quoted in the manual of the R package spc."""
    up, down = chain_run_length(shift, 0.5, 4.0), chain_run_length(-shift, 0.5, 4.0)
    assert 1.0 / (1.0 / up + 1.0 / down) == pytest.approx(length, rel=0.006)


def test_brook_and_evans_1972():
    """One-sided, k 0.5, h 3; Biometrika 59:539-549, section 4.3, as quoted in the same manual."""
    assert chain_run_length(0.0, 0.5, 3.0) == pytest.approx(117.59, rel=0.001)
    assert chain_run_length(1.5, 0.5, 3.0) == pytest.approx(3.75, abs=0.01)


@pytest.mark.parametrize(
    ("shift", "length"), [(-0.25, 2071.51), (0.0, 124.66), (0.25, 36.71), (0.5, 20.37), (1.0, 10.75)]
)
def test_vance_1986(shift: float, length: float):
    """One-sided, k 0, h 10; Journal of Quality Technology 18:189-193, table 1, as quoted in the same manual."""
    assert chain_run_length(shift, 0.0, 10.0, cells=800) == pytest.approx(length, rel=0.004)


@pytest.mark.parametrize(("shift", "length"), [(0.5, 38.0), (1.0, 10.4), (2.0, 4.01)])
def test_run_lengths_by_simulation(shift: float, length: float):
    """k 0.5, h 5, one side: the same values two-sided in Montgomery's table, as recalled and recomputed by two methods."""
    rng = np.random.default_rng(82)
    lengths = []
    for _ in range(3000):
        total, n = 0.0, 0
        for z in rng.normal(-shift, 1.0, 2000):
            total, n = lower_step(total, z, 0.5), n + 1
            if total > 5.0:
                break
        lengths.append(n)
    assert np.mean(lengths) == pytest.approx(length, rel=0.06)
    assert chain_run_length(shift, 0.5, 5.0) == pytest.approx(length, rel=0.01)


def test_score_is_the_same_test_in_other_units():
    """With equal noise the log-likelihood ratio is the standard sum times shift/sd (Page 1954)."""
    rng = np.random.default_rng(5)
    sd, shift = 0.02, 0.05
    total = score = 0.0
    for x in rng.normal(-0.03, sd, 500):
        total = lower_step(total, x / sd, 0.5 * shift / sd)
        score = score_step(score, fall_score(x, sd, shift, 1e9), 1e9)
        assert score == pytest.approx(total * shift / sd, abs=1e-9)


def test_nile_alarm_and_onset():
    """Flow at Aswan 1871-1970 (statsmodels), anchored on 1871-1898 or the first 20 years: alarm 1902, onset 1899.

    The change after 1898 is the one that Cobb 1978 published; least squares and Pettitt's test agree on it.
    """
    import statsmodels.api as sm

    nile = sm.datasets.nile.load_pandas().data
    for anchor in (28, 20):
        first = nile["volume"].iloc[:anchor]
        mean, sd = first.mean(), first.std(ddof=1)
        total, onset = 0.0, None
        for year, volume in zip(nile["year"], nile["volume"], strict=True):
            total = lower_step(total, (volume - mean) / sd, 0.5)
            onset = None if total == 0.0 else onset or int(year)
            if total > 5.0:
                break
        assert (int(year), onset) == (1902, 1899)
