"""What one test says: strips, numbers, pictures, thinned samples, and kits that were checked."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from helpers import strippictures as strips
from helpers.site import CONFIG, config_of
from rushlight import eventlines, replay
from rushlight.events import KitCheck, Test
from rushlight.science.optics import colour, stripscale
from rushlight.tank.kits import errors
from rushlight.tank.kits.errors import Point
from rushlight.tank.kits.reading import Seen
from rushlight.tank.kits.watch import KitsWatch

SITE = config_of(CONFIG.replace("[[kit]]", '[[kit]]\nid = "drops"\nmethod = "drops"\n\n[[kit]]', 1))
AT = "2026-03-0{}T12:00:00Z"


def run(*records: dict[str, Any]) -> list[dict[str, Any]]:
    """The `test_read` lines of a replay of these."""
    lines = [json.dumps({"at": AT.format(n), "id": f"e{n}"} | r) for n, r in enumerate(records, start=1)]
    return [r for line in replay.replay(SITE, lines) if (r := json.loads(line))["kind"] == "test_read"]


def by_eye(**values: Any) -> dict[str, Any]:
    """A strip read by eye."""
    return {"kind": "test", "tank": "foyer", "method": "strip", "values": values}


def check(*pairs: tuple[float, float | str], kit: str = "strip", **more: Any) -> dict[str, Any]:
    """A kit that read the second where the first was in it."""
    standards = [{"substance": "nitrate", "value": held, "read": read} for held, read in pairs]
    return {"kind": "kit_check", "kit": kit, "standards": standards} | more


def test_a_strip_read_by_eye_says_its_span_and_no_more() -> None:
    """Pads 25 and 50 meet between 35.4 (geometric) and 37.5 (arithmetic), 10 and 25 between 15.8 and 17.5."""
    (told,) = run(by_eye(nitrate=25))
    assert (told["by"], told["substance"], told["id"], told["why"], told["tank"]) == (
        "pads",
        "nitrate",
        "e1",
        None,
        "foyer",
    )
    assert 23.0 < told["mean"] < 30.0
    assert 10.0 < told["low"] < 17.5
    assert 35.4 < told["high"] < 52.0


def test_every_substance_of_a_test_has_its_line() -> None:
    told = run(by_eye(nitrate=25, nitrite=0, ph=7.0, kh=5, gh=9))
    assert [t["substance"] for t in told] == ["gh", "kh", "nitrate", "nitrite", "ph"]
    by_name = {t["substance"]: t for t in told}
    assert by_name["ph"]["mean"] == pytest.approx(7.0, abs=0.05)
    assert by_name["ph"]["low"] > 6.3
    assert by_name["ph"]["high"] < 7.7
    assert 0.0 <= by_name["nitrite"]["mean"] < 0.3
    assert 3.0 < by_name["kh"]["low"] < 5.0 < by_name["kh"]["high"] < 9.0


def test_a_laboratory_is_a_number_in_its_own_unit() -> None:
    """5.65 mg/L of nitrogen are 25.0 of nitrate (62.004 : 14.007)."""
    (told,) = run({**by_eye(nitrate=5.65), "method": "lab", "units": {"nitrate": "mg/L N"}})
    assert told["by"] == "number"
    assert told["mean"] == pytest.approx(25.0, rel=0.01)
    assert told["high"] - told["low"] < 3.0


@pytest.mark.parametrize(("sample", "parts", "water", "border"), [(37.5, 2.0, 0.0, 75.0), (37.5, 1.5, 5.0, 53.75)])
def test_a_thinned_sample_speaks_of_the_tank(sample: float, parts: float, water: float, border: float) -> None:
    """The tank holds f·b − (f−1)·n: 1 + 1 at 37.5 is 75, 2 + 1 with water of 5 is 53.75 (stoichiometry)."""
    record = {**by_eye(nitrate=sample), "method": "lab", "dilution": parts, "dilution_source": {"nitrate": water}}
    (told,) = run(record)
    assert told["mean"] == pytest.approx(border, rel=0.01)


def test_a_thinned_sample_says_nothing_of_the_ph() -> None:
    told = run({**by_eye(nitrate=25, ph=7), "dilution": 2})
    assert told[1]["mean"] is None
    assert "thinned" in told[1]["why"]


def test_a_kit_that_reads_low_is_corrected_and_one_that_reads_right_is_not() -> None:
    low = run(check((20, 10), (50, 25), (100, 50), (35, 10)), by_eye(nitrate=25))[0]
    right = run(check((10, 10), (25, 25), (50, 50), (100, 100)), by_eye(nitrate=25))[0]
    alone = run(by_eye(nitrate=25))[0]
    assert low["mean"] > 1.3 * alone["mean"]
    assert right["mean"] == pytest.approx(alone["mean"], rel=0.05)


def test_a_check_of_another_kit_or_substance_changes_nothing() -> None:
    alone = run(by_eye(nitrate=25))[0]
    other = run(check((20, 10), (50, 25), kit="drops"), by_eye(nitrate=25))[0]
    assert (other["mean"], other["low"], other["high"]) == (alone["mean"], alone["low"], alone["high"])


def test_a_new_pack_keeps_but_part_of_the_old_packs_error() -> None:
    same = run(check((20, 10), (50, 25), (100, 50)), by_eye(nitrate=25))[0]["mean"]
    pack = {"kind": "pack", "tank": "foyer", "strips": 50}
    after = run(check((20, 10), (50, 25), (100, 50)), pack, by_eye(nitrate=25))[0]["mean"]
    alone = run(by_eye(nitrate=25))[0]["mean"]
    assert alone < after < same


def test_a_check_speaks_for_what_its_pack_read_before_in_any_order_of_arrival() -> None:
    watch = KitsWatch(SITE.tank[0], SITE.kit)
    events = [
        eventlines.parse_record({"at": AT.format(n), "id": f"e{n}"} | r)
        for n, r in enumerate([by_eye(nitrate=25), check((20, 10), (50, 25))], start=1)
    ]
    said = []
    for order in (events, events[::-1]):
        state = watch.initial()
        for event in order:
            if isinstance(event, Test):
                watch.on_fact(state, event)
            else:
                assert isinstance(event, KitCheck)
                watch.on_check(state, event)
        said.append(watch.of(state, "e1")[0][1])
    assert said[0] == said[1]
    state = watch.initial()
    watch.on_fact(state, events[0])  # type: ignore[arg-type]
    assert watch.of(state, "e1")[0][1] != said[0]


def picture(value: float, seed: int = 5, **phone: Any) -> dict[str, Any]:
    """A rendered picture's colours of a strip dipped in that water; the same seed, the same chart and phone."""
    rng = np.random.default_rng(seed)
    charts = strips.printed_charts(rng, ["nitrate", "ph"])
    sheet = strips.Sheet.laid({"nitrate": value, "ph": 7.2}, rng, charts=charts)
    return strips.record_of(
        strips.shoot(sheet, strips.Phone(**{"camera": strips.CAMERAS[0], "light": "D50"} | phone), rng)
    )


