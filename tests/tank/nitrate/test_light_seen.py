"""The light that is to come, by the season, a window's own past and a lamp that falls; and what it means for nitrate.

What the sun gives is pvlib's extraterrestrial radiation; no figure here is the product's own.
"""

import math

import numpy as np
import pandas as pd
import pvlib
import pytest

from rushlight.events import LampWork
from rushlight.localtime import DAY_S
from rushlight.science.inference.gaussian import mixture_moments
from rushlight.science.inference.interval import strip_span
from rushlight.science.plants.response import LIGHT_FELT
from rushlight.settings import Feed, Limits, Tank
from rushlight.tank.day import DayLight
from rushlight.tank.kits.said import blurred
from rushlight.tank.nitrate import balance as bal
from rushlight.tank.nitrate import forecast, readings
from rushlight.tank.nitrate.kinds import scale
from rushlight.tank.nitrate.light_seen import behind_dirt, see_light
from rushlight.tank.nitrate.watch import NitrateWatch

NORTH = 52.0
START_S = 1_767_225_600.0
TANK = Tank(id="foyer", litres=100.0, feed=Feed(grams_per_day=0.5, protein_percent=45.0), limits=Limits(nitrate=40.0))
FEED = 1.4
PADS = (0.0, 10.0, 25.0, 50.0, 100.0, 250.0)
"""An invented strip's."""


def by_day(first: str, days: int, *, upright: bool = False) -> tuple[list[str], np.ndarray]:
    """Dates and the sun's light above the air on a flat plane, or on an upright one that faces south."""
    dates = pd.date_range(first, periods=days, tz="UTC")
    hours = pd.date_range(dates[0], periods=24 * days, freq="h")
    sun = pvlib.location.Location(NORTH, 0.0).get_solarposition(hours)
    tilt, facing = (90.0, 180.0) if upright else (0.0, 180.0)
    shine = pvlib.irradiance.aoi_projection(tilt, facing, sun["apparent_zenith"], sun["azimuth"]).clip(lower=0.0)
    up = sun["apparent_zenith"] < 90.0
    flat = pvlib.irradiance.get_extra_radiation(hours.day_of_year.to_numpy().astype(float)) * shine * up
    return [str(d.date()) for d in dates], flat.groupby(flat.index.date).sum().to_numpy()


def seen_to(days, dates, window, lamp, percent=None):
    light = None
    for d in range(days):
        light = see_light(light, lamp + window[d], None if percent is None else percent[d], window[d], NORTH, dates[d])
    return light


@pytest.mark.parametrize("first", ["2024-03-01", "2024-08-01"])
def test_the_light_to_come_follows_the_season(first):
    dates, sun = by_day(first, 160)
    window, lamp = 3.0 * sun / sun[0], 3.0
    light = seen_to(90, dates, window, lamp)
    for ahead in (14, 28, 56):
        comes = lamp + window[90 + ahead - 3 : 90 + ahead + 4].mean()
        assert (light.ahead(ahead) + 1.0) * light.usual == pytest.approx(comes, rel=0.06)
    whole = sum(lamp + window[90 + d] for d in range(56)) / light.usual - 56
    assert light.ahead_days(56) == pytest.approx(whole, abs=1.5)


def test_the_first_days_sky_does_not_govern_for_months():
    """A dark first day, and then the sun as it is: a month later the window is taken for what it was in that month."""
    dates, sun = by_day("2024-04-01", 90)
    window = 3.0 * sun / sun[0]
    window[0] *= 0.2
    light = seen_to(30, dates, window, 3.0)
    assert (light.ahead(28) + 1.0) * light.usual == pytest.approx(3.0 + window[54:61].mean(), rel=0.06)


