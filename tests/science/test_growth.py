"""Relative growth against worked values and reference libraries.

The worked values were computed with scipy 1.17 and statsmodels 0.15; definitions by Hunt 1978 and Hoffmann & Poorter
2002 (Ann. Bot. 90:37-42).
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from helpers.later import Later
from rushlight.science.plants import growth

stats = Later("scipy.stats")


def test_paired_plants() -> None:
    """Five plants, two weeks apart: 0.276157, s.e. 0.017308, 90 % 0.239259 to 0.313055 (scipy)."""
    found = growth.paired([1.2, 1.5, 0.9, 1.8, 1.4], [2.1, 2.4, 1.7, 2.9, 2.6], 2.0)
    assert found.mean == pytest.approx(0.276157, abs=1e-5)
    assert found.error == pytest.approx(0.017308, abs=1e-5)
    assert found.interval() == pytest.approx((0.239259, 0.313055), abs=2e-5)
    assert found.mean != pytest.approx(0.271333, abs=1e-3), "the logarithm of means is another figure"


def test_regression() -> None:
    """Nine weeks: slope 0.120592, s.e. 0.001519, 90 % 0.117714 to 0.123471 (scipy linregress, statsmodels OLS)."""
    sizes = [10, 11.4, 12.6, 14.5, 16.0, 18.6, 20.4, 23.5, 26.2]
    found = growth.regression(list(range(9)), sizes)
    assert (found.mean, found.error) == pytest.approx((0.120592, 0.001519), abs=1e-5)
    assert found.interval() == pytest.approx((0.117714, 0.123471), abs=1e-5)
    oracle = stats.linregress(range(9), [math.log(s) for s in sizes])
    assert (found.mean, found.error) == pytest.approx((oracle.slope, oracle.stderr), rel=1e-9)


@given(st.lists(st.floats(0.1, 1e4), min_size=3, max_size=40, unique=True), st.floats(0.5, 4.0))
def test_regression_is_scipys(sizes: list[float], apart: float) -> None:
    weeks = [apart * n for n in range(len(sizes))]
    oracle = stats.linregress(weeks, [math.log(s) for s in sizes])
    found = growth.regression(weeks, sizes)
    assert found.mean == pytest.approx(oracle.slope, abs=1e-9)
    assert found.error == pytest.approx(oracle.stderr, abs=1e-7)


@pytest.mark.parametrize("freedom", [1, 2, 5, 13, 14, 30, 200])
def test_students_t(freedom: int) -> None:
    assert growth.t95(freedom) == pytest.approx(stats.t.ppf(0.95, freedom), abs=1e-3)


def test_harvest_counts_as_grown() -> None:
    """20, of which 6 were taken, and 14 two weeks later: nothing grew; without the harvest it would read -0.178337."""
    assert growth.relative_rate(20.0, 14.0, 2.0, taken=6.0) == 0.0
    assert growth.relative_rate(20.0, 14.0, 2.0) == pytest.approx(-0.178337, abs=1e-5)


def test_the_rate_falls_with_size_by_itself() -> None:
    """A logistic plant, K 100, W0 10, r 0.2, over four weeks from week 0, 8, 16: 0.171098, 0.109702, 0.039983."""

    def size(t: float) -> float:
        return 100.0 / (1.0 + 9.0 * math.exp(-0.2 * t))

    found = [growth.relative_rate(size(t), size(t + 4), 4.0) for t in (0, 8, 16)]
    assert found == pytest.approx([0.171098, 0.109702, 0.039983], abs=1e-5)


@pytest.mark.parametrize(
    ("n", "apart", "error"), [(4, 1, 0.022361), (5, 1, 0.015811), (6, 1, 0.011952), (5, 2, 0.007906)]
)
def test_error_of_a_slope_from_the_error_of_sizes(n: int, apart: float, error: float) -> None:
    """cv 5 %: textbook statistics, cv sqrt(12 / (n (n² − 1))) / d."""
    assert growth.slope_error(0.05, n, apart) == pytest.approx(error, abs=1e-6)


@pytest.mark.parametrize(
    ("area", "cover", "elasticity"), [(0.5, 0.221199, 0.880203), (2, 0.632121, 0.581977), (4, 0.864665, 0.313035)]
)
def test_cover_saturates(area: float, cover: float, elasticity: float) -> None:
    """1 − exp(−k LAI) with k 0.5 and its elasticity, evaluated (Monsi & Saeki's law)."""
    assert growth.cover_of(area) == pytest.approx(cover, abs=1e-5)
    assert growth.leaf_area_of(cover) == pytest.approx(area, abs=1e-4)
    assert growth.cover_elasticity(area) == pytest.approx(elasticity, abs=1e-5)


def test_what_has_no_logarithm_is_refused() -> None:
    for call in (
        lambda: growth.relative_rate(5.0, 5.0, 1.0, taken=5.0),
        lambda: growth.regression([0, 1], [1, 2]),
        lambda: growth.regression([1, 1, 1], [1, 2, 3]),
        lambda: growth.leaf_area_of(1.0),
        lambda: growth.paired([1.0], [2.0], 1.0),
        lambda: growth.slope_error(0.05, 1, 1.0),
        lambda: growth.t95(0),
    ):
        with pytest.raises(ValueError, match=r".+"):
            call()
