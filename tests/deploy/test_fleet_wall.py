"""The fleet's side on its real parts: what a token may do, every panel and rule run, the wall as it is served."""

from __future__ import annotations

import dataclasses
import html
import json
import re
import ssl
import subprocess
import time
import urllib.parse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from helpers.fleet import MISSING, Hub, running
from helpers.timeseries import config
from helpers.waiting import until
from rushlight.effects import Daily, Estimate
from rushlight.events import Reading
from rushlight.outlets.timeseries.feed import Sender, Writer, lines_of
from rushlight.outlets.timeseries.live import Machine, live_points
from rushlight.outlets.timeseries.points import Points
from rushlight.settings import Timeseries
from rushlight.views import AlarmView, SiteView, TankView

import panels  # isort: skip - helpers.fleet puts its folder on the path

HERE = Path(__file__).parent
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(bool(MISSING), reason=f"not installed: {', '.join(MISSING)}"),
]


def site_view(now_s: float, *, due_in_s: float, days_to_limit: float) -> SiteView:
    alarm = AlarmView(
        id="foyer.nitrite_high", alarm="nitrite_high", tank="foyer", occurrence=1, state="unacknowledged",
        priority="high", since_s=now_s - 7200,
    )  # fmt: skip
    tank = TankView(
        id="foyer", title="Foyer", litres=140, alarms=(alarm,), nitrate=Estimate(mean=31.0, low=24.0, high=39.0),
        kept_up=Estimate(mean=0.8, low=0.5, high=1.1), days_to_limit=days_to_limit, lamp_percent=81.0,
        due_at_s=now_s + due_in_s,
    )  # fmt: skip
    return SiteView(at_s=now_s, name="Rowan Street library", timezone="Europe/Dublin", tanks=(tank,))


def send(
    hub: Hub, token: str, installation: str, items: list[Any], view: SiteView | None, version: str = "1.0"
) -> None:
    """What an installation sends, by the real outlet, over TLS and with its token."""
    conf = dataclasses.replace(
        config(), timeseries=Timeseries(url=hub.url, org="fleet", bucket="fleet", ca_file=str(hub.ca))
    )
    points = Points(conf, installation)
    lines = lines_of(p for item in items for p in points.of(item))
    if view is not None:
        machine = Machine(version=version, board=f"board{installation}", upgrade_failed=installation == "i2")
        lines += lines_of(live_points(conf, installation, view, machine, 1.0))
    writer = Writer(conf.timeseries, token)
    Sender(writer.write, lambda line, why: pytest.fail(f"{line}: {why}")).send(lines)
    writer.close()


@pytest.fixture(scope="module")
def hub(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hub]:
    made = Hub(tmp_path_factory.mktemp("fleet"), shards=(1, 1))
    tokens = {name: made.add(name, site, route="north", ring="one") for name, site in
              (("rowan-foyer", "Rowan Street library"), ("rowan-hall", "Rowan Street library"), ("elm-hall", "Elm Row"))}  # fmt: skip
    made.fleet.wanted["one"] = "1.0"
    made.quick = {'"1m"': '"1s"'}  # the engine's evaluation
    with running(made):
        now_s = time.time()
        day = Daily(
            at_s=now_s - 3600, tank="foyer", date="2025-06-01", lamp_percent=81.0,
            nitrate=Estimate(mean=31.0, low=24.0, high=39.0), kept_up=Estimate(mean=0.8, low=0.5, high=1.1),
        )  # fmt: skip
        seen = Reading(at_s=now_s - 30, probe="foyer-temp", value=24.5)
        send(made, tokens["rowan-foyer"], "i1", [day, seen], site_view(now_s, due_in_s=3 * 86400, days_to_limit=9.0))
        send(made, tokens["rowan-hall"], "i2", [day, seen], site_view(now_s, due_in_s=30 * 86400, days_to_limit=4.0))
        until(lambda: made.query("wall", "count(state_at_s) == 2"), 20, "both at the rule engine")
        until(lambda: made.query("wall", "max(site:open_matters) == 2"), 20, "the rules have run")
        until(lambda: _stored(made) >= 2, 20, "both in the stores")
        yield made


def _stored(hub: Hub) -> int:
    hub.flush()
    return sum(len(hub.query(f"history-{n}", "last_over_time(reading_value[1h])")) for n in range(2))


