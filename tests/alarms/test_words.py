"""What people read: the order of design, units, no exclamation marks, nothing missing when facts are."""

import json
from importlib import resources

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.alarms import evidence
from rushlight.alarms.evidence import (
    Evidence,
    LampOff,
    LevelEvidence,
    MovingEvidence,
    NitrateEvidence,
    ProbeEvidence,
    WaterTestEvidence,
)
from rushlight.alarms.table import TABLE
from rushlight.alarms.wording import words
from rushlight.effects import Estimate
from rushlight.localunits import number


def about(mean: float, low: float, high: float) -> Estimate:
    return Estimate(mean=mean, low=low, high=high)


RISING = NitrateEvidence(
    limit_mg_l=40.0,
    nitrate_mg_l=about(33.6, 24.9, 44.2),
    net_rate_mg_l_day=about(0.83, 0.4, 1.3),
    chance_now=0.1,
    chance_28_days=0.723,
    days_to_limit=7.7,
    cause="Less light explains about 0.5 of the 0.7 mg/L a day",
)


def test_a_message_has_its_parts_in_order():
    row = TABLE["nitrate_rising"]
    text = words.alarm_text(row, "Foyer", RISING)
    assert text == (
        "Foyer: nitrate about 34 mg/L as NO3 (90 %: 25 to 44), rising by 0.83 mg/L a day; the chance of passing its "
        "limit of 40 mg/L within four weeks is 72 %, even odds in about 7.7 days. "
        "Less light explains about 0.5 of the 0.7 mg/L a day. "
        "First: look at the named cause first and undo that one thing. "
        "Do not add fertiliser: under weak light the plants cannot use it, and it raises nitrate further."
    )


@pytest.mark.parametrize(
    ("alarm", "facts", "begins"),
    [
        ("temperature_high", LevelEvidence(value=28.125, limit=27.0, unit="°C"), "Foyer: water too warm: 28.1 °C against a limit of 27 °C."),
        ("temperature_high", LevelEvidence(value=21.04, limit=21.0, unit="°C"), "Foyer: water too warm: 21.04 °C against a limit of 21 °C."),
        ("temperature_moving", MovingEvidence(quantity="temperature", value=-2.04, limit=-2.0, unit="°C in an hour"), "Foyer: the water's temperature is falling by 2.04 °C in an hour, against a limit of 2."),
        ("temperature_moving", MovingEvidence(quantity="temperature", value=-2.345, limit=-2.0, unit="°C in an hour"), "Foyer: the water's temperature is falling by 2.3 °C in an hour, against a limit of 2."),
        ("ph_low", LevelEvidence(value=6.314, limit=6.4), "Foyer: pH too low: 6.31 against a limit of 6.4."),
        ("nitrite_high", WaterTestEvidence(value=1.0, limit=0.5, unit="mg/L"), "Foyer: nitrite above its limit: 1 mg/L against a limit of 0.5 mg/L."),
        ("nitrate_high", NitrateEvidence(limit_mg_l=40.0, nitrate_mg_l=about(46, -1, 57.4), chance_now=1.0), "Foyer: nitrate about 46 mg/L as NO3 (90 %: 0 to 57), above its limit of 40 mg/L with a chance of 99 %."),
        ("nitrate_high", NitrateEvidence(limit_mg_l=40.0, nitrate_mg_l=about(38, 31, 45), net_rate_mg_l_day=about(0.1, -0.2, 0.4), chance_now=0.3, chance_28_days=0.5), "Foyer: nitrate about 38 mg/L as NO3 (90 %: 31 to 45), not clearly rising or falling; the chance of passing its limit of 40 mg/L within four weeks is 50 %."),
        ("nitrate_rising", NitrateEvidence(limit_mg_l=40.0, nitrate_mg_l=about(34, 31, 38), net_rate_mg_l_day=about(-0.4, -0.7, -0.1), chance_now=0.01, chance_28_days=0.02), "Foyer: nitrate about 34 mg/L as NO3 (90 %: 31 to 38), falling by 0.4 mg/L a day; "),
        ("uptake_behind", NitrateEvidence(limit_mg_l=40.0, kept_up_share=about(0.61, 0.45, 0.78)), "Foyer: for two weeks the plants have taken up about 61 % of what the feed supplies (90 %: 45 to 78 %)."),
        ("lamp_off", LampOff(sentence="the lamp did not come on on its schedule."), "Foyer: the lamp did not come on on its schedule. "),
        ("probe_silent", ProbeEvidence(probe="foyer-ph"), "Foyer: a probe is silent (foyer-ph)."),
    ],
)  # fmt: skip
def test_how_it_begins(alarm, facts, begins):
    assert words.alarm_text(TABLE[alarm], "Foyer", facts).startswith(begins)


