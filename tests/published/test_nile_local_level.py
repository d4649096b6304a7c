"""The filter on the Nile's annual flow, local level model.

Durbin & Koopman, Time Series Analysis by State Space Methods, 2nd ed. 2012, ch. 2: the observation variance 15099 and
the level variance 1469.1 (p. 37) maximise the likelihood; with a diffuse start, the steady state has gain and
variance that follow from the Riccati equation there.  Data: Cobb 1978, as shipped with statsmodels.
"""

import math

import pytest

from helpers.later import Later
from rushlight.science.inference.kalman import Belief, predict, update

sm, optimize = Later("statsmodels.api"), Later("scipy.optimize")


def likelihood_of(flows, observed, level):
    """Log-likelihood without the first, diffuse, observation."""
    belief = Belief([flows[0]], [[observed]])
    total = 0.0
    for flow in flows[1:]:
        belief = predict(belief, [[1.0]], [0.0], [[level]])
        belief, one = update(belief, (1.0,), observed, flow)
        total += one
    return total, belief


@pytest.fixture(scope="module")
def flows():
    return [float(v) for v in sm.datasets.nile.load_pandas().data["volume"]]


def test_published_variances_maximise_our_likelihood(flows):
    def loss(logs):
        return -likelihood_of(flows, math.exp(logs[0]), math.exp(logs[1]))[0]

    best = optimize.minimize(
        loss, [math.log(10000), math.log(1000)], method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-9}
    )
    assert math.exp(best.x[0]) == pytest.approx(15099, rel=0.003)
    assert math.exp(best.x[1]) == pytest.approx(1469.1, rel=0.01)


def test_steady_state_variance_solves_the_riccati_equation(flows):
    _, belief = likelihood_of(flows, 15099.0, 1469.1)
    q = 1469.1 / 15099.0
    predicted = 15099.0 * (q + math.sqrt(q * q + 4 * q)) / 2  # Durbin & Koopman, sect. 2.11, x = (q + sqrt(q^2 + 4q))/2
    assert belief.cov[0][0] == pytest.approx(predicted * 15099.0 / (predicted + 15099.0), rel=1e-6)
