"""The light watch: dose and coverage, the lamp's verdicts over simulated months, and what must not change them."""

from __future__ import annotations

import copy
import dataclasses
import datetime as dt
import json

import numpy as np
import pytest
from pydantic import TypeAdapter

from helpers.lightrun import Run, run, true_loss, watch_for
from helpers.lightsim import Room, Year, simulate
from rushlight.events import LampWork
from rushlight.settings import Lamp, OnHours, Probe, Site, Tank
from rushlight.tank.light.watch import LightState, LightWatch

pytestmark = pytest.mark.slow

DAY_S = 86400.0
START_S = 1_740_000_000.0 - 1_740_000_000.0 % DAY_S  # a midnight UTC
PLAIN = Room()
PEOPLE = Room(room_light_lx=250.0, curtains=True, shadows=6.0)
EAST = Room(
    facing="east", window_share=0.03, room_light_lx=250.0, curtains=True, shadows=6.0, timer_follows_clock=False
)


def bare(unit: str = "lx", lamp: Lamp | None = None, every_s: float = 60.0) -> LightWatch:
    probe = Probe(id="p", tank="foyer", quantity="light", unit=unit, every_seconds=every_s)
    return LightWatch(Tank(id="foyer", litres=140, lamp=lamp), Site(), probe)


def steady(
    watch: LightWatch, value: float, seconds: float, every_s: float = 60.0, start_s: float = START_S
) -> LightState:
    state = watch.initial()
    for t in np.arange(0.0, seconds + 1.0, every_s):
        watch.on_reading(state, start_s + float(t), value, 1)
    return state


# ---- dose


@pytest.mark.parametrize(("ppfd", "hours", "mol"), [(1, 24, 0.0864), (200, 12, 8.64), (100, 10, 3.6), (30, 12, 1.296)])
def test_dose_of_a_steady_ppfd_probe(ppfd: float, hours: float, mol: float):
    """DLI = PPFD x 3600 x h x 1e-6; 0.0864 as stated in the encyclopaedia's 'Daily light integral'."""
    watch = bare("µmol/m²/s")
    day = watch.close_day(steady(watch, ppfd, hours * 3600.0), "2025-02-20", START_S, START_S + DAY_S)
    assert day.dose_mol == pytest.approx(mol, rel=1e-6)
    assert day.coverage == pytest.approx(hours / 24.0)
    assert day.lamp_dose_mol == 0.0


def test_daylight_in_lux_uses_daylights_factor():
    """CIE D65: 0.01802 µmol m⁻² s⁻¹ per lx."""
    watch = bare()
    day = watch.close_day(steady(watch, 1000.0, DAY_S), "2025-02-20", START_S, START_S + DAY_S)
    assert day.dose_mol == pytest.approx(0.01802 * 1000 * 0.0864, rel=0.005)


def test_a_gap_gives_no_dose_and_lowers_coverage():
    watch = bare("µmol/m²/s")
    state = watch.initial()
    for t in range(0, 86401, 60):
        if not 36000 < t < 43200:  # two hours away
            watch.on_reading(state, START_S + t, 100.0, 1)
    day = watch.close_day(state, "2025-02-20", START_S, START_S + DAY_S)
    assert day.dose_mol == pytest.approx(100e-6 * 22 * 3600)
    assert day.coverage == pytest.approx(22 / 24)


@pytest.mark.parametrize(("value", "flag"), [(None, 9), (0.0, 9), (0.0, 4), (0.0, 3), (1e9, 4)])
def test_saturated_missing_and_suspect_readings_are_never_dark(value: float | None, flag: int):
    watch = bare("µmol/m²/s")
    state = watch.initial()
    for t in range(0, 86401, 60):
        bad = 36000 < t < 36300  # five minutes
        watch.on_reading(state, START_S + t, value if bad else 100.0, flag if bad else 1)
    day = watch.close_day(state, "2025-02-20", START_S, START_S + DAY_S)
    assert day.dose_mol == pytest.approx(8.64)
    assert day.coverage == pytest.approx(1.0)


def test_more_readings_on_the_same_line_change_nothing():
    doses = []
    for every in (60.0, 20.0, 300.0):
        watch = bare("µmol/m²/s", every_s=60.0)
        state = watch.initial()
        for t in np.arange(0.0, DAY_S + 1, every):
            watch.on_reading(state, START_S + float(t), 50.0 + float(t) / 1000.0, 1)
        doses.append(watch.close_day(state, "2025-02-20", START_S, START_S + DAY_S).dose_mol)
    assert doses[1:] == pytest.approx([doses[0]] * 2)


