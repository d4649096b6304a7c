"""The light watch: a lamp that stays off or on, and when it is switched, learned or corrected from what is seen."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from helpers.lightrun import run, true_loss, watch_for
from helpers.lightsim import Room, Year, simulate
from rushlight.tank.light import switch_times

DAY_S = 86400.0
START_S = 1_740_000_000.0 - 1_740_000_000.0 % DAY_S  # a midnight UTC
PLAIN = Room()


def dark_from(year: Year, from_day: float, to_day: float) -> Year:
    day = (year.times - year.times[0]) / DAY_S
    out = (day >= from_day) & (day < to_day)
    return dataclasses.replace(year, values=np.where(out, year.values - year.lamp, year.values).clip(0.0))


def test_a_lamp_that_stays_off_is_told_the_same_morning_and_clears():
    result = run(dark_from(simulate(21, room=PLAIN, days=60), 40.0, 42.0))
    day = result.first("lamp_off")
    assert day is not None
    assert 40.0 + 8 / 24 < day < 40.0 + 12 / 24
    assert [(a, s) for d, a, s, _ in result.said if a == "lamp_off"][-1] == ("lamp_off", "clear")
    assert result.first("lamp_dimming") is None


def test_a_timer_an_hour_off_and_a_hole_at_its_switching_are_no_lamp_that_stays_off():
    """The probe misses the lamp-on of a timer without summer time, and comes back in the middle of its hours."""
    year = simulate(61, room=dataclasses.replace(PLAIN, timer_follows_clock=False), start="2025-03-01", days=70)
    day = (year.times - year.times[0]) / DAY_S
    result = run(dataclasses.replace(year, values=np.where((day > 60.325) & (day < 60.56), np.nan, year.values)))
    assert result.raised("lamp_off") == []


def test_a_lamp_that_is_dark_at_night_did_go_off_whatever_hid_it():
    spans = [(START_S + 8 * 3600.0, START_S + 18 * 3600.0, 5000.0)]
    at_s = START_S + 23 * 3600.0
    times = [at_s - 300.0 * k for k in range(6, -1, -1)]
    for values, expected in (([1.0] * 7, ""), ([5000.0] * 7, "not_off")):
        told = switch_times.trouble_now(spans, times, values, at_s, dark_outside=True, last=(-1, False))
        assert told == expected
    noon_s = START_S + 13 * 3600.0
    times = [noon_s - 300.0 * k for k in range(6, -1, -1)]
    lit = switch_times.trouble_now(spans, times, [5000.0] * 7, noon_s, dark_outside=True, last=(1, False))
    assert lit == ""  # in the polar night, say


def test_a_lamp_that_burns_all_night_is_told():
    year = simulate(22, room=PLAIN, days=45)
    day = (year.times - year.times[0]) / DAY_S
    night = (day >= 35.75) & (day < 36.33)
    result = run(dataclasses.replace(year, values=np.where(night, 5000.0, year.values)))
    at = result.first("lamp_off")
    assert at is not None
    assert 35.75 < at < 36.0


def test_saturation_never_reads_as_a_lamp_that_is_off():
    year = simulate(23, room=PLAIN, days=40)
    day = (year.times - year.times[0]) / DAY_S
    result = run(dataclasses.replace(year, values=np.where((day >= 30) & (day < 33), np.nan, year.values)))
    assert result.raised("lamp_off") == []


@pytest.mark.slow
def test_switching_times_are_learned_without_a_schedule():
    year = simulate(
        24, room=dataclasses.replace(PLAIN, on_minute=430, off_minute=1035), days=140, fade_percent_week=1.0
    )
    result = run(year, watch=watch_for(PLAIN, hours=()))
    assert "learned from the light" in result.state.note
    assert sorted(s.minute for s in result.state.lamp.slots) == pytest.approx([430.0, 1035.0], abs=4.0)
    assert sorted(s.sign for s in result.state.lamp.slots) == [-1, 1]
    day = result.first("lamp_dimming")
    assert day is not None
    assert true_loss(year, day) < 6.0


def test_a_wrong_schedule_is_corrected_by_what_is_seen():
    year = simulate(25, room=dataclasses.replace(PLAIN, on_minute=660, off_minute=1260), days=60)
    result = run(year, watch=watch_for(PLAIN))
    assert "differ from the schedule" in result.state.note
    assert sorted(s.minute for s in result.state.lamp.slots) == pytest.approx([660.0, 1260.0], abs=4.0)
    assert result.days[-1].lamp_percent == pytest.approx(100.0, abs=2.0)


@pytest.mark.slow
def test_a_lamp_that_ramps_up_is_measured_across_the_ramp():
    year = simulate(26, room=PLAIN, days=150, fade_percent_week=1.0)
    minute = (year.times % DAY_S) / 60.0  # London in winter; the ramp is in the simulated lamp alone
    ramp = np.clip((minute - 480.0) / 30.0, 0.0, 1.0)
    values = year.values - year.lamp + year.lamp * np.where(minute < 600.0, ramp, 1.0)
    result = run(dataclasses.replace(year, values=values))
    day = result.first("lamp_dimming")
    assert day is not None
    assert 0.5 < true_loss(year, day) < 6.0


@pytest.mark.slow
def test_a_lamp_that_never_goes_off_is_judged_by_night_in_words_only():
    year = simulate(27, room=dataclasses.replace(PLAIN, on_minute=0, off_minute=1440), days=180, fade_percent_week=1.5)
    result = run(year, watch=watch_for(PLAIN, hours=()))
    report = result.watch.report(result.state, result.state.last_s)
    assert "light at night" in report.dimmed_sentence
    assert any("No lamp-on" in r for r in report.refusals)
    assert result.raised("lamp_dimming", "light_probe_fouled", "lamp_off") == []
