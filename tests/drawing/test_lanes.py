"""Lanes and signs are well-formed, true to their numbers, small, and keep gaps as gaps."""

from __future__ import annotations

import datetime as dt
import itertools
import math
import re
import zlib
import zoneinfo
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.drawing import lanes, signs
from rushlight.drawing.lanes import HIGH, WIDE, Band, Curve, Lane, Upright
from rushlight.drawing.signs import FEW, MANY, Sign, Span

DUBLIN = zoneinfo.ZoneInfo("Europe/Dublin")
START_S, DAY_S = 1_772_323_200.0, 86400.0
YEAR_S = (START_S, START_S + 365 * DAY_S)


def drawn(shown: Lane, span_s: tuple[float, float] = YEAR_S) -> ElementTree.Element:
    return ElementTree.fromstring(lanes.lane(shown, span_s, span_s[1], DUBLIN))


def walked(d: str) -> list[tuple[int, int]]:
    """The corners of a path of ours (SVG 2, 9.3: M, L absolute; l relative), by a reader of its own."""
    found: list[tuple[int, int]] = []
    for letter, rest in re.findall(r"([MLlz])([^MLlzHVh]*)", d):
        numbers = [int(n) for n in re.findall(r"-?\d+", rest)]
        for dx, dy in zip(numbers[::2], numbers[1::2], strict=True):
            x, y = found[-1] if letter == "l" else (0, 0)
            found.append((x + dx, y + dy))
    return found


def line_of(root: ElementTree.Element) -> list[str]:
    return [str(e.get("d")) for e in root.iter() if "line" in str(e.get("class", "")).split()]


def test_a_line_goes_through_its_points_to_half_a_unit() -> None:
    points: list[Band] = [(START_S + d * DAY_S, 20 + 10 * math.sin(d / 9), 10.0, 40.0) for d in range(0, 365, 3)]
    (path,) = line_of(drawn(Lane("Nitrate", "mg/L", "said", [Curve(points, "first")], floor=0.0)))
    scale = lanes.Scale(YEAR_S, (0.0, 40.0))
    corners = walked(path)
    for at_s, mean, _, _ in points:
        x = WIDE * (at_s - START_S) / (365 * DAY_S)
        y = HIGH * (1 - (mean - scale.low) / (scale.high - scale.low))
        assert any(abs(cx - x) <= 0.5 and abs(cy - y) <= 0.5 for cx, cy in corners), (at_s, mean)


def test_a_level_stretch_is_two_corners_and_a_peak_in_it_is_kept() -> None:
    flat: list[Band] = [(START_S + d * DAY_S, 5.0, 5.0, 5.0) for d in range(300)]
    (path,) = line_of(drawn(Lane("T", "", "", [Curve(flat, "first")], floor=0.0)))
    assert len(walked(path)) == 2
    flat[100] = (flat[100][0], 9.0, 5.0, 9.0)
    (path,) = line_of(drawn(Lane("T", "", "", [Curve(flat, "first")], floor=0.0)))
    assert len(walked(path)) == 5


def test_gaps_stay_gaps_and_a_lone_point_is_seen() -> None:
    days = [*range(10), 20, *range(40, 50)]
    points: list[Band] = [(START_S + d * DAY_S, 5.0 + d, 4.0 + d, 6.0 + d) for d in days]
    root = drawn(Lane("T", "", "", [Curve(points, "first", gap_s=1.5 * DAY_S)]))
    paths = line_of(root)
    assert len(paths) == 3 and paths[1].endswith("h4")
    bands = [e for e in root.iter() if str(e.get("class", "")).startswith("band")]
    assert len(bands) == 2, "no band about a single point"


def test_a_spike_of_one_reading_in_a_year_is_kept_by_thinning() -> None:
    """The reason for least and greatest: means lose it, every n-th point misses it."""
    points: list[Band] = [(START_S + n * 300.0, 24.0, 24.0, 24.0) for n in range(105_120)]
    points[50_001] = (points[50_001][0], 29.8, 29.8, 29.8)
    thin = lanes.thinned(points, YEAR_S, 240)
    assert len(thin) == 240 and max(p[3] for p in thin) == 29.8
    assert sum(p[3] > 24.0 for p in thin) == 1


def test_empty_columns_stay_empty() -> None:
    points: list[Band] = [(START_S + d * DAY_S, 1.0, 1.0, 1.0) for d in range(365) if not 100 <= d < 200]
    thin = lanes.thinned(points, YEAR_S, 73)
    assert len(thin) == 53 and not any(START_S + 101 * DAY_S < p[0] < START_S + 199 * DAY_S for p in thin)


