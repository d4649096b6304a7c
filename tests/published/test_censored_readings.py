"""An interval-censored reading of a normal quantity, against the closed form and brute-force integration.

The closed form is the truncated normal's (Johnson, Kotz & Balakrishnan, Continuous Univariate Distributions, vol. 1,
ch. 13) carried over to the state by regression; why an interval must not be replaced by a point: Helsel 2005, "More
than obvious", Environ. Sci. Technol. 39:419A-423A.  The numbers are that closed form evaluated with scipy.
"""

import math

import numpy as np
import pytest

from helpers.later import Later
from rushlight.science.inference.interval import Span, blurred, posterior
from rushlight.science.inference.kalman import Belief, update

stats = Later("scipy.stats")

# prior mean, prior variance, reading variance, low, high, posterior mean, posterior variance
CASES = [
    (30.0, 64.0, 9.0, 10.0, 25.0, 21.375482, 18.008482),
    (12.0, 16.0, 4.0, 10.0, 25.0, 13.894114, 9.008326),
    (60.0, 100.0, 25.0, 50.0, None, 62.936778, 67.881115),
]


def closed_form(mean, variance, reading_variance, low, high):
    """Moments of the state given that the blurred reading fell into [low, high)."""
    total = variance + reading_variance
    sd = math.sqrt(total)
    a, b = (low - mean) / sd, (high - mean) / sd if high is not None else math.inf
    cut = stats.truncnorm(a, b, loc=mean, scale=sd)
    gain = variance / total
    return mean + gain * (cut.mean() - mean), variance * (1 - gain) + gain**2 * cut.var()


@pytest.mark.parametrize("case", CASES)
def test_quadrature_equals_the_published_closed_form(case):
    mean, variance, reading, low, high, expected_mean, expected_variance = case
    assert closed_form(mean, variance, reading, low, high) == pytest.approx(
        (expected_mean, expected_variance), abs=1e-6
    )
    likelihood = blurred(Span(low, high), 0.0, math.sqrt(reading))
    _, m, v = posterior(mean, math.sqrt(variance), likelihood, floor=None, panels=400)
    assert (m, v) == pytest.approx((expected_mean, expected_variance), abs=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("mean", "sd", "span"),
    [
        (8.0, 6.0, Span(4.5, 16.6)),
        (22.0, 9.0, Span(4.5, 16.6)),
        (22.0, 9.0, Span(16.6, 36.4)),
        (48.0, 12.0, Span(16.6, 36.4)),
        (3.0, 20.0, Span(0.0, 5.0)),
        (22.0, 9.0, Span(0.0, 5.0)),
        (150.0, 60.0, Span(250.0, None)),
        (8.0, 6.0, Span(25.0, 25.0)),
        (10.0, 100.0, Span(4.5, 16.6)),
    ],
)
def test_proportional_error_equals_brute_force_integration(mean, sd, span):
    likelihood = blurred(span, 0.22, 1.0)
    c = np.linspace(0.0, mean + 8 * sd, 200_001)
    weight = stats.norm.pdf(c, mean, sd) * np.array([likelihood(x) for x in c])
    expected = float((weight * c).sum() / weight.sum())
    variance = float((weight * (c - expected) ** 2).sum() / weight.sum())
    _, m, v = posterior(mean, sd, likelihood)
    assert m == pytest.approx(expected, rel=2e-3)
    assert v == pytest.approx(variance, rel=4e-2)


def test_a_reading_that_the_prior_rules_out_has_no_evidence():
    evidence, mean, variance = posterior(10.0, 0.5, blurred(Span(250.0, None), 0.01, 0.1))
    assert (evidence, mean, variance) == (0.0, 10.0, 0.25)


def test_a_point_reading_of_constant_error_is_the_kalman_update():
    belief, _ = update(Belief([20.0], [[25.0]]), (1.0,), 9.0, 26.0)
    _, m, v = posterior(20.0, 5.0, blurred(Span(26.0, 26.0), 0.0, 3.0), floor=None, panels=400)
    assert m == pytest.approx(belief.mean[0], abs=1e-9)
    assert v == pytest.approx(belief.cov[0][0], abs=1e-8)


def test_a_half_normal_comes_of_a_prior_cut_at_zero():
    # half normal: mean sqrt(2/pi), variance 1 - 2/pi (textbook)
    _, m, v = posterior(0.0, 1.0, lambda c: 1.0, panels=400)
    assert m == pytest.approx(math.sqrt(2 / math.pi), abs=1e-7)
    assert v == pytest.approx(1 - 2 / math.pi, abs=1e-7)


def test_evidence_is_the_chance_of_the_reading():
    evidence, _, _ = posterior(30.0, 8.0, blurred(Span(10.0, 25.0), 0.0, 3.0), floor=None, panels=400)
    sd = math.sqrt(73.0)
    assert evidence == pytest.approx(float(np.diff(stats.norm.cdf([10, 25], 30.0, sd))[0]), abs=1e-9)
