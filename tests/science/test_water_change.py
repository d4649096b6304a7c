"""Plans for water changes: they reach the target, keep to the cap, and refuse what cannot be."""

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rushlight.science.chemistry.nitrogen import after_water_change
from rushlight.science.chemistry.water_change import Contents, ImpossibleError, mixed, plan

FOYER = Contents(nitrate=60.0, kh=3.0, gh=9.0, ph=6.9, temp_c=24.0)
SOURCE = Contents(nitrate=5.0, kh=4.0, gh=7.0, ph=7.4, temp_c=22.0)


@given(st.floats(1, 300), st.floats(0, 40), st.floats(1, 100), st.floats(0.05, 1.0), st.floats(-1, 3))
def test_a_plan_ends_on_its_target_or_says_why_not(
    level: float, source: float, target: float, cap: float, rise: float
) -> None:
    try:
        made = plan(Contents(nitrate=level), Contents(nitrate=source), 100.0, target, daily_cap=cap, net_rate=rise)
    except ImpossibleError as why:
        assert level > target
        assert source >= target or "rises" in str(why) or "leave nitrate at" in str(why)
        return
    now = level
    for change in made.changes:
        assert 0 < change.fraction <= cap + 1e-9
        assert change.litres == pytest.approx(100.0 * change.fraction)
        now = after_water_change(now + (rise if change.day else 0.0), change.fraction, source)
        assert change.after.nitrate == pytest.approx(now, abs=1e-6)
    assert now <= target * (1 + 1e-6) or not made.changes
    assert not made.changes or now == pytest.approx(target, rel=1e-6) or len(made.changes) >= 1


@given(st.floats(20, 300), st.floats(0, 10), st.floats(11, 19), st.floats(0.05, 0.5))
def test_no_shorter_series_would_do(level: float, source: float, target: float, cap: float) -> None:
    try:
        made = plan(Contents(nitrate=level), Contents(nitrate=source), 100.0, target, daily_cap=cap)
    except ImpossibleError:
        assume(False)
        return
    now = level
    for _ in made.changes[1:]:
        now = after_water_change(now, cap, source)
    assert now > target


def test_a_tank_on_target_needs_nothing() -> None:
    made = plan(Contents(nitrate=20.0, ph=7.0), SOURCE, 140.0, 40.0)
    assert (made.changes, made.litres, made.ph_settled) == ((), 0, 7.0)


def test_source_above_target_is_refused_with_the_reason() -> None:
    with pytest.raises(ImpossibleError, match=r"source water holds 45 mg/L of nitrate \(as NO3\), the target is 40"):
        plan(FOYER, Contents(nitrate=45.0), 140.0, 40.0)
    with pytest.raises(ImpossibleError, match="no amount"):
        plan(FOYER, Contents(nitrate=40.0), 140.0, 40.0)


def test_a_rise_that_outruns_the_cap_is_refused_with_the_reason() -> None:
    with pytest.raises(
        ImpossibleError, match=r"changes of 10 % a day leave nitrate at 3\d mg/L as NO3, because it rises by 3.0"
    ):
        plan(FOYER, SOURCE, 140.0, 12.0, daily_cap=0.1, net_rate=3.0)


@pytest.mark.parametrize(
    ("tank", "source", "litres", "cap", "words"),
    [
        (Contents(), SOURCE, 140.0, 0.3, "tank's nitrate is not known"),
        (FOYER, Contents(), 140.0, 0.3, "source water's nitrate is not known"),
        (FOYER, SOURCE, 0.0, 0.3, "above 0"),
        (FOYER, SOURCE, 140.0, 0.0, "between 0 and 1"),
    ],
)
def test_what_is_missing_is_named(tank: Contents, source: Contents, litres: float, cap: float, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        plan(tank, source, litres, 40.0, daily_cap=cap)


def test_hardness_and_temperature_mix_like_nitrate() -> None:
    after = mixed(FOYER, SOURCE, 0.25)
    assert (after.kh, after.gh, after.temp_c) == (3.25, 8.5, 23.5)


def test_ph_is_unknown_rather_than_guessed() -> None:
    made = plan(FOYER, Contents(nitrate=5.0, kh=4.0), 140.0, 40.0)
    assert made.after.ph is None
    assert made.after.gh is None
    without_ph = plan(Contents(nitrate=60.0), SOURCE, 140.0, 40.0)
    assert without_ph.ph_settled is None
    assert any("not known" in c for c in without_ph.cautions)


def test_the_same_water_moves_no_ph() -> None:
    same = Contents(nitrate=5.0, kh=FOYER.kh, gh=FOYER.gh, ph=FOYER.ph, temp_c=FOYER.temp_c)
    made = plan(FOYER, same, 140.0, 40.0)
    assert made.after.ph == pytest.approx(6.9, abs=1e-4)
    assert made.ph_settled == pytest.approx(6.9, abs=1e-4)
    assert made.cautions == ()


def test_cold_water_brings_a_caution() -> None:
    cold = Contents(nitrate=5.0, kh=4.0, gh=7.0, ph=7.4, temp_c=8.0)
    made = plan(FOYER, cold, 140.0, 40.0)
    assert any("temperature moves from 24.0" in c for c in made.cautions)
