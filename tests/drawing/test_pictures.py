"""Pictures are well-formed, carry their figures in words, and break on nothing."""

from __future__ import annotations

import datetime as dt
import itertools
import re
import zoneinfo
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight import drawing
from rushlight.drawing import album
from rushlight.drawing.canvas import dates, ticks

DUBLIN = zoneinfo.ZoneInfo("Europe/Dublin")
LOOK = {"zone": DUBLIN, "palette": drawing.MAIL}
START_S = 1_772_323_200.0
SVG = "{http://www.w3.org/2000/svg}"


def parsed(svg: str) -> ElementTree.Element:
    root = ElementTree.fromstring(svg)
    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    for element in root.iter():
        for value in element.attrib.values():
            assert "nan" not in value.lower().split("dejavu")[0] or element is root
            assert "inf" not in value.lower()
    return root


def test_nitrate_says_its_figures_to_those_who_cannot_see_it() -> None:
    history = [(START_S + d * 86400, 10.0 + d, 5.0 + d, 15.0 + d) for d in range(40)]
    ahead = [(START_S + (39 + d) * 86400, 49.0 + d, 44.0, 60.0 + d) for d in range(10)]
    svg = drawing.nitrate(
        history,
        ahead,
        [drawing.Bar(START_S + 86400, 5, 17.5)],
        40,
        **LOOK,
    )
    label = parsed(svg).get("aria-label")
    assert label == "Nitrate. 49 mg/L as NO3 now, between 44 and 54; limit 40; 1 tests shown as bars"


@pytest.mark.parametrize("bend", [1.0, -1.0])
@pytest.mark.parametrize("form", ["week", "diary"])
def test_the_word_of_a_limit_lies_beside_the_curve(bend: float, form: str) -> None:
    """Seen across it in the diary, where nitrate began at its limit."""
    history = [(START_S + d * 86400, 41.0 - bend * 0.5 * d, 35.0, 50.0) for d in range(40)]
    if form == "diary":
        svg = album.nitrate(history, (START_S, START_S + 39 * 86400.0), 40, **LOOK)
    else:
        svg = drawing.nitrate(history, [], [], 40, **LOOK)
    root = parsed(svg)
    (word,) = (e for e in root.iter(f"{SVG}text") if e.text == "limit 40")
    (curve,) = (e for e in root.iter(f"{SVG}path") if e.get("stroke") == drawing.MAIL.first)
    points = [tuple(map(float, p.split())) for p in re.split("[ML]", curve.get("d", ""))[1:]]
    x, y = float(word.get("x", "")), float(word.get("y", ""))
    wide = 12 * 0.55 * len("limit 40")
    assert x >= 40 and x + wide <= 352 and 20 < y < 200
    assert not [p for p in points if x <= p[0] <= x + wide and y - 10 <= p[1] <= y + 1]


@pytest.mark.parametrize(
    "empty",
    [
        drawing.nitrate([], [], [], 40, **LOOK),
        drawing.light([], [], **LOOK),
        drawing.shares([], palette=drawing.PAGE),
    ],
)
def test_nothing_known_is_a_picture_too(empty: str) -> None:
    assert ": " in str(parsed(empty).get("aria-label"))


_values = st.floats(-1e6, 1e6)


@given(st.lists(st.tuples(st.floats(0, 4e9), _values, _values, _values), min_size=1, max_size=20))
def test_any_numbers_make_a_picture(points: list[tuple[float, float, float, float]]) -> None:
    points = sorted((t, *sorted(v)) for t, *v in points)
    bands = [(t, m, lo, hi) for t, lo, m, hi in points]
    parsed(drawing.nitrate(bands, bands[-1:], [], 40, **LOOK))
    parsed(drawing.light([(t, m, abs(m)) for t, m, _, _ in bands], [(t, m) for t, m, _, _ in bands], **LOOK))


@given(_values, st.floats(1e-6, 1e6))
def test_ticks_lie_inside_and_are_few(low: float, span: float) -> None:
    got = ticks(low, low + span)
    assert 1 <= len(got) <= 6 or span < abs(low) * 1e-9
    assert all(low - span * 1e-6 <= t <= low + span * 1.000001 for t in got)


def test_dates_are_local_midnights_on_both_clock_change_days() -> None:
    """Dublin changes its clocks on 29 March and 25 October 2026."""
    for start in (1_774_656_000.0, 1_792_800_000.0):
        for at_s, _ in dates(start, start + 4 * 86400, DUBLIN):
            assert dt.datetime.fromtimestamp(at_s, DUBLIN).hour == 0


@given(st.floats(0.0, 4e9), st.floats(71.0, 15_000.0))
def test_dates_of_more_than_ten_weeks_are_firsts_of_months(start_s: float, days: float) -> None:
    """The calendar is the standard library's, and knows nothing of what is drawn."""
    found = [dt.datetime.fromtimestamp(at_s, DUBLIN) for at_s, _ in dates(start_s, start_s + days * 86400, DUBLIN)]
    assert 2 <= len(found) <= 6
    assert all((at.day, at.hour, at.minute) == (1, 0, 0) for at in found)
    assert all(start_s <= at.timestamp() <= start_s + days * 86400 for at in found)
    apart = {(b.year - a.year) * 12 + b.month - a.month for a, b in itertools.pairwise(found)}
    assert len(apart) == 1
