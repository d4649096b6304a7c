"""Units against definitions: atomic weights, NIST, and the plain sense of a two-sided message."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.science.measuring import units
from rushlight.science.measuring.units import accepted, from_standard, read_reported, standard_unit, to_standard


@pytest.mark.parametrize(
    ("quantity", "value", "unit", "expected"),
    [
        ("temperature", 212.0, "°F", 100.0),  # boiling point of water, by the scale's definition
        ("temperature", 32.0, "degF", 0.0),
        ("temperature", -40.0, "F", -40.0),
        ("temperature", 298.15, "K", 25.0),
        ("temperature", 24.5, "Cel", 24.5),  # RFC 8428 unit name
        ("light", 3.5, "klx", 3500.0),
        ("light", 120.0, "µmol m⁻² s⁻¹", 120.0),
        ("humidity", 0.55, "/", 55.0),  # RFC 8428: ratio
        ("conductivity", 0.03, "S/m", 300.0),
        ("volume", 10.0, "US gal", 37.85411784),  # NIST Handbook 44: 231 cubic inches
        ("volume", 10.0, "imp gal", 45.4609),  # UK Units of Measurement Regulations 1995
        ("gh", 1.0, "mmol/L", 5.608),  # 10 mg CaO/L per degree, CaO 56.077 g/mol
        ("kh", 1.0, "meq/L", 2.804),
        ("ph", 0.177, "V", 177.0),
    ],
)
def test_conversions(quantity: str, value: float, unit: str, expected: float) -> None:
    assert to_standard(quantity, value, unit) == pytest.approx(expected, rel=1e-4, abs=1e-9)


@pytest.mark.parametrize(
    "spelling", ["N", "mg/L N", "mg/L as N", "mg/L NO3-N", "NO3-N", "ppm N", "mg N/L", "mg/L NO₃-N", "MG/L-N"]
)
def test_every_way_of_writing_nitrate_nitrogen(spelling: str) -> None:
    assert to_standard("nitrate", 10.0, spelling) == pytest.approx(44.26644, rel=1e-6)


@pytest.mark.parametrize("spelling", ["", "mg/L", "ppm", "NO3", "mg/L NO3", "mg/L as NO3", "mg/l NO₃⁻", "mg NO3/L"])
def test_every_way_of_writing_nitrate(spelling: str) -> None:
    assert to_standard("nitrate", 10.0, spelling) == 10.0


@pytest.mark.parametrize(
    ("quantity", "value", "unit", "both"),
    [
        ("temperature", 78.0, "degrees", ("78 °C", "25.56 °C")),
        ("volume", 40.0, "gal", ("151.4 L", "181.8 L")),
        ("kh", 200.0, "mg/L", ("11.21 °dH", "9.191 °dH")),
        ("kh", 2.0, "mmol/L", ("5.608 °dH", "11.22 °dH")),
        ("gh", 8.0, "°", ("8 °dH", "4.482 °dH")),
        ("ammonia", 0.5, "NH3", ("0.5296 mg/L", "93.92 mg/L")),
        ("conductivity", 350.0, "ppm", ("700 µS/cm", "500 µS/cm")),
    ],
)
def test_an_ambiguous_unit_is_refused_with_both_readings(
    quantity: str, value: float, unit: str, both: tuple[str, str]
) -> None:
    with pytest.raises(ValueError, match="two ways") as caught:
        to_standard(quantity, value, unit)
    for number in both:
        assert number in str(caught.value)


def test_what_an_ambiguity_message_tells_to_write_is_accepted() -> None:
    for quantity, table in units._AMBIGUOUS.items():
        for spelling in table:
            with pytest.raises(ValueError, match="two ways") as caught:
                to_standard(quantity, 3.0, spelling)
            for offer in str(caught.value).split("'")[1::2]:
                to_standard(quantity, 3.0, offer)


def test_families_are_kept_apart() -> None:
    assert standard_unit("light", "lux") == "lx"
    assert standard_unit("light", "umol/m2/s") == "µmol/m²/s"
    assert standard_unit("ph", "mV") == "mV"
    assert standard_unit("nitrate") == "mg/L"


@pytest.mark.parametrize(
    ("quantity", "unit"), [("nitrate", "NO2"), ("temperature", "lx"), ("light", "W/m2"), ("mood", "")]
)
def test_a_foreign_unit_is_refused(quantity: str, unit: str) -> None:
    with pytest.raises(ValueError, match=r"not a (unit|quantity)"):
        to_standard(quantity, 1.0, unit)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_number_is_no_value(value: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        to_standard("ph", value)


@given(st.sampled_from([(q, u) for q in units.UNITS for u in accepted(q)]), st.floats(-1e6, 1e6))
def test_there_and_back(what: tuple[str, str], value: float) -> None:
    quantity, unit = what
    assert from_standard(quantity, to_standard(quantity, value, unit), unit) == pytest.approx(value, rel=1e-9, abs=1e-6)


def test_every_quantity_has_a_canonical_unit_that_changes_nothing() -> None:
    for quantity, standard in units.STANDARD.items():
        assert to_standard(quantity, 7.25, standard) == 7.25


@pytest.mark.parametrize(
    ("reported", "value", "bound"), [(25.0, 25.0, ""), (">250", 250.0, ">"), ("< 5", 5.0, "<"), ("12.5", 12.5, "")]
)
def test_reported_values(reported: float | str, value: float, bound: str) -> None:
    amount = read_reported("nitrate", reported)
    assert (amount.value, amount.bound) == (value, bound)


def test_a_bound_is_converted_too() -> None:
    assert read_reported("nitrate", ">10", "NO3-N").value == pytest.approx(44.26644, rel=1e-6)


@pytest.mark.parametrize("reported", ["", ">", "ten", ">>5", "nan", "-3", "<-3", -0.5])
def test_unreadable_values_are_refused(reported: float | str) -> None:
    with pytest.raises(ValueError, match="nitrate"):
        read_reported("nitrate", reported)
