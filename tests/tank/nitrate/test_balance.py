"""The balance filter against a large particle filter, and its own promises."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.later import Later
from rushlight.science.inference.gaussian import mixture_moments
from rushlight.science.inference.interval import Span, blurred, strip_span
from rushlight.tank.nitrate import balance as bal
from rushlight.tank.nitrate import kinds, readings

pd, pvlib = Later("pandas"), Later("pvlib")

PADS = (0.0, 10.0, 25.0, 50.0, 100.0, 250.0)
FEED = 1.7


def particles(readings, pace, start, count=120_000):
    """The same model carried by random draws: no Gaussian anywhere but in the noise."""
    rng = np.random.default_rng(11)
    state = rng.multivariate_normal(start.mean, start.cov, 4 * count)
    state = state[state[:, bal.LEVEL] > 0][:count]
    s = kinds.step(pace, 7.0, FEED, FEED)
    noise = np.array([[s.level_noise, s.joint_noise], [s.joint_noise, s.uptake_noise]])
    moments = []
    for value in readings:
        level = state @ np.array(s.level_row)
        uptake = state @ np.array(s.uptake_row)
        extra = rng.multivariate_normal([0, 0], noise, len(state))
        state[:, bal.LEVEL], state[:, bal.UPTAKE] = level + extra[:, 0], uptake + extra[:, 1]
        likelihood = blurred(strip_span(value, PADS), 0.22, 1.0)
        weight = np.array([likelihood(c) if c > 0 else 0.0 for c in state[:, bal.LEVEL]])
        state = state[rng.choice(len(state), count, p=weight / weight.sum())]
        moments.append([(state[:, i].mean(), state[:, i].std()) for i in (bal.LEVEL, bal.UPTAKE)])
    return moments


@pytest.mark.slow
@pytest.mark.parametrize("readings", [(10, 10, 25, 25, 25, 50), (25, 25, 25, 10, 25, 25)])
def test_strips_filter_like_a_large_particle_filter(readings):
    """Stated error: means within three tenths of a standard deviation, standard deviations within a quarter.

    The largest is that of a strip that skips a pad, 0.23 to 0.26 by the number of particles.
    """
    from rushlight.science.inference.interval import posterior
    from rushlight.science.inference.kalman import regress

    pace = kinds.MOVING
    start = bal.begin(0.0, FEED).modes[1].belief
    start.mean[bal.LEVEL], start.cov[bal.LEVEL][bal.LEVEL] = 18.0, 36.0
    reference = particles(readings, pace, start.copy())
    belief = start
    for value, found in zip(readings, reference, strict=True):
        belief = bal.drift(belief, pace, 7.0, FEED, FEED)
        likelihood = blurred(strip_span(value, PADS), 0.22, 1.0)
        _, mean, variance = posterior(belief.mean[bal.LEVEL], belief.sd(bal.LEVEL), likelihood)
        belief = regress(belief, bal.LEVEL, mean, variance)
        for i, (m, sd) in zip((bal.LEVEL, bal.UPTAKE), found, strict=True):
            assert abs(belief.mean[i] - m) < 0.3 * sd
            assert belief.sd(i) == pytest.approx(sd, rel=0.25)


@pytest.mark.parametrize("pace", kinds.PACES)
def test_a_long_step_is_many_short_ones(pace):
    long = bal.begin(0.0, FEED).modes[1].belief
    short = long.copy()
    long = bal.drift(long, pace, 14.0, 1.2 * FEED, FEED)
    for _ in range(56):
        short = bal.drift(short, pace, 0.25, 1.2 * FEED, FEED)
    for i in (bal.LEVEL, bal.UPTAKE, bal.SHARE):
        assert long.mean[i] == pytest.approx(short.mean[i], abs=2e-3)
        assert long.sd(i) == pytest.approx(short.sd(i), rel=0.02)


def test_the_bracket_of_the_integrated_process_is_smooth_where_the_series_takes_over():
    pace = kinds.MOVING
    x = 1e-3 * pace.memory_days
    under, over = (kinds.step(pace, x * k, FEED, FEED).level_noise for k in (0.999999, 1.000001))
    assert over == pytest.approx(under, rel=1e-4)


def test_a_strip_moves_the_odds_and_keeps_them_odds():
    b = bal.begin(0.0, FEED)
    for week, value in enumerate((10, 10, 10, 25, 25, 50, 50, 50)):
        bal.pass_time(b, (week + 1) * 7 * 86400.0, FEED)
        readings.read_level(b, blurred(strip_span(value, PADS), 0.22, 1.0), 0.2)
        b.n_tests += 1
        assert sum(m.weight for m in b.modes) == pytest.approx(1.0, abs=1e-5)
    assert b.modes[0].weight < 0.2


def test_strips_that_are_off_for_good_leave_a_doubt_that_no_number_of_strips_removes():
    """Level and kit by importance sampling, no Gaussian in the reading; a level that stands still, 40 weeks of strips.

    Stated error: means within a quarter of a standard deviation, standard deviations within a quarter.
    """
    rng = np.random.default_rng(5)
    off, likelihood = 0.12, blurred(strip_span(25, PADS), 0.22, 1.0)
    still = bal.begin(0.0, FEED)
    still.n_tests = 1
    for mode in still.modes:
        mode.belief.mean[bal.LEVEL], mode.belief.cov[bal.LEVEL][bal.LEVEL] = 22.0, 36.0
    for _ in range(40):
        readings.read_level(still, likelihood, 0.0, off)
    drawn, kit = rng.normal(22.0, 6.0, 200_000), rng.normal(0.0, 1.0, 200_000)
    grid = np.linspace(0.5, 90.0, 2000)
    seen = np.interp(np.maximum(drawn * (1.0 + off * kit), 0.5), grid, [likelihood(c) for c in grid])
    weight = seen**40
    weight /= weight.sum()
    mean = float((weight * drawn).sum())
    sd = float(np.sqrt((weight * (drawn - mean) ** 2).sum()))
    told = still.modes[0].belief
    assert abs(told.mean[bal.LEVEL] - mean) < 0.25 * sd
    assert told.sd(bal.LEVEL) == pytest.approx(sd, rel=0.25)
    assert told.sd(bal.LEVEL) > 0.08 * mean


def test_a_water_change_of_known_effect_tells_a_kit_from_a_level():
    """Strips that read 30 % high: a change of half the water halves what they show, whatever the tank; the tap's 20 not."""
    off, high = 0.12, 1.3

    def shown(b, level):
        readings.read_level(b, blurred(Span(high * level, high * level), 0.03, 0.2), 0.01, off)
        b.n_tests += 1

    b = bal.begin(0.0, FEED)
    for _ in range(3):
        shown(b, 60.0)
    before = mixture_moments([(m.weight, m.belief.mean[bal.KIT], m.belief.sd(bal.KIT)) for m in b.modes])
    bal.mix_water(b, 0.5, 0.0, 0.0, 0.0)
    bal.add_level(b, 30.0, 0.0)  # a dose that is known to the milligram: 60 again in the tank
    for _ in range(3):
        shown(b, 60.0)
    after = mixture_moments([(m.weight, m.belief.mean[bal.KIT], m.belief.sd(bal.KIT)) for m in b.modes])
    assert after[0] > before[0] + 0.5
    assert after[1] < before[1]