def test_a_window_that_is_not_flat_is_known_by_its_own_past():
    """A south window has its most light when the sun is low; in its second year that is known."""
    dates, sun = by_day("2023-01-01", 365 + 365, upright=True)
    window = 4.0 * sun / sun.mean()
    day = 365 + 330 - 60  # from early October to the end of November
    comes = window[day + 45 - 3 : day + 45 + 4].mean()
    second = seen_to(day, dates, window, 0.0)
    first = seen_to(day - 365, dates, window, 0.0)
    off = [abs((s.ahead(45) + 1.0) * s.usual / comes - 1.0) for s in (first, second)]
    assert off[1] < 0.15 < off[0]


def test_light_by_a_lamp_alone_stays_as_it_is():
    light = seen_to(90, *by_day("2024-08-01", 90)[:1], np.zeros(90), 6.0)
    assert (light.now, light.ahead(28), light.ahead_days(28)) == pytest.approx((0.0, 0.0, 0.0))


def test_a_lamp_that_falls_is_taken_to_fall_for_four_weeks_more():
    percent = [100.0] * 60 + [100.0 - 0.25 * d for d in range(60)]
    dates, _ = by_day("2024-08-01", 120)
    light = None
    for date, p in zip(dates, percent, strict=True):
        light = see_light(light, 6.0 * p / 100.0, p, 0.0, NORTH, date)
    there = percent[-1] + 7 * 0.25  # a week's mean lags by a week's fall
    assert 1.0 + light.now == pytest.approx(0.06 * there / light.usual, rel=0.01)
    assert (1.0 + light.ahead(28)) * light.usual == pytest.approx(0.06 * (there - 28 * 0.25), rel=0.02)
    assert light.ahead(200) == light.ahead(28)


def test_one_tube_of_two_that_goes_out_is_no_fall_for_ever():
    percent = [100.0] * 60 + [50.0] * 10
    dates, _ = by_day("2024-08-01", 70)
    light = None
    for date, p in zip(dates, percent, strict=True):
        light = see_light(light, 6.0 * p / 100.0, p, 0.0, NORTH, date)
    assert light.ahead(200) > (1.0 + light.now) * 0.85 - 1.0


def test_behind_a_dirty_probe_plants_are_taken_to_have_their_usual_light():
    dates, _ = by_day("2024-08-01", 150)
    light = seen_to(100, dates, np.zeros(150), 6.0)
    for d in range(20):
        light = see_light(light, 4.0, 67.0, 0.0, NORTH, dates[100 + d])
    assert light.now < -0.25
    for _ in range(30):
        light = behind_dirt(light)
    assert abs(light.now) < 0.01
    assert not light.changes


# What it means for nitrate.


