"""Every screen, asked for over HTTP of a real server with a real engine and journal behind it."""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import html
import re
import stat
import threading
import zoneinfo
from collections.abc import Iterator
from pathlib import Path

import pytest

from helpers.page import PASSPHRASE, Client, Site, page_site
from rushlight.alarms import oneclick
from rushlight.events import Correction, Feeding, FilterWork, Pack, Reading, Test
from rushlight.views import AlarmView, SiteView, TankView
from rushlight.web.entering import fields
from rushlight.web.entering.entries import SHEETS


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    with page_site(tmp_path_factory.mktemp("page")) as made:
        yield made


def entries(site: Site) -> list[object]:
    with site.engine.journal.reader() as reader:
        return [s.event for s in reader.entries()]


def enter(client: Client, path: str, **form: str) -> object:
    client.get(path)
    return client.post(path, {"id": client.value("id"), **form})


def test_first_run_needs_the_code_of_the_log_and_leaves_a_private_file(tmp_path: Path) -> None:
    with page_site(tmp_path, ready=False) as site:
        client = site.client(logged_in=False)
        assert client.get("/").headers["Location"] == "/setup"
        client.get("/setup")
        form = {"passphrase": PASSPHRASE, "again": PASSPHRASE}
        assert client.post("/setup", {**form, "code": "AAAA-AAAA"}).status == 403
        assert client.post("/setup", {**form, "code": site.access.code, "again": "other"}).status == 422
        code = site.access.code
        assert client.post("/setup", {**form, "code": code}).status == 303
        assert client.get("/").status == 200
        kept = tmp_path / "page.json"
        assert stat.S_IMODE(kept.stat().st_mode) == 0o600
        assert PASSPHRASE not in kept.read_text() and client.cookies["rushlight"] not in kept.read_text()


def test_the_day_by_which_to_buy_strips_is_a_day_to_read(tmp_path: Path) -> None:
    """It is marked for the browser to write in its own manner; the mark itself is not for people."""
    with page_site(tmp_path) as site:
        now_s = site.engine.now_s()
        site.engine.submit(Pack(at_s=now_s - 16 * 86400.0, tank="foyer", strips=50))
        for n in (15, 8, 1):
            values = {"nitrate": 10.0}
            site.engine.submit(Test(at_s=now_s - n * 86400.0, tank="foyer", method="strip", kit="strip", values=values))
        page = site.client().get("/tanks/foyer").text
    assert re.search(r"Buy the next pack of strips by <time [^>]*>\w+ \d", page) and "&lt;time" not in page


def test_a_per_cent_sign_stays_with_its_figure(tmp_path: Path) -> None:
    """At a line's end of a phone or a wall; seen parted in 'Entered. Water change: 30' / '%.'"""
    unseen = r"<(script|noscript|style)\b.*?</\1>|<[^>]*>"
    with page_site(tmp_path) as site:
        now_s, client = site.engine.now_s(), site.client()
        for n in (15, 8, 1):
            values = {"nitrate": 100.0}
            site.engine.submit(Test(at_s=now_s - n * 86400.0, tank="foyer", method="strip", kit="strip", values=values))
        done = enter(client, "/tanks/foyer/water-change", percent="30").headers["Location"]
        changes = ("entries", "water-change", "?change=40")
        for path in (done, *(f"/tanks/foyer/{what}" for what in changes)):
            said = re.sub(
                r'(?<=class="hidden">)[^<]*', "", client.get(path.replace("/?", "?") if "tanks" in path else path).text
            )
            shown = html.unescape(re.sub(unseen, "", said, flags=re.DOTALL))
            assert re.search(r"\d\N{NO-BREAK SPACE}%", shown) and not re.findall(r".*\d %.*", shown), path


def test_login_keeps_and_logout_ends_a_session(site: Site) -> None:
    client = site.client(logged_in=False)
    assert client.get("/tanks/foyer").headers["Location"] == "/login?next=/tanks/foyer"
    client.get("/login?next=/tanks/foyer")
    came_in = client.post("/login", {"passphrase": PASSPHRASE, "next": "/tanks/foyer"})
    assert (came_in.status, came_in.headers["Location"]) == (303, "/tanks/foyer")
    assert all("HttpOnly" in c and "SameSite=Strict" in c for c in came_in.cookies)
    assert client.get("/devices").status == 200
    held = dict(client.cookies)
    assert client.post("/logout", {}).status == 303
    assert Client(site.port, cookies=held).get("/").status == 303


