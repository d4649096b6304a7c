"""Feed nitrogen, unit factors and water changes against published factors and exact mass balances."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.science.chemistry import nitrogen as n


def test_nitrate_per_nitrogen_from_iupac_weights():
    # IUPAC abridged standard atomic weights: N 14.007, O 15.999
    assert pytest.approx((14.007 + 3 * 15.999) / 14.007, rel=1e-9) == n.NITRATE_PER_NITROGEN


def test_one_gram_of_feed_at_45_percent_protein():
    # protein is 16 % nitrogen, the Jones factor 6.25: 1 g at 45 % holds 72 mg; 70 % of it in 100 L is 2.231 mg/L NO3
    assert n.feed_nitrogen_g(1.0, 45.0) == pytest.approx(0.072, abs=1e-12)
    assert 0.7 * n.nitrate_mg_l(n.feed_nitrogen_g(1.0, 45.0), 100.0) == pytest.approx(2.23103, abs=1e-4)
    with pytest.raises(ValueError, match="litres"):
        n.nitrate_mg_l(1.0, 0.0)


def test_share_prior_spans_the_published_losses():
    # five species kept 12.0 to 44.1 % of feed nitrogen (Summerfelt & Penne 2007): 55.9 to 88 % left them
    assert n.SHARE_MEAN - 1.3 * n.SHARE_SD < 0.559
    assert n.SHARE_MEAN + 1.3 * n.SHARE_SD > 0.88


def test_water_changes_by_exact_mass_balance():
    assert n.after_water_change(80.0, 0.5, 10.0) == pytest.approx(45.0)
    level = 1.0
    for _ in range(4):
        level = n.after_water_change(level, 0.25, 0.0)
    assert level == pytest.approx(0.316406, abs=1e-6)  # 0.75^4


@given(st.floats(41, 300), st.floats(1, 40), st.floats(0, 0.9))
def test_the_fraction_for_a_target_reaches_it(level, target, part):
    source = part * target
    fraction = n.fraction_for(level, target, source)
    assert 0.0 < fraction < 1.0
    assert n.after_water_change(level, fraction, source) == pytest.approx(target, rel=1e-9)
    assert n.fraction_for(target, level, source) == 0.0
    with pytest.raises(ValueError, match="cannot bring"):
        n.fraction_for(level, target, target)


def test_eighty_to_forty_with_tap_at_ten_takes_four_sevenths():
    # 80 -> 40 mg/L with tap water at 10: 4/7 of the water, exact mass balance
    assert n.fraction_for(80.0, 40.0, 10.0) == pytest.approx(4 / 7, abs=1e-12)


def test_hermite_nodes_have_normal_moments():
    # seven Gauss-Hermite nodes integrate polynomials up to degree 13 exactly (Abramowitz & Stegun 25.4.46)
    moments = [sum(w * (x - 2.0) ** k for w, x in n.ratio_nodes(2.0, 3.0)) for k in range(7)]
    assert moments == pytest.approx([1, 0, 9, 0, 243, 0, 10935], rel=1e-9, abs=1e-8)
