"""A small installation that many tests share: the foyer tank with three probes fed by import."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace

from rushlight import eventlines
from rushlight.config import loading as config
from rushlight.core import account
from rushlight.settings import Config
from rushlight.tank.nitrate.report import NitrateReport
from rushlight.views import TankView

CONFIG = """
[site]
name = "Rowan Street library"
timezone = "Europe/Dublin"
latitude = 53.3
longitude = -6.3

[[tank]]
id = "foyer"
name = "Foyer"
litres = 140
started = 2025-01-10
source_water = { nitrate = 5.0, kh = 4.0, gh = 7.0, ph = 7.4 }
feed = { grams_per_day = 0.9, protein_percent = 42 }
lamp = { spectrum = "white_led", hours = [{ on = "08:00", off = "18:00" }] }
testing = { shortest_days = 2, longest_days = 10, kit = "strip" }
limits = { nitrate = 40, temperature = { low = 21, high = 27 }, ph = { low = 6.4, high = 7.8 } }

[[kit]]
id = "strip"
pads = { nitrate = [0, 10, 25, 50, 100, 250], nitrite = [0, 0.5, 1, 3, 10], ph = [6.0, 6.5, 7.0, 7.5, 8.0, 8.5], kh = [0, 3, 5, 10, 15, 20], gh = [0, 4, 9, 14, 20] }

[[probe]]
id = "foyer-temperature"
tank = "foyer"
quantity = "temperature"
every_seconds = 300

[[probe]]
id = "foyer-light"
tank = "foyer"
quantity = "light"
every_seconds = 300

[[probe]]
id = "foyer-ph"
tank = "foyer"
quantity = "ph"
every_seconds = 300
"""


def config_of(text: str = CONFIG) -> Config:
    """The checked configuration of a text."""
    return config.check(config.parse(text))


def accounted(tank: TankView) -> TankView:
    """A view made by hand with the account that the core makes of the same facts."""
    rank = {"high": 0, "medium": 1, "low": 2}
    report = NitrateReport(
        at_s=0.0, nitrate=tank.nitrate, net_rate=tank.net_rate, causes_sentence=tank.causes_sentence,
    )  # fmt: skip
    alarms = sorted(tank.alarms, key=lambda a: rank[a.priority])
    told = account.of_tank(report, 40.0, alarms, overdue=tank.overdue, tested=tank.nitrate is not None)
    told = replace(
        told, next_test_at_s=tank.due_at_s, next_test_reason=tank.due_reason, next_test_reasons=(tank.due_reason,)
    )
    return replace(tank, account=told)


def lines_of(probe: str, values: Iterable[float | None], *, start: str, every_s: float) -> list[str]:
    """Event lines of one probe's values at an even pace."""
    at_s = eventlines.unix_s(start)
    return [
        json.dumps({"at": eventlines.rfc3339(at_s + n * every_s), "kind": "reading", "probe": probe, "value": v})
        for n, v in enumerate(values)
    ]
