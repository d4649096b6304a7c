"""Growth and light at a leaf through the whole core: by event lines in, and out in daily lines, on the page and back."""

from __future__ import annotations

import json
import math

from helpers.plants import Look, Plants, live
from helpers.site import CONFIG, config_of
from rushlight import eventlines
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.core.view import site_view
from rushlight.events import Growth, Test
from rushlight.replay import events, replay
from rushlight.service import snapshots

DAY_S = 86_400.0
START_S = 1_767_258_000.0
"""2026-01-01T09:00:00Z."""


def at(days: float) -> str:
    return eventlines.rfc3339(START_S + days * DAY_S)


def looks(weeks: int) -> list[str]:
    return [
        json.dumps(
            {
                "at": at(7 * week),
                "kind": "growth",
                "tank": "foyer",
                "id": f"look-{week}",
                "cover": round(-math.expm1(-0.3 * math.exp(0.1 * week)), 4),
            }
        )
        for week in range(weeks)
    ]


def lit(day: float, value: float) -> list[str]:
    """The tank's own light probe for half an hour."""
    return [
        json.dumps({"at": at(day + n / 1440), "kind": "reading", "probe": "foyer-light", "value": value})
        for n in range(30)
    ]


def spot(day: float, value: float, name: str) -> str:
    line = {"at": at(day), "kind": "light_spot", "tank": "foyer", "place": "water mint", "value": value, "id": name}
    return json.dumps(line)


def last_daily(lines: list[str]) -> dict[str, object]:
    """The last of the foyer's days."""
    told = [json.loads(line) for line in replay(config_of(CONFIG), lines, daily=True)]
    return [t for t in told if t["kind"] == "daily" and t["tank"] == "foyer"][-1]


def test_daily_lines_carry_the_rate_and_a_void_takes_it_out() -> None:
    """Leaf area grows by 0.1 a week in logarithm; cover is 1 − exp(−k LAI)."""
    end = json.dumps({"at": at(58), "kind": "note", "tank": "foyer", "text": "x"})
    rate = last_daily([*looks(9), end])["growth_per_week"]
    assert isinstance(rate, dict) and rate["low"] < 0.1 < rate["high"]
    assert abs(rate["mean"] - 0.1) < 0.02
    voids = [
        json.dumps({"at": at(57), "kind": "correction", "of": f"look-{week}", "void": True, "id": f"v{week}"})
        for week in range(9)
    ]
    assert last_daily([*looks(9), *voids, end])["growth_per_week"] is None
    assert last_daily([end.replace('"x"', '"y"'), end.replace(at(58), at(60))])["growth_per_week"] is None


def test_a_hand_reading_is_held_against_the_probe_of_that_moment_and_survives_a_snapshot() -> None:
    config = config_of(CONFIG)
    core = Core(config)
    timeline = Timeline(core, core.initial())
    lines = [*lit(0.0, 6000.0), spot(0.02, 1500.0, "s1"), spot(5.0, 1500.0, "s2")]
    list(timeline.run(events(config, lines)))
    kept = core.tanks["foyer"], timeline.state.tanks["foyer"]
    shares = [s.share for s in kept[1].growth.spots.spots]
    assert shares[0] is not None and abs(shares[0] - 0.25) < 1e-9
    assert shares[1] is None, "the probe was silent then"
    (leaf,) = site_view(core, timeline.state, START_S + 6 * DAY_S).tanks[0].leaves
    assert leaf.place == "water mint" and abs(leaf.share - 0.25) < 1e-9
    assert snapshots.load(snapshots.dump(timeline.state)) == timeline.state


def chance_after(plants: Plants, *, looked: bool) -> tuple[float, list[float]]:
    """The chance of passing the limit after strips that all read 25, and at what shares of its pace growth was told."""
    core = Core(config_of(CONFIG))
    timeline = Timeline(core, core.initial())
    strips = [
        Test(at_s=at_s, id=f"t{n}", tank="foyer", method="strip", kit="strip", values={"nitrate": 25})
        for n, at_s in enumerate(e.at_s - 3600.0 for e in plants.entries if isinstance(e, Growth))
    ]
    entries = [e for e in plants.entries if looked or not isinstance(e, Growth)]
    for event in sorted([*strips, *entries], key=lambda e: e.at_s):
        timeline.feed(event)
    watch, state = core.tanks["foyer"].nitrate, timeline.state.tanks["foyer"].nitrate
    told = watch.report(state, timeline.state.at_s or 0.0)
    return told.chances[-1], [f.amount for f in state.ledger.facts if f.kind == "growth"]


def test_growth_that_slows_is_in_the_forecast_of_nitrate_before_a_strip_shows_it() -> None:
    """Plants by `helpers/plants.py` that grow half as fast from week 20 on, or never; the strips are the same."""
    halved, hale = (live(2101, 27, Look(), halved_week=week) for week in (20, None))
    without, none = chance_after(halved, looked=False)
    with_looks, told = chance_after(halved, looked=True)
    assert none == []
    assert len(told) == 1 and 0.3 < told[0] < 0.7, "told once, of a half"
    assert with_looks > 1.5 * without
    assert chance_after(hale, looked=True)[1] == []
