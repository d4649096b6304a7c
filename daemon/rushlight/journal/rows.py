"""Events and effects as table rows and back.  Pure: opens nothing, reads no clock.

Times become whole milliseconds, which is what the event-line format carries too.  `whole_ms` rounds an event
the same way; step the core with its result and what is read back after a restart is equal to what acted.
"""

from __future__ import annotations

import dataclasses
import json
from dataclasses import dataclass
from typing import Any, NamedTuple, cast

from rushlight.effects import AlarmChange, Daily, DueChange, Estimate
from rushlight.eventlines import format_line, parse_line
from rushlight.events import Event, Quality, Reading


@dataclass(frozen=True, slots=True)
class Recorded:
    """An event as it came in: with the monotonic time of this boot, and whether the wall clock could be trusted.

    `mono_s` is None for what did not happen here and now (an import).
    """

    event: Event
    mono_s: float | None = None
    clock_ok: bool = True


class Stored(NamedTuple):
    """An event as it is kept: its arrival number, and whether its time is to be trusted."""

    seq: int
    event: Event
    clock_ok: bool


ReadingRow = tuple[int, int, int, float | None, int | None, int | None, int | None, int, int | None]

ADD_READING = "INSERT OR IGNORE INTO reading VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
ADD_EVENT = "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
ADD_PROBE = "INSERT INTO probe VALUES (?, ?, ?) ON CONFLICT DO NOTHING"
ADD_ALARM = "INSERT INTO alarm VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
ADD_DUE = "INSERT INTO due VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
ADD_DAILY = (
    "INSERT INTO daily VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET at_ms = excluded.at_ms, body = excluded.body"
)


def ms(at_s: float) -> int:
    """Seconds as whole milliseconds."""
    return round(at_s * 1000)


def optional_ms(at_s: float | None) -> int | None:
    """The same for what may not be known."""
    return None if at_s is None else round(at_s * 1000)


def whole_ms(event: Event) -> Event:
    """The event with its times rounded to what the journal keeps."""
    at_s, received_s = ms(event.at_s) / 1000, ms(event.received_s) / 1000
    received_s = 0.0 if received_s == at_s else received_s
    if at_s == event.at_s and received_s == event.received_s:
        return event
    return dataclasses.replace(event, at_s=at_s, received_s=received_s)


def reading_row(seq: int, probe_no: int, event: Reading, boot_no: int | None, recorded: Recorded) -> ReadingRow:
    """The row of table `reading`.  Boot and monotonic time are kept where the time may still have to be put right."""
    at_ms = round(event.at_s * 1000)
    received_ms = round(event.received_s * 1000) if event.received_s else None
    return (
        seq,
        probe_no,
        at_ms,
        event.value,
        event.quality,
        None if recorded.mono_s is None or recorded.clock_ok else boot_no,
        None if recorded.clock_ok else optional_ms(recorded.mono_s),
        int(recorded.clock_ok),
        None if received_ms == at_ms else received_ms,
    )


def reading(
    at_ms: int, probe: str, unit: str, value: float | None, flag: int | None, received_ms: int | None
) -> Reading:
    """The event of a row of table `reading`; ids of readings are made on export only."""
    return Reading(
        at_s=at_ms / 1000,
        received_s=0.0 if received_ms is None else received_ms / 1000,
        probe=probe,
        value=value,
        unit=unit,
        quality=cast("Quality | None", flag),
    )


def event_row(seq: int, event: Event, boot_no: int | None, recorded: Recorded) -> tuple[Any, ...]:
    """The row of table `event`.  Raises ValueError for an event without an id."""
    if not event.id:
        raise ValueError(f"a {event.kind} event needs an id before it can be kept")
    return (
        seq,
        event.id,
        ms(event.at_s),
        ms(event.arrived_s),
        event.kind,
        getattr(event, "tank", None),
        format_line(event),
        None if recorded.mono_s is None else boot_no,
        optional_ms(recorded.mono_s),
        int(recorded.clock_ok),
    )


def event(line: str) -> Event:
    """The event of a row's line."""
    return parse_line(line, internal=True)


def alarm_row(no: int, seq: int, change: AlarmChange, stamp: tuple[int | None, int | None, int]) -> tuple[Any, ...]:
    """The row of table `alarm`; `stamp` is boot, monotonic ms and clock_ok of what caused it."""
    evidence = json.dumps(dict(change.evidence), ensure_ascii=False, separators=(",", ":"))
    return (
        no,
        seq,
        ms(change.at_s),
        change.id,
        change.alarm,
        change.tank,
        change.occurrence,
        change.state,
        change.priority,
        change.text,
        evidence,
        *stamp,
    )


def alarm(row: tuple[Any, ...]) -> AlarmChange:
    """The effect of the columns at_ms, id, alarm, tank, occurrence, state, priority, text, evidence."""
    at_ms, id_, name, tank, occurrence, state, priority, text, evidence = row
    return AlarmChange(
        at_s=at_ms / 1000,
        tank=tank,
        alarm=name,
        id=id_,
        occurrence=occurrence,
        state=state,
        priority=priority,
        text=text,
        evidence=json.loads(evidence),
    )


def due_row(no: int, due: DueChange) -> tuple[Any, ...]:
    """The row of table `due`."""
    return (no, due.tank or "", ms(due.at_s), ms(due.due_at_s), due.reason)


def daily_row(day: Daily) -> tuple[Any, ...]:
    """The row of table `daily`."""
    body = dataclasses.asdict(day)
    for name in ("at_s", "tank", "date"):
        del body[name]
    return (day.tank or "", day.date, ms(day.at_s), json.dumps(body, separators=(",", ":")))


_ESTIMATES = frozenset(f.name for f in dataclasses.fields(Daily) if "Estimate" in str(f.type))
_DAILY_KEYS = frozenset(f.name for f in dataclasses.fields(Daily))


def daily(row: tuple[Any, ...]) -> Daily:
    """The effect of the columns tank, date, at_ms, body; keys that this version does not know are passed over."""
    tank, date, at_ms, text = row
    body = {k: v for k, v in json.loads(text).items() if k in _DAILY_KEYS}
    for name in _ESTIMATES & body.keys():
        if body[name] is not None:
            body[name] = Estimate(**body[name])
    return Daily(at_s=at_ms / 1000, tank=tank or None, date=date, **body)
