"""Water level and conductivity: against the keeper's limit, and a fall or a rise that no entry explains.

Owns `level_low` and `conductivity_high`, each probe for itself.  What a tank does by itself is slow: water evaporates,
and what was dissolved in it stays.  So each probe has an anchor, the level as it was (or the conductivity as it was),
which gives way at the pace of evaporation and at once in the harmless direction.  What lies further from the anchor
than `Manner.far` was not evaporation; a water change, a top-off or something dosed explains it, and then the anchor
begins anew.  Never looks at limits of temperature and pH (`limits` does).  Counts no delays (the alarm table does).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

from rushlight.alarms.evidence import Evidence, LevelEvidence
from rushlight.alarms.finding import Finding, Says
from rushlight.events import Dose, TankEvent, TopOff, WaterChange
from rushlight.localunits import METRIC, Units
from rushlight.science.measuring.units import standard_unit
from rushlight.settings import Probe, Tank
from rushlight.tank.probes.health import span
from rushlight.tank.probes.limits import BLIND_S, Named, subjects

SLOT_S = 300.0
"""Values are averaged over this long, so that ripples and fish count for nothing (own choice)."""
EXPLAINED_S = 2 * 3600.0
"""So long after what was done the anchor follows, as a change is entered before, during or after the refill (own
choice)."""
EARLIER_S = 86400.0
"""What was done so long before the values now does no longer explain them, unless they have stood out since then (own
choice)."""


@dataclass(frozen=True, slots=True)
class Manner:
    """How one kind of probe is watched; figures in the canonical unit, shares of the anchor."""

    alarm: str
    sign: float
    """+1: a rise counts, −1: a fall."""
    unit: str
    margin: float
    """Inside the limit, before it clears; a share where it is below 1 and the unit has no top."""
    far: float
    far_share: float
    pace: float
    """A day, by evaporation."""
    pace_share: float


MANNERS: Mapping[tuple[str, str], Manner] = MappingProxyType(
    {
        ("level", "cm"): Manner("level_low", -1.0, "cm", 0.5, far=2.0, far_share=0.0, pace=1.0, pace_share=0.0),
        ("level", "%"): Manner("level_low", -1.0, "%", 2.0, far=8.0, far_share=0.0, pace=4.0, pace_share=0.0),
        ("conductivity", "µS/cm"): Manner(
            "conductivity_high", 1.0, "µS/cm", 0.05, far=30.0, far_share=0.2, pace=0.0, pace_share=0.03
        ),
    }
)
"""An open tank in a heated room loses 0.3 to 0.8 cm a day; a day's allowance of 1 cm, or of 3 % more dissolved in
what is left of 30 cm, is common practice, no source, and so are the other figures."""


@dataclass(slots=True)
class Course:
    """One probe's memory."""

    last_s: float = 0.0
    end_s: float = 0.0
    total: float = 0.0
    n: int = 0
    anchor: float | None = None
    anchor_s: float = 0.0
    follow_until_s: float = 0.0
    """Until then every value is the anchor: something was done to the water."""
    since_s: float | None = None
    """Since when values have stood out."""


@dataclass(slots=True)
class DriftsState:
    """By probe."""

    courses: dict[str, Course] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Watched:
    manner: Manner
    limit: float | None
    named: Named


