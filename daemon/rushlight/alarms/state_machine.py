"""The alarm state machine: findings come in, changes of state go out.

Owns which alarms stand, in which of the states of IEC 62682 / ANSI-ISA-18.2 they are, and when a delay, a shelf
time or an acknowledgement runs out.  Never judges a value (a watch does, deadband included), never decides who
is told (`notify` does), keeps no figures and makes no words (`writer` does): that an alarm stands and since when.

A 'hold' is neither good nor bad: it stops a running delay and clears nothing.  Within one instant the worst word
stands (raise before clear before hold), so the order of findings in an instant changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from rushlight.alarms.finding import Finding, Says
from rushlight.alarms.pace import LOOKED_AT_S, RANK
from rushlight.alarms.table import TABLE, AlarmRow
from rushlight.config.implied import alike
from rushlight.effects import AlarmChange, AlarmStateName, Effect, Remark
from rushlight.localtime import HOUR_S
from rushlight.settings import Config, Priority
from rushlight.views import STANDING, AlarmView

LATE_S = 900.0
"""A delay that ran out longer ago than this was slept through: it waits for the next finding to confirm it (own
choice)."""
CHATTER_CROSSINGS = 4
"""More risings and returns than this within an hour make an alarm unstable (G4 of ISA-18.2's chattering idea)
(own choice)."""
STEADY_S = HOUR_S
"""An unstable alarm must stay clear this long before it returns (own choice)."""

_WORST: Mapping[Says | Literal[""], int] = {"": -1, "hold": 0, "clear": 1, "raise": 2}
OF_PROBES = frozenset({"probe_silent", "probe_fault", "calibration_due"})
OF_VALUES = {
    f"{quantity}_{word}": quantity
    for quantity, words_ in (
        ("temperature", ("high", "low", "moving")),
        ("ph", ("high", "low", "moving")),
        ("level", ("low",)),
        ("conductivity", ("high",)),
    )
    for word in words_
}
"""Alarms that each probe of a quantity has for itself where a tank has several."""


@dataclass(slots=True)
class AlarmRecord:
    """One alarm's memory.  `due_s` None with `pending` set is a delay that stands still with `left_s` to go."""

    alarm: str
    tank: str | None
    subject: str
    priority: Priority
    state: AlarmStateName = "normal"
    occurrence: int = 0
    since_s: float = 0.0
    active: bool = False
    pending: Literal["", "raise", "clear"] = ""
    due_s: float | None = None
    left_s: float = 0.0
    said: Says | Literal[""] = ""
    said_s: float = 0.0
    undo_due_s: float | None = None
    acked_s: float | None = None
    tested_s: float | None = None
    """When somebody last looked by a test of his own."""
    acks: int = 0
    """Acknowledgements of this occurrence at this priority."""
    shelved_until_s: float | None = None
    by: str = ""
    crossings: list[float] = field(default_factory=list)
    unstable: bool = False

    @property
    def resting(self) -> bool:
        """True if nothing about this alarm can change until something raises it."""
        return self.state == "normal" and not self.pending and not self.active


@dataclass(slots=True)
class AlarmsState:
    """All alarms' memory.  `open` lists the ids that are not at rest under their alarm's name."""

    alarms: dict[str, AlarmRecord] = field(default_factory=dict)
    open: dict[str, list[str]] = field(default_factory=dict)
    wake_s: float | None = None


class AlarmBook:
    """The rules; the memory is the `AlarmsState` that is passed in and changed in place."""

    def __init__(self, config: Config) -> None:
        self._tanks = frozenset(t.id for t in config.tank)
        self._probes = frozenset(p.id for p in config.probe)
        self._alike: dict[tuple[str, str], list[str]] = {
            (p.tank, p.quantity): [q.id for q in alike(config, p.tank, p.quantity)] for p in config.probe
        }
        self._out = frozenset(config.alarms.out_of_service)
        self._priority = dict(config.alarms.priority)
        self._on_delay_s = {name: row.on_delay_s for name, row in TABLE.items()} | config.alarms.on_delay_s
        self._off_delay_s = {name: row.off_delay_s for name, row in TABLE.items()} | config.alarms.off_delay_s

    def initial(self) -> AlarmsState:
        """Nothing stands."""
        return AlarmsState()

    def next_wake(self, state: AlarmsState) -> float | None:
        """When `on_tick` has something to do next, Unix seconds; None for never."""
        return state.wake_s

    def judge(self, state: AlarmsState, at_s: float, finding: Finding) -> list[Effect]:
        """Take one watch's word.  Returns at once where a normal alarm is found clear."""
        says = finding.says
        if says != "raise" and finding.alarm not in state.open:
            return []
        alarm_id = finding.id
        record = state.alarms.get(alarm_id)
        if record is None:
            if says != "raise":
                return []
            record = self._enter(state, finding, alarm_id)
        record.tested_s = finding.tested_s
        if record.resting and says != "raise":
            return []
        if says == record.said and at_s >= record.said_s and self._is_old_news(record, finding, at_s):
            record.said_s = at_s
            return []
        return self._hear(state, alarm_id, record, at_s, finding)

    def on_tick(self, state: AlarmsState, at_s: float) -> list[Effect]:
        """Let delays, shelf times and acknowledgements run out."""
        if state.wake_s is None or at_s < state.wake_s:
            return []
        effects: list[Effect] = []
        for alarm_id in sorted(i for ids in state.open.values() for i in ids):
            record = state.alarms[alarm_id]
            effects += self._advance(alarm_id, record, at_s)
            effects += self._run_out(alarm_id, record, at_s)
            self._file(state, alarm_id, record)
        effects += self._hand_on(state, at_s) if effects else []
        self._set_wake(state)
        return effects

    def on_start(self, state: AlarmsState, at_s: float) -> list[Effect]:
        """Fit a kept state to the configuration: tanks and probes that are gone, alarms put out of or into service."""
        effects: list[Effect] = []
        for alarm_id in sorted(state.alarms):
            record = state.alarms[alarm_id]
            if self._is_gone(record):
                effects += self._retire(alarm_id, record, at_s)
            elif self._is_out(alarm_id, record.alarm):
                if record.state != "out_of_service":
                    effects += self._go(alarm_id, record, at_s, "out_of_service")
            elif record.state == "out_of_service":
                effects += self._reveal(alarm_id, record, at_s)
            self._file(state, alarm_id, record)
        for alarm_id in [i for i, r in state.alarms.items() if self._is_gone(r)]:
            del state.alarms[alarm_id]
        self._set_wake(state)
        return effects

    def acknowledge(self, state: AlarmsState, at_s: float, alarm_id: str, by: str) -> list[Effect]:
        """A person has seen it.  What cannot be acknowledged gives a harmless remark."""
        record = state.alarms.get(alarm_id)
        if record is None or record.state not in ("unacknowledged", "returned"):
            return [self._remark(record, at_s, alarm_id, "nothing there to acknowledge")]
        record.by, record.acked_s, record.acks = by, at_s, record.acks + 1
        effects = self._go(alarm_id, record, at_s, "acknowledged" if record.active else "normal")
        self._file(state, alarm_id, record)
        self._set_wake(state)
        return effects

    def shelve(self, state: AlarmsState, at_s: float, alarm_id: str, by: str, hours: float) -> list[Effect]:
        """Put the alarm aside for so many hours; 0 takes it back."""
        record = state.alarms.get(alarm_id)
        if record is None or record.state == "out_of_service":
            return [self._remark(record, at_s, alarm_id, "nothing there to put aside")]
        if hours <= 0:
            if record.state != "shelved":
                return [self._remark(record, at_s, alarm_id, "it is not put aside")]
            effects = self._reveal(alarm_id, record, at_s)
        else:
            record.by, record.shelved_until_s = by, at_s + hours * HOUR_S
            effects = self._go(alarm_id, record, at_s, "shelved")
        self._file(state, alarm_id, record)
        self._set_wake(state)
        return effects

    def views(self, state: AlarmsState) -> list[AlarmView]:
        """Every alarm that is not normal, by id."""
        out = []
        for alarm_id in sorted(i for ids in state.open.values() for i in ids):
            record = state.alarms[alarm_id]
            if record.state == "normal":
                continue
            out.append(
                AlarmView(
                    id=alarm_id,
                    alarm=record.alarm,
                    tank=record.tank,
                    subject=record.subject,
                    occurrence=record.occurrence,
                    state=record.state,
                    priority=record.priority,
                    since_s=record.since_s,
                    shelved_until_s=record.shelved_until_s,
                )
            )
        return out

    def standing(self, state: AlarmsState, tank: str | None) -> frozenset[str]:
        """Names of the tank's alarms whose condition holds at the moment, told or not."""
        return frozenset(
            alarm
            for alarm, ids in state.open.items()
            for alarm_id in ids
            if (record := state.alarms[alarm_id]).active and record.tank == tank
        )

    # -- hearing a finding ---------------------------------------------------------------------------------

    def _enter(self, state: AlarmsState, finding: Finding, alarm_id: str) -> AlarmRecord:
        row = TABLE[finding.alarm]
        record = AlarmRecord(finding.alarm, finding.tank, finding.subject, self._asked(row, finding))
        state.alarms[alarm_id] = record
        return record

    def _asked(self, row: AlarmRow, finding: Finding) -> Priority:
        return finding.priority or self._priority.get(row.name, row.priority)

    def _is_old_news(self, record: AlarmRecord, finding: Finding, at_s: float) -> bool:
        """The same word as before, with no delay running out and nothing worse in it."""
        if record.due_s is not None and at_s >= record.due_s:
            return False
        if finding.says == "hold":
            return record.due_s is None
        if finding.says == "clear":
            return record.pending == "clear" and record.due_s is not None
        if record.active:
            row = TABLE[record.alarm]
            return not record.pending and RANK[self._asked(row, finding)] <= RANK[record.priority]
        return record.pending == "raise" and record.due_s is not None

    def _hear(
        self, state: AlarmsState, alarm_id: str, record: AlarmRecord, at_s: float, finding: Finding
    ) -> list[Effect]:
        row, says = TABLE[record.alarm], finding.says
        if at_s < record.said_s and record.due_s is not None:
            # The wall clock was set back; the delay keeps what it had left.
            record.due_s += at_s - record.said_s
        effects: list[Effect] = []
        if record.state == "normal" and self._is_out(alarm_id, record.alarm):
            effects += self._go(alarm_id, record, at_s, "out_of_service")
        effects += self._advance(alarm_id, record, at_s)
        again = at_s == record.said_s
        if again and _WORST[says] < _WORST[record.said]:
            return effects
        if not again:
            record.undo_due_s = None
        record.said, record.said_s = says, at_s
        if says == "raise":
            effects += self._hear_raise(alarm_id, record, row, at_s, finding)
        elif says == "clear":
            effects += self._hear_clear(alarm_id, record, row, at_s)
        elif record.due_s is not None:
            record.left_s, record.undo_due_s, record.due_s = record.due_s - at_s, record.due_s, None
        self._file(state, alarm_id, record)
        effects += self._hand_on(state, at_s) if effects else []
        self._set_wake(state)
        return effects

    def _hear_raise(
        self, alarm_id: str, record: AlarmRecord, row: AlarmRow, at_s: float, finding: Finding
    ) -> list[Effect]:
        asked = self._asked(row, finding)
        if record.active:
            self._stand_still(record)
            return self._climb(alarm_id, record, at_s, asked)
        record.priority = asked
        if record.undo_due_s is not None:  # a milder word of this same instant had stopped the delay
            record.pending, record.due_s = "raise", record.undo_due_s
        elif record.pending != "raise":
            record.pending, record.due_s = "raise", at_s + self._on_delay_s[row.name]
        elif record.due_s is None:
            record.due_s = at_s + record.left_s
        record.left_s, record.undo_due_s = 0.0, None
        return self._advance(alarm_id, record, at_s)

    def _hear_clear(self, alarm_id: str, record: AlarmRecord, row: AlarmRow, at_s: float) -> list[Effect]:
        if not record.active:
            undo = record.undo_due_s
            if undo is None and record.pending == "raise":
                undo = at_s + record.left_s if record.due_s is None else record.due_s
            self._stand_still(record)
            record.undo_due_s = undo
            return []
        if record.undo_due_s is not None:
            record.pending, record.due_s = "clear", record.undo_due_s
        elif record.pending != "clear":
            delay_s = self._off_delay_s[row.name]
            delay_s = max(delay_s, STEADY_S) if record.unstable else delay_s
            record.pending, record.due_s = "clear", at_s + delay_s
        elif record.due_s is None:
            record.due_s = at_s + record.left_s
        record.left_s, record.undo_due_s = 0.0, None
        return self._advance(alarm_id, record, at_s)

    @staticmethod
    def _stand_still(record: AlarmRecord) -> None:
        record.pending, record.due_s, record.left_s, record.undo_due_s = "", None, 0.0, None

    def _climb(self, alarm_id: str, record: AlarmRecord, at_s: float, asked: Priority) -> list[Effect]:
        """A standing alarm got worse: neither acknowledgement nor shelf holds any more."""
        if RANK[asked] <= RANK[record.priority]:
            return []
        record.priority, record.acks = asked, 0
        if record.state == "out_of_service":
            return []
        return self._go(alarm_id, record, at_s, "unacknowledged")

    # -- time ----------------------------------------------------------------------------------------------

    def _advance(self, alarm_id: str, record: AlarmRecord, at_s: float) -> list[Effect]:
        """Complete the running delay if its time has come."""
        if record.due_s is None or at_s < record.due_s:
            return []
        if at_s - record.due_s > LATE_S:
            record.due_s, record.left_s = None, 0.0
            return []
        rising = record.pending == "raise"
        self._stand_still(record)
        record.active = rising
        recent = [t for t in record.crossings if t > at_s - HOUR_S]
        record.crossings = [*recent[-CHATTER_CROSSINGS:], at_s]
        if rising:
            record.occurrence, record.acks = record.occurrence + 1, 0
            record.unstable = record.unstable or len(record.crossings) > CHATTER_CROSSINGS
        else:
            record.unstable = False
        if record.state in ("shelved", "out_of_service"):
            return []
        if rising:
            return self._go(alarm_id, record, at_s, "unacknowledged")
        return self._go(alarm_id, record, at_s, "normal" if record.state == "acknowledged" else "returned")

    def _run_out(self, alarm_id: str, record: AlarmRecord, at_s: float) -> list[Effect]:
        """End a shelf time or an acknowledgement that is over."""
        until_s = self._until(record)
        if until_s is None or at_s < until_s:
            return []
        if record.state == "shelved":
            return self._reveal(alarm_id, record, at_s)
        return self._go(alarm_id, record, at_s, "unacknowledged")

    @staticmethod
    def _until(record: AlarmRecord) -> float | None:
        if record.state == "shelved":
            return record.shelved_until_s
        if record.state == "acknowledged" and record.active and record.acked_s is not None:
            row, looked_s = TABLE[record.alarm], record.acked_s
            if row.by_test and record.tested_s is not None:
                looked_s = max(looked_s, record.tested_s)
            until_s = looked_s + row.ack_lasts_s(record.priority, record.acks)
            return until_s if looked_s == record.acked_s else min(until_s, record.acked_s + LOOKED_AT_S)
        return None

    def _set_wake(self, state: AlarmsState) -> None:
        wake_s: float | None = None
        for ids in state.open.values():
            for alarm_id in ids:
                record = state.alarms[alarm_id]
                for when_s in (record.due_s, self._until(record)):
                    if when_s is not None and (wake_s is None or when_s < wake_s):
                        wake_s = when_s
        state.wake_s = wake_s

    # -- changing state ------------------------------------------------------------------------------------

    def _go(self, alarm_id: str, record: AlarmRecord, at_s: float, to: AlarmStateName) -> list[Effect]:
        record.state, record.since_s = to, at_s
        if to != "shelved":
            record.shelved_until_s = None
        if to != "acknowledged":
            record.acked_s = None
        return [self._change(alarm_id, record, at_s)]

    def _reveal(self, alarm_id: str, record: AlarmRecord, at_s: float) -> list[Effect]:
        """Off the shelf, or back in service: to what the condition says now."""
        return self._go(alarm_id, record, at_s, "unacknowledged" if record.active else "normal")

    def _hand_on(self, state: AlarmsState, at_s: float) -> list[Effect]:
        """What is over asks for no acknowledgement while an alarm that it had told for stands in its tank.

        That one tells the same trouble at an earlier stage, no more softly, and is answered by itself: two lines for
        one trouble would only tire.  What is told when it is over is left to whoever hears that.
        """
        effects: list[Effect] = []
        standing = [r for ids in state.open.values() for r in map(state.alarms.__getitem__, ids) if r.active]
        for alarm_id in sorted(i for ids in state.open.values() for i in ids):
            record = state.alarms[alarm_id]
            if record.state == "returned" and any(_goes_on_as(record, other) for other in standing):
                effects += self._go(alarm_id, record, at_s, "normal")
                self._file(state, alarm_id, record)
        return effects

    def _retire(self, alarm_id: str, record: AlarmRecord, at_s: float) -> list[Effect]:
        was = record.state
        self._stand_still(record)
        record.active = False
        return [] if was == "normal" or record.alarm not in TABLE else self._go(alarm_id, record, at_s, "normal")

    def _change(self, alarm_id: str, record: AlarmRecord, at_s: float) -> AlarmChange:
        return AlarmChange(
            at_s=at_s,
            tank=record.tank,
            alarm=record.alarm,
            id=alarm_id,
            subject=record.subject,
            occurrence=record.occurrence,
            state=record.state,
            priority=record.priority,
        )

    def _remark(self, record: AlarmRecord | None, at_s: float, alarm_id: str, why: str) -> Remark:
        state = record.state if record else "unknown"
        return Remark(at_s=at_s, tank=record.tank if record else None, text=f"alarm {alarm_id} ({state}): {why}")

    # -- bookkeeping ---------------------------------------------------------------------------------------

    def _is_out(self, alarm_id: str, alarm: str) -> bool:
        return bool(self._out) and (alarm_id in self._out or alarm in self._out)

    def _is_gone(self, record: AlarmRecord) -> bool:
        if record.alarm not in TABLE or (record.tank is not None and record.tank not in self._tanks):
            return True
        if record.alarm == "probes_disagree":
            return len(self._alike.get((record.tank or "", record.subject), ())) < 2
        if record.alarm in OF_VALUES:
            own = self._alike.get((record.tank or "", OF_VALUES[record.alarm]), [])
            return record.subject not in own if len(own) > 1 else bool(record.subject)
        return record.alarm in OF_PROBES and bool(record.subject) and record.subject not in self._probes

    @staticmethod
    def _file(state: AlarmsState, alarm_id: str, record: AlarmRecord) -> None:
        """Keep `open` true for this record."""
        ids = state.open.get(record.alarm)
        if record.resting:
            if ids and alarm_id in ids:
                ids.remove(alarm_id)
                if not ids:
                    del state.open[record.alarm]
        elif ids is None:
            state.open[record.alarm] = [alarm_id]
        elif alarm_id not in ids:
            ids.append(alarm_id)
            ids.sort()


def _goes_on_as(over: AlarmRecord, other: AlarmRecord) -> bool:
    """Whether the trouble of an alarm that is over goes on as this one, which people see and answer."""
    return (
        other.tank == over.tank
        and not TABLE[over.alarm].tell_return
        and over.alarm in TABLE[other.alarm].told_by
        and other.state in STANDING
        and RANK[other.priority] >= RANK[over.priority]
    )
