"""The people of the invented library: they feed, test when the program says so, and acknowledge what reaches them.

Plays the year against a core: what people do depends on what they are told, as in life.  The events that come out
are a plain story that replays the same without them.
"""

from __future__ import annotations

import datetime as dt
import heapq
import math
import random
from collections.abc import Iterator, Sequence

from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.demo import year
from rushlight.demo.year import ZONE, Water, local, strip
from rushlight.effects import DueChange, Effect, Message
from rushlight.events import (
    Absence,
    Acknowledge,
    Calibration,
    CalibrationPoint,
    Event,
    Feeding,
    Harvest,
    LampWork,
    Note,
    Pack,
    Sighting,
    Stocking,
    Test,
    TopOff,
    WaterChange,
)

_CALIBRATED_FROM = dt.date(year.YEAR, 1, 6)
OPEN_H, CLOSE_H = 10.0, 17.0


def _truth(tank: str, water: Water, age_days: float) -> dict[str, float]:
    """What a perfect test would show."""
    if tank == "foyer":
        return {"nitrate": water.nitrate, "nitrite": 0.05, "ph": 7.1, "kh": 4.3, "gh": 8.0}
    settling = {"nitrite": 1.4 * math.exp(-age_days / 9), "ammonia": 0.6 * math.exp(-age_days / 7)}
    return {"nitrate": water.nitrate, **settling, "ph": 7.2, "kh": 4.0, "gh": 7.5}


def play(
    core: Core, seed: int = 1, staff: Staff | None = None, timeline: Timeline | None = None
) -> Iterator[tuple[Event, list[Effect]]]:
    """The year, event by event, each with what the core said to it (ticks before it included).

    People hear of alarms by their phone, so the core's configuration needs one: `year.PHONE`.  `staff`: those of that
    seed, from `Staff.of`, where somebody wants to know afterwards what the water really was; `timeline`: one that
    begins, where somebody wants to look at its state on the way.
    """
    timeline = timeline or Timeline(core, core.initial())
    staff = staff or Staff.of(seed)
    for reading in year.readings(random.Random(seed * 10 + 1)):  # noqa: S311
        for event in staff.until(reading.at_s):
            effects = timeline.feed(event)
            staff.hear(effects)
            yield event, effects
        effects = timeline.feed(reading)
        if effects:
            staff.hear(effects)
        yield reading, effects


def _away(day: dt.date) -> bool:
    return year.CLOSED_FROM <= day < year.CLOSED_TO


