"""Events and effects as table rows and back.  Pure: opens nothing, reads no clock.

Times become whole milliseconds, which is what the event-line format carries too.  `whole_ms` rounds an event
the same way; step the core with its result and what is read back after a restart is equal to what acted.
"""

from __future__ import annotations

import dataclasses
import json
import logging
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple, Protocol, TypeVar, cast

from rushlight.effects import AlarmChange, Daily, DueChange, Estimate
from rushlight.eventlines import format_line, parse_line
from rushlight.events import Event, Quality, Reading

log = logging.getLogger(__name__)
T = TypeVar("T")
U = TypeVar("U")


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


THIS_BOOT = 0
"""Stands for this boot's number in a row that is not committed yet."""
ProbeKey = tuple[str, str]
"""A probe's name, and the unit in which it speaks."""


@dataclass(frozen=True, slots=True)
class Numbers:
    """From where a journal goes on counting: added to a row's own numbers when it is committed, and not before.

    So rows may be made while nobody can ask the database how far it had come.
    """

    seq: int = 0
    alarm: int = 0
    due: int = 0
    outbox: int = 0
    boot: int = 1
    probes: Mapping[ProbeKey, int] = field(default_factory=dict)

    def boot_of(self, boot: int | None) -> int | None:
        """A row's boot, with this one's number where it stands for it."""
        return self.boot if boot == THIS_BOOT else boot


class Row(Protocol):
    """What is written by one statement, once its numbers are known."""

    @property
    def sql(self) -> str: ...

    def values(self, numbers: Numbers) -> tuple[Any, ...]: ...


@dataclass(frozen=True, slots=True)
class Statement:
    """A row of a small table, or an order, which no number of ours is part of."""

    sql: str
    plain: tuple[Any, ...] = ()

    def values(self, numbers: Numbers) -> tuple[Any, ...]:  # noqa: ARG002 - a `Row`
        return self.plain


def insert(table: str, columns: Sequence[str], end: str = " ON CONFLICT DO NOTHING") -> str:
    """The statement that adds a row by the names of its columns."""
    return f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))}){end}"  # noqa: S608


def columns_of(row: Any) -> tuple[str, ...]:
    """The names of a row's columns, which are those of its fields."""
    return tuple(f.name for f in dataclasses.fields(row))


ADD_PROBE = insert("probe", ("no", "name", "unit"))


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """A row of table `reading`.  Boot and monotonic time are kept where the time may still have to be put right."""

    seq: int
    probe: ProbeKey
    at_ms: int
    value: float | None
    flag: int | None
    boot: int | None
    mono_ms: int | None
    clock_ok: int
    received_ms: int | None

    @classmethod
    def of(cls, seq: int, event: Reading, recorded: Recorded, boot: int | None = THIS_BOOT) -> ReadingRow:
        """The row of a reading."""
        at_ms = round(event.at_s * 1000)
        received_ms = round(event.received_s * 1000) if event.received_s else None
        return cls(
            seq,
            (event.probe, event.unit),
            at_ms,
            event.value,
            event.quality,
            None if recorded.mono_s is None or recorded.clock_ok else boot,
            None if recorded.clock_ok else optional_ms(recorded.mono_s),
            int(recorded.clock_ok),
            None if received_ms == at_ms else received_ms,
        )

    def values(self, numbers: Numbers) -> tuple[Any, ...]:
        """In the order of `READING_COLUMNS`."""
        boot = numbers.boot_of(self.boot)
        rest = (self.at_ms, self.value, self.flag, boot, self.mono_ms, self.clock_ok, self.received_ms)
        return (self.seq + numbers.seq, numbers.probes[self.probe], *rest)


READING_COLUMNS = columns_of(ReadingRow)
ADD_READING = insert("reading", READING_COLUMNS)


@dataclass(frozen=True, slots=True)
class EventRow:
    """A row of table `event`."""

    seq: int
    id: str
    at_ms: int
    received_ms: int
    kind: str
    tank: str | None
    line: str
    boot: int | None
    mono_ms: int | None
    clock_ok: int

    @classmethod
    def of(cls, seq: int, event: Event, recorded: Recorded, boot: int | None = THIS_BOOT) -> EventRow:
        """The row of an event.  Raises ValueError for one without an id."""
        if not event.id:
            raise ValueError(f"a {event.kind} event needs an id before it can be kept")
        return cls(
            seq,
            event.id,
            ms(event.at_s),
            ms(event.arrived_s),
            event.kind,
            getattr(event, "tank", None),
            format_line(event),
            None if recorded.mono_s is None else boot,
            optional_ms(recorded.mono_s),
            int(recorded.clock_ok),
        )

    @property
    def sql(self) -> str:
        """See `Row`."""
        return ADD_EVENT

    def values(self, numbers: Numbers) -> tuple[Any, ...]:
        """In the order of `EVENT_COLUMNS`."""
        moved = dataclasses.replace(self, seq=self.seq + numbers.seq, boot=numbers.boot_of(self.boot))
        return tuple(getattr(moved, c) for c in EVENT_COLUMNS)

    def stored(self, numbers: Numbers) -> Stored:
        """The event that it holds."""
        return Stored(self.seq + numbers.seq, event(self.line), bool(self.clock_ok))


