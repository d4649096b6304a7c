"""Readings as SenML and CSV, out and in."""

from __future__ import annotations

import csv
import io
import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight import exchange
from rushlight.eventlines import LineError
from rushlight.events import Feeding, Reading
from rushlight.settings import Config, Kit, Probe, Site, Tank

AT_S = 1_748_779_200.125  # 2025-06-01T12:00:00.125Z, by `date -u -d 2025-06-01T12:00:00 +%s`

PROBES = (
    Probe(id="foyer-temp", tank="foyer", quantity="temperature"),
    Probe(id="foyer-ph", tank="foyer", quantity="ph", unit="mV"),
    Probe(id="foyer-light", tank="foyer", quantity="light", unit="klx"),
    Probe(id="foyer-nitrate", tank="foyer", quantity="nitrate"),
    Probe(id="foyer-salt", tank="foyer", quantity="conductivity"),
    Probe(id="foyer-level", tank="foyer", quantity="level"),
    Probe(id="foyer-air", tank="foyer", quantity="humidity"),
    Probe(id="foyer-ppfd", tank="foyer", quantity="light", unit="µmol/m²/s"),
    Probe(id='window, left: "°C"', tank="foyer", quantity="air_temperature", unit="°F"),
)


def config(*probes: Probe) -> Config:
    return Config(site=Site(), tank=(Tank(id="foyer", litres=140),), kit=(Kit(id="strip"),), probe=probes or PROBES)


def written(form: str, *events: Reading, conf: Config | None = None) -> str:
    out = io.StringIO(newline="")
    exchange.write(form, events, conf or config(), out)
    return out.getvalue()


def read(form: str, text: str, conf: Config | None = None) -> list[Reading]:
    return list(exchange.read(form, io.StringIO(text, newline=""), conf or config()))


@pytest.mark.parametrize(
    ("probe", "value", "unit", "said"),
    [
        # Symbols of RFC 8428, section 12.1 (kg/m3: RFC 8798, section 2); the factors are definitions.
        ("foyer-temp", 24.5, "Cel", 24.5),
        ("foyer-ph", -12.5, "V", -0.0125),
        ("foyer-light", 8.1, "lx", 8100.0),
        ("foyer-nitrate", 25.0, "kg/m3", 0.025),
        ("foyer-salt", 350.0, "S/m", 0.035),
        ("foyer-level", 31.5, "m", 0.315),
        ("foyer-air", 61.0, "%RH", 61.0),
        ("foyer-ppfd", 82.5, None, 82.5),
        ('window, left: "°C"', 70.7, "Cel", 21.5),
    ],
)
def test_units_of_the_registry(probe: str, value: float, unit: str | None, said: float) -> None:
    [record] = json.loads(written("senml", Reading(at_s=AT_S, probe=probe, value=value)))
    assert record.get("u") == unit
    assert record["v"] == pytest.approx(said, rel=1e-12)
    assert record["t"] == AT_S


# Nine decimal digits down to a thousand-millionth: finer than any instrument.
numbers = st.decimals(-10_000, 10_000, places=9).map(float)
readings = st.builds(
    lambda p, v, ms: Reading(at_s=round(AT_S + ms / 1000, 3), probe=p.id, value=v),
    st.sampled_from(PROBES),
    numbers,
    st.integers(0, 10**10),
)


@given(st.lists(readings, max_size=20))
def test_there_and_back_is_the_same(events: list[Reading]) -> None:
    for form in exchange.FORMS:
        back = read(form, written(form, *events))
        assert [(e.at_s, e.probe, e.unit, e.quality) for e in back] == [
            (e.at_s, e.probe, e.unit, e.quality) for e in events
        ]
        for a, b in zip(events, back, strict=True):
            # Fahrenheit goes through Celsius in SenML and comes back a rounding away.
            assert b.value == pytest.approx(a.value, rel=1e-13, abs=1e-10)
            if form == "csv" or not a.probe.startswith("window"):
                assert b.value == a.value


def test_csv_carries_what_senml_cannot() -> None:
    events = (
        Reading(at_s=AT_S, probe="foyer-temp", value=None, quality=9),
        Reading(at_s=AT_S + 1, probe="foyer-temp", value=85.0, quality=4),
        Reading(at_s=AT_S + 2, probe="foyer-temp", value=24.5, quality=3),
        Reading(at_s=AT_S + 3, probe="foyer-temp", value=76.1, unit="°F"),
        Reading(at_s=AT_S + 4, probe="foyer-ph", value=7.0, unit="pH"),
    )
    assert read("csv", written("csv", *events)) == list(events)
    values = [r["v"] for r in json.loads(written("senml", *events))]
    assert values == [24.5, pytest.approx(24.5), 7.0]


def test_csv_is_what_rfc_4180_says() -> None:
    text = written("csv", Reading(at_s=AT_S, probe='window, left: "°C"', value=70.0))
    # RFC 4180, section 2: lines end in CRLF; fields with commas or quotes are quoted, quotes doubled; a header.
    assert text == (
        "at,tank,probe,quantity,value,unit,quality\r\n"
        '2025-06-01T12:00:00.125Z,foyer,"window, left: ""°C""",air_temperature,70,°F,\r\n'
    )
    assert list(csv.reader(io.StringIO(text)))[1][2] == 'window, left: "°C"'


