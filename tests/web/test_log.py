"""The log by day, its filter and search, and entries that are put right: an edit, never a second entry."""

from __future__ import annotations

import dataclasses
import html
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from helpers.page import Client, Site, page_site
from helpers.waiting import until
from rushlight.alarms.table import TABLE
from rushlight.events import (
    Absence,
    Correction,
    Dose,
    Event,
    Feeding,
    FilterWork,
    Growth,
    Harvest,
    LampWork,
    LightSpot,
    Outage,
    Pack,
    Sighting,
    Stocking,
    Test,
    TopOff,
    Treatment,
    WaterChange,
)
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
        site.engine.submit(Feeding(at_s=now_s - n * DAY_S / 25, id=f"feed-{n}", tank="foyer", grams=0.9))
    page = log(client)
    assert "<h2>Today</h2>" in page and "<h2>Yesterday</h2>" in page and "101 entries" in page
    assert page.count('class="change"') == 80 and page.count("Undo") == 0
    older = re.search(r'href="(\?[^"]*before=[^"]*)"', page)
    assert older and log(client, older.group(1)).count('class="change"') == 21
    assert "umbrella sedge" in log(client, "?word=SEDGE") and "1 entry found" in log(client, "?word=SEDGE")
    assert "100 entries" in log(client, "?kind=feeding") and "umbrella" not in log(client, "?kind=feeding")
    assert "0 entries found" in log(client, "?word=<script>") and "<script>alert" not in log(client)


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


WITH_MORE = [
    Feeding(at_s=0, id="e", tank="foyer", grams=0.9, protein_percent=46.0, note="weighed"),
    WaterChange(at_s=0, id="e", tank="foyer", litres=30.0, source={"nitrate": 12.0}),
    TopOff(at_s=0, id="e", tank="foyer", litres=2.5, source={"kh": 3.0}),
    Harvest(at_s=0, id="e", tank="foyer", dry_grams=4.25, plant="water mint"),
    Dose(at_s=0, id="e", tank="foyer", what="iron", kh_mg_caco3=3.5),
    Stocking(at_s=0, id="e", tank="foyer", change=-2, species="barbs", grams=3.0),
    LampWork(at_s=0, id="e", tank="foyer", what="replaced"),
    Treatment(at_s=0, id="e", tank="foyer", what="salt", days=5.0, note="by the label"),
    FilterWork(at_s=0, id="e", tank="foyer", what="cleaned"),
    Outage(at_s=0, id="e", tank="foyer", minutes=600.0),
    Sighting(at_s=0, id="e", tank="foyer", what="algae", note="on the glass"),
    Growth(at_s=0, id="e", tank="foyer", cover=0.375, plant="sedge"),
    LightSpot(at_s=0, id="e", tank="foyer", place="left end", value=4200.0),
    Pack(at_s=0, id="e", tank="foyer", strips=48.0),
    Absence(at_s=0, id="e", tank="foyer", days=14.6, note="closed"),
    Test(at_s=0, id="e", tank="foyer", method="strip", kit="strip", values={"nitrate": ">250", "ph": 7.0}),
    Test(at_s=0, id="e", tank="foyer", method="strip", kit="strip", values={"nitrate": 31.0, "kh": 4.0}),
    Test(at_s=0, id="e", tank="foyer", method="lab", values={"nitrate": 6.78}, units={"nitrate": "mg/L as N"}),
    Test(at_s=0, id="e", tank="foyer", method="strip", kit="strip", values={"nitrate": 10.0}, dilution=3.0, note="dim"),
]


