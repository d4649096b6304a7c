"""Runs simulated readings through the product's light watch, day by day, as the core would."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

from helpers.lightsim import Room, Year
from rushlight.events import LampWork
from rushlight.settings import Lamp, OnHours, Probe, Site, Tank
from rushlight.tank.day import DayLight
from rushlight.tank.light.watch import LightState, LightWatch


@dataclass
class Run:
    """What the watch said: (day of the run, alarm, raise or clear, facts), the closed days, the last state."""

    watch: LightWatch
    state: LightState
    said: list[tuple[float, str, str, dict[str, Any]]] = field(default_factory=list)
    days: list[DayLight] = field(default_factory=list)
    dimmed: list[tuple[float, str]] = field(default_factory=list)
    """What the report says dimmed, at the end of each day on which something has: lamp, probe or unknown."""

    def first(self, alarm: str, after: float = 0.0) -> float | None:
        """Day on which an alarm was first raised."""
        return next((d for d, a, s, _ in self.said if a == alarm and s == "raise" and d >= after), None)

    def raised(self, *alarms: str) -> list[tuple[float, str]]:
        return [(round(d, 2), a) for d, a, s, _ in self.said if s == "raise" and a in alarms]


def watch_for(room: Room, *, hours: tuple[tuple[str, str], ...] | None = None, every_s: float = 300.0) -> LightWatch:
    on, off = (f"{m // 60:02d}:{m % 60:02d}" for m in (room.on_minute, room.off_minute))
    hours = ((on, off),) if hours is None else hours
    lamp = Lamp(umol_per_lux=0.0143, hours=tuple(OnHours(*h) for h in hours))
    site = Site(timezone=room.timezone, latitude=room.latitude, longitude=room.longitude)
    probe = Probe(id="light", tank="foyer", quantity="light", unit="lx", every_seconds=every_s)
    return LightWatch(Tank(id="foyer", litres=140, lamp=lamp), site, probe)


def run(
    year: Year, *, watch: LightWatch | None = None, events: tuple[LampWork, ...] = (), every_s: float = 300.0
) -> Run:
    """Feed a simulated year, closing every local day and looking at the findings whenever the watch asks to."""
    out = Run(watch or watch_for(year.room, every_s=every_s), LightState())
    watch, state = out.watch, out.state
    start_s = float(year.times[0])
    from_s, to_s, wake_s = start_s, _midnight(start_s, watch), start_s
    standing: dict[str, str] = {}
    pending = sorted(events, key=lambda e: e.at_s)

    def judge(at_s: float) -> None:
        for f in watch.findings(state, at_s):
            if f.says != "hold" and standing.get(f.alarm, "clear") != f.says:
                standing[f.alarm] = f.says
                out.said.append(((at_s - start_s) / 86400.0, f.alarm, f.says, dict(f.evidence.record())))

    for at_s, value in zip(year.times.tolist(), year.values.tolist(), strict=True):
        while at_s >= to_s:
            date = dt.datetime.fromtimestamp(to_s - 1.0, watch.zone).date().isoformat()
            out.days.append(watch.close_day(state, date, from_s, to_s))
            judge(to_s)
            if state.lamp.dimming and not state.undecided:
                what = watch.report(state, to_s).what_dimmed
                out.dimmed.append(((to_s - start_s) / 86400.0, what))
            from_s, to_s = to_s, _midnight(to_s, watch)
        while pending and at_s >= pending[0].at_s:
            watch.on_lamp(state, pending.pop(0))
            judge(at_s)
        good = value == value
        watch.on_reading(state, at_s, value if good else None, 1 if good else 9)
        if at_s >= wake_s:
            judge(at_s)
            wake_s = watch.next_wake(state, at_s) or at_s
    return out


def _midnight(at_s: float, watch: LightWatch) -> float:
    day = dt.datetime.fromtimestamp(at_s, watch.zone).date() + dt.timedelta(days=1)
    return dt.datetime.combine(day, dt.time(), watch.zone).timestamp()


def true_loss(year: Year, day: float) -> float:
    """The lamp's true loss in percent on a day of the run."""
    i = min(int((day * 86400.0) / (year.times[1] - year.times[0])), len(year.output) - 1)
    return 100.0 * (1.0 - float(year.output[i]))
