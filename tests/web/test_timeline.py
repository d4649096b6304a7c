"""The timeline by its addresses: which stretch, what is in it, what a sign stands for, and how much goes over the wire."""

from __future__ import annotations

import datetime as dt
import gzip
import html
import http.client
import json
import math
import re
import zoneinfo
from collections.abc import Iterator

import pytest

from helpers.page import Client, Site, page_site
from rushlight.effects import AlarmChange, Daily, Estimate
from rushlight.events import Correction, Feeding, Harvest, Reading, Test, WaterChange
from rushlight.journal.rows import Recorded
from rushlight.localtime import DAY_S, local_day, midnight_of
from rushlight.web.timeline import of_journal, stretch

DUBLIN = zoneinfo.ZoneInfo("Europe/Dublin")
NOW_S = dt.datetime(2026, 11, 26, 12, 0, tzinfo=DUBLIN).timestamp()


# ---------------------------------------------------------------------- which stretch


def test_the_four_stretches_end_with_some_of_the_forecast() -> None:
    first_s = NOW_S - 800 * DAY_S
    for name, days in (("fortnight", 14), ("quarter", 91), ("year", 365), ("all", 800)):
        got = stretch.chosen({"stretch": name}, NOW_S, first_s, DUBLIN)
        assert got.name == name and got.from_s == NOW_S - days * DAY_S
        assert NOW_S < got.to_s <= NOW_S + 28 * DAY_S
    assert stretch.chosen({}, NOW_S, first_s, DUBLIN).name == "quarter"
    assert stretch.chosen({"stretch": "all"}, NOW_S, NOW_S, DUBLIN).from_s == NOW_S - 14 * DAY_S


def test_days_that_a_person_chose_are_whole_local_days_in_any_order() -> None:
    """26 March to 5 April 2026 holds a change of clocks in Dublin (29 March)."""
    for first, last in (("2026-03-26", "2026-04-05"), ("2026-04-05", "2026-03-26")):
        got = stretch.chosen({"from": first, "to": last}, NOW_S, NOW_S, DUBLIN)
        ends = [dt.datetime.fromtimestamp(s, DUBLIN).isoformat() for s in got.span_s]
        assert ends == ["2026-03-26T00:00:00+00:00", "2026-04-06T00:00:00+01:00"]
    assert stretch.days(got, NOW_S, DUBLIN)[0] == "2026-03-26"


@pytest.mark.parametrize(
    "query",
    [
        {"from": "x", "to": "y"},
        {"from": "2026-13-01", "to": "2026-01-01"},
        {"from": "99999999999", "to": "-99999999999"},
        {"from": "9999-12-31", "to": "9999-12-31"},
        {"from": "0001-01-01", "to": "9999-12-30"},
        {"from": f"{NOW_S:.0f}", "to": f"{NOW_S:.0f}"},
        {"stretch": "../../etc"},
    ],
)
def test_what_cannot_be_drawn_becomes_what_can(query: dict[str, str]) -> None:
    got = stretch.chosen(query, NOW_S, NOW_S - DAY_S, DUBLIN)
    assert stretch.SHORTEST_S <= got.to_s - got.from_s <= 41 * 366 * DAY_S
    assert got.to_s <= NOW_S + 60 * DAY_S


# ---------------------------------------------------------------------- alarms from rise to end


def change(at_day: float, state: str, text: str = "said", occurrence: int = 1) -> AlarmChange:
    return AlarmChange(
        at_s=NOW_S + at_day * DAY_S,
        tank="foyer",
        alarm="nitrate_high",
        id="foyer.nitrate_high",
        occurrence=occurrence,
        state=state,  # type: ignore[arg-type]
        priority="high",
        text=text,
    )


def test_an_alarm_is_one_episode_from_its_rise_to_its_end() -> None:
    told = [change(-9, "unacknowledged"), change(-8, "acknowledged", "seen"), change(-5, "normal", "")]
    again = [change(-2, "unacknowledged", "again", occurrence=2)]
    found = of_journal.episodes([*told, *again][::-1])
    assert [(e.from_s - NOW_S, e.to_s and e.to_s - NOW_S) for e in found] == [
        (-9 * DAY_S, -5 * DAY_S),
        (-2 * DAY_S, None),
    ]
    assert [e.text for e in found] == ["seen", "again"]


