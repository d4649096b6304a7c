"""Temperature and pH against the keeper's limits, and how fast they move, each probe for itself.

Owns the side of each limit that the water is on, with a deadband between raising and clearing, and the rate over
the last hour.  Where several probes of one quantity are in the tank each has findings of its own, by its id; what one
says never hides what another says.  Never counts delays (the alarm table does) and never clears for want of data:
without values it says nothing, and the last word stands.

The rate is the difference between the median of the last quarter of an hour and that of a quarter of an hour one
hour before, so a single odd value changes nothing.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from types import MappingProxyType

from rushlight.alarms.evidence import Evidence, LevelEvidence, MovingEvidence
from rushlight.alarms.finding import Finding, Says
from rushlight.config.implied import assumed, band
from rushlight.settings import Band, Priority, Probe, Tank

SLOT_S = 300.0
"""Values are averaged over this long before the rate is taken (own choice)."""
EDGE_SLOTS = 3
WINDOW_SLOTS = 12
"""The two ends of the rate's window are this many slots apart: one hour (own choice)."""
REPEAT_S = 300.0
"""A word is said again this often while it may matter, so that a delay that was slept through is confirmed
(own choice)."""
SETTLED_S = 7200.0
"""After a limit has been clear this long it need not be said again (own choice)."""
FAR = 1e9
PH_FAR = 0.5
"""Beyond its limit by so much a pH is told at any hour (common practice, no source)."""
BLIND_S = 1800.0
"""A value older than this is not what the water is like now (own choice)."""


@dataclass(frozen=True, slots=True)
class Manner:
    """How one quantity is watched: its unit, the clear margin inside a limit, and the change in an hour that counts.

    Common practice, no source; the margins are about two to three per cent of a usual span.
    """

    unit: str
    margin: float
    moving: float


MANNERS: Mapping[str, Manner] = MappingProxyType(
    {"temperature": Manner("°C", 0.3, 2.0), "ph": Manner("", 0.1, 0.5)},
)


@dataclass(slots=True)
class Track:
    """One probe's memory.  Between `calm_low` and `calm_high` nothing changes sides."""

    calm_low: float = FAR
    calm_high: float = -FAR
    last_s: float = 0.0
    behind: int = 0
    behind_at_s: float = 0.0
    slot_end_s: float = 0.0
    slot_sum: float = 0.0
    slot_n: int = 0
    ends: list[float] = field(default_factory=list)
    means: list[float] = field(default_factory=list)
    """Closed slots, oldest first: when each ended, and its mean."""
    says: dict[str, Says] = field(default_factory=dict)
    said_s: dict[str, float] = field(default_factory=dict)
    changed_s: dict[str, float] = field(default_factory=dict)


@dataclass(slots=True)
class LimitsState:
    """The memory of one tank's limits, by probe."""

    tracks: dict[str, Track] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Named:
    """Which of several probes of its kind it is: its id, which is its alarms' subject, and where it is."""

    probe: str = ""
    place: str = ""


def subjects(probes: Sequence[Probe]) -> dict[str, Named]:
    """By probe id: what names its alarms and says which probe it is; nothing for one that is alone."""
    quantities = [p.quantity for p in probes]
    return {p.id: Named(p.id, p.place) if quantities.count(p.quantity) > 1 else Named() for p in probes}


@dataclass(frozen=True, slots=True)
class _Watched:
    """What one probe is held against."""

    quantity: str
    manner: Manner
    band: Band
    assumed: Sequence[str]
    named: Named


