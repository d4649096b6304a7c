"""What the time-series store gets to know of the present moment, for whoever looks after many installations.

Owns the measurements `state`, `tank` and `standing`.  They are not of the journal: each is true at its time and is not
made up for afterwards, so that their end is the installation's silence.  Pure: told the view and the time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from rushlight.outlets.timeseries.points import PRIORITY_CODES, Point, common_tags, make_point
from rushlight.settings import Config
from rushlight.views import STANDING as STANDING_STATES
from rushlight.views import AlarmView, SiteView, TankView

STATE, TANK, STANDING = "state", "tank", "standing"
"""Measurements."""

LIVE_S = 120.0
"""How often they are sent; engines that look back five minutes then miss nothing when one is late."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """The daemon's version, the board's own number, and whether the last upgrade did not come up."""

    version: str
    board: str = ""
    upgrade_failed: bool = False


def live_points(
    config: Config, installation_id: str, view: SiteView, machine: Machine, clock_ahead_s: float | None
) -> list[Point]:
    """The moment as points, at the view's time; `clock_ahead_s` is by how much this clock is ahead of the store's."""
    common, wanted = common_tags(config, installation_id), config.timeseries.send
    alarms = [*view.alarms, *(a for t in view.tanks for a in t.alarms)]
    made = [
        _state(common, view, alarms, machine, clock_ahead_s),
        *_tanks(common, view),
        *_standing(common, view, alarms),
    ]
    return [p for p in made if p.fields and p.measurement in wanted]


def _state(
    common: dict[str, str], view: SiteView, alarms: list[AlarmView], machine: Machine, clock_ahead_s: float | None
) -> Point:
    unacknowledged = [a for a in alarms if a.state == "unacknowledged"]
    fields = {
        "at_s": view.at_s,
        "standing": float(sum(a.state in STANDING_STATES for a in alarms)),
        "unacknowledged": float(len(unacknowledged)),
        "tests_overdue": float(sum(t.overdue for t in view.tanks)),
        "probes_silent": float(sum(not p.fresh for t in view.tanks for p in t.probes)),
        "storage_ok": float(not view.storage),
        "channels_ok": float(all(o.well for o in view.outlets)),
        "upgrade_failed": float(machine.upgrade_failed),
        "clock_ahead_s": clock_ahead_s,
    }
    return make_point(STATE, view.at_s, common | {"version": machine.version, "board": machine.board}, fields)


def _tanks(common: dict[str, str], view: SiteView) -> Iterator[Point]:
    for tank in view.tanks:
        yield make_point(TANK, view.at_s, common | {"tank": tank.id}, _figures(tank))


def _figures(tank: TankView) -> dict[str, float | None]:
    figures: dict[str, float | None] = {
        "due_at_s": tank.due_at_s,
        "tested_at_s": tank.last_test_at_s,
        "days_to_limit": tank.days_to_limit,
        "lamp_percent": tank.lamp_percent,
    }
    if tank.nitrate is not None:
        nitrate = tank.nitrate
        figures |= {"nitrate": nitrate.mean, "nitrate_low": nitrate.low, "nitrate_high": nitrate.high}
    if tank.kept_up is not None:
        figures["kept_up"] = tank.kept_up.mean
    return figures


def _standing(common: dict[str, str], view: SiteView, alarms: list[AlarmView]) -> Iterator[Point]:
    """One point an alarm that is not over, with its state and priority as tags: they make another series."""
    for a in alarms:
        tags = {"tank": a.tank, "alarm": a.alarm, "alarm_id": a.id, "state": a.state, "priority": a.priority}
        fields = {"since_s": a.since_s, "priority": PRIORITY_CODES[a.priority]}
        yield make_point(STANDING, view.at_s, common | {k: v for k, v in tags.items() if v}, fields)
