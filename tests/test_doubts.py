"""What this tank has never seen is asked about once, at every keyboard, and kept as given if confirmed."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from helpers import strippictures as strips
from helpers.page import page_site
from helpers.site import CONFIG, config_of
from rushlight import eventlines
from rushlight.cli import main
from rushlight.entry import doubts
from rushlight.eventlines import LineError
from rushlight.events import Event
from rushlight.outlets.hub import commands
from rushlight.replay import replay
from rushlight.science.optics import stripscale
from rushlight.settings import Hub
from rushlight.views import SiteView, StandardView, TankView

NOW_S = 1_772_355_600.0
CONF = config_of()


def event(kind: str, **keys: Any) -> Event:
    return eventlines.parse_record({"at": "2026-03-01T09:00:00Z", "kind": kind, "tank": "foyer", **keys})


def view(**keys: Any) -> SiteView:
    return SiteView(
        at_s=NOW_S, name="x", timezone="UTC", tanks=(TankView(id="foyer", title="Foyer", litres=140, **keys),)
    )


def strip(**values: float | str) -> Event:
    return event("test", method="strip", values=values)


@pytest.mark.parametrize(
    ("odd", "key"),
    [
        (event("feeding", grams=900), "grams"),
        (event("feeding", grams=9.1), "grams"),
        (event("water_change", litres=141), "litres"),
        (event("top_off", litres=1400), "litres"),
        (event("stocking", change=200), "change"),
        (event("harvest", fresh_grams=90_000), "fresh_grams"),
        (strip(nitrate=24), "nitrate"),
        (strip(nitrate=">100"), None),
        (strip(nitrate=">24"), "nitrate"),
        (strip(ph=7.7), "ph"),
    ],
)
def test_what_is_far_outside_is_asked_about(odd: Event, key: str | None) -> None:
    found = doubts.question(odd, CONF, None)
    assert (found and found[0]) == key


@pytest.mark.parametrize(
    "plain",
    [
        event("feeding", grams=0.9),
        event("feeding", grams=8.9),
        event("water_change", litres=140),
        event("water_change", fraction=1.0),
        event("top_off", litres=12),
        event("stocking", change=-6),
        event("harvest", fresh_grams=400),
        event("harvest", dry_grams=40),
        *(strip(nitrate=pad) for pad in (0, 10, 25, 50, 100, 250, ">250", "<10")),
        *(strip(nitrate=middle) for middle in (16.8, 36.4)),
        event("test", method="drops", values={"nitrate": 24}),
        event("note", text="24 is no pad"),
    ],
    ids=lambda e: eventlines.format_line(e)[40:90],
)
def test_what_is_like_the_tank_is_not(plain: Event) -> None:
    assert doubts.question(plain, CONF, None) is None


def test_what_was_fed_before_counts_as_seen() -> None:
    assert doubts.question(event("feeding", grams=20), CONF, view()) is not None
    assert doubts.question(event("feeding", grams=20), CONF, view(most_fed_g=4.0)) is None


def test_the_page_asks_once_and_keeps_it_as_given(tmp_path: Path) -> None:
    with page_site(tmp_path) as site:
        client = site.client()
        for path, typed in (("feeding", {"grams": "900"}), ("test", {"kit": "strip", "nitrate": "24"})):
            client.get(f"/tanks/foyer/{path}")
            form = {"id": client.value("id"), **typed}
            asked = client.post(f"/tanks/foyer/{path}", form)
            assert asked.status == 422
            assert 'name="sure"' in asked.text
            assert ("1000 times" in asked.text) or ("no pad of this strip" in asked.text)
            kept = client.post(f"/tanks/foyer/{path}", {**form, "sure": "yes"})
            assert kept.headers["Location"] == f"/?done={form['id']}"
        with site.engine.journal.reader() as reader:
            assert {s.event.kind for s in reader.entries(limit=9)} >= {"feeding", "test"}


def test_the_command_line_asks_once_and_keeps_it_as_given(tmp_path: Path) -> None:
    config = tmp_path / "config.toml"
    config.write_text(CONFIG + f'\n[storage]\nfolder = "{tmp_path / "data"}"\n')
    words = ["record", "feeding", "--config", str(config), "--tank", "foyer", "grams=900", "--id", "much"]
    asked = CliRunner().invoke(main, words)
    assert asked.exit_code == 2
    assert "grams: 900 g is 1000 times" in asked.output
    assert "--sure" in asked.output
    kept = CliRunner().invoke(main, [*words, "--sure"])
    assert (kept.exit_code, kept.stdout.strip()) == (0, "much")


def test_the_hub_asks_once_and_keeps_it_as_given() -> None:
    allowed = dataclasses.replace(CONF, hub=Hub(enabled=True, commands=("record", "test")))

    def sent(**more: Any) -> bytes:
        return json.dumps({"id": "c", "kind": "water_change", "tank": "foyer", "litres": 1400, **more}).encode()

    with pytest.raises(LineError) as caught:
        commands.parse(sent(), allowed, view(), NOW_S)
    assert caught.value.key == "litres"
    assert '"sure": true' in caught.value.what
    assert commands.parse(sent(sure=True), allowed, view(), NOW_S).kind == "water_change"
    drafts = commands.Drafts()
    drafts.put("foyer", "nitrate", b"24", 0.0)
    assert drafts.ask_once("foyer")
    assert not drafts.ask_once("foyer")
    drafts.put("foyer", "nitrate", b"23", 1.0)
    assert drafts.ask_once("foyer"), "another value is another question"


# ---- a reading that fits nothing

Tests = Callable[[list[float | str]], list[dict[str, Any]]]


def months(values: list[float | str]) -> list[dict[str, Any]]:
    """Sixteen weekly strips of 25, then `values` a quarter of an hour apart."""
    lines = [(f"2026-{2 + w // 4:02d}-{1 + 7 * (w % 4):02d}T09:00:00Z", 25) for w in range(16)]
    lines += [(f"2026-06-01T09:{15 * n:02d}:00Z", v) for n, v in enumerate(values)]
    text = [
        json.dumps({"at": at, "kind": "test", "tank": "foyer", "method": "strip", "values": {"nitrate": v}})
        for at, v in lines
    ]
    return [r for r in map(json.loads, replay(CONF, text)) if r["kind"] == "due" and r["at"] >= "2026-06-01T09"]


@pytest.mark.slow
def test_a_single_reading_that_fits_nothing_is_asked_for_again_at_once() -> None:
    """The issue's row: '>250' after months of 25 gave the next test in six days."""
    due = months([">250"])
    assert due[-1]["due_at"] == "2026-06-01T09:00:00Z"
    assert "three strips within a minute" in due[-1]["reason"]


