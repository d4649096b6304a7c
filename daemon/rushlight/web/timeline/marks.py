"""What happened in a stretch, as signs above the lanes and as lines that can be read.

Owns which shape stands for which kind of entry.  An entry's words are `entered`'s, an alarm's the journal's.
"""

from __future__ import annotations

import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass

from rushlight.alarms.table import TABLE
from rushlight.drawing.signs import Shape, Sign, Span
from rushlight.entry import entered
from rushlight.events import Event
from rushlight.localunits import Units
from rushlight.web import formats
from rushlight.web.timeline.of_journal import Episode, Record

_SHAPES: dict[str, Shape] = {
    "test": "test",
    "feeding": "fed",
    "water_change": "water",
    "top_off": "water",
    "harvest": "cut",
    "growth": "cut",
    "lamp": "lamp",
    "light_spot": "lamp",
    "sighting": "seen",
    "stocking": "seen",
}
MEANING: dict[Shape, str] = {
    "test": "test",
    "water": "water changed or added",
    "fed": "feeding",
    "cut": "plants cut or measured",
    "lamp": "lamp or light",
    "seen": "seen, or fish in and out",
    "other": "anything else",
    "high": "high alarm",
    "medium": "medium alarm",
    "low": "low alarm",
}


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that happened, to be read: when, a shape, a heading, and more where there is more."""

    at_s: float
    shape: Shape
    words: str
    more: str = ""
    entry_id: str = ""
    until_s: float | None = None
    stands: bool = False


def entry_signs(record: Record, now_s: float, zone: zoneinfo.ZoneInfo, units: Units) -> list[Sign]:
    """A sign for each entry."""
    return [Sign(e.at_s, shape_of(e), _label(entered.of_event(e, units), e.at_s, now_s, zone)) for e in record.entries]


def shape_of(event: Event) -> Shape:
    """The shape of an entry."""
    return _SHAPES.get(event.kind, "other")


def alarm_signs(record: Record, now_s: float, zone: zoneinfo.ZoneInfo) -> list[Sign]:
    """A sign for each alarm, where it rose."""
    return [
        Sign(e.from_s, e.priority, _label(f"{title(e)} ({e.priority})", e.from_s, now_s, zone)) for e in record.episodes
    ]


def spans(record: Record, now_s: float) -> list[Span]:
    """How long each alarm stood."""
    return [Span(e.from_s, now_s if e.to_s is None else e.to_s, e.priority) for e in record.episodes]


def title(episode: Episode) -> str:
    """What an alarm is called; an id of one that no table holds any more stands for itself."""
    row = TABLE.get(episode.alarm)
    return row.title if row is not None else episode.alarm


def _label(words: str, at_s: float, now_s: float, zone: zoneinfo.ZoneInfo) -> str:
    return f"{words}, {formats.moment(at_s, now_s, zone)}"


def lines(record: Record, from_s: float, to_s: float, units: Units) -> list[Line]:
    """What happened from `from_s` to `to_s`, both included, newest first."""
    found = [
        Line(e.at_s, shape_of(e), entered.of_event(e, units), entry_id=e.id)
        for e in record.entries
        if from_s <= e.at_s <= to_s
    ]
    found += [
        Line(e.from_s, e.priority, title(e), e.text, until_s=e.to_s, stands=e.to_s is None)
        for e in record.episodes
        if from_s <= e.from_s <= to_s
    ]
    return sorted(found, key=lambda line: -line.at_s)


def kinds(record: Record) -> Sequence[tuple[Shape, str]]:
    """The shapes that are in the record, with what they mean."""
    here: set[Shape] = {shape_of(e) for e in record.entries}
    here |= {e.priority for e in record.episodes}
    return [(shape, word) for shape, word in MEANING.items() if shape in here]
