"""Small records of the foyer tank's water, played through the whole core: what is said of them."""

from __future__ import annotations

import json
import re
from typing import Any

from helpers.site import config_of
from rushlight import eventlines
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.core.view import site_view
from rushlight.replay import replay

SITE = """
[site]
name = "Rowan Street library"
timezone = "Europe/Dublin"

[[tank]]
id = "foyer"
name = "Foyer"
litres = 140
started = {started}
source_water = {{ nitrate = 5.0, kh = 4.0, gh = 7.0, ph = 8.0 }}
feed = {{ grams_per_day = {feed}, protein_percent = 42 }}
{more}

[[kit]]
id = "strip"
pads = {{ nitrate = [0, 10, 25, 50, 100, 250], nitrite = [0, 0.5, 1, 3, 10], ammonia = [0, 0.5, 1, 3, 6], ph = [6.0, 6.4, 6.8, 7.2, 7.6, 8.0], kh = [0, 3, 5, 10, 15, 20], chlorine = [0, 0.5, 1, 3] }}

[[probe]]
id = "foyer-ph"
tank = "foyer"
quantity = "ph"
every_seconds = 300
"""
AT = "2026-03-02T12:00:00Z"
Said = list[dict[str, Any]]


def played(
    *lines: dict[str, Any], started: str = "2025-01-10", feed: float = 0.9, more: str = "", messages: bool = False
) -> Said:
    config = config_of(SITE.format(started=started, feed=feed, more=more))
    return [json.loads(x) for x in replay(config, [json.dumps(e) for e in lines], messages=messages)]


def strip(at: str = AT, **values: float | str) -> dict[str, Any]:
    return {"at": at, "kind": "test", "tank": "foyer", "method": "strip", "values": values}


def entry(kind: str, at: str, **body: Any) -> dict[str, Any]:
    return {"at": at, "kind": kind, "tank": "foyer", **body}


def alarms(said: Said, name: str, state: str = "unacknowledged") -> Said:
    return [e for e in said if e["kind"] == "alarm" and e["alarm"] == name and e["state"] == state]


def dues(said: Said) -> list[tuple[str, str, str]]:
    return [(e["at"], e["due_at"], e["reason"]) for e in said if e["kind"] == "due"]


def seen_at(hours: float, *lines: dict[str, Any], kits: str = "", site: str = "") -> Any:
    """The tank's view so long after the last line; `kits`: pads that the strip has not; `site`: another configuration."""
    text = site or SITE.format(started="2025-01-10", feed=0.9, more="")
    for pad in kits.split():
        text = re.sub(rf"{pad} = \[[^\]]*\], ", "", text)
    core = Core(config_of(text))
    timeline = Timeline(core, core.initial())
    events = [eventlines.parse_record({**e, "id": f"e{n}"}) for n, e in enumerate(lines)]
    list(timeline.run(events))
    return site_view(core, timeline.state, events[-1].at_s + 3600 * hours).tanks[0]


def readings(values: list[float], start_h: int = 23) -> list[dict[str, Any]]:
    import datetime as dt

    at = dt.datetime(2026, 3, 2, start_h, tzinfo=dt.UTC)
    return [
        {"at": (at + dt.timedelta(minutes=5 * n)).isoformat(), "kind": "reading", "probe": "foyer-ph", "value": v}
        for n, v in enumerate(values)
    ]


WEEKS = [f"2026-{m:02}-{d:02}T12:00:00Z" for m in (1, 2) for d in (2, 9, 16, 23)]
STEADY = [strip(at, nitrate=25, kh=5, ph=7.2) for at in WEEKS]