@pytest.mark.slow
@pytest.mark.parametrize("entry", WITH_MORE, ids=lambda e: e.kind)
def test_a_form_that_is_sent_as_it_was_shown_changes_nothing(site: Site, entry: Event) -> None:
    """What a form has no field for, a value that is no pad, a unit and a method of its own: all of it stays."""
    client = site.client()
    entry = dataclasses.replace(entry, at_s=site.engine.now_s() - DAY_S)
    site.engine.submit(entry)
    page = client.get("/entries/e").text
    form = {"id": client.value("id")}
    for tag in re.findall(r"<input [^>]*>", page.partition('class="sheet"')[2].partition("</form>")[0]):
        given = {k: html.unescape(v) for k, v in re.findall(r'([a-z]+)="([^"]*)"', tag)}
        if given.get("name") in (None, "id", "token") or (
            given.get("type") in ("radio", "checkbox") and "checked" not in tag
        ):
            continue
        form[given["name"]] = given.get("value", "")
    assert client.post("/entries/e", form | {"sure": "yes"}).status == 303  # 31 is no pad, as is asked once
    now = standing(site, "e")
    assert now is not None
    assert dataclasses.replace(now, received_s=None, at_s=0) == dataclasses.replace(entry, received_s=None, at_s=0)


def test_a_value_of_another_unit_is_shown_and_put_right_in_the_unit_beside_its_field(site: Site) -> None:
    """6.78 mg/L as N are 30 as NO3 (62.005 to 14.007, IUPAC's abridged standard atomic weights)."""
    client = site.client()
    lab = Test(
        at_s=site.engine.now_s() - DAY_S,
        id="lab",
        tank="foyer",
        method="lab",
        values={"nitrate": 6.78, "kh": 4.0},
        units={"nitrate": "mg/L as N"},
    )
    site.engine.submit(lab)
    client.get("/entries/lab")
    assert float(filled(client, "nitrate")) == pytest.approx(6.78 * 62.005 / 14.007, rel=1e-3)
    form = {"id": client.value("id"), "nitrate": "28", "kh": "4", "done_at": filled(client, "done_at")}
    assert client.post("/entries/lab", form).status == 303
    now = standing(site, "lab")
    assert isinstance(now, Test)
    assert (now.method, now.values, now.units) == ("lab", {"nitrate": 28.0, "kh": 4.0}, {})


def test_an_entry_a_correction_and_an_undo_are_answered_with_what_they_changed(site: Site) -> None:
    client = site.client()
    client.get("/tanks/foyer/test")
    form = {"id": client.value("id"), "kit": "strip", "nitrate": "25"}
    done = client.post("/tanks/foyer/test", form)
    told = html.unescape(client.get(done.headers["Location"]).text)
    assert re.search(r"Entered\. Strip test: Nitrate 25 .*Nitrate now about 2\d mg/L as NO3 \(.*next test \w+day", told)
    client.get(f"/entries/{form['id']}")
    done = client.post(f"/entries/{form['id']}", {**form, "id": client.value("id"), "nitrate": "100"})
    told = html.unescape(client.get(done.headers["Location"]).text)
    assert re.search(r"Put right\. .*Nitrate 100 .*Nitrate now about \d+ mg/L as NO3 .*, about 2\d before", told)
    done = client.post("/undo", {"of": form["id"]})
    told = html.unescape(client.get(done.headers["Location"]).text)
    assert "Nitrate not known any more" in told


def test_first_aid_is_said_once(site: Site) -> None:
    client = site.client()
    client.get("/tanks/foyer/outage")
    done = client.post("/tanks/foyer/outage", {"id": client.value("id"), "hours": "10"})
    notice = re.findall(
        r'class="notice[^"]*" role="status">(.*?)</div>', client.get(done.headers["Location"]).text, re.S
    )
    assert "".join(notice).count("give no food today") == 1


def test_the_wall_says_what_is_wrong_with_the_installation_too(site: Site) -> None:
    """Whoever only looks at the wall must not take a tank for watched while its messages go nowhere."""
    client = site.client()
    assert TABLE["delivery_failing"].title not in html.unescape(client.get("/wall").text)
    site.engine.do(lambda: site.engine.note_condition("delivery_failing", "raise", "push", {"sentence": "no way out"}))
    title = TABLE["delivery_failing"].title
    until(lambda: title in html.unescape(client.get("/wall").text), 10, "the alarm on the wall")