def test_a_level_above_home_is_drawn_home_and_fading_plants_draw_a_quarter_as_much():
    b = lived([25.0] * 20, FEED)
    assert b.home is not None
    homing = bal.Homing(0.02, b.home, 0.0)
    for pace, drawn in ((kinds.SETTLED, 1.0), (kinds.MOVING, 1.0), (kinds.LOSING, 0.25)):
        start = bal.begin(0.0, FEED).modes[0].belief
        start.mean[bal.LEVEL] = b.home + 20.0
        left, plain = bal.drift(start, pace, 7.0, FEED, FEED, 0.0, homing), bal.drift(start, pace, 7.0, FEED, FEED)
        gone = plain.mean[bal.LEVEL] - left.mean[bal.LEVEL]
        assert gone == pytest.approx(20.0 * -math.expm1(-0.14 * drawn), rel=0.05)


def test_uptake_told_is_what_plants_take_at_this_level():
    """Where the level stands above home the net rate told is the slope of the level that is believed a moment later."""
    b = lived([25.0] * 20, FEED)
    b.last_test_at_s = b.at_s
    bal.add_level(b, 20.0, 0.0)
    rate, was = mixture_moments(bal.rate_parts(b))[0], level(b)
    bal.pass_time(b, b.at_s + 3600.0, FEED)
    assert 24.0 * (level(b) - was) == pytest.approx(rate, abs=0.02)


def test_one_reading_that_fits_nothing_is_doubted_and_more_of_them_are_believed():
    b = bal.begin(0.0, FEED)
    means = []
    for week in range(15):
        bal.pass_time(b, (week + 1) * 7 * 86400.0, FEED)
        value = 10 if week < 12 else 250
        readings.read_level(b, blurred(strip_span(value, PADS), 0.22, 1.0), 0.2)
        b.n_tests += 1
        means.append(mixture_moments(bal.level_parts(b))[0])
    assert means[11] < 15
    assert means[12] < 0.4 * 250
    assert means[13] > 0.4 * 250
    assert means[14] > 0.7 * 250