def test_a_clock_jump_is_a_gap_and_not_a_dose():
    watch = bare("µmol/m²/s")
    state = steady(watch, 100.0, 3600.0)
    before = state.value_s
    watch.on_reading(state, START_S + 3600.0 + 400 * DAY_S, 100.0, 1)  # far ahead
    assert state.value_s == before
    watch.on_reading(state, START_S + 3660.0, 100.0, 1)  # and back: the old time was wrong
    assert state.value_s == before
    watch.on_reading(state, START_S + 3720.0, 100.0, 1)
    assert state.value_s == pytest.approx(before + 6000.0)


def test_an_hour_set_back_is_not_counted_twice():
    watch = bare("µmol/m²/s")
    state = steady(watch, 100.0, 7200.0)
    for t in range(3600, 7201, 60):
        watch.on_reading(state, START_S + t, 100.0, 1)
    assert state.covered_s == 7200.0


def test_unknown_spectrum_is_an_error():
    with pytest.raises(ValueError, match="white_led"):
        bare(lamp=Lamp(spectrum="moonlight"))


# ---- the simulated lamp


def test_lamp_and_daylight_shares_are_told_apart():
    year = simulate(1, room=PLAIN, days=40)
    result = run(year)
    seconds = year.times[1] - year.times[0]
    for n, day in enumerate(result.days[2:39], 2):
        there = (year.times >= year.times[0] + n * DAY_S) & (year.times < year.times[0] + (n + 1) * DAY_S)
        lamp = 0.0143e-6 * float(year.lamp[there].sum()) * seconds
        daylight = 0.0180e-6 * float(year.daylight[there].sum()) * seconds
        if day.coverage > 0.98:
            assert day.lamp_dose_mol == pytest.approx(lamp, rel=0.03)
            assert day.daylight_dose_mol == pytest.approx(daylight, rel=0.15, abs=0.05)
            assert day.dose_mol == pytest.approx(lamp + daylight, rel=0.03)
    assert result.days[5].lamp_percent is None
    assert result.days[-1].lamp_percent == pytest.approx(100.0, abs=1.5)


@pytest.mark.parametrize(("fade", "seed"), [(0.25, 1), (0.5, 2), (1.0, 3)])
def test_a_fade_is_seen_before_six_percent_are_lost(fade: float, seed: int):
    year = simulate(seed, room=PEOPLE, days=230, fade_percent_week=fade)
    result = run(year)
    day = result.first("lamp_dimming")
    assert day is not None
    assert 0.5 < true_loss(year, day) < 6.0
    facts = next(f for d, a, s, f in result.said if a == "lamp_dimming" and s == "raise")
    assert facts["loss_percent"] == pytest.approx(true_loss(year, day), abs=2.0)
    assert result.days[-1].lamp_percent == pytest.approx(100.0 * year.output[-1], abs=2.5)


@pytest.mark.parametrize("seed", [11, 12, 13])
@pytest.mark.parametrize(
    "room",
    [
        PEOPLE,
        dataclasses.replace(PLAIN, window_share=0.06),
        dataclasses.replace(PEOPLE, facing="east", timer_follows_clock=False),
    ],
)
def test_a_healthy_lamp_raises_nothing_in_a_year(room: Room, seed: int):
    result = run(simulate(seed, room=room))
    assert result.raised("lamp_dimming", "light_probe_fouled") == []


@pytest.mark.parametrize("at", [75.0, 120.4, 200.76])
def test_a_step_is_seen_within_two_days(at: float):
    result = run(simulate(int(at), room=PLAIN, days=210, step_loss=0.2, step_at_day=at))
    day = result.first("lamp_dimming")
    assert day is not None
    assert 0.0 < day - at <= 2.0


@pytest.mark.parametrize(("room", "seed", "at"), [(PEOPLE, 2002, 134.5), (EAST, 2004, 208.0)])
def test_a_step_is_seen_within_two_days_though_one_side_of_the_day_is_restless(room: Room, seed: int, at: float):
    """A switching lost to a hole and another blurred by clouds; low sun at each lamp-on."""
    day = run(simulate(seed, room=room, days=int(at) + 4, step_loss=0.2, step_at_day=at)).first("lamp_dimming")
    assert day is not None
    assert 0.0 < day - at <= 2.0


