"""The look ahead: what is worked out on a few days against every day on its own."""

from itertools import pairwise

import pytest

from rushlight.localtime import DAY_S
from rushlight.science.inference.interval import blurred, strip_span
from rushlight.tank.nitrate import balance as bal
from rushlight.tank.nitrate import forecast, readings

PADS = (0.0, 10.0, 25.0, 50.0, 100.0, 250.0)
FEED, LIMIT = 1.7, 40.0
LIVES = {
    "settled": (10, 10, 10, 10, 10, 10, 10, 10),
    "at the limit": (25, 25, 50, 25, 50, 25, 25, 50),
    "rising": (10, 10, 10, 10, 25, 25, 25, 50),
    "rising in steps": (10, 25, 25, 25, 50, 25),
    "rising late": (5, 10, 10, 10, 10, 25, 25),
    "falling": (100, 50, 50, 50, 25, 25, 25, 25),
}


def coming(pads: tuple[int, ...]) -> tuple[bal.Balance, forecast.Course]:
    """A tank in which these pads were read, week by week, and where it is going."""
    now = bal.begin(0.0, FEED)
    for week, pad in enumerate(pads):
        bal.pass_time(now, (week + 1) * 7 * DAY_S, FEED)
        readings.read_level(now, blurred(strip_span(pad, PADS), 0.22, 1.0), 0.2)
        now.n_tests += 1
        now.last_test_at_s = now.at_s
    return now, forecast.course(now)


@pytest.mark.parametrize("life", LIVES)
def test_chances_worked_out_on_a_few_days_are_those_of_every_day(life: str) -> None:
    """Stated error: one point of a hundred, below what any threshold or date can tell apart."""
    _, course = coming(LIVES[life])
    told, highest = forecast.chances(course, LIMIT), 0.0
    assert len(told) == forecast.HORIZON_DAYS + 1
    for day, chance in enumerate(told):
        highest = max(highest, forecast.chance_above(course.ahead(float(day)), LIMIT))
        assert chance == pytest.approx(highest, abs=0.01)
    assert all(b >= a for a, b in pairwise(told))


@pytest.mark.parametrize("life", LIVES)
def test_the_day_of_even_odds_is_the_first_that_a_search_by_the_hour_finds(life: str) -> None:
    now, course = coming(LIVES[life])
    level = forecast.level_estimate(bal.level_parts(now))
    rate = forecast.estimate(bal.rate_parts(now))
    told = forecast.told_days(course, LIMIT, level, rate)
    hours = (h / 24.0 for h in range(24 * int(forecast.FARTHEST_DAYS)))
    first = next((d for d in hours if forecast.chance_above(course.ahead(d), LIMIT) >= 0.5), None)
    straight = (LIMIT - level.mean) / rate.mean if rate.mean > 0.0 else None
    follows = first is not None and straight is not None and 0.5 * straight <= first <= 2.0 * straight
    if level.mean >= LIMIT or not follows:
        assert told in {None, 0.0}
    else:
        assert told == pytest.approx(first, abs=forecast.NEAR_DAYS + 1.0 / 24.0)


def test_a_day_is_told_of_a_tank_that_rises_and_none_of_one_that_is_settled() -> None:
    """So that the search above has both to find."""
    told = {}
    for life in ("settled", "rising"):
        now, course = coming(LIVES[life])
        level, rate = forecast.level_estimate(bal.level_parts(now)), forecast.estimate(bal.rate_parts(now))
        told[life] = forecast.told_days(course, LIMIT, level, rate)
    assert told["settled"] is None
    assert told["rising"] is not None
    assert told["rising"] > 1.0
