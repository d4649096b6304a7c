"""The log: what was entered about a tank, by day, filtered by kind and searched by word; each entry opens for mending.

Writes nothing.
"""

from __future__ import annotations

import datetime as dt
import itertools
import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass

from rushlight.drawing.signs import Shape
from rushlight.entry import entered
from rushlight.events import Acknowledge, Correction, Event, Shelve
from rushlight.localtime import DAY_S, local_date, midnight_of
from rushlight.localunits import Units
from rushlight.web import formats
from rushlight.web.entering.entries import SHEETS
from rushlight.web.screens import notice
from rushlight.web.serving.page_request import PageRequest
from rushlight.web.serving.wsgi import Response
from rushlight.web.timeline import marks, of_journal

PAGE = 80
"""Entries on one page; older ones are behind a link."""
_LONGEST_SEARCH = 80
_OTHER = {"test": "Test", "calibration": "Calibration", "kit_check": "Kit check", "note": "Note"}


@dataclass(frozen=True, slots=True)
class Line:
    """One entry."""

    id: str
    shape: Shape
    words: str
    at: str
    late: str
    """When it was entered, where that is much later."""
    undone: bool


@dataclass(frozen=True, slots=True)
class Day:
    """A local day's entries, newest first."""

    name: str
    lines: Sequence[Line]


def screen(asked: PageRequest, tank_id: str) -> Response:
    """The log of one tank."""
    tank, query = asked.tank(tank_id), asked.request.query
    kind, word = query.get("kind", ""), query.get("word", "").strip()[:_LONGEST_SEARCH]
    before_s = _before(query.get("before", ""))
    with asked.daemon.reader() as reader:
        events = [s.event for s in reader.entries(tank_id, limit=of_journal.MOST_ENTRIES)]
    undone = {e.of for e in events if isinstance(e, Correction) and e.void}
    probes = {None, *(p.id for p in asked.config.probe if p.tank == tank_id)}
    standing = {e.id: e for e in of_journal.standing(events)}
    shown = [
        standing.get(e.id, e)
        for e in events
        if not isinstance(e, Correction | Acknowledge | Shelve) and getattr(e, "probe", None) in probes
    ]
    shown.sort(key=lambda e: -e.at_s)
    kinds = _kinds(shown)
    found = [e for e in shown if (not kind or e.kind == kind) and _has(e, word, asked.units) and e.at_s < before_s]
    days = _days(asked, found[:PAGE], undone)
    older = found[PAGE - 1].at_s if len(found) > PAGE else None
    return asked.page(
        "log.html",
        f"Log, {tank.title}",
        tank=tank,
        days=days,
        kinds=kinds,
        kind=kind,
        word=word,
        count=len(found),
        older=older,
        notice=notice(asked),
    )


def _before(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return float("inf")


def _kinds(events: Sequence[Event]) -> dict[str, str]:
    """The kinds that were entered, by their titles."""
    titles = {s.kind: s.title for s in SHEETS.values()} | _OTHER
    here = {e.kind for e in events}
    return dict(sorted(((k, titles.get(k, k)) for k in here), key=lambda item: item[1]))


def _has(event: Event, word: str, units: Units) -> bool:
    """Whether the word stands in what the entry says, or in what was noted beside it."""
    said = f"{entered.of_event(event, units)} {getattr(event, 'note', '')} {getattr(event, 'what', '')}"
    return word.casefold() in said.casefold()


def _days(asked: PageRequest, events: Sequence[Event], undone: set[str]) -> list[Day]:
    now_s, zone = asked.daemon.now_s(), asked.zone
    return [
        Day(_name(date, now_s, zone), [_line(asked, e, e.id in undone) for e in group])
        for date, group in itertools.groupby(events, lambda e: local_date(e.at_s, zone))
    ]


def _name(date: str, now_s: float, zone: zoneinfo.ZoneInfo) -> str:
    return formats.shown_day(midnight_of(dt.date.fromisoformat(date), zone) + 0.5 * DAY_S, now_s, zone, first=True)


def _line(asked: PageRequest, event: Event, undone: bool) -> Line:
    late = event.received_s is not None and event.received_s > event.at_s + 600.0
    moment = formats.shown_moment(event.received_s, asked.daemon.now_s(), asked.zone) if late else ""
    at = formats.clock(event.at_s, asked.zone)
    return Line(event.id, marks.shape_of(event), entered.of_event(event, asked.units), at, moment, undone)