@pytest.mark.parametrize("left", [0.85, 0.7, 0.4])
def test_a_shadow_over_one_whole_lamp_day_raises_nothing(left: float):
    """Its lamp-on and its lamp-off are low alike; the next lamp-on is not."""
    year = simulate(14, room=PLAIN, days=110)
    day = (year.times - year.times[0]) / DAY_S
    shaded = dataclasses.replace(year, values=np.where((day > 80.2) & (day < 80.95), left * year.values, year.values))
    assert run(shaded).raised("lamp_dimming", "light_probe_fouled", "lamp_off") == []


def test_minute_readings_give_the_same_verdict():
    year = simulate(5, room=PLAIN, days=130, step_s=60, fade_percent_week=0.5)
    result = run(year, every_s=60.0)
    day = result.first("lamp_dimming")
    assert day is not None
    assert true_loss(year, day) < 5.0


def shortened(year: Year, keep: np.ndarray) -> Year:
    return dataclasses.replace(
        year, **{k: getattr(year, k)[keep] for k in ("times", "values", "lamp", "daylight", "output")}
    )


@pytest.mark.parametrize("week", [20.0, 50.0, 95.0])
def test_a_week_without_the_probe_changes_no_verdict(week: float):
    year = simulate(4, room=PLAIN, days=200, fade_percent_week=0.5)
    day = (year.times - year.times[0]) / DAY_S
    whole, holed = run(year), run(shortened(year, (day < week) | (day > week + 7.0)))
    for alarm in ("lamp_dimming", "light_probe_fouled", "lamp_off"):
        assert (whole.first(alarm) is None) == (holed.first(alarm) is None)
    assert holed.first("lamp_dimming") == pytest.approx(whole.first("lamp_dimming"), abs=10.0)


@pytest.mark.parametrize("follows", [True, False])
@pytest.mark.parametrize("start", ["2024-02-01", "2024-10-01", "2025-03-01"])
def test_summer_time_and_a_leap_day_change_nothing(follows: bool, start: str):
    result = run(simulate(6, room=dataclasses.replace(PLAIN, timer_follows_clock=follows), start=start, days=75))
    assert result.raised("lamp_dimming", "lamp_off", "light_probe_fouled") == []
    lengths = [d.coverage for d in result.days if d.coverage is not None]
    assert max(lengths) <= 1.0
    assert result.days[-1].lamp_percent == pytest.approx(100.0, abs=2.0)


def test_a_day_of_23_hours_is_covered_whole():
    watch = watch_for(PLAIN)
    from_s = dt.datetime(2025, 3, 30, tzinfo=watch.zone).timestamp()
    to_s = dt.datetime(2025, 3, 31, tzinfo=watch.zone).timestamp()
    assert to_s - from_s == 23 * 3600
    state = steady(watch, 10.0, to_s - from_s, 300.0, from_s)
    assert watch.close_day(state, "2025-03-30", from_s, to_s).coverage == pytest.approx(1.0)


def test_readings_stamped_anew_by_half_a_minute_change_no_verdict():
    year = simulate(8, room=PLAIN, days=150, fade_percent_week=0.5)
    moved = dataclasses.replace(year, times=year.times + np.where(np.arange(len(year.times)) > 20000, 37.0, 0.0))
    assert run(moved).first("lamp_dimming") == pytest.approx(run(year).first("lamp_dimming"), abs=4.0)


# ---- events


def lamp_event(year: Year, day: float, what: str, event_id: str = "e1") -> LampWork:
    return LampWork(at_s=float(year.times[0]) + day * DAY_S, tank="foyer", what=what, id=event_id)


def test_only_lamp_work_moves_the_anchor():
    year = simulate(9, room=PLAIN, days=200, step_loss=0.2, step_at_day=60.0)
    told = run(year, events=(lamp_event(year, 90.0, "replaced"),))
    assert told.first("lamp_dimming") is not None
    assert ("lamp_dimming", "clear") in [(a, s) for d, a, s, _ in told.said if 90.0 <= d < 91.0]
    assert told.first("lamp_dimming", 91.0) is None
    assert told.days[-1].lamp_percent == pytest.approx(100.0, abs=2.0)
    silent = run(year)
    assert silent.days[-1].lamp_percent == pytest.approx(80.0, abs=2.0)
    assert silent.state.lamp.dimming