# What each panel must show for the values above, by hand: labels of the first row, its value, number of rows.
WALL: dict[str, tuple[dict[str, str], float, int]] = {
    "Sites, worst first": ({"site": "Rowan Street library"}, 2, 2),
    "High alarms that nobody has acknowledged, hours": ({"alarm_id": "foyer.nitrite_high"}, 2.0, 2),
    "Days to the nitrate limit, soonest first": ({"member": "rowan-hall"}, 4.0, 2),
    "Nitrate now, mg/L as NO3": ({"tank": "foyer"}, 31.0, 2),
    "Nitrate, upper end of its 90 % band, mg/L as NO3": ({"tank": "foyer"}, 39.0, 2),
    "Nitrate, lower end of its 90 % band, mg/L as NO3": ({"tank": "foyer"}, 24.0, 2),
    "Share of the supply kept up, percent, least first": ({"tank": "foyer"}, 80.0, 2),
    "Lamp against its anchor, percent, dimmest first": ({"tank": "foyer"}, 81.0, 2),
    "Tests due within a week, by route: days from now": ({"member": "rowan-foyer", "route": "north"}, 3.0, 1),
    "Tests due within a week on each route": ({"route": "north"}, 1, 1),
    "Versions, with the ring": ({"ring": "one", "version": "1.0"}, 2, 1),
    "Upgrades that did not come up": ({"member": "rowan-hall"}, 1, 1),
}
HISTORY = {"Nitrate with its band, mg/L as NO3": [31.0, 24.0, 39.0], "Share of the supply kept up, percent": [80.0],
           "Lamp against its anchor, percent": [81.0], "Water temperature, °C": [24.5]}  # fmt: skip


@pytest.mark.parametrize("panel", [p for p in panels.description() if p["from"] == "wall"], ids=lambda p: p["title"])
def test_a_panel_of_the_wall_shows_what_was_sent(hub: Hub, panel: dict[str, Any]) -> None:
    [query] = panels.queries(panel)
    found = hub.query("wall", query)
    if panel["title"] == "Silent installations":  # elm-hall counts as missing twenty minutes after it was added
        assert found == []
        return
    labels, value, rows = WALL[panel["title"]]
    assert len(found) == rows, found
    assert labels.items() <= found[0]["metric"].items()
    assert set(panel["labels"]) <= set(found[0]["metric"])
    assert float(found[0]["value"][1]) == pytest.approx(value, rel=0.01)


@pytest.mark.parametrize("panel", [p for p in panels.description() if p["from"] == "history"], ids=lambda p: p["title"])
def test_a_panel_of_the_history_finds_each_installation_in_one_shard(hub: Hub, panel: dict[str, Any]) -> None:
    for query, value in zip(panels.queries(panel), HISTORY[panel["title"]], strict=True):
        asked = query.replace("$member", "rowan-foyer")
        found = [row for n in range(2) for row in hub.query(f"history-{n}", asked)]
        assert len(found) == 1, found
        assert set(panel["labels"]) <= set(found[0]["metric"])
        assert float(found[0]["value"][1]) == pytest.approx(value)


def test_every_query_of_the_dashboard_files_is_answered_by_the_source_that_it_names(hub: Hub) -> None:
    """As the dashboard program asks: a table of this moment, lines over six hours, and the names to choose from."""
    now_s, found = time.time(), 0
    # The stores begin their steps at whole minutes; the last one has to lie after the newest reading.
    over = {"start": str(now_s - 6 * 3600), "end": str(now_s + 60), "step": "60"}
    for text in panels.dashboards(2).values():
        made = json.loads(text)
        for target in (t for p in made["panels"] for t in p["targets"]):
            user = target["datasource"]["uid"].strip("${}").replace("_", "-")
            words = {"query": target["expr"].replace("$member", "(rowan-foyer|rowan-hall)")}
            words |= over if target["range"] else {}
            path = f"/api/v1/query{'_range' if target['range'] else ''}?{urllib.parse.urlencode(words)}"
            status, body = hub.get(path, user)
            assert status == 200, (target["expr"], body)
            rows = len(json.loads(body)["data"]["result"])
            path, form = path.split("?")  # and as a form that is posted, the engine's other way of asking
            status, body = hub.get(path, user, body=form.encode())
            assert (status, len(json.loads(body)["data"]["result"])) == (200, rows), target["expr"]
            found += rows
        for variable in (v for v in made["templating"]["list"] if v["type"] == "query"):
            match = re.fullmatch(r"label_values\((.+), (\w+)\)", variable["query"])
            assert match is not None
            status, body = hub.get(f"/api/v1/label/{match[2]}/values?match[]={match[1]}", "wall")
            assert (status, json.loads(body)["data"]) == (200, ["elm-hall", "rowan-foyer", "rowan-hall"])
    # Every row of the wall, and six lines for each of two members, each in one shard: the nitrate has three.
    assert found == sum(rows for _, _, rows in WALL.values()) + 2 * 6