def test_an_alarm_that_came_back_before_anybody_saw_it_stands_again() -> None:
    found = of_journal.episodes([change(-1, "unacknowledged"), change(-3, "returned"), change(-9, "unacknowledged")])
    assert len(found) == 1 and found[0].to_s is None and found[0].from_s == NOW_S - 9 * DAY_S
    assert of_journal.episodes([change(-3, "normal")]) == [], "its rise lies before what was read"


# ---------------------------------------------------------------------- on the page


def a_year(site: Site) -> None:
    """A year of closed days, entries and alarms, with two weeks in which nothing was closed."""
    now_s = site.engine.now_s()
    today = local_day(now_s, DUBLIN)
    days = []
    for n in range(365, 0, -1):
        if 200 <= n < 214:
            continue
        level = 20.0 + 8.0 * math.sin(n / 20)
        band = Estimate(mean=level, low=level - 6, high=level + 9)
        rate = Estimate(mean=1.4 + 0.3 * math.sin(n / 11), low=1.0, high=2.0)
        days.append(
            Daily(
                at_s=midnight_of(today - dt.timedelta(days=n - 1), DUBLIN),
                tank="foyer",
                date=(today - dt.timedelta(days=n)).isoformat(),
                nitrate=band,
                supply_rate=rate,
                uptake_rate=rate,
                light_dose_mol=3.4 + math.sin(n / 30),
                lamp_dose_mol=3.0,
            )
        )
    entries = [
        Recorded(Feeding(at_s=now_s - n * DAY_S, id=f"feed-{n}", tank="foyer", grams=0.9), now_s)
        for n in range(1, 360, 2)
    ]
    entries += [
        Recorded(WaterChange(at_s=now_s - 30 * DAY_S, id="change", tank="foyer", fraction=0.3), now_s),
        Recorded(Harvest(at_s=now_s - 150 * DAY_S, id="cut", tank="foyer", fresh_grams=80), now_s),
        Recorded(Harvest(at_s=now_s - 149 * DAY_S, id="slip", tank="foyer", fresh_grams=8000), now_s),
        Recorded(Correction(at_s=now_s - 148 * DAY_S, id="undone", of="slip", void=True), now_s),
    ]
    stood = [
        AlarmChange(
            at_s=now_s - at * DAY_S,
            tank="foyer",
            alarm="nitrate_high",
            id="foyer.nitrate_high",
            occurrence=1,
            state=state,
            priority="high",
            text="Foyer: nitrate above its limit.",
        )  # type: ignore[arg-type]
        for at, state in ((60, "unacknowledged"), (59, "acknowledged"), (50, "normal"))
    ]
    site.engine.do(lambda: site.engine.journal.append(entries, [*days, *stood], urgent=True, at_s=now_s))
    for n in (90, 40, 2):
        site.engine.submit(
            Test(at_s=now_s - n * DAY_S, tank="foyer", method="strip", kit="strip", values={"nitrate": 25.0})
        )
    site.engine.submit(Reading(at_s=now_s - 60, probe="foyer-temperature", value=24.4))


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    with page_site(tmp_path_factory.mktemp("timeline")) as made:
        a_year(made)
        yield made


def shown(client: Client, query: str) -> str:
    answer = client.get(f"/tanks/foyer?{query}")
    assert answer.status == 200
    return html.unescape(answer.text)


def lane(page: str, name: str) -> str:
    found = re.search(rf'<svg class="lane[^>]*aria-label="{name}\..*?</svg>.*?</svg>', page, re.S)
    assert found, name
    return found.group(0)


@pytest.mark.slow
def test_every_lane_is_there_and_a_gap_is_a_gap(site: Site) -> None:
    page = shown(site.client(), "stretch=year")
    for name in ("Nitrate", "Supply and uptake", "Light", "Temperature", "pH"):
        assert f"<h3>{name}</h3>" in page
    lines = re.findall(r'class="line first"', lane(page, "Nitrate"))
    assert len(lines) == 2, "two weeks without a closed day part the line"
    assert len(re.findall(r'class="line first"', lane(shown(site.client(), "stretch=quarter"), "Nitrate"))) == 1
    assert "V" in re.findall(r'd="([^"]*)" class="test"', lane(page, "Nitrate"))[0]
    assert 'class="line first dashed"' in lane(page, "Nitrate"), "the forecast"


