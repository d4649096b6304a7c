"""One probe from reading to finding: flags, calibration, silence, faults, late and future readings."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from rushlight.events import Calibration, CalibrationPoint, Reading
from rushlight.settings import Band, Probe
from rushlight.tank.probes.health import note_interference
from rushlight.tank.probes.watch import ProbeState, ProbeWatch

T0 = 1_767_225_600.0  # 2026-01-01 00:00 UTC
HOUR_S, DAY_S = 3600.0, 86400.0


def watch(quantity: str = "temperature", unit: str = "", **more: object) -> ProbeWatch:
    return ProbeWatch(Probe(id="p", tank="foyer", quantity=quantity, unit=unit, **more))  # type: ignore[arg-type]


def feed(
    w: ProbeWatch, s: ProbeState, values: list[float | None], start_s: float = T0, every_s: float = 60.0
) -> list[int]:
    return [w.on_reading(s, Reading(at_s=start_s + i * every_s, probe="p", value=v))[1] for i, v in enumerate(values)]


def says(w: ProbeWatch, s: ProbeState, at_s: float) -> dict[str, str]:
    return {f.alarm: f.says for f in w.findings(s, at_s)}


def noisy(rng: random.Random, centre: float, n: int, spread: float = 0.01) -> list[float | None]:
    return [round(rng.gauss(centre, spread), 3) for _ in range(n)]


def test_units_of_probe_and_of_sender() -> None:
    w = watch(unit="degF")
    s = w.initial()
    assert w.on_reading(s, Reading(at_s=T0, probe="p", value=77.0))[0] == pytest.approx(25.0)
    assert w.on_reading(s, Reading(at_s=T0 + 60, probe="p", value=25.1, unit="Cel")) == (25.1, 1)
    value, flag = w.on_reading(s, Reading(at_s=T0 + 120, probe="p", value=25.1, unit="lx"))
    assert (value, flag) == (None, 4)


def test_a_unit_that_does_not_fit_is_refused_at_once() -> None:
    with pytest.raises(ValueError, match="not a unit of temperature"):
        watch(unit="lx")


@pytest.mark.parametrize("sentinel", [85.0, -127.0, 127.9375, 0.0, -0.0625, float("nan")])
def test_one_wire_sentinels_are_never_good(sentinel: float) -> None:
    w = watch()
    s = w.initial()
    assert feed(w, s, [24.0, 24.1, 24.0, sentinel, 24.1]) in ([1, 1, 1, 4, 1], [1, 1, 1, 3, 1])
    assert s.value == 24.1


def test_a_bad_first_value_does_not_poison_what_follows() -> None:
    w = watch("ph")
    s = w.initial()
    flags = feed(w, s, [10.4, *noisy(random.Random(1), 7.1, 10)])
    assert flags[3:] == [1] * 8


def test_a_spike_is_flagged_and_not_replaced() -> None:
    w = watch("ph")
    s = w.initial()
    feed(w, s, [7.10, 7.11, 7.10])
    value, flag = w.on_reading(s, Reading(at_s=T0 + 240, probe="p", value=8.9))
    assert (value, flag) == (8.9, 3)
    assert s.value == 7.10
    assert feed(w, s, [7.11], T0 + 300) == [1]


def test_a_step_is_believed_at_the_third_sample() -> None:
    w = watch("ph")
    s = w.initial()
    feed(w, s, [7.10, 7.11, 7.10])
    assert feed(w, s, [7.80, 7.81, 7.79, 7.80], T0 + 180) == [3, 3, 1, 1]
    assert s.value == 7.80


def test_light_may_step_and_be_dark_all_night() -> None:
    w = watch("light", "lx")
    s = w.initial()
    night: list[float | None] = [0.0] * 60 * 60
    assert set(feed(w, s, [4000.0, 12.0, 5000.0, *night, 6200.0])) == {1}


def test_two_days_on_one_number_is_a_fault_and_heals() -> None:
    w = watch("ph")
    s = w.initial()
    rng = random.Random(7)
    feed(w, s, noisy(rng, 7.13, 1440))
    assert says(w, s, T0 + DAY_S)["probe_fault"] == "clear"
    flags = feed(w, s, [7.13] * 2880, T0 + DAY_S)
    assert flags[11 * 60] == 1
    assert flags[13 * 60] == 4
    assert s.watched is False
    finding = next(f for f in w.findings(s, T0 + 3 * DAY_S) if f.alarm == "probe_fault")
    assert (finding.says, finding.evidence.record()["reason"]) == ("raise", "flat")
    assert "without the slightest change for 2 days" in finding.evidence.record()["sentence"]
    feed(w, s, noisy(rng, 7.12, 60), T0 + 3 * DAY_S)
    assert says(w, s, T0 + 3 * DAY_S + HOUR_S)["probe_fault"] == "clear"


def test_a_coarse_ph_may_rest_for_a_day_but_not_for_two() -> None:
    w = watch("ph")
    s = w.initial()
    feed(w, s, [7.1, 7.2, 7.1, 7.2, 7.1])
    flags = feed(w, s, [7.1] * 2 * 288, T0 + 300, 300.0)
    assert flags[24 * 12] == 1
    assert flags[37 * 12] == 4


def test_a_coarse_thermometer_may_rest_for_days() -> None:
    w = watch()
    s = w.initial()
    assert set(feed(w, s, [24.0, 24.0625, *[24.0625] * 4 * 288], every_s=300.0)) == {1}


@pytest.mark.parametrize(("step", "told_day"), [(0.0625, 3), (0.1, 3), (0.5, None)])
def test_a_thermometer_that_always_moved_and_now_rests_is_stuck(step: float, told_day: int | None) -> None:
    """Steps of 1/16 °C and of 0.1 °C: what most cheap thermometers give.  By half degrees a tank may rest all winter."""
    w = watch(every_seconds=300.0)
    s = w.initial()
    rng = random.Random(8)
    moving = [round(24.5 + 0.3 * math.sin(i / 45.8) + rng.gauss(0.0, 0.03), 4) // step * step for i in range(20 * 288)]
    assert set(feed(w, s, moving, every_s=300.0)) == {1}
    flags = feed(w, s, [moving[-1]] * 6 * 288, T0 + 20 * DAY_S, 300.0)
    assert (round(flags.index(4) / 288) if 4 in flags else None) == told_day


def test_a_thermometer_that_often_rested_may_rest_again() -> None:
    w = watch(every_seconds=300.0)
    s = w.initial()
    values = [24.0 + 0.0625 * (i // (20 * 12) % 2) for i in range(30 * 288)]  # it moves every twenty hours
    assert set(feed(w, s, values, every_s=300.0)) == {1}
    flags = feed(w, s, [values[-1]] * 6 * 288, T0 + 30 * DAY_S, 300.0)
    assert flags.index(4) > 4 * 288 - 20 * 12


def test_a_declared_range_is_in_the_probes_own_unit() -> None:
    w = watch(unit="°F", range=Band(low=60.0, high=90.0))
    s = w.initial()
    assert feed(w, s, [77.0, 95.0, 77.2]) == [1, 4, 1]


def test_silence_is_raised_when_due_and_only_a_good_reading_clears_it() -> None:
    w = watch("ph", driver="lines")
    s = w.initial()
    feed(w, s, noisy(random.Random(3), 7.1, 60))
    last_s = T0 + 59 * 60
    wake_s = w.next_wake(s)
    assert wake_s == last_s + 300.0
    assert says(w, s, wake_s - 1)["probe_silent"] == "clear"
    assert says(w, s, wake_s)["probe_silent"] == "raise"
    assert w.next_wake(s) != wake_s
    assert says(w, s, wake_s + DAY_S)["probe_silent"] == "raise"
    feed(w, s, [None], wake_s + DAY_S)
    assert says(w, s, wake_s + DAY_S)["probe_silent"] == "hold"
    feed(w, s, [7.1], wake_s + DAY_S + 60)
    assert s.watched is False
    assert says(w, s, wake_s + DAY_S + 60)["probe_silent"] == "clear"
    assert s.watched is True


def test_three_readings_lost_in_a_row_are_no_silence_and_four_are() -> None:
    w = watch("ph", driver="mqtt", every_seconds=300.0)
    s = w.initial()
    feed(w, s, noisy(random.Random(3), 7.1, 10), every_s=300.0)
    last_s = T0 + 9 * 300
    assert says(w, s, last_s + 4 * 300.0)["probe_silent"] == "clear"
    assert says(w, s, last_s + 5 * 300.0)["probe_silent"] == "raise"


def test_the_keepers_own_patience_is_kept() -> None:
    w = watch(silent_seconds=1000.0)
    s = w.initial()
    feed(w, s, noisy(random.Random(3), 24.0, 10))
    assert w.next_wake(s) == T0 + 9 * 60 + 1000.0


def test_a_slower_stream_than_configured_is_not_called_silent() -> None:
    w = watch()  # sixty seconds by default
    s = w.initial()
    rng = random.Random(5)
    for i in range(300):
        at_s = T0 + 600.0 * i
        assert says(w, s, at_s).get("probe_silent", "clear") == "clear"
        w.on_reading(s, Reading(at_s=at_s, probe="p", value=round(rng.gauss(24.0, 0.05), 3)))
    assert says(w, s, T0 + 299 * 600.0 + 3000.0)["probe_silent"] == "raise"


def test_a_probe_without_driver_that_never_spoke_is_not_silent() -> None:
    w = watch()
    s = w.initial()
    assert says(w, s, T0 + 30 * DAY_S) == {"probe_fault": "hold"}
    assert w.next_wake(s) is None


def test_a_probe_with_driver_that_never_spoke_is_silent() -> None:
    w = watch(driver="onewire")
    s = w.initial()
    assert says(w, s, T0) == {"probe_silent": "clear", "probe_fault": "hold"}
    assert w.next_wake(s) == T0 + 300.0
    finding = w.findings(s, T0 + 300.0)[0]
    assert (finding.says, "never been heard" in finding.evidence.record()["sentence"]) == ("raise", True)


def test_a_probe_that_answers_without_a_value_is_faulty_not_silent() -> None:
    w = watch()
    s = w.initial()
    feed(w, s, noisy(random.Random(3), 24.0, 30))
    feed(w, s, [None] * 20, T0 + 1800)
    found = says(w, s, T0 + 3000)
    assert (found["probe_fault"], found["probe_silent"]) == ("raise", "clear")


def test_a_late_reading_is_told_but_never_the_latest() -> None:
    w = watch()
    s = w.initial()
    feed(w, s, [24.0, 24.1, 24.2])
    before = TypeAdapter(ProbeState).dump_json(s)
    late = Reading(at_s=T0 - 3600, received_s=T0 + 130, probe="p", value=20.0)
    assert w.on_reading(s, late) == (20.0, 2)
    assert TypeAdapter(ProbeState).dump_json(s) == before


def test_a_reading_from_the_future_is_not_the_latest() -> None:
    w = watch()
    s = w.initial()
    feed(w, s, [24.0, 24.1, 24.2])
    ahead = Reading(at_s=T0 + 7200, received_s=T0 + 180, probe="p", value=24.2)
    assert w.on_reading(s, ahead) == (24.2, 3)
    assert feed(w, s, [24.2], T0 + 240) == [1]


def test_a_clock_that_was_a_year_ahead_does_not_blind_the_probe() -> None:
    w = watch()
    s = w.initial()
    feed(w, s, [24.0, 24.1, 24.2], T0 + 365 * DAY_S)
    flags = feed(w, s, [24.1, 24.2, 24.1, 24.2, 24.1])
    assert flags == [2, 2, 1, 1, 1]
    assert s.value_at_s == T0 + 240


def test_ph_calibration_in_millivolts_follows_temperature() -> None:
    w = watch("ph", "mV")
    s = w.initial()
    assert w.on_reading(s, Reading(at_s=T0, probe="p", value=0.0)) == (None, 2)
    assert says(w, s, T0)["calibration_due"] == "raise"
    # An electrode of 95 % efficiency and 8 mV offset, made with Nernst's 59.16 mV at 25 °C.
    points = (
        CalibrationPoint(value=7.00, raw=8.0, temperature_c=25.0),
        CalibrationPoint(value=4.01, raw=8.0 + 0.95 * 59.159 * 2.99, temperature_c=25.0),
    )
    verdict = w.on_calibration(s, Calibration(at_s=T0 + 60, id="c1", probe="p", points=points))
    assert verdict.accepted
    assert verdict.slope_mv == pytest.approx(0.95 * 59.159, rel=1e-4)
    assert says(w, s, T0 + 120)["calibration_due"] == "clear"
    at_15_c = 8.0 - 0.95 * 57.1751 * (7.6 - 7.0)  # Nernst at 15 °C
    value, flag = w.on_reading(s, Reading(at_s=T0 + 120, probe="p", value=at_15_c), 15.0)
    assert (value, flag) == (pytest.approx(7.6, abs=1e-4), 1)


def test_ph_calibration_of_a_board_that_gives_ph() -> None:
    w = watch("ph")
    s = w.initial()
    points = (CalibrationPoint(value=6.86, raw=7.06), CalibrationPoint(value=4.01, raw=4.36))
    assert w.on_calibration(s, Calibration(at_s=T0, id="c", probe="p", points=points)).accepted
    for raw, true in ((7.06, 6.86), (4.36, 4.01)):
        assert w.on_reading(s, Reading(at_s=s.at_s + T0 if not s.at_s else s.at_s + 86400, probe="p", value=raw))[
            0
        ] == pytest.approx(true, abs=1e-6)


def test_a_refused_calibration_leaves_the_one_before_in_force() -> None:
    w = watch("ph", "mV")
    s = w.initial()
    good = (CalibrationPoint(value=7.0, raw=2.0), CalibrationPoint(value=4.01, raw=177.0))
    dead = (CalibrationPoint(value=7.0, raw=2.0), CalibrationPoint(value=4.01, raw=120.0))
    mixed = (CalibrationPoint(value=6.86, raw=8.0), CalibrationPoint(value=10.01, raw=-177.0))
    w.on_calibration(s, Calibration(at_s=T0, id="a", probe="p", points=good))
    in_force = (s.offset, s.gain)
    for i, points in enumerate((dead, mixed)):
        verdict = w.on_calibration(s, Calibration(at_s=T0 + 60 + i, id=f"b{i}", probe="p", points=points))
        assert not verdict.accepted
        assert "refused" in verdict.words
        assert (s.offset, s.gain) == in_force
    assert [c.accepted for c in s.calibrations] == [True, False, False]


def test_order_of_arrival_of_calibrations_does_not_matter_and_void_undoes() -> None:
    first = Calibration(
        at_s=T0,
        id="a",
        probe="p",
        points=(CalibrationPoint(value=7.0, raw=2.0), CalibrationPoint(value=4.01, raw=177.0)),
    )
    second = Calibration(
        at_s=T0 + DAY_S,
        id="b",
        probe="p",
        points=(CalibrationPoint(value=7.0, raw=-4.0), CalibrationPoint(value=4.01, raw=170.0)),
    )
    w = watch("ph", "mV")
    one, other = w.initial(), w.initial()
    for event in (first, second):
        w.on_calibration(one, event)
    for event in (second, first, second):
        w.on_calibration(other, event)
    assert one == other
    w.void(one, "b")
    alone = w.initial()
    w.on_calibration(alone, first)
    assert one == alone


def test_nitrate_electrode_in_millivolts() -> None:
    w = watch("nitrate", "mV")
    s = w.initial()
    points = tuple(
        CalibrationPoint(value=c, raw=250.0 - 56.0 * e, temperature_c=25.0)
        for c, e in ((1.0, 0), (10.0, 1), (100.0, 2))
    )
    assert w.on_calibration(s, Calibration(at_s=T0, id="c", probe="p", points=points)).accepted
    value, _ = w.on_reading(s, Reading(at_s=T0 + 60, probe="p", value=250.0 - 56.0 * 1.5), 25.0)
    assert value == pytest.approx(10**1.5, rel=1e-6)


def test_calibration_due_by_age() -> None:
    w = watch("ph")
    s = w.initial()
    points = (CalibrationPoint(value=7.0, raw=7.1),)
    w.on_calibration(s, Calibration(at_s=T0, id="c", probe="p", points=points))
    assert says(w, s, T0 + 30 * DAY_S - 1)["calibration_due"] == "clear"
    assert w.next_wake(s) == T0 + 30 * DAY_S
    assert says(w, s, T0 + 30 * DAY_S)["calibration_due"] == "raise"
    assert w.next_wake(s) is None
    assert "calibration_due" not in says(watch(), watch().initial(), T0)


def test_a_noisy_electrode_is_a_fault_though_many_readings_are_good() -> None:
    w = watch("ph")
    s = w.initial()
    rng = random.Random(11)
    values = [
        round(rng.gauss(7.1, 0.01) + (rng.choice([-2.0, 2.0]) if rng.random() < 0.5 else 0.0), 3) for _ in range(300)
    ]
    raised = 0
    for i, value in enumerate(values):
        at_s = T0 + 60 * i
        w.on_reading(s, Reading(at_s=at_s, probe="p", value=value))
        if not s.watched:
            raised += says(w, s, at_s)["probe_fault"] == "raise"
    assert raised > 100


def test_two_electrodes_that_jump_together_suggest_interference() -> None:
    ph, ise = watch("ph"), watch("nitrate")
    sp, si = ph.initial(), ise.initial()
    rng = random.Random(2)
    for i in range(600):
        hit = i in (100, 300, 500)
        ph.on_reading(sp, Reading(at_s=T0 + 60 * i, probe="p", value=round(rng.gauss(7.1, 0.01) + hit, 3)))
        ise.on_reading(si, Reading(at_s=T0 + 60 * i + 20, probe="n", value=round(rng.gauss(20.0, 0.3) + 40 * hit, 2)))
    now_s = T0 + 600 * 60
    excused = [T0 + 60 * 100, T0 + 60 * 300, T0 + 60 * 500]
    assert not note_interference([sp, si], now_s, excused)
    assert note_interference([sp, si], now_s)
    for w, s in ((ph, sp), (ise, si)):
        finding = next(f for f in w.findings(s, now_s) if f.alarm == "probe_fault")
        assert finding.says == "raise"
        assert "interference" in finding.evidence.record()["sentence"]
    later_s = now_s + 7 * HOUR_S
    for i in range(60):
        ph.on_reading(sp, Reading(at_s=later_s + 60 * i, probe="p", value=round(rng.gauss(7.1, 0.01), 3)))
    assert says(ph, sp, later_s + HOUR_S)["probe_fault"] == "clear"


def test_the_view_says_what_is_wrong_in_one_sentence() -> None:
    w = watch("ph", driver="lines")
    s = w.initial()
    feed(w, s, noisy(random.Random(3), 7.1, 60))
    assert (w.view(s, T0 + 3600).fresh, w.view(s, T0 + 3600).trouble) == (True, "")
    w.findings(s, T0 + 3 * HOUR_S)
    assert w.view(s, T0 + 3 * HOUR_S).trouble == "the pH probe p has been silent for 2 hours"


@pytest.mark.slow
@given(
    st.lists(
        st.tuples(
            st.floats(0, 1e6),
            st.one_of(st.none(), st.floats(-1e6, 1e6)),
            st.sampled_from([None, 1, 2, 3, 4, 9]),
            st.sampled_from(["", "Cel", "degF", "lx"]),
        ),
        max_size=60,
    )
)
def test_the_state_survives_json_whatever_comes(rows: list[tuple[float, float | None, int | None, str]]) -> None:
    w = watch()
    s = w.initial()
    adapter = TypeAdapter(ProbeState)
    for at_s, value, said, unit in rows:
        event = Reading(at_s=T0 + at_s, received_s=T0 + 5e5, probe="p", value=value, unit=unit, quality=said)  # type: ignore[arg-type]
        got, flag = w.on_reading(s, event)
        assert flag in (1, 2, 3, 4, 9)
        assert (got is None) <= (flag != 1)
    w.findings(s, T0 + 1e6)
    assert adapter.validate_json(adapter.dump_json(s)) == s


@given(st.floats(0, 1e5), st.floats(0.1, 5000), st.integers(1, 30), st.sampled_from(["ph", "temperature"]))
def test_a_wake_that_was_answered_is_not_asked_for_again(start_s: float, every_s: float, n: int, quantity: str) -> None:
    w = watch(quantity, driver="lines")
    s = w.initial()
    feed(w, s, [7.1 + 0.01 * (i % 3) for i in range(n)], T0 + start_s, every_s)
    w.findings(s, s.at_s)
    wakes = []
    while (wake_s := w.next_wake(s)) is not None:
        w.findings(s, wake_s)
        wakes.append(wake_s)
        assert len(wakes) < 4
    assert wakes == sorted(set(wakes))


def line(quantity: str, *pairs: tuple[float, float]) -> tuple[ProbeWatch, ProbeState, bool]:
    w = watch(quantity)
    s = w.initial()
    points = tuple(CalibrationPoint(value=v, raw=r) for v, r in pairs)
    return w, s, w.on_calibration(s, Calibration(at_s=T0, id="c", probe="p", points=points)).accepted


def test_a_thermometer_in_ice_water_moves_by_its_offset() -> None:
    w, s, accepted = line("temperature", (0.0, 0.4))
    assert accepted
    assert w.on_reading(s, Reading(at_s=T0 + 60, probe="p", value=24.4))[0] == pytest.approx(24.0)


def test_two_points_give_offset_and_gain() -> None:
    w, s, accepted = line("temperature", (0.0, 0.5), (25.0, 25.0))
    assert accepted
    assert w.on_reading(s, Reading(at_s=T0 + 60, probe="p", value=12.75))[0] == pytest.approx(12.5)


def test_a_light_probe_is_scaled_and_dark_stays_dark() -> None:
    w, s, accepted = line("light", (1200.0, 1000.0))
    assert accepted
    assert w.on_reading(s, Reading(at_s=T0 + 60, probe="p", value=0.0))[0] == 0.0
    assert w.on_reading(s, Reading(at_s=T0 + 120, probe="p", value=500.0))[0] == pytest.approx(600.0)


@pytest.mark.parametrize(
    ("quantity", "pairs"),
    [
        ("light", ((100.0, 1000.0),)),  # tenfold: a unit, not a drift
        ("light", ((100.0, 0.0),)),
        ("temperature", ((0.0, 20.0), (25.0, 20.0))),
    ],
)
def test_calibrations_that_cannot_be_are_refused_and_change_nothing(
    quantity: str, pairs: tuple[tuple[float, float], ...]
) -> None:
    w, s, accepted = line(quantity, *pairs)
    assert not accepted
    assert w.on_reading(s, Reading(at_s=T0 + 60, probe="p", value=20.0)) == (20.0, 1)


def test_one_buffer_moves_the_zero_point_and_keeps_the_slope_known_before() -> None:
    w = watch("ph")
    s = w.initial()
    two = (CalibrationPoint(value=7.0, raw=7.0), CalibrationPoint(value=4.01, raw=4.01 + 0.1 * 2.99))
    w.on_calibration(s, Calibration(at_s=T0, id="a", probe="p", points=two))
    assert s.calibrations[-1].slope_percent == pytest.approx(90.0)
    w.on_calibration(s, Calibration(at_s=T0 + DAY_S, id="b", probe="p", points=(CalibrationPoint(value=7.0, raw=7.2),)))
    assert s.calibrations[-1].slope_percent is None
    value, _ = w.on_reading(s, Reading(at_s=T0 + DAY_S + 60, probe="p", value=7.2 + 0.9))
    assert value == pytest.approx(8.0, abs=1e-6)
