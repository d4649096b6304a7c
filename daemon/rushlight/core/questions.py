"""Questions that the outside puts to the core about a moment, each answered from the state alone.

Whoever wires hands these to the engine (`Engine.ask`) and reaches no deeper.  Nothing here changes the state.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from rushlight.core.step import Core, SiteState
from rushlight.core.view import tank_view
from rushlight.effects import Estimate, Told
from rushlight.events import Correction, Event, KitCheck, Reading, TankEvent
from rushlight.tank.probes.health import CalibrationRecord
from rushlight.views import TankView

_TOOL_ALARMS = frozenset({"delivery_failing", "storage_low", "clock_untrusted", "config_refused"})
_SLACK_S = 1.0
"""A message is written a moment after the alarm rose, and times are kept in whole milliseconds."""


@dataclass(frozen=True, slots=True)
class Delivered:
    """A message that went out, or that waits to: when it was made, and what it was about."""

    made_s: float
    alarms: tuple[Told, ...]

    def tells(self, alarm_id: str, since_s: float) -> bool:
        """Whether it says that this alarm, risen at `since_s`, stands."""
        about = any(t.alarm == alarm_id and t.step != "return" for t in self.alarms)
        return about and self.made_s >= since_s - _SLACK_S


def tool_alarms(core: Core, state: SiteState) -> Iterable[tuple[str, str]]:
    """Name and subject of each standing alarm about the tool itself."""
    return [(a.alarm, a.subject) for a in core.book.views(state.alarms) if a.alarm in _TOOL_ALARMS]


def expected_to_be_known(state: SiteState) -> Mapping[str, float]:
    """Alarms that somebody should have heard of by now, and since when each stands.

    What is held back by quiet hours is not among them, nor what stands behind an alarm that says more.
    """
    held = {alarm_id for h in state.notify.held.values() for alarm_id in h.steps}
    return {
        i: t.since_s
        for i, t in state.notify.telling.items()
        if t.standing and i not in held and (t.told or t.next_s is None)
    }


def never_told(standing_s: Mapping[str, float], messages: Sequence[Delivered]) -> tuple[str, ...]:
    """Those of the standing alarms that no message was ever about, sorted."""
    return tuple(sorted(i for i, since_s in standing_s.items() if not any(m.tells(i, since_s) for m in messages)))


@dataclass(frozen=True, slots=True)
class Silence:
    """The probes' silence as an outside watcher has to know it."""

    unacknowledged: tuple[str, ...]
    """Alarms of silent probes that nobody has seen to."""
    all_silent: bool
    """Whether every probe that somebody reads is silent."""
    unseen_s: Mapping[str, float]
    """Of these alarms, those that nobody acknowledged, and since when each stands."""
    some_not_raised: bool
    """Whether one of them is silent and no alarm says so yet."""

    def blind(self, sent: Sequence[Delivered] | None) -> bool:
        """Whether all is silent, and not all of that was told to or seen by somebody.

        None: nobody can say what was sent.
        """
        if not self.all_silent:
            return False
        if self.some_not_raised:
            return True
        return bool(self.unseen_s) and (sent is None or bool(never_told(self.unseen_s, sent)))


def silence(core: Core, state: SiteState) -> Silence:
    """How silent the probes are at this moment."""
    alarms = {a.id: a for a in core.book.views(state.alarms) if a.alarm == "probe_silent"}
    driven = [p for p in core.config.probe if p.driver != "none"]
    found = [alarms.get(f"{p.tank}.probe_silent.{p.id}") for p in driven]
    fresh = [a for a in found if a is not None and a.state in ("unacknowledged", "returned")]
    telling = state.notify.telling
    return Silence(
        unacknowledged=tuple(a.id for a in alarms.values() if a.state == "unacknowledged"),
        all_silent=bool(driven) and all(state.probes[p.id].silent for p in driven),
        unseen_s={a.id: telling[a.id].since_s if a.id in telling else a.since_s for a in fresh},
        some_not_raised=any(a is None for a in found),
    )


def what_if(
    core: Core,
    state: SiteState,
    at_s: float,
    tank: str,
    feed_grams: float | None,
    light_factor: float | None,
    change_fraction: float | None,
) -> list[tuple[int, Estimate]]:
    """Nitrate in the coming days if something were done: (day, estimate) each; empty before the first test."""
    watch = core.tanks[tank].nitrate
    return watch.what_if(state.tanks[tank].nitrate, at_s, feed_grams, light_factor, change_fraction)


def tanks_told(core: Core, state: SiteState, at_s: float, event: Event) -> list[TankView]:
    """The tanks on which an entry may bear, as they are told at `at_s`."""
    inner = event.replacement if isinstance(event, Correction) and event.replacement is not None else event
    if isinstance(inner, TankEvent):
        tanks = [inner.tank]
    else:
        tanks = list(core.tanks) if isinstance(inner, Correction | KitCheck) else []
    return [tank_view(core, state, at_s, t) for t in tanks if t in core.tanks]


def light_sentences(core: Core, state: SiteState, at_s: float, tank: str) -> list[str]:
    """What is to be said of a tank's light."""
    report = core.tanks[tank].light.report(state.tanks[tank].light, at_s)
    said = (report.week_sentence, report.dimmed_sentence, report.need_sentence, *report.refusals)
    return [s for s in said if s]


def calibrations(state: SiteState, probe: str) -> list[CalibrationRecord]:
    """A probe's calibrations, newest first."""
    return list(reversed(state.probes[probe].calibrations))


def in_force(core: Core, state: SiteState, probe: str, raw: Collection[float]) -> list[float | None]:
    """What the calibration in force makes of raw values of a probe."""
    watch, own = core.probes[probe], state.probes[probe]
    return [watch.in_force(own, Reading(at_s=0.0, probe=probe, value=v)) for v in raw]