EVENT_COLUMNS = columns_of(EventRow)
ADD_EVENT = insert("event", EVENT_COLUMNS)


@dataclass(frozen=True, slots=True)
class Stamp:
    """Where a row's wall times came from."""

    boot: int | None = None
    mono_ms: int | None = None
    clock_ok: int = 1


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """A row of table `alarm`."""

    no: int
    seq: int
    at_ms: int
    id: str
    alarm: str
    tank: str | None
    occurrence: int
    state: str
    priority: str
    text: str
    evidence: str
    boot: int | None
    mono_ms: int | None
    clock_ok: int

    @classmethod
    def of(cls, no: int, seq: int, change: AlarmChange, stamp: Stamp) -> AlarmRow:
        """The row of a change of an alarm's state."""
        return cls(
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
            json.dumps(dict(change.evidence), ensure_ascii=False, separators=(",", ":")),
            stamp.boot,
            stamp.mono_ms,
            stamp.clock_ok,
        )

    @property
    def sql(self) -> str:
        """See `Row`."""
        return ADD_ALARM

    def values(self, numbers: Numbers) -> tuple[Any, ...]:
        """In the order of `ALARM_COLUMNS`."""
        moved = dataclasses.replace(
            self, no=self.no + numbers.alarm, seq=self.seq + numbers.seq, boot=numbers.boot_of(self.boot)
        )
        return tuple(getattr(moved, c) for c in ALARM_COLUMNS)


ALARM_COLUMNS = columns_of(AlarmRow)
ADD_ALARM = insert("alarm", ALARM_COLUMNS)


@dataclass(frozen=True, slots=True)
class DueRow:
    """A row of table `due`."""

    no: int
    tank: str
    at_ms: int
    due_ms: int
    reason: str

    @classmethod
    def of(cls, no: int, due: DueChange) -> DueRow:
        """The row of a change of the next test's date."""
        return cls(no, due.tank or "", ms(due.at_s), ms(due.due_at_s), due.reason)

    @property
    def sql(self) -> str:
        """See `Row`."""
        return ADD_DUE

    def values(self, numbers: Numbers) -> tuple[Any, ...]:
        """In the order of its fields."""
        return (self.no + numbers.due, self.tank, self.at_ms, self.due_ms, self.reason)


ADD_DUE = insert("due", columns_of(DueRow))


@dataclass(frozen=True, slots=True)
class BootRow:
    """A row of table `boot`: this one."""

    id: str
    first_seq: int

    @property
    def sql(self) -> str:
        """See `Row`."""
        return ADD_BOOT

    def values(self, numbers: Numbers) -> tuple[Any, ...]:
        """Number, the kernel's name for it, the first arrival number in it."""
        return (numbers.boot, self.id, self.first_seq + numbers.seq)


ADD_BOOT = insert("boot", ("no", "id", "first_seq"))
_ADD_DAILY = insert(
    "daily",
    ("tank", "date", "at_ms", "body"),
    " ON CONFLICT DO UPDATE SET at_ms = excluded.at_ms, body = excluded.body",
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


def event(line: str) -> Event:
    """The event of a row's line."""
    return parse_line(line, internal=True)


def readable(found: Iterable[T], make: Callable[[T], U], bad: Callable[[T], None] | None = None) -> Iterator[U]:
    """What `make` makes of each row.  SQLite has no checksums: what a bad card turned into nonsense is left out.

    `bad` hears of each such row; without it the log does.
    """
    for row in found:
        try:
            yield make(row)
        except (ValueError, TypeError, KeyError, OverflowError, RecursionError) as e:
            if bad is None:
                log.error("journal=damaged row=%.80r why=%s", row, e)  # noqa: TRY400 - a row, not a fault of ours
            else:
                bad(row)


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


def daily_row(day: Daily) -> Statement:
    """The row of table `daily`."""
    body = dataclasses.asdict(day)
    for name in ("at_s", "tank", "date"):
        del body[name]
    plain = (day.tank or "", day.date, ms(day.at_s), json.dumps(body, separators=(",", ":")))
    return Statement(_ADD_DAILY, plain)


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