def test_an_example_of_the_standard_is_read() -> None:
    """RFC 8428, section 5.1.2, the third example: base name, base time and base unit carried over."""
    pack = """[
        {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":21.2},
        {"t":10,"v":21.3}, {"t":20,"v":21.4}, {"t":30,"v":21.4}, {"t":40,"v":21.5},
        {"t":50,"v":21.5}, {"t":60,"v":21.5}, {"t":70,"v":21.6}, {"t":80,"v":21.7}]"""
    conf = config(Probe(id="urn:dev:ow:10e2073a01080063", tank="foyer", quantity="humidity"))
    found = read("senml", pack, conf)
    assert [e.at_s for e in found] == [1320067464.0 + 10 * i for i in range(9)]
    assert [e.value for e in found] == [21.2, 21.3, 21.4, 21.4, 21.5, 21.5, 21.5, 21.6, 21.7]
    assert {e.unit for e in found} == {""}


def test_an_empty_history_is_a_valid_file() -> None:
    assert json.loads(written("senml")) == []
    assert read("senml", written("senml")) == []
    assert written("csv") == "at,tank,probe,quantity,value,unit,quality\r\n"
    assert read("csv", written("csv")) == []


def test_only_readings_of_known_probes_go_out() -> None:
    out = io.StringIO()
    others = [Feeding(at_s=AT_S, tank="foyer", grams=0.9), Reading(at_s=AT_S, probe="gone", value=1.0)]
    assert exchange.write("csv", others, config(), out) == 0


@pytest.mark.parametrize(
    ("pack", "where", "what"),
    [
        ("{", "pack", "is not JSON"),
        ('{"n":"foyer-temp"}', "pack", "list"),
        ('[{"n":"foyer-temp","v":24.5}]', "record 0", "time since 1970"),
        ('[{"n":"foyer-tmp","u":"Cel","v":24.5,"t":1748779200}]', "record 0", "did you mean 'foyer-temp'"),
        ('[{"n":"foyer-temp","u":"lx","v":24.5,"t":1748779200}]', "record 0", "'lx' is no unit for temperature"),
        ('[{"n":"foyer-temp","u":"Cel","vs":"warm","t":1748779200}]', "record 0", "expected a number"),
        (
            '[{"n":"foyer-temp","u":"Cel","v":24,"t":1748779200},{"n":"foyer-temp","v":"24","t":1748779201}]',
            "pack",
            "record 1",
        ),
        ('[{"n":"foyer-temp","u":"Cel","v":1e999,"t":1748779200}]', "pack", ""),
    ],
)
def test_a_bad_pack_is_named(pack: str, where: str, what: str) -> None:
    with pytest.raises(LineError) as e:
        read("senml", pack)
    assert e.value.key == where
    assert what in e.value.what


@pytest.mark.parametrize(
    ("sheet", "line_no", "key", "what"),
    [
        ("", 1, "line", "is empty"),
        ("at;probe;value\n", 1, "line", "semicolons"),
        ("at,probe\n", 1, "value", "is missing"),
        ("at,probe,value,valeu\n", 1, "valeu", "did you mean 'value'"),
        ("at,probe,value,value\n", 1, "value", "twice"),
        ("at,probe,value\n2025-06-01T12:00:00Z,foyer-temp,24.5,1\n", 2, "line", "4 columns"),
        (
            "at,probe,value\n2025-06-01T12:00:00Z,foyer-temp,24.5\n\n2025-06-01,foyer-temp,24.5\n",
            4,
            "at",
            "expected a time",
        ),
        ("at,probe,value\n2025-06-01T12:00:00,foyer-temp,24.5\n", 2, "at", "with offset or Z"),
        ("at,probe,value\n2025-06-01T12:00:00Z,foyer-tmp,24.5\n", 2, "probe", "did you mean 'foyer-temp'"),
        ('at,probe,value\n2025-06-01T12:00:00Z,foyer-temp,"24,5"\n', 2, "value", "expected a number such as 24.5"),
        ("at,probe,value\n2025-06-01T12:00:00Z,foyer-temp,NaN\n", 2, "value", "expected a number"),
        ("at,probe,value\n2025-06-01T12:00:00Z,foyer-temp,1_0\n", 2, "value", "expected a number"),
        ("at,probe,value,unit\n2025-06-01T12:00:00Z,foyer-temp,24,lx\n", 2, "unit", "not a unit of temperature"),
        ("at,probe,value,quality\n2025-06-01T12:00:00Z,foyer-temp,24,5\n", 2, "quality", "1, 2, 3, 4, 9"),
        ("at,probe,value,tank\n2025-06-01T12:00:00Z,foyer-temp,24,hall\n", 2, "tank", "belongs to 'foyer'"),
        ('at,probe,value\n2025-06-01T12:00:00Z,"foyer-temp"x,24\n', 2, "line", "not comma-separated"),
    ],
)
def test_a_bad_sheet_is_named_by_line_and_column(sheet: str, line_no: int, key: str, what: str) -> None:
    with pytest.raises(LineError) as e:
        read("csv", sheet)
    assert (e.value.line_no, e.value.key) == (line_no, key)
    assert what in e.value.what


def test_a_sheet_from_elsewhere_is_read() -> None:
    sheet = "\ufeffProbe, At ,VALUE\r\nfoyer-temp,2025-06-01T14:00:00.125+02:00, 24.5 \r\nfoyer-temp,2025-06-01T12:00:01Z,\r\n"
    assert read("csv", sheet) == [
        Reading(at_s=AT_S, probe="foyer-temp", value=24.5),
        Reading(at_s=AT_S + 0.875, probe="foyer-temp", value=None),
    ]


@given(st.text(max_size=300))
def test_no_text_makes_it_stumble(text: str) -> None:
    for form in exchange.FORMS:
        try:
            found = read(form, text)
        except LineError:
            continue
        assert all(e.value is None or math.isfinite(e.value) for e in found)


def test_an_unknown_form_is_refused() -> None:
    with pytest.raises(ValueError, match="one of senml, csv"):
        exchange.read("xml", io.StringIO(), config())
