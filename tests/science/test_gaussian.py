"""Normal masses, truncated moments and mixture quantiles against scipy."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from helpers.later import Later
from rushlight.science.inference.gaussian import (
    below,
    density,
    mixture_below,
    mixture_moments,
    mixture_quantile,
    moments_above_zero,
)

optimize, stats = Later("scipy.optimize"), Later("scipy.stats")


@given(st.floats(-30, 8))
def test_below_keeps_its_digits_in_the_far_tail(z):
    assert below(z) == pytest.approx(stats.norm.cdf(z), rel=1e-10)
    assert density(z) == pytest.approx(stats.norm.pdf(z), rel=1e-12)


@given(st.floats(-20, 40), st.floats(0.5, 20))
def test_moments_above_zero_equal_scipys_truncated_normal(mean, sd):
    a = -mean / sd
    if a > 8:
        return  # scipy's own variance loses its digits there
    mass, m, v = moments_above_zero(mean, sd)
    expected = stats.truncnorm(a, math.inf, loc=mean, scale=sd)
    assert mass == pytest.approx(stats.norm.sf(a), rel=1e-9)
    assert m == pytest.approx(expected.mean(), rel=1e-6)
    assert v == pytest.approx(expected.var(), rel=1e-4)


def test_moments_above_zero_stay_finite_where_nothing_is_left():
    _, mean, variance = moments_above_zero(-1000.0, 1.0)
    assert 0.0 < mean < 0.01
    assert variance > 0.0
    with pytest.raises(ValueError, match="positive"):
        moments_above_zero(1.0, 0.0)


def test_quantiles_invert_the_mixture():
    parts = [(0.2, 1.0, 0.5), (0.8, 4.0, 2.0)]
    for p in (0.05, 0.5, 0.95):
        assert mixture_below(parts, mixture_quantile(parts, p)) == pytest.approx(p, abs=1e-8)
    cut = mixture_quantile(parts, 0.05, floor=0.0)
    mass = 1 - mixture_below(parts, 0.0)
    assert (mixture_below(parts, cut) - mixture_below(parts, 0.0)) / mass == pytest.approx(0.05, abs=1e-8)
    assert mixture_quantile([(1.0, 0.0, 1.0)], 0.95) == pytest.approx(stats.norm.ppf(0.95), abs=1e-8)
    with pytest.raises(ValueError, match="between 0 and 1"):
        mixture_quantile(parts, 1.0)


NORMAL = st.tuples(st.floats(0.01, 1.0), st.floats(-50, 200), st.floats(0.05, 30))


@given(st.lists(NORMAL, min_size=1, max_size=4), st.floats(0.001, 0.999), st.sampled_from([None, 0.0]))
def test_a_quantile_equals_that_of_scipys_root_finder(raw, p, floor):
    """Brent's method on scipy's distribution functions, in narrow and wide parts with valleys between them."""
    total = sum(w for w, _, _ in raw)
    parts = [(w / total, m, s) for w, m, s in raw]

    def short(x: float) -> float:
        return sum(w * stats.norm.cdf(x, m, s) for w, m, s in parts) - wanted

    wanted = 0.0
    cut = short(floor) if floor is not None else 0.0
    wanted = cut + p * (1.0 - cut)
    found = mixture_quantile(parts, p, floor)
    assert short(found) == pytest.approx(0.0, abs=1e-8)
    if abs(short(found - 1e-3)) > 1e-6 and wanted < 1.0 - 1e-6:  # not where a valley leaves the place open
        low, high = (min(m - 10 * s for _, m, s in parts), max(m + 10 * s for _, m, s in parts))
        assert found == pytest.approx(optimize.brentq(short, min(low, 0.0), high, xtol=1e-10), abs=1e-6)


def test_mixture_moments():
    mean, sd = mixture_moments([(0.5, -1.0, 1.0), (0.5, 1.0, 1.0)])
    assert mean == pytest.approx(0.0)
    assert sd == pytest.approx(math.sqrt(2.0))