class Staff:
    """Knows the water of both tanks, and has a diary of things to come."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self._water = {"foyer": Water(140, 14.0, 1.5), "reading-room": Water(54, 8.0, 1.05)}
        self._day = dt.date(year.YEAR, 1, 1)
        self._todo: list[tuple[float, int, str, str]] = []
        self.truth: dict[tuple[str, dt.date], dict[str, float]] = {}
        """What a perfect test would show, and what part of the plants stands, by tank and day, at the day's end."""
        self._n = 0
        for tank in self._water:
            self._plan(local(1, 1, OPEN_H + 0.5), "test", tank)

    @classmethod
    def of(cls, seed: int) -> Staff:
        """The people of that seed."""
        return cls(random.Random(seed * 10 + 2))  # noqa: S311 - a story, not a secret

    def hear(self, effects: Sequence[Effect]) -> None:
        """Take in what the program said: a new test date, a message on a phone."""
        for effect in effects:
            match effect:
                case DueChange(tank=str(tank), due_at_s=due_at_s):
                    self._todo = [t for t in self._todo if t[2:] != ("test", tank)]
                    heapq.heapify(self._todo)
                    self._plan(max(due_at_s, effect.at_s), "test", tank)
                case Message(priority="high" | "medium", alarms=told):
                    for alarm in told:
                        self._plan(effect.at_s + 1200.0, "acknowledge", alarm.alarm)

    def until(self, at_s: float) -> Iterator[Event]:
        """What is done before `at_s`, in order."""
        while local(self._day.month, self._day.day) <= at_s and self._day.year == year.YEAR:
            self._begin_day()
        while self._todo and self._todo[0][0] < at_s:
            when_s, _, what, subject = heapq.heappop(self._todo)
            yield from self._do(when_s, what, subject)

    def _plan(self, at_s: float, what: str, subject: str) -> None:
        """For the first hour the library is open from then on; the sitter only acknowledges."""
        now = dt.datetime.fromtimestamp(at_s, ZONE)
        day, hour = now.date(), now.hour + now.minute / 60
        if what in {"test", "acknowledge"} and hour > CLOSE_H:
            day, hour = day + dt.timedelta(days=1), 0.0
        while what == "test" and (_away(day) or year.NO_STRIPS_FROM <= day < year.NO_STRIPS_TO):
            day, hour = day + dt.timedelta(days=1), 0.0
        if day.year != year.YEAR:
            return
        self._n += 1
        early = what in {"test", "acknowledge"} and hour < OPEN_H
        when_s = local(day.month, day.day, OPEN_H + self._rng.random()) if early else at_s
        heapq.heappush(self._todo, (max(when_s, at_s), self._n, what, subject))

    def _begin_day(self) -> None:
        day, at_s = self._day, local(self._day.month, self._day.day)
        children = year.CHILDREN_FROM <= day < year.CHILDREN_TO
        foyer = self._water["foyer"]
        foyer.day(1.8 if children else 0.9, 1.0 - year.LIT_BY_LAMP * (1.0 - year.lamp_output(at_s)))
        self._water["reading-room"].day(0.25, 1.0)
        for tank, water in self._water.items():
            seen = _truth(tank, water, (day - dt.date(year.YEAR, 1, 1)).days + 0.5)
            self.truth[tank, day] = {**seen, "plants": water.plants}
        if children:
            self._plan(at_s + 11 * 3600, "feed", "foyer")
        if (day - _CALIBRATED_FROM).days % 28 == 0 and not _away(day):
            self._plan(at_s + 15.2 * 3600, "calibrate", "foyer-ph")
        if day.weekday() == 4:
            self._plan(at_s + 16 * 3600, "top off", "foyer")
        for date, what, tank in _DIARY:
            if date == day:
                self._plan(at_s + 11.5 * 3600, what, tank)
        self._day = day + dt.timedelta(days=1)

    def _do(self, at_s: float, what: str, subject: str) -> Iterator[Event]:
        name = f"{what.replace(' ', '-')}-{self._n}-{at_s:.0f}"
        match what:
            case "test":
                age = (at_s - local(1, 1)) / 86400
                truth = _truth(subject, self._water[subject], age)
                if at_s >= _POWER_BACK_S:  # after the power cut its test plan asks for this pad too
                    truth.setdefault("ammonia", 0.05)
                read = {k: strip(self._rng, k, v) for k, v in truth.items()}
                yield Test(at_s=at_s, id=name, tank=subject, method="strip", values=read, kit="strip")  # type: ignore[arg-type]
            case "acknowledge":
                who = "holiday sitter" if _away(dt.datetime.fromtimestamp(at_s, ZONE).date()) else "duty librarian"
                yield Acknowledge(at_s=at_s, id=name, alarm=subject, by=who)
            case "feed":
                yield Feeding(at_s=at_s, id=name, tank="foyer", grams=1.8, note="children's week")
            case "top off":
                yield TopOff(at_s=at_s, id=name, tank="foyer", litres=4.0)
            case "calibrate":
                points = tuple(CalibrationPoint(value=v, raw=v, temperature_c=21.0) for v in (6.88, 4.00))
                yield Calibration(at_s=at_s, id=name, probe=subject, points=points)
            case _:
                yield self._diary(at_s, what, name, subject)

    def _diary(self, at_s: float, what: str, name: str, tank: str) -> Event:
        foyer = self._water["foyer"]
        event: Event
        match what.rpartition(" "):
            case ("water change", _, fraction):
                foyer.change(float(fraction))
                event = WaterChange(at_s=at_s, id=name, tank=tank, fraction=float(fraction))
            case ("away", _, days):
                event = Absence(at_s=at_s, id=name, tank=tank, days=float(days), note="the library is closed")
            case ("strips", _, count):
                event = Pack(at_s=at_s, id=name, tank=tank, strips=float(count))
            case (_, _, "harvest"):
                foyer.plants *= 0.6
                event = Harvest(at_s=at_s, id=name, tank=tank, fresh_grams=420, plant="umbrella sedge")
            case (_, _, "batten"):
                event = LampWork(at_s=at_s, id=name, tank=tank, what="replaced")
            case (_, _, "growth"):
                event = Sighting(at_s=at_s, id=name, tank=tank, what="new_growth", note="watercress")
            case (_, _, "barbs"):
                event = Stocking(at_s=at_s, id=name, tank=tank, change=2, species="cherry barb", grams=2.0)
            case _:
                event = Note(at_s=at_s, id=name, tank=tank, text=what)
        return event


_POWER_BACK_S = local(11, 19)
_DIARY = (
    (dt.date(year.YEAR, 2, 10), "growth", "reading-room"),
    (dt.date(year.YEAR, 3, 3), "barbs", "reading-room"),
    (dt.date(year.YEAR, 6, 15), "harvest", "foyer"),
    (dt.date(year.YEAR, 7, 17), "holiday sitter feeds until 1 August, no tests", "foyer"),
    *((dt.date(year.YEAR, 7, 17), "away 14.6", tank) for tank in ("foyer", "reading-room")),
    (dt.date(year.YEAR, 8, 5), "water change 0.35", "foyer"),
    *((dt.date(year.YEAR, 8, 3), "strips 2", tank) for tank in ("foyer", "reading-room")),
    *((dt.date(year.YEAR, 8, 26), "strips 100", tank) for tank in ("foyer", "reading-room")),
    (dt.date(year.YEAR, 9, 2), "water change 0.3", "foyer"),
    (dt.date(year.YEAR, 9, 14), "batten", "foyer"),
    (dt.date(year.YEAR, 11, 3), "water change 0.4", "foyer"),
)
