"""How uptake and nitrification answer to temperature, against the sources' own figures."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.science.plants import response


def test_nitrification_of_a_biofilm_where_ammonia_limits_it():
    """Zhu & Chen 2002, Aquacultural Engineering 26:221-237, abstract: 4.275 % per °C at 20 °C.  From 26 to 20 °C that
    leaves 0.778 (the same as a Q10 of 1.52)."""
    assert response.nitrification_left(20.0, 21.0) == pytest.approx(1.04275)
    assert response.nitrification_left(26.0, 20.0) == pytest.approx(0.778, abs=0.001)
    assert response.nitrification_left(20.0, 30.0) == pytest.approx(1.52, abs=0.005)


def test_uptake_within_the_range_of_crops():
    """Macduff, Hopper & Wild 1987, J. Exp. Bot. 38:42-52: Q10 of nitrate uptake 1.5 to 2.7 in rape, 3 to 25 °C; total
    uptake over a fortnight flat above 13 °C.  26 to 20 °C: 0.784 at 1.5, 0.551 at 2.7, 1 where it is flat."""
    left = tuple(response.uptake_left(26.0, 20.0, math.log(q)) for q in response.UPTAKE_Q10)
    assert left == pytest.approx((1.0, 0.784, 0.551), abs=0.001)


@given(st.floats(5, 35), st.floats(5, 35), st.floats(5, 35))
def test_there_and_back_is_nothing_and_warmer_is_never_less(a: float, b: float, c: float):
    for log_q10 in map(math.log, response.UPTAKE_Q10):
        assert response.uptake_left(a, b, log_q10) * response.uptake_left(b, a, log_q10) == pytest.approx(1.0)
    if b <= c:
        assert response.nitrification_left(a, b) <= response.nitrification_left(a, c)
        assert response.uptake_left(a, b, 0.4) <= response.uptake_left(a, c, 0.4) * (1 + 1e-12)


def test_half_of_a_cut_is_back_after_as_long_as_light_is_not_judged():
    from rushlight.tank.light.need import CUT_S

    assert response.grown_back(CUT_S / 86400.0) == pytest.approx(0.5)
    assert response.grown_back(0.0) == 0.0
    assert response.grown_back(1e4) == pytest.approx(1.0)


def test_a_cut_is_half_made_good_after_six_weeks():
    """No source: the figure is said to be an ordinary shoot's doubling in six weeks, and must be that."""
    assert response.grown_back(42.0) == pytest.approx(0.5, abs=0.01)


def test_the_light_for_an_uptake_is_the_inverse_of_what_light_does_to_it():
    """By `LIGHT_RESPONSE` uptake becomes 1 + r (dose ratio − 1) of itself."""
    r = response.LIGHT_RESPONSE[0]
    for times in (0.7, 1.0, 1.5):
        assert 1.0 + r * (response.light_for(times) - 1.0) == pytest.approx(times)
    assert math.isfinite(response.light_for(0.0))