class DriftsWatch:
    """One tank's level and conductivity; `probes` are the tank's."""

    def __init__(self, tank: Tank, probes: Sequence[Probe], units: Units = METRIC) -> None:
        self.tank, self._units = tank, units
        names = subjects(probes)
        self._watched: dict[str, _Watched] = {}
        for p in probes:
            manner = MANNERS.get((p.quantity, standard_unit(p.quantity, p.unit)))
            if manner is not None:
                limit = tank.limits.level_low if manner.sign < 0 else tank.limits.conductivity_high
                self._watched[p.id] = _Watched(manner, limit, names[p.id])

    def initial(self) -> DriftsState:
        """Nothing measured yet."""
        return DriftsState(courses={p: Course() for p in self._watched})

    def on_fact(self, state: DriftsState, event: TankEvent) -> None:
        """A water change, a top-off or something dosed: for a while the water may do as it likes."""
        if not isinstance(event, WaterChange | TopOff | Dose):
            return
        for course in state.courses.values():
            since_s = course.last_s if course.since_s is None else course.since_s
            if event.at_s < since_s - EARLIER_S:
                continue
            course.anchor, course.since_s = None, None
            course.follow_until_s = max(course.follow_until_s, event.at_s + EXPLAINED_S)

    def on_value(self, state: DriftsState, at_s: float, probe: str, value: float) -> Sequence[Finding]:
        """One good value in the canonical unit; a finding each time that a slot is whole."""
        course = state.courses.get(probe)
        if course is None:
            return ()
        in_slot = course.end_s - SLOT_S <= at_s < course.end_s
        course.last_s = at_s
        if in_slot:
            course.total, course.n = course.total + value, course.n + 1
            return ()
        watched = self._watched[probe]
        found = self._judge(course, at_s, watched, course.total / course.n) if course.n else []
        course.end_s, course.total, course.n = (at_s // SLOT_S + 1.0) * SLOT_S, value, 1
        return found

    def _judge(self, course: Course, at_s: float, watched: _Watched, value: float) -> list[Finding]:
        manner = watched.manner
        off = manner.sign * (value - self._anchor(course, at_s, manner, value))
        far = manner.far + manner.far_share * abs(course.anchor or 0.0)
        words: list[Says] = ["raise" if off > far else "clear" if off <= 0.5 * far else "hold"]
        if watched.limit is not None:
            margin = manner.margin if manner.sign < 0 else manner.margin * watched.limit
            beyond = manner.sign * (value - watched.limit)
            words.append("raise" if beyond > 0 else "clear" if beyond < -margin else "hold")
        if words[0] == "raise":
            course.since_s = at_s if course.since_s is None else course.since_s
        elif words[0] == "clear":
            course.since_s = None
        says: Says = "raise" if "raise" in words else "hold" if "hold" in words else "clear"
        told = _evidence(course, at_s, watched, value, self._units)
        return [Finding(alarm=manner.alarm, tank=self.tank.id, says=says, subject=watched.named.probe, evidence=told)]

    def present(
        self, state: DriftsState, latest: Mapping[str, tuple[float, float]], at_s: float
    ) -> dict[tuple[str, str], Evidence]:
        """What there is to say at `at_s`, by alarm and subject; `latest`: each probe's last good value and its time."""
        found: dict[tuple[str, str], Evidence] = {}
        for probe, watched in self._watched.items():
            if probe in latest:
                value, value_at_s = latest[probe]
                told = _evidence(state.courses[probe], at_s, watched, value, self._units)
                told = dataclasses.replace(told, blind=at_s - value_at_s > BLIND_S)
                found[watched.manner.alarm, watched.named.probe] = told
        return found

    @staticmethod
    def _anchor(course: Course, at_s: float, manner: Manner, value: float) -> float:
        """The anchor now, after it has given way."""
        if course.anchor is None or at_s < max(course.follow_until_s, course.anchor_s):
            course.anchor = value
        else:
            days = (at_s - course.anchor_s) / 86400.0
            course.anchor += manner.sign * days * (manner.pace + manner.pace_share * abs(course.anchor))
            if manner.sign * (value - course.anchor) < 0.0:
                course.anchor = value
        course.anchor_s = at_s
        return course.anchor


def _evidence(course: Course, at_s: float, watched: _Watched, value: float, units: Units) -> LevelEvidence:
    manner, before = watched.manner, course.anchor or 0.0
    told = LevelEvidence(
        value=round(value, 2),
        unit=manner.unit,
        limit=watched.limit,
        probe=watched.named.probe,
        place=watched.named.place,
    )
    if course.since_s is None:
        return told
    sentence = _sentence(before, value, at_s - course.since_s, watched, units)
    return dataclasses.replace(told, before=round(before, 2), sentence=sentence)


def _sentence(before: float, now: float, lasted_s: float, watched: _Watched, units: Units) -> str:
    manner = watched.manner
    spec = ".1f" if manner.unit == "cm" else ".0f"
    name = "the water level" if manner.sign < 0 else "conductivity"
    which = ", ".join(w for w in (watched.named.probe, watched.named.place) if w)
    way = "fallen" if manner.sign < 0 else "risen"
    since = "" if lasted_s < SLOT_S else f", {span(lasted_s)} ago"
    course = f"{units.figure(before, manner.unit, spec)} to {units.say(now, manner.unit, spec)}"
    return f"{name}{f' ({which})' if which else ''} has {way} from {course}{since}, and no entry explains it"