def test_a_picture_says_a_value_for_all_its_pads() -> None:
    told = run({"kind": "test", "tank": "foyer", "method": "strip", "picture": picture(40.0)})
    assert [(t["substance"], t["by"], t["why"]) for t in told] == [
        ("nitrate", "picture", None),
        ("ph", "picture", None),
    ]
    assert told[0]["low"] < 40.0 < told[0]["high"]
    assert told[0]["mean"] == pytest.approx(40.0, rel=0.35)
    assert told[1]["mean"] == pytest.approx(7.2, abs=0.35)
    # A picture is finer than the pads beside it.
    assert math.log(told[0]["high"] / told[0]["low"]) < math.log(run(by_eye(nitrate=50))[0]["high"] / 36.0)


def test_standards_bring_a_picture_closer_and_make_it_surer() -> None:
    warm = {"light": "LED-B4"}
    standards = [
        {"substance": "nitrate", "value": held, "picture": picture(held, **warm)} for held in (12.5, 25.0, 50.0, 100.0)
    ]
    known = {"kind": "kit_check", "kit": "strip", "standards": standards}
    taken = {"kind": "test", "tank": "foyer", "method": "strip", "kit": "strip", "picture": picture(40.0, **warm)}
    alone, better = run(taken)[0], run(known, taken)[0]
    assert better["mean"] == pytest.approx(40.0, rel=0.06)
    assert better["high"] / better["low"] < alone["high"] / alone["low"]


def spoiled(**changes: Any) -> dict[str, Any]:
    record = picture(40.0)
    record["nitrate"] |= changes
    return {"kind": "test", "tank": "foyer", "method": "strip", "picture": record}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"strip": [255, 255, 255]}, "clipped"),
        ({"strip": [200, 0, 90]}, "off the end"),
        ({"strip": [40, 160, 60]}, "not on this chart"),
        ({"paper": [20, 20, 20]}, "too dark"),
        ({"paper": [110, 110, 110]}, "unlike light"),
        (
            {"chart": [[0, [230, 230, 230]], [10, [120, 30, 60]], [25, [225, 220, 222]], [50, [118, 28, 58]]]},
            "in order",
        ),
        ({"chart": [[0, [230, 230, 230]], [10, [229, 229, 229]]]}, "alike"),
        ({"chart": [[0, [230, 230, 230]]]}, "two fields"),
        ({"chart": [[5, [230, 230, 230]], [5, [200, 100, 150]]]}, "one value"),
    ],
)
def test_colours_that_say_nothing_are_refused_with_the_reason(changes: dict[str, Any], words: str) -> None:
    told = run(spoiled(**changes))
    assert told[0]["mean"] is None
    assert (told[0]["low"], told[0]["high"], told[0]["by"]) == (None, None, "picture")
    assert words in told[0]["why"]
    assert told[1]["mean"] is not None, "one pad's fault is not another's"


