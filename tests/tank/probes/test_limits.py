"""Limits with a deadband and the rate over an hour: raise, hold, clear, and silence."""

import random

from pydantic import TypeAdapter

from rushlight.alarms.finding import Finding
from rushlight.config.implied import band
from rushlight.settings import Band, Limits, Probe, Tank
from rushlight.tank.probes.limits import LimitsState, LimitsWatch

T0 = 1_767_225_600.0
TANK = Tank(id="foyer", litres=140, limits=Limits(temperature=Band(low=21, high=27), ph=Band(low=6.4, high=7.8)))

PROBES = [Probe(id="temperature", tank="foyer", quantity="temperature"), Probe(id="ph", tank="foyer", quantity="ph")]


def run(values: list[tuple[float, float]], quantity: str = "temperature") -> list[tuple[float, Finding]]:
    w = LimitsWatch(TANK, PROBES)
    s = w.initial()
    return [(at_s, f) for at_s, v in values for f in w.on_value(s, T0 + at_s, quantity, v)]


def changes(found: list[tuple[float, Finding]], alarm: str) -> list[str]:
    out: list[str] = []
    for _, f in found:
        if f.alarm == alarm and (not out or out[-1] != f.says):
            out.append(f.says)
    return out


def test_raise_hold_clear_with_the_deadband() -> None:
    found = run([(0, 26.0), (60, 27.2), (120, 26.9), (180, 27.1), (240, 26.6)])
    assert changes(found, "temperature_high") == ["clear", "raise", "hold", "raise", "clear"]
    raised = next(f for _, f in found if f.says == "raise")
    assert raised.evidence.record() == {"quantity": "temperature", "value": 27.2, "limit": 27.0, "unit": "°C"}


def test_the_low_side_mirrors_the_high_side() -> None:
    assert changes(run([(0, 23.0), (60, 20.9), (120, 21.1), (180, 21.4)]), "temperature_low") == [
        "clear",
        "raise",
        "hold",
        "clear",
    ]
    assert changes(run([(0, 7.0), (60, 6.3), (120, 6.45), (180, 6.6)], "ph"), "ph_low") == [
        "clear",
        "raise",
        "hold",
        "clear",
    ]


def test_noise_about_the_limit_never_clears() -> None:
    rng = random.Random(4)
    found = run([(60.0 * i, 27.0 + rng.uniform(-0.2, 0.2)) for i in range(600)])
    assert "clear" not in changes(found, "temperature_high")


def test_a_standing_word_is_repeated_sparingly() -> None:
    found = [f for _, f in run([(10.0 * i, 28.0) for i in range(360)]) if f.alarm == "temperature_high"]
    assert 10 <= len(found) <= 13


def test_a_settled_tank_is_silent() -> None:
    rng = random.Random(1)
    found = run([(60.0 * i, rng.gauss(24.0, 0.05)) for i in range(10_000)])
    assert len(found) <= 60  # the first word on each of three alarms, repeated until settled
    assert {f.says for _, f in found} == {"clear"}
    assert all(at_s < 4 * 3600 for at_s, _ in found)


def test_a_limit_left_out_is_the_usual_one_and_says_so() -> None:
    w = LimitsWatch(Tank(id="t", litres=100, limits=Limits(temperature=Band(low=20.0))), PROBES)
    s = w.initial()
    found = [f for i in range(100) for f in w.on_value(s, T0 + i * 60, "temperature", 40.0)]
    high = next(f for f in found if f.alarm == "temperature_high")
    assert high.says == "raise"
    assert high.evidence.record()["limit"] == 30.0
    assert high.evidence.record()["limit_assumed"] is True
    cold = [f for i in range(100) for f in w.on_value(s, T0 + 86400 + i * 60, "temperature", 19.0)]
    low = next(f for f in cold if f.alarm == "temperature_low")
    assert low.evidence.record()["limit"] == 20.0
    assert "limit_assumed" not in low.evidence.record()


def test_an_assumed_side_never_contradicts_the_given_one() -> None:
    assert band(Tank(id="t", litres=100, limits=Limits(temperature=Band(low=31.0))), "temperature") == Band(low=31.0)


def test_a_fast_change_is_moving_and_a_slow_one_is_not() -> None:
    fast = [(60.0 * i, 24.0 + 3.0 * min(1.0, max(0.0, (i - 120) / 60))) for i in range(400)]
    assert changes(run(fast), "temperature_moving") == ["clear", "hold", "raise", "hold", "clear"]
    slow = [(60.0 * i, 24.0 + 3.0 * min(1.0, max(0.0, (i - 120) / 360))) for i in range(700)]
    assert "raise" not in changes(run(slow), "temperature_moving")


def test_one_odd_value_is_not_moving() -> None:
    values = [(60.0 * i, 24.0) for i in range(300)]
    values[150] = (60.0 * 150, 29.0)
    assert "raise" not in changes(run(values), "temperature_moving")


def test_a_rate_is_not_taken_across_a_gap() -> None:
    values = [(60.0 * i, 22.0) for i in range(60)] + [(86400.0 + 60.0 * i, 26.5) for i in range(60)]
    assert "raise" not in changes(run(values), "temperature_moving")


def test_late_values_are_left_out_but_a_clock_set_back_is_followed() -> None:
    w = LimitsWatch(TANK, PROBES)
    s = w.initial()
    w.on_value(s, T0 + 86400, "temperature", 24.0)
    assert w.on_value(s, T0 + 86000, "temperature", 30.0) == ()
    assert w.on_value(s, T0 + 100, "temperature", 30.0) == ()
    assert w.on_value(s, T0 + 160, "temperature", 30.0) == ()
    assert [f.says for f in w.on_value(s, T0 + 220, "temperature", 30.0) if f.alarm == "temperature_high"] == ["raise"]


def test_state_survives_json() -> None:
    w = LimitsWatch(TANK, PROBES)
    s = w.initial()
    for i in range(200):
        w.on_value(s, T0 + 60 * i, "temperature", 24.0 + i / 40)
        w.on_value(s, T0 + 60 * i, "ph", 7.0 + i / 400)
    adapter = TypeAdapter(LimitsState)
    assert adapter.validate_json(adapter.dump_json(s)) == s
