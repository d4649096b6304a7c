"""What is believed after a long time without a test: a wide range, never one that no feed could make."""

import pytest

from rushlight.localtime import DAY_S
from rushlight.science.inference.interval import blurred, strip_span
from rushlight.tank.nitrate import balance as bal
from rushlight.tank.nitrate import forecast, readings

pytestmark = pytest.mark.slow

PADS = (0.0, 10.0, 25.0, 50.0, 100.0, 250.0)
FEED = 1.7
BEFORE = (10, 25, 10, 25, 25, 25)


def strip(now, pad):
    readings.read_level(now, blurred(strip_span(pad, PADS), 0.22, 1.0), 0.2)
    now.n_tests += 1
    now.last_test_at_s = now.at_s
    return forecast.level_estimate(bal.level_parts(now))


def live(now, days, feed=FEED):
    for _ in range(days):
        bal.pass_time(now, now.at_s + DAY_S, feed)
    return forecast.level_estimate(bal.level_parts(now))


def after_strips(pads=BEFORE, feed=FEED):
    now = bal.begin(0.0, feed)
    for pad in pads:
        live(now, 7, feed)
        strip(now, pad)
    return now


@pytest.mark.parametrize("days", [180, 365, 730])
def test_silence_widens_the_belief_no_further_than_the_feed_can_carry_it(days):
    told = live(after_strips(), days)
    assert told.low < 60.0
    # All the nitrogen of the feed as nitrate and plants that take up nothing, on top of what two pads allow.
    assert told.mean < 50.0 + FEED * days
    assert told.high < 2.0 * (50.0 + FEED * days)


@pytest.mark.parametrize("pads", [BEFORE, (10, 10, 25, 25, 25, 50)])
def test_silence_widens_it_no_further_where_no_feed_is_known(pads):
    """Nitrate may have been rising when the tests ended, and nobody knows by how much feed."""
    now = after_strips(pads, 0.0)
    for days in (60, 120, 185):
        told = live(now, days, 0.0)
        assert told.low < 60.0
        assert told.high < 73.0 + 1.5 * days  # from the top of a pad of 50, at the most that a net rate is taken to be
    before = told.high
    assert strip(now, 25).mean < 36.4
    assert before > 36.4, "a year of silence leaves open what lies beyond the last pad"


@pytest.mark.slow
@pytest.mark.parametrize("days", [60, 180, 365, 730])
@pytest.mark.parametrize(("pad", "low", "high"), [(10, 4.5, 16.6), (25, 16.6, 36.4), (50, 36.4, 72.9)])
def test_a_fresh_strip_after_long_silence_is_told_as_it_reads(days, pad, low, high):
    """Once two years of silence and a strip of 25 were told as 167 mg/L."""
    now = after_strips()
    live(now, days)
    told = strip(now, pad)
    assert low < told.mean < high
    assert told.high < 2.0 * high


def test_what_may_have_gone_wrong_unseen_does_not_widen_what_is_believed_of_a_settled_tank():
    """Nobody reads a tank for four months: it is settled still, or it is not, and neither is told as a bell over both.

    One normal curve over settled tanks and those that went wrong and came back once gave a tank whose strips show 10 and
    25 mg/L a chance of 0.40 of standing above 40, in a middle where no such tank is.
    """
    now = after_strips()
    chances = [forecast.chances(forecast.course(now), 40.0)[-1]]
    for _ in range(6):
        live(now, 60)
        chances.append(forecast.chances(forecast.course(now), 40.0)[-1])
    assert max(chances) < 0.2, chances
    assert forecast.level_estimate(bal.level_parts(now)).high > 45.0, "a year of silence leaves it open"


def test_within_weeks_one_strip_that_fits_nothing_is_still_doubted():
    now = after_strips()
    live(now, 7)
    told = strip(now, 250)
    assert told.mean < 80.0