@pytest.mark.slow
@pytest.mark.parametrize(
    "path",
    ["/", "/tanks/foyer", "/tanks/foyer/test", "/tanks/foyer/entries", "/devices", "/probes/foyer-ph/calibration"]
    + [f"/tanks/foyer/{w}" for w in SHEETS],
)
def test_every_screen_answers_and_asks_nobody_else(site: Site, path: str) -> None:
    got = site.client().get(path)
    assert got.status == 200
    assert "Estimates, not a substitute for testing or for a vet." in got.text
    assert not re.search(r'(?:src|href|action)="(?:https?:)?//', got.text)
    assert "<style" not in got.text and 'style="' not in got.text
    # One script stands in the page itself, and the policy lets that one run by its digest (W3C, CSP level 3, 2.3.1).
    (own,) = re.findall(r"<script(?! src)[^>]*>(.*?)</script>", got.text, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(own.encode()).digest()).decode()
    policy = got.headers["Content-Security-Policy"]
    assert f"script-src 'self' 'sha256-{digest}';" in policy and "unsafe" not in policy
    assert " checked" not in got.text


def test_a_strip_moves_the_estimate_once_however_often_it_is_sent(site: Site) -> None:
    client = site.client()
    client.get("/tanks/foyer/test")
    form = {"id": client.value("id"), "kit": "strip", "nitrate": "25", "ph": "7"}
    first = client.post("/tanks/foyer/test", form)
    assert first.headers["Location"] == f"/?done={form['id']}"
    threads = [threading.Thread(target=client.post, args=("/tanks/foyer/test", form)) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(isinstance(e, Test) and e.id == form["id"] for e in entries(site)) == 1
    assert "entered already, once" in client.get(client.post("/tanks/foyer/test", form).headers["Location"]).text
    assert "Nitrate about" in client.get("/tanks/foyer").text
    changed = client.post("/tanks/foyer/test", {**form, "nitrate": "50"})
    assert changed.status == 422 and "sent before with other values" in changed.text

    assert client.get(first.headers["Location"]).text.count("Undo") == 1
    undone = client.post("/undo", {"of": form["id"]}).headers["Location"]
    client.post("/undo", {"of": form["id"]})
    [undo] = [e for e in entries(site) if isinstance(e, Correction) and e.of == form["id"]]
    assert undone == f"/?undone={form['id']}&by={undo.id}"
    assert "not known" in client.get("/").text


def test_a_late_entry_takes_its_local_time_and_a_kept_one_its_age(site: Site) -> None:
    client, zone = site.client(), zoneinfo.ZoneInfo("Europe/Dublin")
    local = (dt.datetime.fromtimestamp(site.engine.now_s(), zone) - dt.timedelta(days=2)).replace(
        second=0, microsecond=0
    )
    assert enter(client, "/tanks/foyer/feeding", grams="0,9", done_at=f"{local:%Y-%m-%dT%H:%M}").status == 303
    late = next(e for e in entries(site) if e.kind == "feeding")
    assert late.at_s == local.timestamp() and late.grams == 0.9
    enter(client, "/tanks/foyer/top-off", litres="3", kept_ms="1000", sent_ms="3601000")
    kept = next(e for e in entries(site) if e.kind == "top_off")
    assert site.engine.now_s() - kept.at_s == pytest.approx(3600, abs=10)
    ahead = enter(client, "/tanks/foyer/feeding", grams="1", done_at="2100-01-01T00:00")
    assert ahead.status == 422 and "lies in the future" in ahead.text


def test_every_form_is_linked_once_on_a_tanks_card(site: Site) -> None:
    home = site.client().get("/").text
    for what in ("test", *SHEETS, "entries"):
        assert home.count(f'href="/tanks/foyer/{what}"') == 1, what


@pytest.mark.slow
@pytest.mark.parametrize(
    ("what", "form", "kind"),
    [
        ("water-change", {"percent": "30"}, "water_change"),
        ("harvest", {"fresh_grams": "40", "plant": "umbrella sedge"}, "harvest"),
        ("lamp", {"what": "cleaned"}, "lamp"),
        ("sighting", {"what": "algae"}, "sighting"),
        ("stocking", {"change": "-1", "species": "zebra danio"}, "stocking"),
        ("dose", {"what": "bicarbonate", "kh_mg_caco3": "500"}, "dose"),
        ("pack", {"strips": "50"}, "pack"),
        ("treatment", {"what": "antibiotic", "days": "5"}, "treatment"),
        ("filter", {"what": "cleaned"}, "filter"),
        ("outage", {"hours": "10"}, "outage"),
        ("growth", {"plant": "water mint", "new_leaves": "6"}, "growth"),
        ("light-spot", {"place": "umbrella sedge", "value": "2400", "unit": "lx"}, "light_spot"),
        ("note", {"text": "<script>alert(1)</script>"}, "note"),
    ],
)
def test_other_entries(site: Site, what: str, form: dict[str, str], kind: str) -> None:
    client = site.client()
    done = enter(client, f"/tanks/foyer/{what}", **form)
    assert done.status == 303, done.text
    assert any(e.kind == kind for e in entries(site))
    assert "<script>alert" not in client.get("/tanks/foyer/entries").text
    assert enter(client, f"/tanks/foyer/{what}").status == 422


@pytest.mark.parametrize(
    ("typed", "answer"),
    [
        ("1,5", 1.5),
        ("0,125", 0.125),
        ("2,500", "“2,500” has two readings: write 2.5 or 2500"),
        ("1,234.5", "is not a number"),
        ("12,5000", 12.5),
    ],
)
def test_a_comma_is_a_decimal_comma_unless_it_may_part_thousands(typed: str, answer: float | str) -> None:
    """Both signs are decimal signs and neither parts groups of digits (ISO 80000-1, 7.3, from memory); people differ."""
    if isinstance(answer, float):
        assert fields.number({"grams": typed}, "grams") == answer
        return
    with pytest.raises(fields.FieldError) as caught:
        fields.number({"grams": typed}, "grams")
    assert answer in caught.value.what


def test_calibration_is_checked_then_saved(site: Site) -> None:
    """6.92 at 10 °C for the 6.86 phosphate buffer: JIS Z 8802:2011."""
    client, path = site.client(), "/probes/foyer-ph/calibration"
    points = {"value_1": "6.86", "raw_1": "6.92", "temp_1": "10", "value_2": "4.01", "raw_2": "4.00", "temp_2": "10"}
    checked = enter(client, path, **points, step="check")
    assert checked.status == 200 and "Buffer 6.86 is 6.92 at 10 °C" in checked.text and "Verdict: slope" in checked.text
    assert not any(e.kind == "calibration" for e in entries(site))
    saved = enter(client, path, **points, step="save")
    assert saved.status == 303 and "In use" in client.get(saved.headers["Location"]).text


def test_a_calibration_that_would_not_be_used_is_not_saved(site: Site) -> None:
    """The same that the command line refuses, by the same rule."""
    client, path = site.client(), "/probes/foyer-ph/calibration"
    before = len(entries(site))
    points = {"value_1": "6.86", "raw_1": "6.9", "temp_1": "24", "value_2": "4.01", "raw_2": "6.8", "temp_2": "24"}
    for step in ("check", "save"):
        got = enter(client, path, **points, step=step)
        assert "Verdict: refused" in got.text
        assert 'value="save"' not in got.text
    assert len(entries(site)) == before


def test_the_guide_shows_what_the_device_gives(site: Site) -> None:
    client = site.client()
    site.engine.submit(Reading(at_s=site.engine.now_s(), probe="foyer-ph", value=6.87))
    assert "The device gives now: <b>6.87 pH</b>" in client.get("/probes/foyer-ph/calibration").text


def test_what_if_changes_nothing_and_answers_in_words(site: Site) -> None:
    client = site.client()
    enter(client, "/tanks/foyer/test", kit="strip", nitrate="25")
    before = len(entries(site))
    got = client.get("/tanks/foyer?feed=0&hours=10&change=50")
    assert "In 28 days nitrate would be" in got.text and len(entries(site)) == before
    kept = client.get("/tanks/foyer?stretch=year&feed=0").text
    assert kept.count('name="stretch" value="year"') == 1, "a trial in the year's timeline would be shown in another"
    assert 'name="stretch"' not in got.text


def test_an_alarm_is_acknowledged_on_the_page_and_by_its_ticket(site: Site) -> None:
    client = site.client()
    enter(client, "/tanks/foyer/test", kit="strip", nitrite="3")
    alarm = next(a for t in site.engine.view().tanks for a in t.alarms if a.alarm == "nitrite_high")
    page = client.get("/").text
    assert alarm.id in page and "Something needs you" in page
    ticket, stranger = oneclick.ticket(site.access.secret, alarm.id, alarm.occurrence), site.client(logged_in=False)
    assert "Acknowledge" in stranger.get(f"/acknowledge/{ticket}").text
    assert next(a for a in site.engine.view().tanks[0].alarms if a.id == alarm.id).state == "unacknowledged"
    assert stranger.get("/acknowledge/none.such").status == 404
    client.get("/")
    assert client.post("/alarms/acknowledge", {"alarm": alarm.id}).status == 303
    assert next(a for a in site.engine.view().tanks[0].alarms if a.id == alarm.id).state == "acknowledged"


def test_one_button_acknowledges_all_that_its_message_tells_of(tmp_path: Path) -> None:
    """What one test found comes as one message: its link holds a ticket for each alarm."""
    with page_site(tmp_path) as site:
        enter(site.client(), "/tanks/foyer/test", kit="strip", nitrite="3")
        enter(site.client(), "/tanks/foyer/sighting", what="gasping")
        _acknowledge_both(site)


def _acknowledge_both(site: Site) -> None:
    poisons = [a for t in site.engine.view().tanks for a in t.alarms if a.alarm in ("nitrite_high", "fish_in_distress")]
    tickets = [oneclick.ticket(site.access.secret, a.id, a.occurrence) for a in poisons]
    link, stranger = f"/acknowledge/{oneclick.JOIN.join(tickets)}", site.client(logged_in=False)
    asked = stranger.get(link)
    assert "nitrite" in asked.text and "gasping" in asked.text and asked.text.count("<form") == 1
    assert stranger.post(link, {}).status == 200
    states = {a.alarm: a.state for t in site.engine.view().tanks for a in t.alarms}
    assert (states["nitrite_high"], states["fish_in_distress"]) == ("acknowledged", "acknowledged")
    assert stranger.get(f"/acknowledge/{tickets[0]}{oneclick.JOIN}none.such").status == 404


@pytest.mark.parametrize("what", SHEETS)
def test_a_complaint_names_what_is_on_the_screen_and_no_key(site: Site, what: str) -> None:
    client = site.client()
    for field in SHEETS[what].fields:
        if field.choices or field.kind != "number":
            continue
        told = enter(client, f"/tanks/foyer/{what}", **{field.name: "x1x"}, done_at="")
        notice = re.search(r'role="alert">(.*?)</div>', told.text, re.S)  # type: ignore[attr-defined]
        if notice is not None:
            said = html.unescape(notice[1]).removeprefix("Not saved yet: ")
            assert any(said.startswith(f"{f.label}: ") for f in SHEETS[what].fields), said


def test_a_standard_is_named_as_on_the_screen(site: Site) -> None:
    told = enter(site.client(), "/probes/foyer-ph/calibration", value_1="7.00", raw_1="x")
    assert "Buffer 1, what the probe shows: " in told.text  # type: ignore[attr-defined]
    assert "<legend>Buffer 1" in told.text and "Standard" not in told.text  # type: ignore[attr-defined]


def test_a_time_ahead_is_named_as_on_the_screen(site: Site) -> None:
    told = enter(site.client(), "/tanks/foyer/feeding", grams="1", done_at="2199-01-01T10:00")
    assert "When it was done: lies in the future" in told.text  # type: ignore[attr-defined]


def test_an_alarm_is_put_aside_and_taken_back(site: Site) -> None:
    client = site.client()
    enter(client, "/tanks/foyer/test", kit="strip", nitrite="10")
    alarm = next(a for t in site.engine.view().tanks for a in t.alarms if a.alarm == "nitrite_high")
    for number, (hours, states) in enumerate((("24", {"shelved"}), ("0", {"acknowledged", "unacknowledged"}))):
        client.get("/")
        assert (
            client.post("/alarms/shelve", {"id": f"shelve-{number}", "alarm": alarm.id, "hours": hours}).status == 303
        )
        assert next(a for a in site.engine.view().tanks[0].alarms if a.id == alarm.id).state in states
    assert client.post("/alarms/shelve", {"id": "shelve-9", "alarm": alarm.id, "hours": "9999"}).status == 422


def test_a_device_link_works_once_and_a_device_can_be_sent_off(site: Site) -> None:
    client = site.client()
    client.get("/devices")
    link = re.search(r"(/join/[\w-]+)", client.post("/devices/link", {}).text).group(1)
    other, third = site.client(logged_in=False), site.client(logged_in=False)
    other.get(link)
    assert other.post(link, {"name": "sitter"}).status == 303 and other.get("/").status == 200
    third.get(link)
    used = third.post(link, {})
    assert used.status == 403 and 'href="/login"' in used.text and "Use this device" not in used.text
    device = next(d for d in site.access.devices() if d.name == "sitter")
    client.post("/devices/revoke", {"device": device.id})
    assert other.get("/").status == 303


@pytest.mark.slow
def test_a_new_passphrase_needs_the_old_one_and_logs_out_everybody_else(tmp_path: Path) -> None:
    with page_site(tmp_path) as site:
        client, other = site.client(), site.client()
        new = "duckweed at noon"
        client.get("/devices")
        link = re.search(r"(/join/[\w-]+)", client.post("/devices/link", {}).text).group(1)
        client.get("/passphrase")
        asked = {"old": PASSPHRASE, "passphrase": new, "again": new}
        assert client.post("/passphrase", {**asked, "old": "not the old one"}).status == 403
        assert client.post("/passphrase", {**asked, "again": "something else"}).status == 422
        assert client.post("/passphrase", {**asked, "passphrase": "short", "again": "short"}).status == 422
        assert other.get("/").status == 200
        held = dict(client.cookies)
        assert client.post("/passphrase", asked).status == 303
        assert client.get("/").status == 200 and len(site.access.devices()) == 1
        for stranger in (other, Client(site.port, cookies=held)):
            assert stranger.get("/").status == 303
        late = site.client(logged_in=False)
        late.get(link)
        assert late.post(link, {}).status == 403
        late.get("/login")
        assert late.post("/login", {"passphrase": PASSPHRASE}).status == 403
        assert late.post("/login", {"passphrase": new}).status == 303


@pytest.mark.parametrize(("ahead_s", "says"), [(-7200, "2 h behind"), (600, "10 min ahead of"), (200, ""), (-200, "")])
def test_a_phone_whose_clock_differs_is_told(site: Site, ahead_s: int, says: str) -> None:
    client = site.client()
    sent_ms = str(round((site.engine.now_s() + ahead_s) * 1000))
    done = enter(client, "/tanks/foyer/feeding", grams="0.9", sent_ms=sent_ms)
    shown = client.get(done.headers["Location"]).text
    assert "Entered. Feeding: 0.9 g" in shown
    assert ("clock is" in shown) == bool(says) and says in shown


def test_a_power_cut_is_answered_with_first_aid(site: Site) -> None:
    client = site.client()
    done = enter(client, "/tanks/foyer/outage", hours="10")
    shown = client.get(done.headers["Location"]).text
    assert "See that the pump runs and the surface moves, and give no food today." in shown


def test_what_is_not_done_but_happens_asks_for_its_own_time(site: Site) -> None:
    """A form that sent its reader to a field of another name: what was seen, an absence, a power cut."""
    client, whens = site.client(), {"sighting": "it was seen", "outage": "the power came back"}
    for what, says in whens.items():
        shown = client.get(f"/tanks/foyer/{what}").text
        assert f"When {says}, local time" in shown and "When it was done" not in shown and "Done earlier" not in shown
        late = enter(client, f"/tanks/foyer/{what}", done_at="2200-01-01T10:00", hours="2", what="algae")
        assert f"When {says}: lies in the future" in late.text  # type: ignore[attr-defined]
    assert "Away since when, local time" in client.get("/tanks/foyer/absence").text


def test_a_date_beside_an_alarm_that_asks_for_one_more_test_is_the_latest_day(tmp_path: Path) -> None:
    """Seen: 'Test once more', and beside it a next test days away as if one should wait for it."""
    with page_site(tmp_path) as site:
        client = site.client()
        enter(client, "/tanks/foyer/test", kit="strip", nitrate="100")
        enter(client, "/tanks/foyer/test", kit="strip", nitrate="100")
        home, tank = client.get("/").text, client.get("/tanks/foyer").text
        assert "Nitrate above its limit" in home
        assert re.search(r"<dt>Next test</dt><dd>(within \d+ days|tomorrow|today)", home)
        assert re.search(r"Next test: <strong>.*?</strong> at the latest<", tank)
        enter(client, "/tanks/foyer/test", kit="strip", nitrate="10")


def test_a_form_shows_what_was_entered_before_as_it_stands(tmp_path: Path) -> None:
    """Seen: 'Last entry' went on saying what had been put right since, and half a desk stood empty beside the form."""
    with page_site(tmp_path) as site:
        client = site.client()
        assert "Last entry" not in client.get("/tanks/foyer/feeding").text
        for n in range(8):
            enter(client, "/tanks/foyer/feeding", grams=f"{n + 1}")
        log = client.get("/tanks/foyer/entries?kind=feeding").text
        of_8 = re.search(r'Feeding: 8 g.*?href="(/entries/[\w-]+)"', log, re.S)
        assert of_8
        client.get(of_8[1])
        assert client.post(of_8[1], {"id": client.value("id"), "grams": "7.5"}).status == 303
        shown = html.unescape(client.get("/tanks/foyer/feeding").text)
        assert "Last entry – Feeding: 7.5 g" in shown and "Feeding: 8 g" not in shown
        assert re.findall(r"<li><div>Feeding: (\d) g", shown) == ["7", "6", "5", "4", "3"]
        assert 'href="/tanks/foyer/entries?kind=feeding"' in shown


def test_a_forms_last_entry_is_found_behind_a_hundred_of_other_kinds(tmp_path: Path) -> None:
    with page_site(tmp_path) as site:
        done_s = site.engine.now_s() - 9 * 86400.0
        site.engine.submit(FilterWork(at_s=done_s, id="rinsed-long-ago", tank="foyer", what="cleaned"))
        for n in range(120):
            site.engine.submit(Feeding(at_s=done_s + 60.0 * (n + 1), id=f"meal-{n:04}", tank="foyer", grams=0.1))
        assert "Last entry – Filter" in html.unescape(site.client().get("/tanks/foyer/filter").text)


def test_an_empty_journal_says_what_to_do_first_and_a_first_test_fills_the_page(tmp_path: Path) -> None:
    with page_site(tmp_path) as site:
        client = site.client()
        home, tank = client.get("/").text, client.get("/tanks/foyer").text
        assert "A first test is needed" in home and "No probe has been heard yet" in home
        assert "Nothing to do today" not in home and "with the first test the estimate begins" in tank
        assert "No test yet" in tank and "What if" not in tank
        enter(client, "/tanks/foyer/test", kit="strip", nitrate="25", kh="5", gh="9")
        tank = client.get("/tanks/foyer").text
        assert "It would almost surely stay below." in client.get("/tanks/foyer?change=90").text
        assert "It would more likely than not stay below." in client.get("/tanks/foyer?change=1").text
        assert "What if" in tank and re.search(r"KH about [\d.]+ °dH \([\d.]+ to [\d.]+\)", tank)


def test_the_heading_names_the_most_pressing_state_and_never_calls_what_is_over_new() -> None:
    def view(*states: str, overdue: bool = False) -> SiteView:
        alarms = tuple(
            AlarmView(id=s, alarm="ph_low", tank="foyer", occurrence=1, state=s, priority="low", since_s=0.0, text="")
            for s in states
        )
        tank = TankView(id="foyer", title="Foyer", litres=140, alarms=alarms, overdue=overdue, last_test_at_s=1.0)
        return SiteView(at_s=2.0, name="Rowan Street library", timezone="Europe/Dublin", tanks=(tank,))

    assert view().headline == view("shelved").headline == "All quiet"
    assert view("returned").headline == "All quiet; something is over"
    assert view("returned", "acknowledged").headline == "In hand, not over yet"
    assert view("returned", "unacknowledged").headline == view(overdue=True).headline == "Something needs you"
