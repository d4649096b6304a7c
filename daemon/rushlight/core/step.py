"""The core: `step(state, event) -> (state, effects)` for the whole installation.

Deterministic: reads no clock, does no I/O, draws no random number.  `step` changes the state it is given and
hands it back; who wants to keep the old one takes a snapshot first (`service.snapshots`).  `state.wake_s` is when
the core wants a `Tick` though nothing happened; `timeline.Timeline` sees to it.
"""

from __future__ import annotations

import dataclasses
import zoneinfo
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from rushlight.alarms.finding import Finding
from rushlight.alarms.notify import Notifier, NotifyState
from rushlight.alarms.state_machine import AlarmBook, AlarmsState
from rushlight.alarms.wording.writer import Writer
from rushlight.core.present import ask_at
from rushlight.core.tank import TankCore, TankState
from rushlight.core.wakeups import Wakes
from rushlight.effects import AlarmChange, Effect
from rushlight.entry.kitunits import canonical, in_own_units
from rushlight.events import (
    Acknowledge,
    Calibration,
    Condition,
    Correction,
    Event,
    KitCheck,
    Reading,
    Shelve,
    Supply,
    TankEvent,
    Test,
    Untold,
)
from rushlight.localtime import DAY_S, local_date, midnight_after
from rushlight.localunits import Units
from rushlight.settings import Config
from rushlight.tank.probes.gateway import gateways, power_back
from rushlight.tank.probes.health import listen_from, note_interference
from rushlight.tank.probes.watch import ProbeState, ProbeWatch
from rushlight.tank.routine.reasons import MOVE_DATE

_DIPS_KEPT = 300
"""More entries than a day can hold at one in ten minutes, so that a clock gone wild can't fill the memory."""


@dataclass(slots=True)
class SiteState:
    """All that the core remembers.  Plain data: it goes to JSON and back unchanged."""

    probes: dict[str, ProbeState]
    tanks: dict[str, TankState]
    alarms: AlarmsState
    notify: NotifyState
    at_s: float | None = None
    """How far time has come; None before the first event."""
    wake_s: float | None = None
    day_from_s: float | None = None
    midnight_s: float | None = None
    """The local midnight that closes the running day."""
    calibrations: dict[str, str] = field(default_factory=dict)
    """Which probe each calibration entry belongs to, so that it can be corrected."""
    conditions: dict[str, dict[str, str | float]] = field(default_factory=dict)
    """What the daemon last found out about itself, by the alarm's id."""
    dips: list[tuple[float, int]] = field(default_factory=list)
    """When the board's supply dipped within the last day, and how often."""


