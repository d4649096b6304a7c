"""What people read and write against published conversion factors, and there and back.

Sources: NIST Special Publication 811 (2008), appendix B.8: inch 2.54 cm, gallon (US) 3.785 412 L, gallon (Canadian and
UK) 4.546 09 L, t/°C = (t/°F − 32)/1.8, difference of temperature °F / 1.8.  UK Weights and Measures Act 1985, schedule 1:
gallon 4.546 09 dm³.  Hardness: one German degree is 10 mg CaO per litre, of CaCO3 17.848 mg/L by CIAAW's atomic weights.
"""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.localunits import METRIC, Units, number

US, UK = Units("us"), Units("uk")
RECORD = ("°C", "L", "cm", "mg/L", "°dH", "µS/cm", "lx", "g", "%", "", "mg/L as NO3 a day")


@pytest.mark.parametrize(
    ("units", "value", "unit", "published"),
    [
        (US, 0.0, "°C", 32.0),
        (US, 100.0, "°C", 212.0),
        (US, -40.0, "°C", -40.0),
        (US, 37.78541178, "L", 37.78541178 / 3.785412),
        (UK, 4.54609, "L", 1.0),
        (US, 2.54, "cm", 1.0),
        (UK, 30.48, "cm", 12.0),
        (US, 1.0, "°dH", 17.848),
        (US, 40.0, "mg/L as NO3", 40.0),
        (UK, 25.0, "°C", 25.0),
        (UK, 4.0, "°dH", 4.0),
        (US, 480.0, "µS/cm", 480.0),
    ],
)
def test_published_factors(units: Units, value: float, unit: str, published: float) -> None:
    assert units.of(value, unit) == pytest.approx(published, rel=1e-6, abs=1e-3 if unit == "°dH" else 1e-6)


def test_a_difference_has_no_offset() -> None:
    assert US.say_change(1.0, "°C", ".1f") == "1.8 °F"
    assert US.change_figure(-5.0, "°C an hour") == "−9"
    assert US.say_change(2.0, "°C an hour") == "3.6 °F an hour"
    assert US.say(1.0, "°C", ".1f") == "33.8 °F"


@pytest.mark.parametrize(
    ("units", "value", "unit", "spec", "said"),
    [
        (US, 25.4, "°C", 3, "77.7 °F"),
        (US, 23.888888, "°C", "g", "75 °F"),
        (US, 136.2748, "L", "g", "36 gal"),
        (US, 140.0, "L", "g", "37 gal"),
        (US, 8.0, "L", ".0f", "2.1 gal"),
        (US, 0.5, "L", ".0f", "0.13 gal"),
        (UK, 140.0, "L", "g", "30.8 gal"),
        (US, 31.0, "cm", "g", "12.2 in"),
        (US, 4.0, "°dH", ".1f", "71 ppm as CaCO3"),
        (US, 23.4, "mg/L as NO3", 2, "23 ppm as NO3"),
        (METRIC, 140.0, "L", "g", "140 L"),
        (METRIC, 23.888888, "°C", ".0f", "24 °C"),
        (METRIC, 7.05, "", 3, "7.05"),
    ],
)
def test_as_a_person_reads_it(units: Units, value: float, unit: str, spec: str | int, said: str) -> None:
    assert units.say(value, unit, spec) == said


@pytest.mark.parametrize(
    ("units", "text", "quantity", "record"),
    [
        (US, "10", "volume", 37.85412),
        (US, "10gal", "volume", 37.85412),
        (UK, "10 gallons", "volume", 45.4609),
        (UK, "10 US gal", "volume", 37.85412),
        (US, "10 L", "volume", 10.0),
        (METRIC, "10 imp gal", "volume", 45.4609),
        (METRIC, "2,5", "volume", 2.5),
        (US, "76F", "temperature", 24.444444),
        (METRIC, "76 °F", "temperature", 24.444444),
        (US, "25 °C", "temperature", 25.0),
        (METRIC, "4 in", "length", 10.16),
        (METRIC, '4"', "length", 10.16),
        (US, "4", "length", 10.16),
        (METRIC, "1 ft", "length", 30.48),
        (US, "71.392", "kh", 4.0),
        (US, "4 dKH", "kh", 4.0),
        (US, "2 oz", "mass", 56.69905),
        (METRIC, "−3 °C", "temperature", -3.0),
    ],
)
def test_what_was_written_is_read(units: Units, text: str, quantity: str, record: float) -> None:
    assert units.read(text, quantity) == pytest.approx(record, rel=1e-5)


def test_a_gallon_is_never_guessed() -> None:
    with pytest.raises(ValueError, match=r"US gallons 37\.85 L .*imperial gallons 45\.46 L"):
        METRIC.read("10 gal", "volume")


