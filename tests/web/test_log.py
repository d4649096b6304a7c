"""The log by day, its filter and search, and entries that are put right: an edit, never a second entry."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from helpers.page import Client, Site, page_site
from rushlight.events import Correction, Dose, Event, Feeding, Harvest, Test, WaterChange
from rushlight.localtime import DAY_S


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with page_site(tmp_path) as made:
        yield made


def standing(site: Site, entry_id: str) -> Event | None:
    with site.engine.journal.reader() as reader:
        return reader.entry(entry_id)


def log(client: Client, query: str = "") -> str:
    return html.unescape(client.get(f"/tanks/foyer/entries{query}").text)


def filled(client: Client, name: str) -> str:
    """What a field of the page holds."""
    return re.findall(rf'<input id="{name}"[^>]* value="([^"]*)"', client.page)[0]


def enter(client: Client, sheet: str, **form: str) -> str:
    client.get(f"/tanks/foyer/{sheet}")
    entry_id = client.value("id")
    answer = client.post(f"/tanks/foyer/{sheet}", {"id": entry_id, **form})
    assert answer.status == 303, answer.text
    return entry_id


def test_a_test_is_put_right_in_its_own_form_and_keeps_its_id_and_time(site: Site) -> None:
    client, now_s = site.client(), site.engine.now_s()
    wrong = Test(
        at_s=now_s - 2 * DAY_S,
        id="strip-of-monday",
        tank="foyer",
        method="strip",
        kit="strip",
        values={"nitrate": 250.0, "ph": 7.0},
        note="half a strip",
    )
    site.engine.submit(wrong)
    page = client.get("/entries/strip-of-monday").text
    checked = set(re.findall(r'name="([a-z]+)" value="([^"]*)" checked', page))
    assert checked == {("nitrate", "250"), ("ph", "7"), ("half", "yes")}
    form = {"id": client.value("id"), "kit": "strip", "nitrate": "25", "ph": "7", "half": "yes"}
    form["done_at"] = re.findall(r'name="done_at" value="([^"]*)"', page)[0]
    first = client.post("/entries/strip-of-monday", form)
    assert first.status == 303 and first.headers["Location"].startswith("/tanks/foyer/entries?done=strip-of-monday")
    assert client.post("/entries/strip-of-monday", form).status == 303, "sent twice"
    now = standing(site, "strip-of-monday")
    assert isinstance(now, Test) and now.values == {"nitrate": 25.0, "ph": 7.0} and now.note == "half a strip"
    assert now.at_s == pytest.approx(wrong.at_s, abs=0.001), "the time was not touched, so not even its seconds change"
    with site.engine.journal.reader() as reader:
        fixes = [s.event for s in reader.entries() if isinstance(s.event, Correction)]
    assert len(fixes) == 1
    told = html.unescape(client.get(first.headers["Location"]).text)
    assert "Put right. It now says: Strip test: Nitrate 25" in told
    assert "Nitrate 250" not in log(client), "the log shows what stands"


def test_numbers_and_times_are_put_right_and_faults_are_told(site: Site) -> None:
    client = site.client()
    fed, changed = enter(client, "feeding", grams="9"), enter(client, "water-change", percent="30")
    client.get(f"/entries/{fed}")
    assert filled(client, "grams") == "9"
    bad = client.post(f"/entries/{fed}", {"id": client.value("id"), "grams": "much"})
    assert bad.status == 422 and "not a number" in bad.text
    assert client.post(f"/entries/{fed}", {"id": client.value("id"), "grams": "0.9"}).status == 303
    now = standing(site, fed)
    assert isinstance(now, Feeding) and now.grams == 0.9
    client.get(f"/entries/{changed}")
    assert filled(client, "percent") == "30"
    assert client.post(f"/entries/{changed}", {"id": client.value("id"), "litres": "40"}).status == 303
    now = standing(site, changed)
    assert isinstance(now, WaterChange) and now.litres == 40 and now.fraction is None
    client.get(f"/entries/{fed}")
    assert client.post("/undo", {"of": fed}).status == 303
    assert client.get(f"/entries/{fed}").status == 404 and standing(site, fed) is None
    assert "(taken back)" in log(client)


def test_the_log_is_by_day_filtered_and_searched(site: Site) -> None:
    client, now_s = site.client(), site.engine.now_s()
    site.engine.submit(Harvest(at_s=now_s - 3 * DAY_S, id="cut", tank="foyer", fresh_grams=80, plant="umbrella sedge"))
    for n in range(100):
        site.engine.submit(Feeding(at_s=now_s - n * DAY_S, id=f"feed-{n}", tank="foyer", grams=0.9))
    page = log(client)
    assert "<h2>Today</h2>" in page and "<h2>Yesterday</h2>" in page and "101 entries" in page
    assert page.count('class="change"') == 80 and page.count("Undo") == 0
    older = re.search(r'href="(\?[^"]*before=[^"]*)"', page)
    assert older and log(client, older.group(1)).count('class="change"') == 21
    assert "umbrella sedge" in log(client, "?word=SEDGE") and "1 entry found" in log(client, "?word=SEDGE")
    assert "100 entries" in log(client, "?kind=feeding") and "umbrella" not in log(client, "?kind=feeding")
    assert "Nothing entered like that yet" in log(client, "?word=<script>") and "<script>alert" not in log(client)


def test_a_harvest_is_said_as_people_see_it(site: Site) -> None:
    client = site.client()
    for form, grams in (
        ({"handfuls": "3"}, 120.0),
        ({"handfuls": "2", "handful_grams": "25"}, 50.0),
        ({"share_percent": "30", "standing_grams": "400"}, 120.0),
    ):
        cut = standing(site, enter(client, "harvest", **form))
        assert isinstance(cut, Harvest) and cut.fresh_grams == grams
    client.get("/tanks/foyer/harvest")
    for form in ({"share_percent": "30"}, {"handfuls": "1", "fresh_grams": "4"}, {"handfuls": "0"}, {}):
        assert client.post("/tanks/foyer/harvest", {"id": client.value("id"), **form}).status == 422


def test_a_dose_by_its_label_shows_the_arithmetic(site: Site) -> None:
    """Definitions: mL times g/L is mg, and 1 % of 1 g is 10 mg."""
    client = site.client()
    for form, milligrams, said in (
        ({"amount_ml": "5", "label_n_g_l": "20"}, 100.0, "5 mL of 20 g/L N = 100 mg N"),
        ({"amount_g": "2", "label_n_percent": "13.5"}, 270.0, "2 g of 13.5 % N = 270 mg N"),
    ):
        dose = standing(site, enter(client, "dose", what="feed for the plants", **form))
        assert isinstance(dose, Dose) and dose.nitrogen_mg == pytest.approx(milligrams) and said in dose.what
    client.get("/tanks/foyer/dose")
    for form in (
        {"amount_ml": "5"},
        {"label_n_percent": "5"},
        {"amount_ml": "5", "label_n_g_l": "2", "nitrogen_mg": "1"},
    ):
        assert client.post("/tanks/foyer/dose", {"id": client.value("id"), "what": "x", **form}).status == 422
