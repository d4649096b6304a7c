"""SenML packs: what is refused, and that writing and reading agree."""

from __future__ import annotations

import contextlib
import json
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight_drivers.formats import senml


@pytest.mark.parametrize(
    ("pack", "what"),
    [
        ("", "JSON"),
        ("{}", "list"),
        ("[]", "list"),
        ("[1]", "record 0: is not an object"),
        ('[{"n": "a", "v": 1}, {"n": "b"}]', "record 1: has neither a value nor a sum"),
        ('[{"n": "a", "v": "1"}]', "v is not a number"),
        ('[{"n": "a", "v": true}]', "v is not a number"),
        ('[{"n": "a", "v": NaN}]', "v is not a number"),
        ('[{"n": "a", "v": 1, "vs": "x"}]', "more than one value"),
        ('[{"n": 1, "v": 1}]', "n has the wrong type"),
        ('[{"n": "a", "vb": 1}]', "vb has the wrong type"),
        ('[{"v": 1}]', "is not a name"),
        ('[{"n": "a b", "v": 1}]', "is not a name"),
        ('[{"n": "-a", "v": 1}]', "is not a name"),
        ('[{"bver": 11, "n": "a", "v": 1}]', "version 11 is not understood"),
        ('[{"bver": 5, "n": "a", "v": 1}, {"bver": 6, "n": "a", "v": 1}]', "bver differs"),
        ('[{"n": "a", "v": 1, "must_": 1}]', "'must_' must be understood"),
        ('[{"n": "a", "v": 1, "n": "b"}]', "twice"),
        ('[{"n": "a", "v": 1e999}]', "not a number"),
    ],
)
def test_packs_that_are_refused_whole(pack, what):
    with pytest.raises(senml.SenmlError, match=what):
        senml.parse(pack)


@pytest.mark.parametrize(
    ("pack", "expected"),
    [
        ('[{"bn": "a", "bv": 20, "v": 4.5}]', [(24.5, None)]),
        ('[{"bn": "a", "bv": 20, "n": "b"}]', [(20.0, None)]),
        ('[{"bn": "a", "bs": 100, "s": 5}, {"n": "x", "s": 6}]', [(None, 105.0), (None, 106.0)]),
        ('[{"bn": "a", "bt": 1320067464}, {"v": 1}]', [(1.0, None)]),
        ('[{"bn": "a", "extra": {"x": 1}, "v": 1}]', [(1.0, None)]),  # unknown fields are passed over
    ],
)
def test_base_values_and_sums(pack, expected):
    assert [(r.value, r.total) for r in senml.parse(pack)] == expected


def test_other_kinds_of_value():
    pack = [{"bn": "d:", "n": "a", "vs": "open"}, {"n": "b", "vb": False}, {"n": "c", "vd": "aGk"}]
    a, b, c = senml.parse(json.dumps(pack))
    assert (a.text, b.truth, c.data) == ("open", False, "aGk")
    assert (a.value, b.value, c.value) == (None, None, None)


names = st.text(string.ascii_letters + string.digits + "-:./_", max_size=12).map(lambda s: "n" + s)
numbers = st.floats(allow_nan=False, allow_infinity=False, width=32).map(float)
records = st.builds(
    senml.Record,
    name=names,
    unit=st.sampled_from(["", "Cel", "lx", "pH", "S/m"]),
    value=numbers,
    total=st.none() | numbers,
    time_s=numbers,
    update_s=st.none() | numbers,
)


@pytest.mark.slow
@given(st.lists(records, min_size=1, max_size=5))
def test_what_is_written_is_read_back(written):
    assert senml.parse(senml.format(written)) == written


@given(st.lists(records, min_size=1, max_size=4), names, numbers)
def test_base_name_and_unit_add_nothing_and_lose_nothing(written, base, _):
    short = json.loads(senml.format(written))
    short[0]["bn"] = base
    assert [r.name for r in senml.parse(json.dumps(short))] == [base + r.name for r in written]


@pytest.mark.parametrize("record", [{"name": "a b", "value": 1.0}, {"name": "", "value": 1.0}])
def test_a_name_that_is_not_allowed_is_not_written(record):
    with pytest.raises(senml.SenmlError):
        senml.format([senml.Record(**record)])


def test_infinity_is_not_written():
    with pytest.raises(ValueError, match="not JSON compliant"):
        senml.format([senml.Record(name="a", value=float("inf"))])


@given(st.binary(max_size=100) | st.text(max_size=100))
def test_no_text_breaks_the_reader(text):
    with contextlib.suppress(senml.SenmlError):
        senml.parse(text)