class LimitsWatch:
    """One tank's limits for temperature and pH; `probes` are the tank's."""

    def __init__(self, tank: Tank, probes: Sequence[Probe]) -> None:
        self.tank = tank
        names = subjects(probes)
        self._watched = {
            p.id: _Watched(
                p.quantity, MANNERS[p.quantity], band(tank, p.quantity), assumed(tank, p.quantity), names[p.id]
            )
            for p in probes
            if p.quantity in MANNERS
        }

    def initial(self) -> LimitsState:
        """Nothing measured yet."""
        return LimitsState(tracks={p: Track() for p in self._watched})

    def on_value(self, state: LimitsState, at_s: float, probe: str, value: float) -> Sequence[Finding]:
        """One good value, in °C or pH; returns findings when something changes sides, and now and then again.

        Values older than the probe's last one are left out, unless a third in a row shows that the clock was set back.
        """
        track = state.tracks.get(probe)
        if track is None or (at_s < track.last_s and not _clock_went_back(track, at_s)):
            return ()
        track.last_s = at_s
        if at_s < track.slot_end_s:
            track.slot_sum += value
            track.slot_n += 1
            if track.calm_low <= value <= track.calm_high:
                return ()
            return self._sides(track, at_s, self._watched[probe], value)
        watched = self._watched[probe]
        found = self._close_slot(track, at_s, watched)
        track.slot_sum, track.slot_n = value, 1
        track.slot_end_s = (at_s // SLOT_S + 1.0) * SLOT_S
        return [*found, *self._sides(track, at_s, watched, value)]

    def _sides(self, track: Track, at_s: float, watched: _Watched, value: float) -> list[Finding]:
        """Compare with both limits, and work out how far the value may now go without changing sides."""
        limits, margin = watched.band, watched.manner.margin
        found: list[Finding] = []
        words: list[Says] = []
        for side, limit, sign in (("high", limits.high, 1.0), ("low", limits.low, -1.0)):
            if limit is None:
                continue
            beyond = sign * (value - limit)
            says: Says = "raise" if beyond > 0 else "clear" if beyond < -margin else "hold"
            words.append(says)
            told = _level(watched, side, value, limit)
            found += self._say(track, at_s, watched, f"{watched.quantity}_{side}", says, told)
        if all(w == "clear" for w in words):
            track.calm_low = -FAR if limits.low is None else limits.low + margin
            track.calm_high = FAR if limits.high is None else limits.high - margin
        else:  # every value is looked at, so that the word is said again in time
            track.calm_low, track.calm_high = FAR, -FAR
        return found

    def _close_slot(self, track: Track, at_s: float, watched: _Watched) -> list[Finding]:
        """Bring the finished slot into the window and judge the rate."""
        if not track.slot_n:
            return []
        ends, means = track.ends, track.means
        ends.append(track.slot_end_s)
        means.append(track.slot_sum / track.slot_n)
        horizon_s = track.slot_end_s - (WINDOW_SLOTS + EDGE_SLOTS) * SLOT_S
        while ends[0] <= horizon_s:
            del ends[0], means[0]
        alarm, manner = f"{watched.quantity}_moving", watched.manner
        at_rest = max(means) - min(means) <= manner.moving / 2
        if at_rest and track.says.get(alarm) == "clear" and at_s - track.changed_s[alarm] > SETTLED_S:
            return []
        change = _change_in_an_hour(ends, means)
        if change is None:
            return []
        limit = manner.moving
        size = abs(change)
        says: Says = "raise" if size >= limit else "clear" if size <= limit / 2 else "hold"
        return self._say(track, at_s, watched, alarm, says, _moving(watched, change))

    def present(
        self, state: LimitsState, latest: Mapping[str, tuple[float, float]], at_s: float
    ) -> dict[tuple[str, str], Evidence]:
        """What there is to say at `at_s`, by alarm and subject; `latest`: each probe's last good value and its time."""
        found: dict[tuple[str, str], Evidence] = {}
        for probe, watched in self._watched.items():
            if probe not in latest:
                continue
            value, value_at_s = latest[probe]
            blind, track = at_s - value_at_s > BLIND_S, state.tracks[probe]
            for side, limit in (("high", watched.band.high), ("low", watched.band.low)):
                told = dataclasses.replace(_level(watched, side, value, limit), blind=blind)
                found[f"{watched.quantity}_{side}", watched.named.probe] = told
            change = _change_in_an_hour(track.ends, track.means) if track.ends else None
            if change is not None:
                moving = dataclasses.replace(_moving(watched, change), blind=blind)
                found[f"{watched.quantity}_moving", watched.named.probe] = moving
        return found

    def _say(
        self, track: Track, at_s: float, watched: _Watched, alarm: str, says: Says, told: LevelEvidence
    ) -> list[Finding]:
        """Speak on a change of side, and again while a delay may be waiting for confirmation."""
        before = track.says.get(alarm)
        if says == before:
            settled = says != "raise" and at_s - track.changed_s[alarm] > SETTLED_S
            if settled or at_s - track.said_s[alarm] < REPEAT_S:
                return []
        else:
            track.says[alarm], track.changed_s[alarm] = says, at_s
            if before is None and says == "clear":
                track.said_s[alarm] = at_s
                track.changed_s[alarm] = at_s - SETTLED_S - 1.0
        track.said_s[alarm] = at_s
        named, priority = watched.named.probe, _pressing(told) if says == "raise" else None
        return [Finding(alarm=alarm, tank=self.tank.id, says=says, subject=named, priority=priority, evidence=told)]


def _pressing(told: LevelEvidence) -> Priority | None:
    """A pH far out, or falling fast, is not held until morning: by then the hardness is gone, or the fish are."""
    if told.quantity != "ph" or told.value is None or told.limit is None:
        return None
    if isinstance(told, MovingEvidence):
        return "high" if told.value <= -told.limit else None
    return "high" if abs(told.value - told.limit) >= PH_FAR else None


def _level(watched: _Watched, side: str, value: float, limit: float | None) -> LevelEvidence:
    return LevelEvidence(
        quantity=watched.quantity,
        value=value,
        limit=limit,
        unit=watched.manner.unit,
        limit_assumed=side in watched.assumed,
        probe=watched.named.probe,
        place=watched.named.place,
    )


def _moving(watched: _Watched, change: float) -> MovingEvidence:
    return MovingEvidence(
        quantity=watched.quantity,
        value=round(change, 3),
        unit=f"{watched.manner.unit} in an hour".strip(),
        limit=watched.manner.moving,
        probe=watched.named.probe,
        place=watched.named.place,
    )


def _clock_went_back(track: Track, at_s: float) -> bool:
    """Three values in order, all well before the last one: that one's clock was wrong, not theirs."""
    if track.last_s - at_s <= SLOT_S:
        return False
    track.behind = track.behind + 1 if at_s > track.behind_at_s else 1
    track.behind_at_s = at_s
    if track.behind < 3:
        return False
    track.behind, track.behind_at_s, track.slot_end_s, track.slot_n = 0, 0.0, at_s, 0
    track.ends, track.means = [], []
    track.said_s = dict.fromkeys(track.said_s, at_s)
    track.changed_s = dict.fromkeys(track.changed_s, at_s)
    return True


def _change_in_an_hour(ends: Sequence[float], means: Sequence[float]) -> float | None:
    """Late median less early median; None unless both ends of the hour were measured."""
    end_s = ends[-1]
    late = [v for t, v in zip(ends, means, strict=True) if t > end_s - EDGE_SLOTS * SLOT_S]
    early = [v for t, v in zip(ends, means, strict=True) if t <= end_s - WINDOW_SLOTS * SLOT_S]
    return median(late) - median(early) if late and early else None