def test_cleaning_ends_the_episode_against_the_same_anchor():
    year = simulate(10, room=PLAIN, days=130, foul_step=0.25, step_at_day=60.0)
    day = (year.times - year.times[0]) / DAY_S
    cleaned = dataclasses.replace(year, values=np.where(day > 90.0, year.values / 0.75, year.values))
    result = run(cleaned, events=(lamp_event(cleaned, 90.0, "cleaned"),))
    assert result.first("lamp_dimming") is not None or result.first("light_probe_fouled") is not None
    assert not result.state.lamp.dimming
    assert result.days[-1].lamp_percent == pytest.approx(100.0, abs=2.0)


def test_withdrawn_lamp_work_brings_the_old_anchor_back():
    watch, year = watch_for(PLAIN), simulate(9, room=PLAIN, days=40)
    result = run(year, watch=watch)
    before = copy.deepcopy(result.state.lamp)
    event = lamp_event(year, 40.0, "replaced", "wrong")
    watch.on_lamp(result.state, event)
    assert watch.lamp is not None
    assert not watch.lamp.anchored(result.state.lamp)
    watch.void(result.state, "wrong")
    assert result.state.lamp == before


def test_a_fouled_probe_is_told_from_a_lamp_in_the_end():
    result = run(simulate(4, room=dataclasses.replace(PLAIN, window_share=0.06), foul_percent_week=1.0))
    assert result.state.fouled
    last = [(a, s) for _, a, s, _ in result.said if a in ("lamp_dimming", "light_probe_fouled")]
    assert ("light_probe_fouled", "raise") in last
    assert result.watch.report(result.state, result.state.last_s).what_dimmed == "probe"


BRIGHT = dataclasses.replace(PLAIN, window_share=0.06)


def of_dimming(result: Run) -> dict[str, object]:
    return next(f for _, a, s, f in result.said if a in ("lamp_dimming", "light_probe_fouled") and s == "raise")


@pytest.mark.parametrize("seed", [41, 42])
def test_beside_a_bright_window_a_fouled_probe_is_never_blamed_on_the_lamp_for_certain(seed: int):
    result = run(simulate(seed, room=BRIGHT, foul_percent_week=0.5))
    assert "not the probe" not in str(of_dimming(result)["cause_sentence"])
    assert {what for day, what in result.dimmed if day > 200.0} == {"probe"}


@pytest.mark.parametrize("seed", [43, 44])
def test_beside_a_bright_window_a_fading_lamp_is_never_called_a_fouled_probe(seed: int):
    result = run(simulate(seed, room=BRIGHT, fade_percent_week=0.5))
    assert result.first("light_probe_fouled") is None
    assert result.dimmed[-1][1] == "lamp"


def test_without_daylight_the_cause_is_held_open_and_the_first_thing_to_do_settles_it():
    result = run(simulate(45, room=dataclasses.replace(PLAIN, window_share=0.001), days=150, foul_percent_week=1.0))
    assert result.first("light_probe_fouled") is None
    assert {what for _, what in result.dimmed} == {"unknown"}
    facts = of_dimming(result)
    assert "the lamp or a dirty probe" in str(facts["cause_sentence"])
    assert str(facts["action_sentence"]).startswith("Wipe the light probe first")


def test_dates_are_written_as_people_write_them():
    result = run(simulate(46, room=PLAIN, days=120, step_loss=0.2, step_at_day=60.0))
    facts = of_dimming(result)
    assert "of what it was on 1 January, falling since about 2 March." in str(facts["sentence"])
    assert facts["anchor"] == "2025-01-01"  # evidence for programs stays as it was


def test_a_wiping_that_helps_is_told_and_one_that_does_not_names_the_lamp():
    fouled = simulate(10, room=PLAIN, days=100, foul_step=0.25, step_at_day=60.0)
    day = (fouled.times - fouled.times[0]) / DAY_S
    wiped = dataclasses.replace(fouled, values=np.where(day > 90.0, fouled.values / 0.75, fouled.values))
    result = run(wiped, events=(lamp_event(wiped, 90.0, "cleaned"),))
    report = result.watch.report(result.state, result.state.last_s)
    assert (report.what_dimmed, result.state.lamp.dimming) == ("", False)
    assert "brought the light back" in report.dimmed_sentence
    faded = simulate(10, room=PLAIN, days=100, step_loss=0.25, step_at_day=60.0)
    result = run(faded, events=(lamp_event(faded, 90.0, "cleaned"),))
    report = result.watch.report(result.state, result.state.last_s)
    assert report.what_dimmed == "lamp"
    assert "Wiping did not bring the light back" in report.dimmed_sentence
    assert result.first("lamp_dimming", 90.0) < 92.5