def weekly(weeks, light_of, values, latitude=None, first="2024-08-01", percent_of=None):
    """A balance after weekly strips, with a day's light on each day."""
    b = bal.begin(0.0, FEED)
    dates, _ = by_day(first, 7 * weeks + 1)
    for day in range(7 * weeks):
        bal.pass_time(b, (day + 1) * DAY_S, FEED)
        b.recent = FEED
        dose, window = light_of(day)
        percent = None if percent_of is None else percent_of(day)
        b.light, b.light_at_s = see_light(b.light, dose, percent, window, latitude, dates[day]), b.at_s
        if day % 7 == 6:
            readings.read_level(b, blurred(strip_span(values[day // 7], PADS), 0.22, 1.0), 0.2)
            b.n_tests += 1
            b.last_test_at_s = b.at_s
    return b


def response_of(b):
    return mixture_moments([(m.weight, m.belief.mean[bal.LIGHT], m.belief.sd(bal.LIGHT)) for m in b.modes])


def test_a_fading_lamp_is_told_in_the_forecast_before_a_strip_shows_it():
    """Strips that all read the same, and a lamp that loses 40 % in nine weeks: what it means stands in the forecast."""
    steady, fading = (
        weekly(
            40,
            lambda day, loss=loss: (6.0 * (1.0 - loss(day)), 0.0),
            [25.0] * 40,
            percent_of=lambda day, loss=loss: 100.0 * (1.0 - loss(day)),
        )
        for loss in (lambda _: 0.0, lambda day: 0.4 * min(1.0, max(0.0, (day - 7 * 31) / 63.0)))
    )
    chances = [forecast.chances(forecast.course(b), 40.0)[-1] for b in (steady, fading)]
    assert chances[1] > 3.0 * chances[0]
    x = fading.light.now
    assert x == pytest.approx(-0.35, abs=0.06)
    less = -mixture_moments(bal.uptake_parts(fading))[0] + sum(
        m.weight * m.belief.mean[bal.UPTAKE] for m in fading.modes
    )
    assert less == pytest.approx(-response_of(fading)[0] * x * scale(fading.usual), rel=0.25)


def test_how_far_uptake_follows_light_is_learned_from_each_tanks_own_tests():
    """Light that goes up and down by a third over the year: by one tank's strips it matters, by the other's it does not."""
    light = lambda day: (6.0 + 2.0 * math.cos(2 * math.pi * day / 180.0), 0.0)  # noqa: E731
    late = [math.cos(2 * math.pi * (7 * week - 45) / 180.0) for week in range(60)]  # the level follows by a quarter
    follows = [50.0 if x < -0.3 else 25.0 if x < 0.5 else 10.0 for x in late]
    moved, still = weekly(60, light, follows), weekly(60, light, [25.0] * 60)
    assert response_of(still)[0] < LIGHT_FELT[0] < response_of(moved)[0]
    assert response_of(still)[1] < 0.8 * LIGHT_FELT[1]


def test_no_tests_teach_that_plants_take_up_less_for_light():
    """Nitrate that happens to be highest a quarter of a round after the light: such an answer there is not."""
    light = lambda day: (6.0 + 3.0 * math.cos(2 * math.pi * day / 180.0), 0.0)  # noqa: E731
    late = [math.cos(2 * math.pi * (7 * week - 45) / 180.0) for week in range(60)]
    against = [50.0 if x > 0.3 else 25.0 if x > -0.5 else 10.0 for x in late]
    lowest = min(m.belief.mean[bal.LIGHT] for weeks in (30, 45, 60) for m in weekly(weeks, light, against).modes)
    assert 0.0 <= lowest < 0.5 * LIGHT_FELT[0]


def test_in_december_the_forecast_knows_that_days_grow_longer():
    _, sun = by_day("2024-08-01", 7 * 22)
    window = 4.0 * sun / sun[0]
    values = [10.0] * 12 + [25.0] * 10
    known, unknown = (
        weekly(21, lambda day: (2.0 + window[day], window[day]), values, latitude=latitude)
        for latitude in (NORTH, None)
    )
    levels = [forecast.level_estimate(forecast.course(b).ahead(84.0)).mean for b in (known, unknown)]
    assert levels[0] < levels[1] - 2.0
    early = [
        weekly(8, lambda day: (2.0 + window[day], window[day]), values, latitude=latitude) for latitude in (NORTH, None)
    ]
    levels = [forecast.level_estimate(forecast.course(b).ahead(56.0)).mean for b in early]
    assert levels[0] > levels[1] + 2.0


def test_a_lamp_that_was_moved_begins_its_light_anew():
    """Nearer to the probe it reads more, and the leaves may get less: neither is news of uptake."""
    watch = NitrateWatch(TANK, (), "UTC", has_electrode=False)
    state = watch.initial()
    for day in range(60):
        date = f"2026-{1 + day // 30:02d}-{1 + day % 28:02d}"
        light = DayLight(
            date=date, dose_mol=4.0 if day < 40 else 8.0, coverage=1.0, lamp_dose_mol=4.0, daylight_dose_mol=0.0
        )
        watch.close_day(state, light, date, START_S + (day + 1) * DAY_S)
        if day == 30:
            assert state.now.light is not None
    assert state.now.light.now > 0.3
    watch.on_fact(state, LampWork(at_s=START_S + 40.2 * DAY_S, id="w", tank="foyer", what="moved"))
    watch.close_day(state, None, "", START_S + 61 * DAY_S)
    assert state.now.light.days < 25.0
    assert abs(state.now.light.now) < 0.01