@pytest.mark.parametrize("text", ["", "ten", "10 furlongs", "1_0", "> 10 L", "10 gal gal", "1e400", "nan", "9" * 400])
def test_what_is_no_quantity_is_refused_with_the_units_that_are(text: str) -> None:
    with pytest.raises(ValueError, match="US gal"):
        US.read(text, "volume")


@pytest.mark.parametrize("text", ["1,000 gal", "1,000", "12,500 L"])
def test_a_comma_before_three_digits_is_never_guessed(text: str) -> None:
    with pytest.raises(ValueError, match=r"has two readings: write 1\d?(\.5)? or 1\d*00"):
        US.read(text, "volume")


def test_a_text_in_place_of_a_number_has_to_name_its_unit() -> None:
    assert US.meant("36 gal", "volume") == pytest.approx(136.2748, rel=1e-6)
    with pytest.raises(ValueError, match=r"in quotes one with its unit \(L, mL, US gal, imp gal\), got '140'"):
        US.meant("140", "volume")


@given(
    st.sampled_from((METRIC, US, UK)),
    st.sampled_from((("temperature", "°C"), ("volume", "L"), ("length", "cm"), ("kh", "°dH"), ("nitrate", "mg/L"))),
    st.floats(0.1, 5000.0),
)
def test_what_is_said_is_read_back(units: Units, kind: tuple[str, str], value: float) -> None:
    quantity, unit = kind
    exact = f"{units.of(value, unit):.12f} {units.word(unit)}"
    assert units.read(exact, quantity) == pytest.approx(value, rel=1e-9)
    figure = units.figure(value, unit, 3)
    rounding = abs(units.change_of(value, unit)) * 0.006 + 0.51
    back = units.of(units.read(figure, quantity), unit)
    assert back == pytest.approx(units.of(value, unit), abs=rounding)


@given(st.sampled_from((US, UK)), st.sampled_from(RECORD), st.floats(-1e4, 1e4), st.floats(-1e4, 1e4))
def test_a_difference_of_values_is_the_difference(units: Units, unit: str, a: float, b: float) -> None:
    assert units.of(a, unit) - units.of(b, unit) == pytest.approx(units.change_of(a - b, unit), abs=1e-6)


@given(st.sampled_from(RECORD), st.floats(-1e6, 1e6, allow_subnormal=False), st.sampled_from((".0f", ".1f", "g", 2, 3)))
def test_a_metric_site_reads_the_record_as_it_is(unit: str, value: float, spec: str | int) -> None:
    plain = number(value, spec) if isinstance(spec, int) else format(value, spec)
    assert METRIC.say(value, unit, spec) == f"{plain} {unit}".rstrip()
    assert METRIC.say_change(value, unit, spec) == f"{plain} {unit}".rstrip()
    assert METRIC.word(unit) == unit


@given(
    st.sampled_from((US, UK)), st.sampled_from(RECORD), st.floats(-1e5, 1e5), st.sampled_from((".0f", ".2f", "g", 3))
)
def test_a_figure_has_no_exponent_and_few_digits(units: Units, unit: str, value: float, spec: str | int) -> None:
    said = units.figure(value, unit, spec)
    if units.word(unit) != unit and not unit.startswith("mg/L"):
        # Six decimals are the most that `number` writes: two millilitres are 0.00053 gallons.
        assert re.fullmatch(r"[-−]?\d+(\.\d{1,6})?", said) or spec == "g", said


@pytest.mark.parametrize(
    ("value", "limit", "unit", "spec", "said"),
    [
        (21.04, 21.0, "°C", 3, ("21.04", "21")),
        (20.96, 21.0, "°C", 2, ("20.96", "21")),
        (21.3, 21.0, "°C", 3, ("21.3", "21")),
        (21.22, 21.25, "°C", 3, ("21.22", "21.25")),
        (0.0203, 0.02, "mg/L as NH3", ".2g", ("0.0203", "0.02")),
        (6.397, 6.4, "", 3, ("6.397", "6.4")),
        (21.0, 21.0, "°C", 3, ("21", "21")),
    ],
)
def test_a_value_just_past_its_limit_never_reads_as_the_limit(
    value: float, limit: float, unit: str, spec: str | int, said: tuple[str, str]
) -> None:
    assert METRIC.beside(value, limit, unit, spec) == said


@given(
    st.sampled_from((METRIC, US, UK)),
    st.sampled_from(("°C", "cm", "mg/L", "µS/cm", "%", "")),
    st.floats(0.5, 5000.0),
    st.floats(0.001, 5.0),
    st.booleans(),
)
def test_figures_beside_each_other_keep_their_order(
    units: Units, unit: str, limit: float, past: float, change: bool
) -> None:
    value, level = units.beside(limit + past, limit, unit, change=change)
    assert value != level and float(value) > float(level)