def test_every_rule_runs_well_on_the_engine(hub: Hub) -> None:
    status, body = hub.get("/api/v1/rules", "wall")
    assert status == 200
    rules = [r for g in json.loads(body)["data"]["groups"] for r in g["rules"]]
    assert {r["health"] for r in rules} == {"ok"}
    firing = {a["labels"]["alertname"] for r in rules for a in r.get("alerts", []) if a["state"] == "firing"}
    assert {"AllIsWatched", "HighAlarmUnacknowledged", "UpgradeFailed"} <= firing
    assert not firing & {"NothingArrives", "InstallationSilent", "SiteSilent", "ClonedCard", "ClockWrong"}


def test_the_wall_is_served_and_shows_every_panel(hub: Hub) -> None:
    status, body = hub.get("/consoles/wall.html", "wall")
    page = html.unescape(body.decode())
    assert status == 200
    for panel in panels.description():
        assert (f"<h2>{panel['title']}</h2>" in page) == (panel["from"] == "wall")
    first = re.search(r"Sites, worst first.*?<td>(.*?)</td>", page, re.DOTALL)
    assert first is not None
    assert first[1] == "Rowan Street library"


def test_what_a_token_may_and_may_not(hub: Hub) -> None:
    now_ms = round(time.time() * 1000)
    write = "/api/v2/write?org=o&bucket=b&precision=ms"
    body = f"reading,member=rowan-foyer,claim=yes value=7 {now_ms}".encode()
    token = hub.fleet.members["rowan-hall"].token
    assert hub.get(write, body=body)[0] in {400, 401}
    assert hub.get(write, token="wrong", body=body)[0] in {400, 401}
    assert hub.get(write, user="wall", body=body)[0] == 400
    assert hub.get("/api/v1/query?query=1", token=token)[0] == 400
    assert hub.get(write + "&extra_label=member=rowan-foyer", token=token, body=body)[0] == 204

    def claimed() -> list[Any]:
        hub.flush()
        return [row for n in range(2) for row in hub.query(f"history-{n}", 'reading_value{claim="yes"}')]

    # Whatever name the line claims, it is kept under the token's.
    [row] = until(claimed, 20, "the claim in a store")
    assert row["metric"]["member"] == "rowan-hall"


def test_a_stranger_to_the_authority_is_refused(hub: Hub, tmp_path: Path) -> None:
    with pytest.raises(OSError, match="CERTIFICATE_VERIFY_FAILED"):
        import urllib.request

        urllib.request.urlopen(f"{hub.url}/health", timeout=5, context=ssl.create_default_context())


def test_who_is_taken_out_can_write_no_more(hub: Hub) -> None:
    write = "/api/v2/write?org=o&bucket=b&precision=ms"
    token = hub.add("gone", "Elm Row")
    hub.write()
    hub.hang_up()
    until(lambda: hub.get(write, token=token, body=b"reading value=1")[0] == 204, 20, "the new token counts")
    del hub.fleet.members["gone"]
    hub.write()
    hub.hang_up()
    until(lambda: hub.get(write, token=token, body=b"reading value=1")[0] in {400, 401}, 20, "it counts no more")


def test_the_configurations_pass_their_programs_own_checks(hub: Hub) -> None:
    out = hub.out
    for words in (
        ["promtool", "check", "config", out / "prometheus.yml"],
        ["amtool", "check-config", out / "router.yml"],
    ):
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("file", ["fleet.test.yml", "fleet-days.test.yml"])
def test_the_rules_pass_the_engines_own_test_files(file: str) -> None:
    done = subprocess.run(["promtool", "test", "rules", HERE / file], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_rule_is_tried_and_tells_what_to_do_first() -> None:
    text = (HERE / "fleet.test.yml").read_text() + (HERE / "fleet-days.test.yml").read_text()
    rules = (HERE.parents[1] / "deploy/fleet/rules/fleet.rules.yml").read_text()
    page = (HERE.parents[1] / "deploy/fleet.md").read_text()
    names = re.findall(r"- alert: (\w+)", rules)
    assert len(names) == len(re.findall(r"^ +runbook: \S", rules, re.MULTILINE))
    for name in names:
        assert name in text, name
        assert f"`{name}`" in page, name


def test_the_dashboards_hold_every_panel_once_a_shard() -> None:
    made = {name: json.loads(text) for name, text in panels.dashboards(3).items()}
    wall, history = made["dashboards/wall.json"], made["dashboards/history.json"]
    described = panels.description()
    assert [p["title"] for p in wall["panels"] + history["panels"]] == [p["title"] for p in described]
    for panel, of in zip(history["panels"], [p for p in described if p["from"] == "history"], strict=True):
        assert len(panel["targets"]) == 3 * len(panels.queries(of))
        assert len({t["refId"] for t in panel["targets"]}) == len(panel["targets"])
        assert {t["datasource"]["uid"] for t in panel["targets"]} == {f"${{history_{n}}}" for n in range(3)}