def test_water_changed_is_water_changed():
    b = bal.begin(0.0, FEED)
    readings.read_level(b, blurred(Span(40.0, 40.0), 0.03, 0.2), 0.01)
    before = [m.belief.mean[bal.LEVEL] for m in b.modes]
    bal.mix_water(b, 0.25, 4.0, 0.0, 0.0)
    assert [m.belief.mean[bal.LEVEL] for m in b.modes] == pytest.approx([0.75 * x + 1.0 for x in before])
    for mode in b.modes:
        eigen = np.linalg.eigvalsh(np.array(mode.belief.cov))
        assert eigen.min() > -1e-9


def lived(values, feed):
    """A balance after weekly strips."""
    b = bal.begin(0.0, feed)
    for week, value in enumerate(values):
        bal.pass_time(b, (week + 1) * 7 * 86400.0, feed)
        readings.read_level(b, blurred(strip_span(value, PADS), 0.22, 1.0), 0.2)
        b.n_tests += 1
        b.last_test_at_s = b.at_s
    return b


LIVES = st.lists(st.sampled_from([10.0, 25.0, 50.0, 100.0]), min_size=1, max_size=8)
FEEDS = st.floats(0.3, 4.0)


def level(b):
    return mixture_moments(bal.level_parts(b))[0]


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(LIVES, FEEDS, st.floats(0.5, 1.5), st.floats(0.0, 20.0), st.floats(0.0, 0.6), st.floats(0.0, 20.0))
def test_the_mass_balance_closes(values, feed, by, dose, fraction, source):
    """What is there = what was there + supply − uptake over the days + what was dosed − what a change carried out."""
    b = lived(values, feed)
    start, gained = level(b), 0.0
    for quarter in range(5 * 96):  # what the kinds' mixing costs goes with the step: four times as much by the hour
        before = -mixture_moments(bal.uptake_parts(b))[0]
        share = sum(m.weight * m.belief.mean[bal.SHARE] for m in b.modes)
        bal.pass_time(b, b.at_s + 900.0, by * feed)
        after = -mixture_moments(bal.uptake_parts(b))[0]
        gained += (share * by * feed + 0.5 * (before + after)) / 96.0
        if quarter == 200:
            bal.add_level(b, dose, 0.0)
            gained += dose
        if quarter == 320:
            gained += fraction * (source - level(b))
            bal.mix_water(b, fraction, source, 0.0, 0.0)
    if all(m.belief.mean[bal.LEVEL] > 3.0 * m.belief.sd(bal.LEVEL) for m in b.modes):  # else zero itself feeds in
        assert level(b) - start == pytest.approx(gained, abs=2e-3)


@pytest.mark.slow
@settings(max_examples=50, deadline=None)
@given(LIVES, FEEDS, st.floats(0.0, 0.95), st.floats(0.0, 60.0))
def test_a_water_change_and_its_inverse_leave_what_was(values, feed, fraction, source):
    """C' = (1 − f) C + f s is undone by f' = −f / (1 − f): means and covariances alike."""
    b = lived(values, feed)
    before = b.copy()
    bal.mix_water(b, fraction, source, 0.0, 0.0)
    carried_out = [(1.0 - fraction) * m.belief.mean[bal.LEVEL] + fraction * source for m in before.modes]
    assert [m.belief.mean[bal.LEVEL] for m in b.modes] == pytest.approx(carried_out, rel=1e-12)
    bal.mix_water(b, -fraction / (1.0 - fraction), source, 0.0, 0.0)
    for now, was in zip(b.modes, before.modes, strict=True):
        assert now.belief.mean == pytest.approx(was.belief.mean, rel=1e-9, abs=1e-9)
        for row, old in zip(now.belief.cov, was.belief.cov, strict=True):
            assert row == pytest.approx(old, rel=1e-9, abs=1e-9)


@pytest.mark.slow
@settings(max_examples=50, deadline=None)
@given(LIVES, FEEDS, st.floats(0.0, 0.95), st.floats(0.0, 60.0))
def test_what_a_water_change_took_out_can_be_put_back_as_a_dose(values, feed, fraction, source):
    b = lived(values, feed)
    was = level(b)
    bal.mix_water(b, fraction, source, 0.0, 0.0)
    bal.add_level(b, fraction * (was - source), 0.0)
    assert level(b) == pytest.approx(was, rel=1e-9)


@pytest.mark.parametrize(
    ("values", "surprising"),
    [
        ([10.0] * 9, False),
        ([10.0] * 8 + [25.0], True),
        ([10.0] * 8 + [50.0], True),
        ([25.0] * 8 + [50.0], True),
        ([25.0] * 8 + [10.0], False),
        ([10.0, 25.0] * 5, False),
        ([25.0], False),
    ],
)
def test_one_pad_up_after_months_below_it_surprises_and_a_wavering_strip_does_not(values, surprising):
    b = lived(values, FEED)
    assert readings.is_surprised(b, 0.05) == surprising
    assert not readings.is_surprised(b, 0.0)