def test_a_year_of_one_lane_is_small() -> None:
    points: list[Band] = [
        (START_S + d * DAY_S, 20 + 9 * math.sin(d / 5), 12 + 9 * math.sin(d / 7), 31 + 9 * math.sin(d / 3))
        for d in range(365)
    ]
    shown = Lane("Nitrate", "mg/L", "said", [Curve(lanes.thinned(points, YEAR_S, 240), "first")], floor=0.0)
    svg = lanes.lane(shown, YEAR_S, YEAR_S[1], DUBLIN)
    assert len(svg) < 7000 and len(zlib.compress(svg.encode())) < 3000


def test_a_test_is_its_span_and_open_above_where_the_kit_ended() -> None:
    tests = (Upright(START_S + DAY_S, 10.0, 25.0), Upright(START_S + 9 * DAY_S, 40.0, None))
    root = drawn(Lane("N", "", "", [], tests, floor=0.0))
    scale = lanes.Scale(YEAR_S, (0.0, 40.0))
    d = next(str(e.get("d")) for e in root.iter() if e.get("class") == "test")
    assert f"M5 {scale.y(10.0)}V{scale.y(25.0)}" in d and d.endswith("V0")


_values = st.floats(-1e6, 1e6)


@given(
    st.lists(st.tuples(st.floats(0, 4e9), _values, _values, _values), max_size=30),
    st.lists(_values, max_size=2),
    st.one_of(st.none(), st.floats(0, 1e5)),
)
def test_any_numbers_make_a_lane(
    raw: list[tuple[float, float, float, float]], limits: list[float], ceiling: float | None
) -> None:
    points = [(t, *sorted(v)) for t, *v in sorted(raw)]
    bands: list[Band] = [(t, m, lo, hi) for t, lo, m, hi in points]
    root = drawn(
        Lane(
            "<&\"'>",
            "mg/L",
            'said "so" <b>',
            [Curve(bands, "first", gap_s=9.0)],
            levels=[(v, "<limit>") for v in limits],
            ceiling=ceiling,
        ),
        (0.0, 4e9),
    )
    for element in root.iter():
        assert not re.search(r"\b(nan|inf)\b", " ".join(element.attrib.values()).lower())
        if element.get("class") == "level":
            continue  # reaches beyond both edges on purpose
        for x, y in walked(str(element.get("d", ""))):
            assert 0 <= y <= HIGH and -2 <= x <= WIDE, "a lone point's dash may reach over the edge"


@given(st.lists(st.floats(0.0, 1.0), max_size=300), st.sampled_from([FEW, MANY]))
def test_signs_keep_a_fingers_width_apart_and_none_is_lost(parts: list[float], cells: int) -> None:
    """WCAG 2.2, 2.5.8: targets of 24 px; a cell of twelve is 29 px on a phone of 390 px."""
    found = [Sign(START_S + p * 1e6, "test", f"sign {n}") for n, p in enumerate(parts)]
    groups = signs.grouped(found, (START_S, START_S + 1e6), cells)
    assert sorted(s.words for _, g in groups for s in g) == sorted(s.words for s in found)
    places = [at for at, _ in groups]
    assert all(b - a >= 1 / cells - 1e-9 for a, b in itertools.pairwise(places))
    assert all(0.5 / cells - 1e-9 <= at <= 1 - 0.5 / cells + 1e-9 for at in places)


def test_every_sign_is_a_link_with_a_name() -> None:
    found = [Sign(START_S + DAY_S, "water", "Water change <30 %>"), Sign(START_S + 200 * DAY_S, "test", "Strip test")]
    spans = [Span(START_S - 9 * DAY_S, START_S + 30 * DAY_S, "high")]
    made = signs.signs("What was done", found, YEAR_S, lambda a, b: f"?look={a:.0f}_{b:.0f}&x", spans)
    root = ElementTree.fromstring(f"<div>{made}</div>")
    links = list(root.iter("a"))
    assert len(links) == 4, "two signs for a phone and for a desk"
    assert links[0].get("aria-label") == "Water change <30 %>" and links[0].get("href", "").endswith("&x")
    assert [len(list(svg.iter("a"))) for svg in root] == [2, 2]
    assert [part.tag for part in root] == ["noscript", "svg"], "a desk's signs sleep on a phone"
    assert signs.signs("nothing", [], YEAR_S, lambda _a, _b: "") == ""