@pytest.mark.slow
def test_a_repeat_settles_it_either_way() -> None:
    for second in (25, ">250"):
        due = months([">250", second])
        assert "three strips" not in due[-1]["reason"]
        assert due[-1]["due_at"] > "2026-06-01T09:15:00Z"


@pytest.mark.slow
@pytest.mark.parametrize("value", [10, 25, 50])
def test_a_neighbouring_pad_is_no_misfit(value: float) -> None:
    assert not [d for d in months([value]) if "three strips" in d["reason"]]


def pictured(light: str, seed: int, **values: float) -> dict[str, Any]:
    """The `picture` that one phone makes of a strip beside one chart in that light."""
    rng = np.random.default_rng([seed, len(light)])
    charts = strips.printed_charts(np.random.default_rng(1))
    sheet = strips.Sheet.laid({"nitrate": 30.0} | values, rng, charts=charts)
    phone = strips.Phone(camera="Nikon 5100 (NPL)", light=light, exposure=0.7, shading=(0.2, 0.1))
    return strips.record_of(strips.shoot(sheet, phone, rng))


@pytest.mark.parametrize(("light", "asked"), [("D65", False), ("LED-B4", True), ("FL11", True), ("FL2", True)])
def test_a_picture_in_another_light_than_the_known_solutions_is_asked_about(light: str, asked: bool) -> None:
    """Lamps and daylight are CIE 15's; the chart is one that three inks print (`strippictures`)."""
    known = pictured("D65", 99)
    chart = [(v, tuple(c)) for v, c in known["nitrate"]["chart"]]
    signature = stripscale.signature(chart, tuple(known["paper"]["chart"]))
    tanks = view(standards=(StandardView(kit="strip", substance="nitrate", signature=signature),))
    for seed in range(4):
        told = event("test", method="strip", picture=pictured(light, seed))
        found = doubts.question(told, CONF, tanks)
        assert (found is not None and found[0] == "picture") == asked
        assert doubts.question(told, CONF, view()) is None  # without known solutions there is nothing to say


def test_a_picture_without_light_is_asked_nothing_and_kept(tmp_path: Path) -> None:
    """Black paper: it is for the reading to refuse, with its reason, and no door may break on it."""
    dark = pictured("D65", 1)
    dark["paper"] = {"chart": [0, 0, 0], "strip": [0, 0, 0]}
    lit = stripscale.signature([(0.0, (250.0, 250.0, 250.0)), (25.0, (240.0, 200.0, 210.0))], (252.0, 252.0, 252.0))
    told = event("test", method="strip", kit="strip", picture=dark)
    tanks = view(standards=(StandardView(kit="strip", substance="nitrate", signature=lit),))
    assert doubts.question(told, CONF, tanks) is None
    with page_site(tmp_path) as site:
        site.engine.submit(told)
        [said] = site.engine.view().tanks[0].last_read
        assert said.startswith("Nitrate not read from the picture: ")


def test_the_page_says_before_it_saves_that_the_light_is_another(tmp_path: Path) -> None:
    standards = [
        {"substance": "nitrate", "value": v, "picture": pictured("D65", i, nitrate=v)} for i, v in enumerate((25, 50))
    ]
    check = {"at": "2026-02-01T12:00:00Z", "kind": "kit_check", "id": "known", "kit": "strip", "standards": standards}
    with page_site(tmp_path) as site:
        site.engine.submit(eventlines.parse_record(check))
        client = site.client()
        for light, status in (("FL11", 422), ("D65", 303)):
            client.get("/tanks/foyer/test")
            form = {"id": client.value("id"), "kit": "strip", "picture": json.dumps(pictured(light, 7))}
            told = client.post("/tanks/foyer/test", form)
            assert told.status == status
            assert ("in another light" in told.text) == (light == "FL11")