@pytest.mark.parametrize("row", TABLE.values(), ids=lambda r: r.name)
def test_without_any_fact_the_message_is_still_whole(row):
    for place in ("Foyer", ""):
        text = words.alarm_text(row, place, Evidence())
        assert words.first_action(row, Evidence()).split()[-1] in text
        assert "First:" in text
        assert row.trap in text
        for bad in ("  ", "None", "{", "!", "..", " ,", "of  "):
            assert bad not in text
        assert text[0].isupper() or text.startswith("pH")
        assert text.endswith(".")
    assert not place
    assert words.sitter_text(row, "Foyer", Evidence(), "the duty librarian").endswith("call the duty librarian.")


def test_a_cause_that_is_known_to_be_unknown_is_not_guessed():
    assert "cause" not in words.alarm_text(TABLE["lamp_dimming"], "Foyer", Evidence(cause_sentence=""))


def test_blind_and_unstable_are_said():
    text = words.alarm_text(TABLE["ph_low"], "Foyer", Evidence(blind=True, unstable=True))
    assert "no fresh data" in text
    assert "come and gone" in text


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (0, 2, "0"), (27.0, 3, "27"), (28.125, 3, "28.1"), (0.0234, 2, "0.023"), (-0.5, 2, "−0.5"), (1234.5, 2, "1200"),
        (0.999, 2, "1"), (99.96, 3, "100"), (15.7, 2, "16"), (6.05, 3, "6.05"), (1e-5, 2, "0.00001"),
    ],
)  # fmt: skip
def test_numbers_as_people_write_them(value, digits, text):
    assert number(value, digits) == text


@given(st.floats(1e-4, 1e6), st.integers(1, 4))
def test_a_number_keeps_its_digits_and_has_no_exponent(value, digits):
    text = number(value, digits)
    assert "e" not in text
    assert float(text) == pytest.approx(value, rel=0.51 * 10.0 ** (1 - digits))


FAMILIES = [c for c in vars(evidence).values() if isinstance(c, type) and issubclass(c, Evidence)]
known = st.sampled_from(FAMILIES).flatmap(st.from_type)


@pytest.mark.slow
@given(st.sampled_from(sorted(TABLE)), known)
def test_no_evidence_can_keep_an_alarm_from_being_told(alarm, found):
    """Of any family, with any of its facts unknown, also one that the alarm's watch would never give."""
    row = TABLE[alarm]
    assert "First:" in words.alarm_text(row, "Foyer", found)
    assert words.sitter_text(row, "Foyer", found, "")
    json.dumps(found.record())


@pytest.mark.parametrize("state", ["acknowledged", "returned", "normal", "shelved", "out_of_service"])
def test_a_change_that_asks_for_nothing_is_one_line(state):
    text = words.change_text(
        TABLE["probe_silent"], "Foyer", ProbeEvidence(probe="foyer-ph"), state, by="duty librarian", hours=2.0
    )
    assert text.startswith("Foyer: a probe is silent (foyer-ph).")
    assert ("duty librarian" in text) == (state in ("acknowledged", "shelved"))
    assert ("2 h" in text) == (state == "shelved")


def test_a_capital_at_the_beginning_leaves_the_rest_as_it_is() -> None:
    """`Thu 12 Nov`, `KH`, `NH3` and `pH` keep theirs; the page says no `Thu 12 nov`."""
    assert words.capital("thursday 12 Nov") == "Thursday 12 Nov"
    assert words.capital("the water has KH 4 and no NH3") == "The water has KH 4 and no NH3"
    assert words.capital("pH is not known") == "pH is not known"
    assert words.capital("") == ""
    templates = resources.files("rushlight.web").joinpath("templates")
    assert [t.name for t in templates.iterdir() if "|capitalize" in t.read_text()] == []