def test_where_a_picture_is_refused_the_eye_has_its_say() -> None:
    told = run({**spoiled(strip=[255, 255, 255]), "values": {"nitrate": 25}})[0]
    assert told["by"] == "pads"
    assert "clipped" in told["why"]
    assert told["mean"] == run(by_eye(nitrate=25))[0]["mean"]


def test_swapped_fields_are_noticed() -> None:
    record = picture(40.0)
    chart = record["nitrate"]["chart"]
    chart[1][1], chart[4][1] = chart[4][1], chart[1][1]
    told = run({"kind": "test", "tank": "foyer", "method": "strip", "picture": record})[0]
    assert "not in order" in told["why"]


def test_a_strip_in_shade_beside_its_chart_reads_the_same() -> None:
    """Two thirds of the light on strip and paper alike: the ratio is what counts (von Kries in linear light)."""

    def dimmed(codes: list[float]) -> list[float]:
        return [colour.encoded(0.66 * colour.linear(c)) for c in codes]

    record = picture(40.0)
    plain = run({"kind": "test", "tank": "foyer", "method": "strip", "picture": record})
    for name in ("nitrate", "ph"):
        record[name] |= {"strip": dimmed(record[name]["strip"]), "paper": dimmed(record[name]["paper"])}
    shaded = run({"kind": "test", "tank": "foyer", "method": "strip", "picture": record})
    assert [t["mean"] for t in shaded] == pytest.approx([t["mean"] for t in plain], rel=1e-3)
    # Where no paper is told beside a pad, the picture's one figure for the strip's paper serves.
    record["paper"]["strip"] = record["nitrate"].pop("paper")
    once = run({"kind": "test", "tank": "foyer", "method": "strip", "picture": record})
    assert once[0]["mean"] == pytest.approx(plain[0]["mean"], rel=1e-3)


def test_standards_that_agree_make_a_picture_surer_than_ones_that_scatter() -> None:
    """Read by the same share too low, or up and down by a fifth: how far strips differ is told by the standards."""

    def share(*factors: float) -> float:
        levels = (12.5, 25.0, 50.0, 100.0)
        points = [(Point(held=v, label="", seen=pictured(v * f)), 0) for v, f in zip(levels, factors, strict=True)]
        said = errors.said_of(pictured(40.0), points, 0)
        assert said is not None
        return said.share

    assert share(0.9, 0.9, 0.9, 0.9) < 0.75 * share(1.1, 0.75, 1.1, 0.75)


def test_a_solution_is_known_again_in_a_light_that_changes_the_ink_more_than_the_dye() -> None:
    """The ink's green is a tenth stronger there, so by the chart alone the same dye reads too low."""
    values = (0.0, 10.0, 25.0, 50.0, 100.0, 250.0)
    fields = tuple(math.log(v + 5.0) for v in values)
    depth = (0.02, 0.21, 0.38, 0.52, 0.66, 0.86)
    here = tuple(d * share for d in depth for share in (0.25, 1.0, 0.3))
    there = tuple(d * share for d in depth for share in (0.25, 1.1, 0.3))

    def seen(densities: stripscale.Triple, chart: tuple[float, ...]) -> Seen:
        value = math.exp(stripscale.place_again(densities, fields, chart)) - 5.0
        return replace(pictured(value), densities=densities, fields=fields, signature=chart)

    at = (1, 2, 3, 4)
    pads = [(here[3 * i], here[3 * i + 1], here[3 * i + 2]) for i in at]
    known = [(Point(held=values[i], label="", seen=seen(pad, here)), 0) for i, pad in zip(at, pads, strict=True)]
    for i, pad in zip(at, pads, strict=True):
        carried = stripscale.carried(pad, here, there)
        assert carried is not None
        other = seen(carried, there)
        said = errors.said_of(other, known, 0)
        assert said is not None
        assert other.low < 0.96 * values[i]
        assert said.middle() == pytest.approx(values[i], rel=0.06)


def pictured(value: float) -> Seen:
    """A picture's reading."""
    return Seen(
        at_s=0.0,
        id="s",
        substance="nitrate",
        kit="strip",
        device="",
        by="picture",
        low=value,
        high=value,
        shift=5.0,
        noise=0.03,
        leverage=2.0,
    )