def test_a_years_signs_are_few_elements_and_small() -> None:
    """Each element and each kilobyte costs a slow phone at its first view, a desk's signs their bytes as well."""
    found = [Sign(START_S + n * DAY_S, ("fed", "test", "water")[n % 3], f"Feeding {n}") for n in range(360)]
    made = signs.signs("What was done", found, YEAR_S, lambda a, b: f"/tanks/foyer?look={a:.3f}_{b:.3f}#look", ())
    few = made.split("</noscript>")[1]
    groups = sum(1 for _ in ElementTree.fromstring(few).iter("a"))
    assert 10 <= groups <= FEW
    assert few.count("<") - few.count("</") <= 1 + 6 * groups, "a link, its place, its box, two kinds and the number"
    assert len(made) < 18_000


def test_a_small_curve_is_never_cut_though_its_band_may_be() -> None:
    """Far above the limit a flat top would say that nitrate no longer rises."""
    span_s = (START_S, START_S + 42 * DAY_S)
    rising = [(START_S + n * DAY_S, 40.0 + 2.0 * n, 20.0 + 2.0 * n, 400.0) for n in range(43)]
    made = ElementTree.fromstring(lanes.small(rising, (), 40.0, "limit 40", span_s, "said"))
    line = next(e for e in made.iter() if e.get("class") == "line first")
    heights = [y for _, y in walked(str(line.get("d")))]
    assert heights == sorted(set(heights), reverse=True), "it rises from end to end"


@pytest.mark.parametrize("tall", [True, False])
@given(st.floats(1.0, 500.0))
def test_no_figure_of_a_scale_is_cut_off_at_the_top(tall: bool, most: float) -> None:
    """A lane is 104 px high on a phone, a tall one 240; a word is 13 px, its letters 10 above their line."""
    curve = Curve([(START_S + n * DAY_S, most * n / 9, 0.0, most) for n in range(10)], "first")
    made = drawn(Lane("Light", "mol", "said", [curve], floor=0.0, tall=tall))
    for word in made.findall("text"):
        line_px = float(word.get("y", "").rstrip("%")) / 100.0 * (240.0 if tall else 104.0)
        assert line_px + {"-2": -2.0, "1em": 12.8}[word.get("dy", "")] >= 10.0, ElementTree.tostring(word)


def axis_words(span_s: tuple[float, float]) -> list[ElementTree.Element]:
    return [e for e in ElementTree.fromstring(lanes.axis(span_s, DUBLIN)).iter() if e.tag.endswith("text")]


@pytest.mark.parametrize("days_before", [0, 2, 5, 9, 90, 170, 178])
def test_a_date_stands_at_its_own_line_towards_the_edges_too(days_before: int) -> None:
    """Half a year of months: the first or the last of them comes to lie in the outer parts of the axis."""
    first_s = START_S - days_before * DAY_S
    span_s = (first_s, first_s + 180 * DAY_S)
    words = axis_words(span_s)
    assert words
    for word in words:
        at = dt.datetime.fromisoformat(str(word.get("data-at"))).timestamp()
        line, placed = 100 * (at - span_s[0]) / (span_s[1] - span_s[0]), float(str(word.get("x")).rstrip("%"))
        assert abs(placed - min(max(line, 0.8), 99.2)) <= 0.1, (word.text, line, placed)
        edge = "start" if line < 7 else "end" if line > 93 else "middle"
        assert word.get("text-anchor") == edge
        assert (word.get("class") == "near") == (edge != "middle" and 3.5 < line < 96.5)


def test_a_year_of_weekly_tests_is_drawn_thinner_than_a_quarter_of_them() -> None:
    """52 bars of three pixels across a phone are a fence in front of the curve."""
    kinds = []
    for n in (13, 52):
        tests = [Upright(START_S + d * DAY_S * 365 / n, 10.0, 25.0) for d in range(n)]
        root = drawn(Lane("Nitrate", "mg/L", "", [], tests, floor=0.0))
        kinds += [str(e.get("class")) for e in root.iter() if "test" in str(e.get("class"))]
    assert kinds == ["test", "test many"]


def test_a_group_of_signs_shows_the_most_telling_of_what_is_among_them() -> None:
    day = [Sign(START_S + n * 60.0, "fed", f"feeding {n}") for n in range(20)]
    day += [Sign(START_S + 2000.0, "test", "a test"), Sign(START_S + 2100.0, "cut", "a cut")]
    root = ElementTree.fromstring(
        f"<g>{signs.signs('Done', day, YEAR_S, lambda a, b: 'x').split('</noscript>')[1]}</g>"
    )
    shapes = [str(e.get("class")) for e in root.iter() if "shape" in str(e.get("class"))]
    assert shapes == ["hit shape group", "left shape cut", "right shape test"]
    assert [e.text for e in root.iter() if e.tag.endswith("text")] == ["22"]
