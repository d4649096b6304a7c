"""What the time-series store gets to hold: journal rows as points, each with a name, tags, float fields, a time.

Owns names of measurements, tags and fields; dashboards depend on them.  Sends nothing and reads no clock.

A point's identity is its measurement, its tags and its millisecond; sent twice, it is one point.  Every field is
a float, always, because a store refuses a column whose type changes.  Values are in canonical units, probes
calibrated; nothing that is not a finite number is ever written.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from rushlight.effects import AlarmChange, Daily, Estimate
from rushlight.entry.kitunits import in_own_units
from rushlight.events import Calibration, Correction, Event, Reading, Test
from rushlight.science.chemistry import solutions
from rushlight.science.measuring import units
from rushlight.settings import Config
from rushlight.tank.probes.watch import ProbeWatch

Item = Event | AlarmChange | Daily

READING, TEST, ESTIMATE, ALARM = "reading", "test", "estimate", "alarm"
"""Measurements of what the journal holds; `live` has those of the present moment."""

STATE_CODES: Mapping[str, float] = {
    "normal": 0.0,
    "returned": 1.0,
    "acknowledged": 2.0,
    "unacknowledged": 3.0,
    "shelved": 4.0,
    "out_of_service": 5.0,
}
PRIORITY_CODES: Mapping[str, float] = {"low": 1.0, "medium": 2.0, "high": 3.0}
_BOUND_CODES: Mapping[str, float] = {"<": -1.0, "": 0.0, ">": 1.0}

_DAY_FIGURES = (
    "light_dose_mol",
    "light_coverage",
    "lamp_dose_mol",
    "lamp_percent",
    "days_to_limit",
    "chance_28_days",
)
_DAY_ESTIMATES = ("nitrate", "net_rate", "supply_rate", "uptake_rate", "kept_up", "growth_per_week")


@dataclass(frozen=True, slots=True)
class Point:
    """One point; `at_ms` since 1970 UTC."""

    measurement: str
    tags: Mapping[str, str]
    fields: Mapping[str, float]
    at_ms: int


class Points:
    """Makes points of rows in arrival order.

    It remembers each probe's calibrations, so that a reading is worth here what it is worth to the core; before
    the first row it must have seen the calibrations that came earlier (`learn`).
    """

    def __init__(self, config: Config, installation_id: str) -> None:
        self._common = common_tags(config, installation_id)
        self._wanted = frozenset(config.timeseries.send)
        self._tanks, self._kits = config.tank, config.kit
        self._probes = {p.id: p for p in config.probe}
        self._watches = {p.id: ProbeWatch(p) for p in config.probe}
        self._states = {k: w.initial() for k, w in self._watches.items()}
        self._calibrated: dict[str, str] = {}
        self._tests: dict[str, Test] = {}
        """By id, so that the store can be told what was undone."""

    def learn(self, events: Iterable[Event]) -> None:
        """Take in earlier calibrations and their corrections, oldest first."""
        for event in events:
            if isinstance(event, Test):
                self._tests[event.id] = event
            if isinstance(event, Correction):
                list(self._corrected(event))
            if isinstance(event, Calibration | Correction):
                self._calibration(event)

    def of(self, item: Item) -> list[Point]:
        """The points of one row; none for what is not kept in the store."""
        match item:
            case Reading():
                found = self._reading(item)
            case Test():
                self._tests[item.id] = item
                found = self._test(item)
            case Daily():
                found = self._day(item)
            case AlarmChange():
                found = self._alarm(item)
            case Calibration():
                self._calibration(item)
                return []
            case Correction():
                self._calibration(item)
                found = itertools.chain(*self._corrected(item))
            case _:
                return []
        return [p for p in found if p.fields and p.measurement in self._wanted]

    def _point(
        self, measurement: str, at_s: float, tags: Mapping[str, str | None], fields: Mapping[str, float | None]
    ) -> Point:
        return make_point(measurement, at_s, self._common | dict(tags), fields)

    def _reading(self, event: Reading) -> Iterator[Point]:
        probe = self._probes.get(event.probe)
        if probe is None:
            return  # of a probe that the configuration no longer has, nobody knows what its numbers mean
        value, flag = self._watches[probe.id].on_reading(self._states[probe.id], event)
        tags = {"tank": probe.tank, "probe": probe.id, "quantity": probe.quantity}
        yield self._point(READING, event.at_s, tags, {"value": value, "flag": float(flag)})

    def _test(self, event: Test) -> Iterator[Point]:
        event = in_own_units(event, self._tanks, self._kits)
        for name, reported in event.values.items():
            try:
                amount = units.read_reported(name, reported, event.units.get(name, ""))
            except ValueError:
                continue  # a unit that this version can't read; the entry stays in the journal
            tags = {"tank": event.tank, "quantity": name, "method": event.method}
            value = solutions.of_tank(amount.value, event.dilution, event.dilution_source.get(name, 0.0))
            yield self._point(TEST, event.at_s, tags, {"value": value, "bound": _BOUND_CODES[amount.bound]})

    def _corrected(self, item: Correction) -> Iterator[Iterator[Point]]:
        """A store that only ever overwrites can't forget a test; it is told that the test was undone."""
        before = self._tests.pop(item.of, None)
        if before is not None:
            yield self._marked(before, undone=1.0)
        if isinstance(item.replacement, Test):
            self._tests[item.of] = self._tests[item.replacement.id] = item.replacement
            yield self._marked(item.replacement, undone=0.0) if before is not None else self._test(item.replacement)

    def _marked(self, test: Test, *, undone: float) -> Iterator[Point]:
        return (dataclasses.replace(p, fields={**p.fields, "undone": undone}) for p in self._test(test))

    def _day(self, day: Daily) -> Iterator[Point]:
        for name in _DAY_FIGURES:
            tags = {"tank": day.tank, "quantity": name}
            yield self._point(ESTIMATE, day.at_s, tags, {"value": getattr(day, name)})
        for name in _DAY_ESTIMATES:
            found: Estimate | None = getattr(day, name)
            if found is not None:
                fields = {"value": found.mean, "low": found.low, "high": found.high}
                yield self._point(ESTIMATE, day.at_s, {"tank": day.tank, "quantity": name}, fields)

    def _alarm(self, change: AlarmChange) -> Iterator[Point]:
        tags = {"tank": change.tank, "alarm": change.alarm, "alarm_id": change.id}
        fields = {
            "state": STATE_CODES[change.state],
            "priority": PRIORITY_CODES[change.priority],
            "occurrence": float(change.occurrence),
        }
        yield self._point(ALARM, change.at_s, tags, fields)

    def _calibration(self, event: Calibration | Correction) -> None:
        if isinstance(event, Correction):
            probe = self._calibrated.pop(event.of, "")
            if probe:
                self._watches[probe].void(self._states[probe], event.of)
            if not isinstance(event.replacement, Calibration):
                return
            event = event.replacement
        if event.probe in self._watches:
            self._watches[event.probe].on_calibration(self._states[event.probe], event)
            self._calibrated[event.id] = event.probe


def common_tags(config: Config, installation_id: str) -> dict[str, str]:
    """What every point of an installation is tagged with."""
    return {"site": config.site.name, "installation": installation_id}


def make_point(
    measurement: str, at_s: float, tags: Mapping[str, str | None], fields: Mapping[str, float | None]
) -> Point:
    """A point without what is not known: empty tags, and fields that are not finite numbers."""
    kept = {k: float(v) for k, v in fields.items() if v is not None and math.isfinite(v)}
    return Point(measurement, {k: _one_line(v) for k, v in tags.items() if v}, kept, round(at_s * 1000))


def _one_line(text: str) -> str:
    """A tag's value; a line break would end the line that it stands in, and stores differ about a backslash."""
    return " ".join(text.replace("\\", "/").split())
