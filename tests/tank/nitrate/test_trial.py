"""'What if' never contradicts sense, and water that is colder is a cause.  All tanks are invented."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.nitrate_causes import story
from helpers.nitrate_tanks import DAY_S, START_S, STRIP
from rushlight.science.inference.kalman import Belief
from rushlight.tank.nitrate import balance as bal
from rushlight.tank.nitrate.balance import LEVEL, SHARE, UPTAKE, Balance
from rushlight.tank.nitrate.trial import Change, tried
from rushlight.tank.nitrate.watch import NitrateWatch

pytestmark = pytest.mark.slow

DAYS = 28


@st.composite
def balances(draw: st.DrawFn) -> Balance:
    """Any belief that the filter may hold: levels near nought and far above, uptake known well, badly or negative."""
    feed = draw(st.floats(0.0, 6.0))
    made = bal.begin(0.0, feed)
    level, sd = draw(st.floats(-10, 80)), draw(st.floats(0.1, 30))
    for mode in made.modes:
        mean, cov = list(mode.belief.mean), [list(row) for row in mode.belief.cov]
        mean[LEVEL], cov[LEVEL][LEVEL] = level, sd * sd
        mean[UPTAKE] = draw(st.floats(-1.0, 6.0))
        mean[SHARE] = draw(st.floats(0.0, 1.0))
        cov[UPTAKE][UPTAKE] = cov[UPTAKE][UPTAKE] * draw(st.floats(0.05, 1.0)) + 1e-6
        cov[UPTAKE][SHARE] = cov[SHARE][UPTAKE] = 0.0
        mode.belief = Belief(mean, cov)
    made.exchanged, made.watched_days = draw(st.floats(0.0, 3.0)), 60.0
    return made


def ends(balance: Balance, change: Change) -> tuple[float, float, float]:
    last = tried(balance, change, DAYS)[-1][1]
    assert 0.0 <= last.low <= last.mean <= last.high
    return last.low, last.mean, last.high


def never_higher(more: tuple[float, float, float], less: tuple[float, float, float]) -> bool:
    return all(a <= b + 1e-6 * (1.0 + abs(b)) for a, b in zip(more, less, strict=True))


@settings(max_examples=40, deadline=None)
@given(balances(), st.floats(0.0, 3.0), st.floats(0.0, 3.0))
def test_more_light_never_ends_higher_than_less(balance: Balance, one: float, other: float) -> None:
    less, more = sorted((one, other))
    assert never_higher(ends(balance, Change(light_factor=more)), ends(balance, Change(light_factor=less)))


@settings(max_examples=40, deadline=None)
@given(balances(), st.floats(0.0, 12.0), st.floats(0.0, 12.0))
def test_less_feed_never_ends_higher_than_more(balance: Balance, one: float, other: float) -> None:
    less, more = sorted((one, other))
    assert never_higher(ends(balance, Change(feed=less)), ends(balance, Change(feed=more)))


@settings(max_examples=40, deadline=None)
@given(balances(), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_a_larger_change_of_clean_water_never_ends_higher(balance: Balance, one: float, other: float) -> None:
    less, more = sorted((one, other))
    small, large = ends(balance, Change(fraction=less)), ends(balance, Change(fraction=more))
    assert never_higher(large[1:], small[1:])  # mean and upper end; a narrower band may end above the old lower end


def test_as_it_is_is_what_was_asked_with_the_present_figures() -> None:
    balance = bal.begin(0.0, 2.0)
    same = tried(balance, Change(feed=balance.recent, light_factor=1.0, fraction=0.0), DAYS)
    assert [e.mean for _, e in same] == pytest.approx([e.mean for _, e in tried(balance, Change(), DAYS)])


def test_the_band_piles_up_at_nought_when_plants_take_all() -> None:
    """Uptake far beyond the supply: renormalised, the part above nought would keep a mean of its own."""
    balance = bal.begin(0.0, 1.0)
    for mode in balance.modes:
        mode.belief.mean[LEVEL], mode.belief.cov[LEVEL][LEVEL] = 5.0, 4.0
        mode.belief.mean[UPTAKE], mode.belief.cov[UPTAKE][UPTAKE] = 3.0, 0.01
    last = tried(balance, Change(light_factor=2.0), DAYS)[-1][1]
    assert last.low == 0.0
    assert last.high < 1e-9
    assert last.mean < 0.01


@pytest.mark.parametrize("seed", [4321, 4322, 4323])
def test_water_that_cools_from_26_to_20_is_the_cause_where_nothing_else_is_recorded(seed: int) -> None:
    """The issue's row: 'nothing recorded explains it', three times, though the probe saw it.

    In the second tank more is lost than six degrees can explain, but that is not sure, and warmth is the simpler story.
    """

    def told(cools: bool):
        tale = story(seed, "unexplained")
        watch = NitrateWatch(tale.tank, (STRIP,), "UTC", has_electrode=False)
        state = watch.initial()
        for event in tale.events:
            watch.on_fact(state, event)
        for n, light in enumerate(tale.lights):
            gone = min(1.0, max(0.0, (n - tale.onset_day) / 20.0)) if cools else 0.0
            watch.close_day(state, light, light.date, START_S + (n + 1) * DAY_S, 26.0 - 6.0 * gone)
        return watch.report(state, START_S + len(tale.lights) * DAY_S)

    with_probe, without = told(True), told(False)
    assert without.causes[0].cause == "unexplained"
    told_of = next(s for s in with_probe.causes if s.cause == "temperature")
    assert told_of.change.mean > 0.1 * sum(s.change.mean for s in with_probe.causes)
    assert "the water is 20.0 °C, before 2" in told_of.text
    assert with_probe.causes[0].cause == "temperature"
    assert "temperature" not in {s.cause for s in without.causes}