# ---- no lamp


def test_daylight_alone_gets_the_weaker_claim():
    year = simulate(
        28, room=dataclasses.replace(PLAIN, window_share=0.06, lamp_lx=0.0), days=330, foul_step=0.5, step_at_day=200.0
    )
    watch = LightWatch(
        Tank(id="foyer", litres=140),
        Site(timezone="Europe/London", latitude=52.0, longitude=-1.5),
        Probe(id="p", tank="foyer", quantity="light", every_seconds=300),
    )
    result = run(shortened(year, (year.times - year.times[0]) < 240 * DAY_S), watch=watch)
    what, sentence = (r := watch.report(result.state, result.state.last_s)).what_dimmed, r.dimmed_sentence
    assert what == "unknown"
    assert "can't be told apart" in sentence
    assert {f.alarm for f in watch.findings(result.state, result.state.last_s)} == {"light_low"}


# ---- the state


def test_state_survives_json_and_goes_on_the_same():
    adapter = TypeAdapter(LightState)
    year = simulate(31, room=PEOPLE, days=80, fade_percent_week=1.0)
    result = run(shortened(year, np.arange(len(year.times)) < 70 * 288 + 100))
    text = adapter.dump_json(result.state)
    assert b"NaN" not in text
    assert b"Infinity" not in text
    back = adapter.validate_json(text)
    assert back == result.state
    going = (result.state, back)
    for at_s, value in zip(year.times[70 * 288 + 100 :].tolist(), year.values[70 * 288 + 100 :].tolist(), strict=True):
        for state in going:
            result.watch.on_reading(state, at_s, None if value != value else value, 9 if value != value else 1)
    assert adapter.dump_json(going[0]) == adapter.dump_json(going[1])
    assert len(json.loads(text)["times"]) < 500


def test_state_stays_bounded_over_three_years():
    watch = watch_for(PLAIN)
    result: Run | None = None
    year = simulate(32, room=PLAIN, days=120)
    for n in range(9):
        again = dataclasses.replace(year, times=year.times + n * 120 * DAY_S)
        part = run(again, watch=watch) if result is None else _go_on(result, again)
        result = part
    assert result is not None
    assert len(result.state.days) <= 731
    assert len(TypeAdapter(LightState).dump_json(result.state)) < 150_000


def _go_on(result: Run, year: Year) -> Run:
    start_s = float(year.times[0])
    for day in range(120):
        lo, hi = day * 288, (day + 1) * 288
        for at_s, value in zip(year.times[lo:hi].tolist(), year.values[lo:hi].tolist(), strict=True):
            result.watch.on_reading(result.state, at_s, None if value != value else value, 9 if value != value else 1)
        to_s = start_s + (day + 1) * DAY_S
        date = dt.datetime.fromtimestamp(to_s - 1, dt.UTC).date().isoformat()
        result.watch.close_day(result.state, date, to_s - DAY_S, to_s)
    return result


def test_without_a_lamp_nothing_is_said_of_one():
    watch = LightWatch(Tank(id="foyer", litres=140), Site(latitude=52.0, longitude=0.0), None)
    assert [f.alarm for f in watch.findings(watch.initial(), START_S)] == ["light_low"]
    assert watch.next_wake(watch.initial(), START_S) is None
    assert any("No lamp is configured" in r for r in watch.report(watch.initial(), START_S).refusals)


def test_hours_in_the_event_become_the_schedule():
    watch, year = watch_for(PLAIN), simulate(33, room=PLAIN, days=20)
    state = run(year, watch=watch).state
    event = LampWork(at_s=float(year.times[-1]), tank="foyer", what="schedule", hours=(OnHours("10:00", "20:00"),))
    watch.on_lamp(state, event)
    assert [(s.sign, s.minute) for s in state.lamp.slots] == [(1, 600.0), (-1, 1200.0)]
