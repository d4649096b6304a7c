"""A kit in its own units, through every door: the same water, whatever the box is printed in.

Molar masses: IUPAC/CIAAW abridged standard atomic weights N 14.007, O 15.999, H 1.008 (Prohaska et al. 2022,
Pure Appl. Chem. 94:573), so 1 mg/L NO3-N is 62.004/14.007 = 4.4266 mg/L NO3.
"""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.page import page_site
from helpers.site import CONFIG, config_of
from rushlight import eventlines
from rushlight.config import loading as configs
from rushlight.entry.kitunits import canonical, in_own_units
from rushlight.events import KitCheck, Test
from rushlight.outlets.hub import commands as hub_commands
from rushlight.outlets.timeseries.points import Points
from rushlight.replay import replay
from rushlight.science.measuring.units import spoken, to_standard
from rushlight.settings import Config, Hub, Kit
from rushlight.views import SiteView

N, O, H = 14.007, 15.999, 1.008  # noqa: E741 - chemical symbols
AS_N = {"nitrate": (N + 3 * O) / N, "nitrite": (N + 2 * O) / N, "ammonia": (N + 4 * H) / N}

IN_N = CONFIG.replace("nitrate = [0, 10, 25, 50, 100, 250]", "nitrate = [0, 1, 5, 10, 20, 50]").replace(
    'id = "strip"\npads', 'id = "strip"\nunits = { nitrate = "mg/L as N" }\npads'
)
IN_NO3 = CONFIG.replace(
    "nitrate = [0, 10, 25, 50, 100, 250]", f"nitrate = {[round(v * AS_N['nitrate'], 6) for v in (0, 1, 5, 10, 20, 50)]}"
)


def strips(values: list[float | str], unit: str = "") -> list[str]:
    extra = {"units": {"nitrate": unit}} if unit else {}
    return [
        json.dumps({"at": f"2026-03-{1 + 3 * n:02d}T09:00:00Z", "kind": "test", "tank": "foyer", "method": "strip",
                    "values": {"nitrate": v}, **extra})
        for n, v in enumerate(values)
    ]  # fmt: skip


def said(text: str, lines: list[str]) -> list[dict[str, Any]]:
    note = '{"at":"2026-03-11T09:00:00Z","kind":"note","tank":"foyer","text":"the end"}'
    return [json.loads(line) for line in replay(config_of(text), [*lines, note], daily=True)]


def last_nitrate(records: list[dict[str, Any]]) -> dict[str, float]:
    return next(r["nitrate"] for r in reversed(records) if r["kind"] == "daily")


def test_a_strip_printed_in_nitrogen_reads_four_times_as_much_and_raises() -> None:
    """The issue's row: pad 10 of a box in NO3-N is 44 mg/L as NO3, above the limit of 40."""
    found = said(IN_N, strips([10, 10, 10]))
    assert last_nitrate(found)["mean"] == pytest.approx(44.3, abs=6)
    assert [r["state"] for r in found if r.get("alarm") == "nitrate_high"] == ["unacknowledged"]
    plain = said(CONFIG, strips([10, 10, 10]))
    assert last_nitrate(plain)["mean"] < 15


def test_the_same_water_gives_the_same_figures_whatever_the_box_is_printed_in() -> None:
    as_n = said(IN_N, strips([10, 20, ">50"]))
    as_no3 = said(IN_NO3, strips([round(10 * AS_N["nitrate"], 6), round(20 * AS_N["nitrate"], 6), ">221.330906"]))
    for key in ("mean", "low", "high"):
        assert last_nitrate(as_n)[key] == pytest.approx(last_nitrate(as_no3)[key], rel=1e-4)


def test_a_unit_that_the_test_says_wins_over_the_kits() -> None:
    told = said(IN_N, strips([44.3] * 2, unit="mg/L as NO3"))
    assert last_nitrate(told)["mean"] == pytest.approx(last_nitrate(said(IN_N, strips([10, 10])))["mean"], rel=1e-4)


@settings(deadline=None, max_examples=30)
@given(
    st.sampled_from(["mg/L as N", "mg/L N", "ppm NO3-N", "NO3-N", "mmol/L", "µg/L as N", "ppm", "mg/L"]),
    st.floats(0.1, 99),
)
def test_any_spelling_that_a_test_takes_serves_a_kit_and_twice_is_once(unit: str, value: float) -> None:
    kits = (Kit(id="strip", pads={"nitrate": (0.0, value)}, units={"nitrate": unit}),)
    config = config_of()
    test = Test(at_s=1.0, tank="foyer", method="strip", values={"nitrate": value})
    once = in_own_units(test, config.tank, kits)
    assert isinstance(once, Test)
    assert once.units == {"nitrate": unit}
    assert in_own_units(once, config.tank, kits) == once
    assert in_own_units(once, config.tank, canonical(kits)) == once
    assert canonical(kits)[0].pads["nitrate"][1] == pytest.approx(to_standard("nitrate", value, unit))
    assert canonical(canonical(kits)) == canonical(kits)