class Core:
    """Configuration made into behaviour.

    Holds no state of its own, but an index over the state it saw last, which it makes anew for another one.
    """

    def __init__(self, config: Config) -> None:
        self.config = config
        self.zone = zoneinfo.ZoneInfo(config.site.timezone)
        self.units = Units(config.site.units)
        self.probes = {p.id: ProbeWatch(p, self.units) for p in config.probe}
        inner = dataclasses.replace(config, kit=canonical(config.kit))
        self.tanks = {t.id: TankCore(t, inner) for t in config.tank}
        self.book = AlarmBook(config)
        self.notifier = Notifier(config)
        self.writer = Writer(config)
        self._home = {p.id: (p.tank, str(p.quantity)) for p in config.probe}
        self._own = {t.id: [p.id for p in config.probe if p.tank == t.id] for t in config.tank}
        self._place = {p.id: n for n, p in enumerate(config.probe)}
        self._indexed: SiteState | None = None
        self._wakes = Wakes((), lambda _name, _at_s: None)
        self._electrodes = {
            t.id: [p.id for p in config.probe if p.tank == t.id and p.quantity in {"ph", "nitrate"}]
            for t in config.tank
        }
        self.ways = gateways(config.probe)
        self._in_millivolts = frozenset(p.id for p in config.probe if p.unit.lower() in {"mv", "v"})

    def initial(self) -> SiteState:
        """The state before anything has happened."""
        return SiteState(
            probes={k: p.initial() for k, p in self.probes.items()},
            tanks={k: t.initial() for k, t in self.tanks.items()},
            alarms=self.book.initial(),
            notify=self.notifier.initial(),
        )

    def start(self, state: SiteState, at_s: float) -> list[Effect]:
        """Begin to watch anew at `at_s`, after a restart or a leap of the clock: fit the state to the configuration.

        Nothing is told twice for it, and no probe is silent for the time in which nobody listened.
        """
        if state.at_s is not None and at_s < state.at_s:
            state.at_s = state.day_from_s = at_s
            state.midnight_s = midnight_after(at_s, self.zone)
        for probe in state.probes.values():
            listen_from(probe, at_s)
        self._index(state)
        effects = self._told(state, self.book.on_start(state.alarms, at_s))
        state.wake_s = self._next_wake(state, at_s) if state.at_s is not None else None
        return effects

    def step(self, state: SiteState, event: Event) -> tuple[SiteState, list[Effect]]:
        """Take in one event; returns the same state, changed, and what follows from it.

        Events must come in order of arrival with the ticks that `wake_s` asks for between them.
        """
        at_s = event.received_s or event.at_s
        if state is not self._indexed:
            self._index(state)
        if state.at_s is None:
            self._begin(state, at_s)
        elif at_s > state.at_s:
            state.at_s = at_s
        if type(event) is Reading:
            back = self._power_back(state, event) if state.probes[event.probe].silent else []
            found = self._reading(state, event)
            if not found and not back:
                return state, []
            effects = self._judge(state, at_s, found) + self._assess(state, at_s, back)
        else:
            effects = self._other(state, event, at_s)
        state.wake_s = self._next_wake(state, at_s)
        return state, effects

    def _begin(self, state: SiteState, at_s: float) -> None:
        state.at_s = state.day_from_s = at_s
        state.midnight_s = midnight_after(at_s, self.zone)
        for k, probe in self.probes.items():
            probe.findings(state.probes[k], at_s)  # from now on a probe that was never heard is silent
            state.probes[k].watched = False  # its first reading is looked at, which says when it will be missed
        state.wake_s = self._next_wake(state, at_s)

    def _reading(self, state: SiteState, event: Reading) -> Sequence[Finding]:
        """The hot path."""
        probe_state = state.probes[event.probe]
        tank_id, quantity = self._home[event.probe]
        self._wakes.touched.add(tank_id)
        temp_c = None
        if event.probe in self._in_millivolts:
            temp_c = self.tanks[tank_id].fresh(state.tanks[tank_id], "temperature", event.at_s)
        value, flag = self.probes[event.probe].on_reading(probe_state, event, temp_c)
        found = self.tanks[tank_id].on_value(state.tanks[tank_id], event.at_s, event.probe, quantity, value, flag)
        if probe_state.watched:
            return found
        return [*found, *self.probes[event.probe].findings(probe_state, event.arrived_s)]

    def _power_back(self, state: SiteState, event: Reading) -> list[str]:
        """The tanks whose power was probably out until now, if that is news to their test plans."""
        ended = power_back(self.ways.get(event.probe, ()), state.probes, event.at_s)
        if ended is None:
            return []
        gateway, since_s = ended
        tanks = sorted({self._home[p][0] for p in gateway.probes} - {""})
        return [t for t in tanks if self.tanks[t].routine.on_power_back(state.tanks[t].routine, event.at_s, since_s)]

    def _other(self, state: SiteState, event: Event, at_s: float) -> list[Effect]:
        event = in_own_units(event, self.config.tank, self.config.kit)
        match event:
            case TankEvent():
                self._wakes.touched.add(event.tank)
                effects = self._fact(state, event, at_s)
                effects += self._assess(state, at_s, [event.tank])
            case Calibration():
                effects = self._calibration(state, event, at_s)
            case KitCheck():
                for k, tank in self.tanks.items():
                    tank.on_check(state.tanks[k], event)
                effects = self._assess(state, at_s, self.tanks)
            case Correction():
                effects = self._correct(state, event, at_s)
            case Acknowledge():
                effects = self._told(state, self.book.acknowledge(state.alarms, at_s, event.alarm, event.by))
            case Shelve():
                changes = self.book.shelve(state.alarms, at_s, event.alarm, event.by, event.hours)
                effects = self._told(state, changes)
            case Condition() | Untold() | Supply():
                effects = self._machine(state, event, at_s)
            case _:
                effects = self._tick(state, at_s)
        return effects

    def _machine(self, state: SiteState, event: Condition | Untold | Supply, at_s: float) -> list[Effect]:
        """What the daemon found out about itself."""
        match event:
            case Condition():
                finding = Finding(alarm=event.alarm, tank=None, says=event.says, subject=event.subject)
                state.conditions[finding.id] = event.facts
                return self._judge(state, at_s, [finding])
            case Untold():
                return self._worded(state, self.notifier.tell_anew(state.notify, at_s, event.alarms))
            case Supply():
                self._dipped(state, event)
                return []

    @staticmethod
    def _dipped(state: SiteState, event: Supply) -> None:
        """Remembered beside every probe: a weak supply is behind much that looks like a bad probe."""
        kept = [d for d in state.dips if 0.0 <= event.at_s - d[0] < DAY_S][-(_DIPS_KEPT - 1) :]
        state.dips = [*kept, (event.at_s, event.dips)]
        for probe in state.probes.values():
            probe.dips, probe.dipped_at_s = sum(n for _, n in state.dips), event.at_s

    def _tick(self, state: SiteState, at_s: float) -> list[Effect]:
        effects: list[Effect] = []
        if state.midnight_s is not None and at_s >= state.midnight_s:
            effects += self._close_day(state, state.midnight_s)
        found: list[Finding] = []
        due = self._wakes.due(at_s)
        for k in sorted((p for tank in due for p in self._own[tank]), key=self._place.__getitem__):
            wake_s = self.probes[k].next_wake(state.probes[k])
            if wake_s is not None and wake_s <= at_s:
                found += self.probes[k].findings(state.probes[k], at_s)
        for k in due:
            found += self.tanks[k].on_tick(state.tanks[k], at_s)
            found += self._interference(state, k, at_s)
        effects += self._judge(state, at_s, found)
        effects += self._told(state, self.book.on_tick(state.alarms, at_s))
        effects += self._worded(state, self.notifier.on_tick(state.notify, at_s))
        return effects

    def _interference(self, state: SiteState, tank: str, at_s: float) -> list[Finding]:
        """Two electrodes in one water that jump together point at the wiring, not at the water."""
        names = self._electrodes[tank]
        if len(names) < 2:
            return []
        if not note_interference([state.probes[n] for n in names], at_s, state.tanks[tank].disturbed_s):
            return []
        return [f for n in names for f in self.probes[n].findings(state.probes[n], at_s)]

    def _close_day(self, state: SiteState, midnight_s: float) -> list[Effect]:
        effects: list[Effect] = []
        from_s = midnight_s if state.day_from_s is None else state.day_from_s
        date = local_date(midnight_s - 1, self.zone)
        for k, tank in self.tanks.items():
            effects.append(tank.close_day(state.tanks[k], date, from_s, midnight_s))
        state.day_from_s, state.midnight_s = midnight_s, midnight_after(midnight_s, self.zone)
        return effects + self._assess(state, midnight_s, self.tanks)

    def _assess(self, state: SiteState, at_s: float, tanks: Iterable[str]) -> list[Effect]:
        effects: list[Effect] = []
        for k in tanks:
            self._wakes.touched.add(k)
            back_s = self.tanks[k].routine.away_until(state.tanks[k].routine, at_s)
            if back_s is not None:
                state.notify.away_until_s[k] = back_s
            else:
                state.notify.away_until_s.pop(k, None)
            found, due = self.tanks[k].assess(state.tanks[k], at_s, self.book.standing(state.alarms, k))
            effects += due
            effects += self._judge(state, at_s, found)
        return effects

    def _calibration(self, state: SiteState, event: Calibration, at_s: float) -> list[Effect]:
        watch, own = self.probes[event.probe], state.probes[event.probe]
        watch.on_calibration(own, event)
        state.calibrations[event.id] = event.probe
        tank = self._home[event.probe][0]
        self._wakes.touched.add(tank)
        self.tanks[tank].on_calibration(state.tanks[tank], event.probe, event.at_s, event.id)
        return self._judge(state, at_s, watch.findings(own, at_s))

    def _correct(self, state: SiteState, event: Correction, at_s: float) -> list[Effect]:
        probe = state.calibrations.pop(event.of, None)
        if probe is not None:
            self._wakes.touched.add(self._home[probe][0])
            self.probes[probe].void(state.probes[probe], event.of)
        for k, tank in self.tanks.items():
            tank.void(state.tanks[k], event.of)
        new = event.replacement
        if isinstance(new, Calibration):
            return self._calibration(state, new, at_s)
        effects: list[Effect] = []
        if isinstance(new, TankEvent):
            effects = self._fact(state, new, at_s)
        if isinstance(new, KitCheck):
            for k, tank in self.tanks.items():
                tank.on_check(state.tanks[k], new)
        return effects + self._assess(state, at_s, self.tanks)

    def _fact(self, state: SiteState, event: TankEvent, at_s: float) -> list[Effect]:
        """A tank hears of an entry; what a test by itself says is told."""
        tank, own = self.tanks[event.tank], state.tanks[event.tank]
        tank.on_fact(own, event)
        return tank.kits.told(own.kits, event, at_s) if isinstance(event, Test) else []

    def _judge(self, state: SiteState, at_s: float, found: Iterable[Finding]) -> list[Effect]:
        effects: list[Effect] = []
        for finding in found:
            effects += self.book.judge(state.alarms, at_s, finding)
        return self._told(state, effects)

    def _told(self, state: SiteState, effects: Iterable[Effect]) -> list[Effect]:
        """The changes, and the messages that follow from them, in words."""
        out: list[Effect] = []
        pressed: set[str] = set()
        for effect in effects:
            out.append(effect)
            if isinstance(effect, AlarmChange):
                out += self.notifier.on_change(state.notify, effect)
                if effect.tank is not None and effect.alarm in MOVE_DATE:
                    pressed.add(effect.tank)
        out = self.notifier.as_one(state.notify, out)
        # What presses for a test moves its date in the same instant, not when the tank is next looked at.
        for tank in sorted(pressed & self.tanks.keys()):
            self._wakes.touched.add(tank)
            out += self.tanks[tank].date_test(
                state.tanks[tank], state.at_s or 0.0, self.book.standing(state.alarms, tank)
            )
        return self._worded(state, out)

    def _worded(self, state: SiteState, effects: list[Effect]) -> list[Effect]:
        """The same, each with the text that is true at its moment, which is one for all of them."""
        if not effects:
            return effects
        ask = ask_at(self, state, effects[0].at_s)
        return [self.writer.effect(e, state.alarms.alarms, state.notify.telling, ask) for e in effects]

    def _next_wake(self, state: SiteState, at_s: float) -> float | None:
        """The earliest moment at which anything may change by time alone; never before `at_s`."""
        wakes = (
            state.midnight_s,
            self.book.next_wake(state.alarms),
            self.notifier.next_wake(state.notify),
            self._wakes.earliest(at_s),
        )
        due = [w for w in wakes if w is not None]
        return max(min(due), at_s) if due else None

    def _index(self, state: SiteState) -> None:
        """Make the index over a state that this core did not see last."""
        self._indexed = state
        self._wakes = Wakes(self.tanks, lambda tank, at_s: self._tank_wake(state, tank, at_s))

    def _tank_wake(self, state: SiteState, tank: str, at_s: float) -> float | None:
        """When this tank or one of its probes is to be looked at though nothing happened."""
        wakes = self.tanks[tank].next_wake(state.tanks[tank], at_s)
        probes = (self.probes[k].next_wake(state.probes[k]) for k in self._own[tank])
        return min([*wakes, *(w for w in probes if w is not None)], default=None)
