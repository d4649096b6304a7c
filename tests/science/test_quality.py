"""The judgement of single samples: range, step, flat line, gap; flags only, never a value."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.science.measuring.quality import BAD, GOOD, NEVER_S, RULES, SUSPECT, Memory, judge, rules_for
from rushlight.science.measuring.units import STANDARD, unit_of
from rushlight.settings import Band

PH = RULES["ph", "pH"]


def run(values: list[float], rules=PH, every_s: float = 60.0) -> list[int]:  # type: ignore[no-untyped-def]
    memory = Memory()
    return [judge(rules, memory, 1e9 + i * every_s, v, v) for i, v in enumerate(values)]


def test_every_quantity_has_rules_and_a_reason() -> None:
    quantities = {q for q, _ in RULES}
    assert quantities == {
        "temperature",
        "air_temperature",
        "ph",
        "light",
        "nitrate",
        "conductivity",
        "level",
        "humidity",
    }
    for (quantity, standard), rules in RULES.items():
        assert rules.low < rules.high
        assert rules.why
        assert unit_of(quantity, standard).standard == standard
        assert STANDARD[quantity] in {s for q, s in RULES if q == quantity}


def test_gross_range() -> None:
    assert run([7.0, 2.9, 11.1, float("nan"), float("inf"), 7.0]) == [GOOD, BAD, BAD, BAD, BAD, GOOD]


@given(st.floats(3.0, 11.0), st.floats(3.0, 11.0))
def test_any_step_is_believed_at_the_third_sample_and_none_latches(old: float, new: float) -> None:
    flags = run([old] * 5 + [new] * 5)
    assert flags[:5] == [GOOD] * 5
    assert flags[7:] == [GOOD] * 3
    assert set(flags[5:7]) <= {GOOD, SUSPECT}


@given(st.lists(st.floats(3.0, 11.0), max_size=30), st.floats(3.5, 10.5))
def test_whatever_came_before_a_steady_reading_is_good_again(rubbish: list[float], steady: float) -> None:
    assert run([*rubbish, *[steady] * 4])[-1] == GOOD


def test_a_spike_of_two_samples_is_never_taken() -> None:
    assert run([7.0, 7.0, 9.0, 9.0, 7.0, 7.0]) == [GOOD, GOOD, SUSPECT, SUSPECT, GOOD, GOOD]


def test_the_allowance_grows_with_time_between_samples() -> None:
    assert run([7.0, 7.6], every_s=60.0)[1] == SUSPECT
    assert run([7.0, 7.6], every_s=1800.0)[1] == GOOD


def test_after_a_long_gap_the_first_sample_stands_alone() -> None:
    memory = Memory()
    assert judge(PH, memory, 1e9, 7.0, 7.0) == GOOD
    assert judge(PH, memory, 1e9 + 4 * 3600, 9.5, 9.5) == GOOD


def test_flat_line_needs_time_and_samples() -> None:
    few = run([7.001, 7.002] + [7.003] * 10, every_s=2 * 3600.0)
    assert set(few) == {GOOD}
    many = run([7.001, 7.002] + [7.003] * 40, every_s=1800.0)
    assert many[20] == GOOD
    assert many[-1] == BAD


def test_a_flat_line_ends_with_the_first_change() -> None:
    values = [7.001, 7.002] + [7.003] * 40 + [7.004, 7.003]
    assert run(values, every_s=1800.0)[-3:] == [BAD, GOOD, GOOD]


def test_a_gap_begins_the_flat_line_anew() -> None:
    memory = Memory()
    at_s = 1e9
    for value in (7.001, 7.002, *[7.003] * 20):
        judge(PH, memory, at_s, value, value)
        at_s += 1800.0
    at_s += 6 * 3600.0
    assert all(judge(PH, memory, at_s + i * 1800.0, 7.003, 7.003) == GOOD for i in range(20))


def test_a_declared_range_replaces_its_end_alone() -> None:
    rules = rules_for("temperature", "°C", Band(low=50.0), unit_of("temperature", "°F"), 60.0)
    assert (rules.low, rules.high) == (pytest.approx(10.0), 45.0)
    assert rules_for("temperature", "°C", Band(), unit_of("temperature"), 3600.0).forget_s == 4 * 3600.0


def test_no_rules_for_an_unknown_pair() -> None:
    with pytest.raises(ValueError, match="no such readings"):
        rules_for("ph", "lx", Band(), unit_of("ph"), 60.0)


def test_a_rule_switched_off_stays_off() -> None:
    off = replace(PH, step=None, flat_s=NEVER_S, coarse_flat_s=NEVER_S)
    assert set(run([7.0, 4.0, 10.0, *[10.0] * 2000], off)) == {GOOD}
