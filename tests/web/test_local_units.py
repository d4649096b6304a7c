"""Every screen of a US site reads US units, and what is typed there is kept in the record's."""

from __future__ import annotations

import html
import re
import time
from collections.abc import Iterator

import pytest

from helpers.page import Client, Site, page_site
from helpers.site import config_of
from helpers.units import METRIC_WORDS, config_text, lines
from rushlight import eventlines
from rushlight.events import Calibration, Growth, TopOff, WaterChange
from rushlight.service import offline

SCREENS = (
    "/", "/wall", "/words", "/tanks/foyer", "/tanks/foyer?stretch=all&feed=1&change=30", "/tanks/foyer/test",
    "/tanks/foyer/water-change", "/tanks/foyer/water-change?target=20", "/tanks/foyer/top-off", "/tanks/foyer/growth",
    "/tanks/foyer/entries", "/tanks/foyer/kit-check", "/tanks/foyer/kit-check?litres=2&grams=1", "/tanks/foyer/diary",
    "/tanks/foyer/harvest", "/tanks/foyer/feeding", "/probes/foyer-temperature/calibration", "/probes/foyer-ph/calibration",
    "/probes/foyer-level/calibration", "/tanks/foyer/values?stretch=all",
)  # fmt: skip

AS_ON_THE_BOX = re.compile(r"\b[KG]H(?:, as read by eye)?[^A-Za-z°]*°dH")
"""A test says what was read off the kit's box, in the unit that is printed there."""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    folder, config = tmp_path_factory.mktemp("us"), config_of(config_text("us"))
    start = eventlines.rfc3339((time.time() // 86_400.0 - 10) * 86_400.0)
    events = [eventlines.parse_line(line, n) for n, line in enumerate(lines(start), 1)]
    offline.fill(config, folder, events, events[-1].at_s)
    (folder / offline.JOURNAL_NAME).rename(folder / "journal.db")
    with page_site(folder, config) as running:
        yield running


@pytest.fixture
def client(site: Site) -> Client:
    return site.client()


def read(text: str) -> str:
    """What a person reads of a page: no tags, but what is said of pictures and fields."""
    said = " ".join(re.findall(r'(?:aria-label|placeholder|content|value)="([^"]*)"', text))
    return html.unescape(f"{re.sub(r'<style.*?</style>|<[^>]+>', ' ', text, flags=re.S)} {said}")


@pytest.mark.slow
@pytest.mark.parametrize("path", SCREENS)
def test_no_screen_speaks_metric(client: Client, path: str) -> None:
    answer = client.get(path)
    assert answer.status == 200, answer.text[:300]
    said = AS_ON_THE_BOX.sub("", read(answer.text))
    assert [said[max(0, m.start() - 40) : m.end() + 20] for m in METRIC_WORDS.finditer(said)] == []


@pytest.mark.slow
def test_the_screens_have_something_to_say(client: Client) -> None:
    tank = read(client.get("/tanks/foyer").text)
    for told in ("ppm as NO3", r"\d °F\b", r"\d gal\b", r"\d ppm as CaCO3", r"\d in\b", "KH 1 °dH"):
        assert re.search(told, tank + read(client.get("/tanks/foyer/entries").text)), told


def test_gallons_and_inches_are_kept_as_litres_and_centimetres(site: Site, client: Client) -> None:
    def sent(what: str, **form: str) -> str:
        client.get(f"/tanks/foyer/{what}")
        answer = client.post(f"/tanks/foyer/{what}", {"id": client.value("id"), **form})
        assert answer.status == 303, read(answer.text)[:600]
        return answer.headers["Location"]

    said = read(client.get(sent("water-change", litres="10")).text)
    assert "Water change: 10 gal" in said
    sent("top-off", litres="2,5 L")
    where = sent("growth", longest_cm="12 in", height_cm="20 cm")
    assert "longest shoot 12 in, height 7.9 in" in read(client.get(where).text)
    with site.engine.journal.reader() as reader:
        held = {e.event.kind: e.event for e in reversed(reader.entries("foyer", limit=3))}
    change, topped, grown = held["water_change"], held["top_off"], held["growth"]
    assert isinstance(change, WaterChange)
    assert change.litres == pytest.approx(37.85412, rel=1e-6), "NIST SP 811, B.8: 3.785 412 L"
    assert isinstance(topped, TopOff)
    assert topped.litres == 2.5
    assert isinstance(grown, Growth)
    assert (grown.longest_cm, grown.height_cm) == (pytest.approx(30.48), 20.0)
    page = client.get(f"/entries/{change.id}").text
    assert 'name="litres" inputmode="decimal" autocomplete="off" value="10"' in page, "as it was typed"


def test_what_is_no_volume_is_told_with_the_units_that_are(client: Client) -> None:
    client.get("/tanks/foyer/top-off")
    answer = client.post("/tanks/foyer/top-off", {"id": client.value("id"), "litres": "2 lx"})
    assert answer.status == 422
    assert "'lx' is not a unit of volume; write one of L, mL, US gal, imp gal" in read(answer.text)
    answer = client.post("/tanks/foyer/growth", {"id": client.value("id"), "longest_cm": "900"})
    assert "expected a number from 0 to 787" in read(answer.text), "2000 cm by 2.54 (NIST SP 811)"


def test_a_thermometer_is_calibrated_in_fahrenheit(site: Site, client: Client) -> None:
    client.get("/probes/foyer-temperature/calibration")
    form = {"id": client.value("id"), "step": "save", "value_1": "77", "raw_1": "78.8", "temp_1": "77"}
    assert client.post("/probes/foyer-temperature/calibration", form).status == 303
    with site.engine.journal.reader() as reader:
        kept = next(e.event for e in reader.entries(limit=5) if isinstance(e.event, Calibration))
    (point,) = kept.points
    assert (point.value, point.raw, point.temperature_c) == pytest.approx((25.0, 26.0, 25.0))
    client.get("/probes/foyer-ph/calibration")
    cold = {"id": client.value("id"), "step": "check", "value_1": "7", "raw_1": "7", "temp_1": "20"}
    answer = client.post("/probes/foyer-ph/calibration", cold)
    assert answer.status == 422 and "expected a number from 32 to 104" in read(answer.text)


def test_an_entry_that_is_shown_and_sent_again_as_it_is_changes_nothing(site: Site, client: Client) -> None:
    """36 gallons and a third are no round number in either unit."""
    client.get("/tanks/foyer/top-off")
    client.post("/tanks/foyer/top-off", {"id": client.value("id"), "litres": "1.234567"})
    with site.engine.journal.reader() as reader:
        topped = next(e.event for e in reader.entries("foyer", limit=3) if isinstance(e.event, TopOff))
    client.get(f"/entries/{topped.id}")
    again = {
        "id": client.value("id"),
        "litres": client.value("litres") if 'name="litres" value' in client.page else "1.23457",
    }
    again["done_at"] = re.search(r'name="done_at" value="([^"]*)"', client.page).group(1)  # type: ignore[union-attr]
    client.post(f"/entries/{topped.id}", again)
    with site.engine.journal.reader() as reader:
        kept = reader.entry(topped.id)
    assert isinstance(kept, TopOff)
    assert kept.litres == topped.litres