def test_a_trial_is_drawn_beside_the_forecast_and_kept_while_one_moves(site: Site) -> None:
    client = site.client()
    assert "dotted" not in lane(shown(client, "stretch=quarter"), "Nitrate")
    page = shown(client, "stretch=quarter&change=50")
    assert 'class="line third dotted"' in lane(page, "Nitrate") and "forecast as tried" in page
    assert "?stretch=year&change=50#timeline" in page
    part = client.get("/tanks/foyer/timeline?stretch=year&change=50").text
    assert "dotted" in part and "<html" not in part


def test_every_entry_and_alarm_of_the_stretch_has_a_sign_that_can_be_read(site: Site) -> None:
    client, now_s = site.client(), site.engine.now_s()
    page = shown(client, "stretch=year")
    counted = [
        int(n)
        for group in re.findall(r'<svg class="signs few".*?</svg></a></svg>', page, re.S)[-1:]
        for n in re.findall(r">(\d+)</text>", group)
    ]
    assert sum(counted) >= 180, counted
    looked = html.unescape(
        client.get(f"/tanks/foyer/look?look={now_s - 151 * DAY_S:.3f}_{now_s - 147 * DAY_S:.3f}").text
    )
    assert "Harvest: 80 g fresh" in looked and "8000" not in looked, "what was undone is not there"
    looked = html.unescape(client.get(f"/tanks/foyer/look?look={now_s - 61 * DAY_S:.3f}_{now_s - 60 * DAY_S:.3f}").text)
    assert "Nitrate above its limit" in looked and "(high)" in looked and "Foyer: nitrate above its limit." in looked
    address = re.search(r'href="(/tanks/foyer\?[^"]*look=[^"]*)"', page)
    assert address and 'class="looked"' in client.get(address.group(1).split("#")[0]).text, "without a script too"


def test_the_values_say_what_the_lanes_show(site: Site) -> None:
    client = site.client()
    said = json.loads(client.get("/tanks/foyer/values?stretch=year").text)
    assert said["titles"][0] == "Nitrate, mg/L as NO3" and len(said["titles"]) == len(said["rows"][0]) - 2
    moments = [r[0] for r in said["rows"]]
    assert moments == sorted(moments) and 150 <= len(moments) <= 180
    first = said["rows"][0]
    n = round((site.engine.now_s() - first[0]) / DAY_S)
    assert float(first[2].split()[0]) == pytest.approx(20.0 + 8.0 * math.sin(n / 20), abs=1.5)


def test_what_is_forecast_says_so_and_nothing_that_was_stands_beside_it(site: Site) -> None:
    """A year in few rows: the row of the present reaches into the days to come."""
    found = re.findall(r'<tr><th scope="row">(.*?)</th>(.*?)</tr>', shown(site.client(), "stretch=year"))
    ahead = [cells for head, cells in found if "forecast" in head]
    assert ahead and all(re.findall(r"<td>(.*?)</td>", cells)[1:3] == ["", ""] for cells in ahead)
    assert found[len(ahead)][0].startswith("Today") and "<td></td>" not in found[len(ahead)][1][:40]


def test_little_goes_over_the_wire_and_packed_is_the_same(site: Site) -> None:
    client = site.client()
    plain = client.get("/tanks/foyer?stretch=year")
    assert "Content-Encoding" not in plain.headers
    conn = http.client.HTTPConnection("127.0.0.1", site.port, timeout=30)
    cookies = "; ".join(f"{k}={v}" for k, v in client.cookies.items())
    got: dict[str, int] = {}
    for path in ("/tanks/foyer?stretch=year", "/static/page.css", "/static/tank.js"):
        conn.request("GET", path, headers={"Cookie": cookies, "Accept-Encoding": "br, gzip;q=0.8"})
        answer = conn.getresponse()
        body = answer.read()
        assert answer.headers["Content-Encoding"] == "gzip" and int(answer.headers["Content-Length"]) == len(body)
        assert "Accept-Encoding" in answer.headers["Vary"]
        got[path] = len(body)
        if path == "/static/page.css":
            assert gzip.decompress(body).decode() == client.get(path).text
    conn.request("GET", "/static/page.css", headers={"Accept-Encoding": "gzip;q=0, identity"})
    assert conn.getresponse().headers["Content-Encoding"] is None
    conn.close()
    print(got)
    assert sum(got.values()) < 150_000, got
