"""Colder water slows uptake by what is published, and by each tank's own tests; it is told in the forecast.

Published: uptake of nitrate at ten degrees more over that at the temperature, 1.5 to 2.7 (Macduff, Hopper & Wild 1987,
J. Exp. Bot. 38:42-52), flat in the same work over a fortnight above 13 °C.
"""

import math

import pytest

from rushlight.events import Test
from rushlight.localtime import DAY_S
from rushlight.science.inference.gaussian import mixture_moments
from rushlight.science.inference.interval import blurred, strip_span
from rushlight.science.plants.response import WARMTH_FELT
from rushlight.settings import Feed, Kit, Limits, Tank
from rushlight.tank.nitrate import balance as bal
from rushlight.tank.nitrate import readings
from rushlight.tank.nitrate.kinds import scale
from rushlight.tank.nitrate.warmth_seen import see_water
from rushlight.tank.nitrate.watch import NitrateWatch

FEED = 1.4
PADS = (0.0, 10.0, 25.0, 50.0, 100.0, 250.0)
STRIP = Kit(id="strip", method="strip", pads={"nitrate": PADS})
TANK = Tank(id="foyer", litres=100.0, feed=Feed(grams_per_day=0.5, protein_percent=45.0), limits=Limits(nitrate=40.0))
START_S = 1_767_225_600.0


def lived(days, water_c, value_of=None):
    """A balance of so many days of measured water; strips weekly where they are given."""
    b = bal.begin(0.0, FEED)
    for day in range(days):
        bal.pass_time(b, (day + 1) * DAY_S, FEED)
        b.warmth = see_water(b.warmth, water_c(day))
        if value_of is not None and day % 7 == 6:
            readings.read_level(b, blurred(strip_span(value_of(day), PADS), 0.22, 1.0), 0.2)
            b.n_tests, b.last_test_at_s = b.n_tests + 1, b.at_s
    return b


def answer(b):
    return mixture_moments([(m.weight, m.belief.mean[bal.WARMTH], m.belief.sd(bal.WARMTH)) for m in b.modes])


@pytest.mark.parametrize("colder_c", [3.0, 6.0])
def test_colder_water_takes_uptake_within_what_is_published(colder_c):
    b = lived(400, lambda day: 26.0 - colder_c * (day >= 365))
    less = -b.driven[1] * answer(b)[0] / scale(b.usual)
    assert 1.0 - 2.7 ** (-colder_c / 10.0) > less > 0.0
    assert less == pytest.approx(
        1.0 - 1.5 ** (-colder_c / 10.0), abs=0.05
    )  # 1.5 is the middle, here in a straight line


def test_what_is_published_is_the_beginning():
    mean, sd = WARMTH_FELT
    assert math.exp(mean) == pytest.approx(1.5)
    assert (mean - 1.645 * sd, mean + 1.645 * sd) == pytest.approx((0.0, math.log(2.7)), abs=0.1)


def test_how_far_uptake_follows_warmth_is_learned_from_each_tanks_own_tests():
    def water(day):
        return 23.0 + 4.0 * math.cos(2.0 * math.pi * day / 180.0)

    def follows(day):  # the level follows by a quarter of a round
        x = math.cos(2.0 * math.pi * (day - 45) / 180.0)
        return 50.0 if x < -0.3 else 25.0 if x < 0.5 else 10.0

    moved, still = lived(400, water, follows), lived(400, water, lambda _: 25.0)
    assert answer(still)[0] < WARMTH_FELT[0] < answer(moved)[0]
    assert answer(still)[1] < WARMTH_FELT[1]


def test_no_tests_teach_that_plants_take_up_less_for_warmth():
    def against(day):
        x = math.cos(2.0 * math.pi * (day - 45) / 180.0)
        return 50.0 if x > 0.3 else 25.0 if x > -0.5 else 10.0

    b = lived(400, lambda day: 23.0 + 4.0 * math.cos(2.0 * math.pi * day / 180.0), against)
    assert 0.0 <= min(m.belief.mean[bal.WARMTH] for m in b.modes) < WARMTH_FELT[0]


def test_growth_that_slows_in_colder_water_is_not_counted_twice():
    """Six degrees colder and growth a fifth less, as a Q10 of 1.5 has it: at the usual warmth uptake is what it was."""

    def lost(colder_c, share):
        b = lived(400, lambda day: 26.0 - colder_c * (day >= 380), lambda _: 25.0)
        before = bal.known(b, bal.UPTAKE)[0]
        readings.see_growth(b, share)
        return (before - bal.known(b, bal.UPTAKE)[0]) / scale(b.usual)

    share = 1.5**-0.6
    assert lost(0.0, share) > 0.03
    assert abs(lost(6.0, share)) < 0.2 * lost(0.0, share)


def test_water_that_nobody_measures_or_that_stays_as_it_is_says_nothing():
    assert lived(30, lambda _: 25.0).driven == (0.0, pytest.approx(0.0))
    assert bal.begin(0.0, FEED).driven == (0.0, 0.0)


def test_a_heater_that_fails_is_in_the_forecast_before_a_strip_shows_it():
    def chance(water_c):
        watch = NitrateWatch(TANK, (STRIP,), "UTC", has_electrode=False)
        state = watch.initial()
        for day in range(150):
            at_s = START_S + day * DAY_S
            watch.close_day(state, None, f"day {day}", at_s, water_c(day))
            if day % 7 == 3 and day < 130:
                test = Test(
                    at_s=at_s + 3600.0, id=f"t{day}", tank="foyer", method="strip", kit="strip", values={"nitrate": 25}
                )
                watch.on_fact(state, test)
        return watch.report(state, at_s).chances[-1]

    assert chance(lambda day: 25.0 - 6.0 * (day > 130)) > 1.5 * chance(lambda _: 25.0)