@pytest.mark.parametrize(("substance", "per_n"), AS_N.items())
def test_what_was_weighed_is_said(substance: str, per_n: float) -> None:
    ion = {"nitrate": "NO3", "nitrite": "NO2", "ammonia": "NH4"}[substance]
    assert spoken(substance) == f"mg/L as {ion}"
    assert spoken(substance, "mg/L N") == "mg/L as N"
    assert to_standard(substance, 1.0, "mg/L N") == pytest.approx(per_n, rel=1e-6)
    assert (spoken("ph"), spoken("kh"), spoken("gh", "ppm")) == ("", "°dH", "ppm")


@pytest.mark.parametrize(("unit", "complaint"), [("mg/L as P", "not a unit of nitrate"), ("mV", "what a probe gives")])
def test_a_unit_that_is_none_is_refused_by_its_key(unit: str, complaint: str) -> None:
    with pytest.raises(configs.ConfigError) as caught:
        config_of(IN_N.replace('"mg/L as N"', json.dumps(unit)))
    assert [f.key for f in caught.value.faults] == ["kit[0].units.nitrate"]
    assert complaint in caught.value.faults[0].what


def test_a_checked_kit_is_read_in_its_own_unit_too() -> None:
    line = '{"at":"2026-03-01T09:00:00Z","kind":"kit_check","kit":"strip","standards":[{"substance":"nitrate","value":11,"read":10}]}'
    config = config_of(IN_N)
    filled = in_own_units(eventlines.parse_line(line), config.tank, config.kit)
    assert isinstance(filled, KitCheck)
    assert filled.standards[0].unit == "mg/L as N"


# ---- the doors


def test_the_page_shows_the_boxes_unit_and_keeps_it_with_the_entry(tmp_path: Path) -> None:
    with page_site(tmp_path, config_of(IN_N)) as site:
        client = site.client()
        form = client.get("/tanks/foyer/test").text
        assert "Nitrate <small>mg/L as N" in form
        answer = client.post("/tanks/foyer/test", {"id": client.value("id"), "kit": "strip", "nitrate": "10"})
        assert answer.status == 303
        again = client.post("/tanks/foyer/test", {"id": client.value("id"), "kit": "strip", "nitrate": "10"})
        assert "again=" in again.headers["Location"]
        assert site.engine.view().tanks[0].last_test["nitrate"] == pytest.approx(10 * AS_N["nitrate"])
        assert "last 10" in client.get("/tanks/foyer/test").text
        assert "Nitrate 10 mg/L as N" in client.get("/tanks/foyer/entries").text
        with site.engine.journal.reader() as reader:
            stored = [s.event for s in reader.entries(limit=5) if isinstance(s.event, Test)]
        assert stored[0].units == {"nitrate": "mg/L as N"}


def test_the_hub_records_and_describes_in_the_boxes_unit() -> None:
    config = config_of(IN_N)
    assert hub_commands.fields_of(config)["foyer"]["nitrate"] == "mg/L as N"
    pressed = hub_commands.test_of("foyer", {"nitrate": 10.0}, config, 1e9)
    assert pressed.units == {"nitrate": "mg/L as N"}
    sent = json.dumps(
        {"id": "a", "kind": "test", "tank": "foyer", "method": "strip", "values": {"nitrate": 10}}
    ).encode()
    view = SiteView(at_s=1e9, name="x", timezone="UTC")
    allowed = dataclasses.replace(config, hub=Hub(commands=("test",)))
    parsed = hub_commands.parse(sent, allowed, view, 1e9)
    assert isinstance(parsed, Test)
    assert parsed.units == {"nitrate": "mg/L as N"}


def test_the_store_gets_the_canonical_value_of_an_entry_without_a_unit() -> None:
    config: Config = config_of(IN_N)
    point = Points(config, "one").of(Test(at_s=1.0, tank="foyer", method="strip", values={"nitrate": 10.0}))[0]
    assert point.fields["value"] == pytest.approx(10 * AS_N["nitrate"])
