"""The screen of one tank: how it stands, its timeline, and why; and the parts of the timeline that a script asks for.

Writes nothing and works out nothing.  All of it can be read without a script: each choice is an address.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from rushlight import drawing
from rushlight.drawing import album, lanes, signs
from rushlight.effects import Estimate
from rushlight.events import Growth
from rushlight.localtime import midnight_of
from rushlight.settings import Tank
from rushlight.views import TankView
from rushlight.web import formats, what_if
from rushlight.web.entering.entries import SHEETS
from rushlight.web.screens import notice
from rushlight.web.serving.page_request import PageRequest
from rushlight.web.serving.wsgi import Response
from rushlight.web.timeline import marks, of_journal, stretch, tracks
from rushlight.web.timeline.marks import Line
from rushlight.web.timeline.stretch import Stretch
from rushlight.web.timeline.tracks import Track

TABLE_ROWS, VALUE_ROWS = 26, 180


@dataclass(frozen=True, slots=True)
class Drawn:
    """A timeline, ready to be put on the page."""

    stretch: Stretch
    tracks: Sequence[Track]
    lanes: Sequence[str]
    axis: str
    done: str
    alarms: str
    pictures: str
    """The diary's, small, each over its day; empty where there is none."""
    key: Sequence[tuple[str, str]]
    days: tuple[str, str]
    look: Sequence[Line]
    looking: bool
    choices: dict[str, str]
    keep: str
    """What every address of the timeline carries besides: the trial."""


def tank(asked: PageRequest, tank_id: str) -> Response:
    """One tank, whole."""
    settings, view = asked.tank(tank_id), asked.tank_view(tank_id)
    wanted, outcome, faults = what_if.asked_for(asked, settings)
    drawn = _drawn(asked, settings, view, outcome.tried if outcome else ())
    shares = drawing.shares(
        [(s.cause, s.change.mean, s.change.low, s.change.high) for s in view.causes],
        palette=drawing.PAGE,
        unit=asked.units.word("mg/L as NO3 a day"),
    )
    return asked.page(
        "tank.html",
        view.title,
        tank=settings,
        t=view,
        line=drawn,
        table=_table(asked, drawn, TABLE_ROWS),
        shares=shares if view.causes else "",
        asked=wanted,
        outcome=outcome,
        faults=faults,
        hours_now=what_if.lamp_hours(settings),
        facts=_facts(asked, view),
        sheets=SHEETS,
        light=asked.daemon.light_sentences(tank_id),
        notice=notice(asked),
        stretch={k: v for k in ("stretch", "from", "to") if (v := asked.request.query.get(k, ""))},
    )


def part(asked: PageRequest, tank_id: str) -> Response:
    """The timeline alone, for a script that has moved it."""
    settings, view = asked.tank(tank_id), asked.tank_view(tank_id)
    _, outcome, _ = what_if.asked_for(asked, settings)
    drawn = _drawn(asked, settings, view, outcome.tried if outcome else ())
    return asked.page("timeline_part.html", view.title, t=view, line=drawn, table=_table(asked, drawn, TABLE_ROWS))


def values(asked: PageRequest, tank_id: str) -> Response:
    """What each column of the timeline says in words: JSON `titles` and `rows` of [Unix seconds, when, values…]."""
    settings, view = asked.tank(tank_id), asked.tank_view(tank_id)
    _, outcome, _ = what_if.asked_for(asked, settings)
    chosen, made, _ = _made(asked, settings, view, outcome.tried if outcome else ())
    said = [
        [round(at_s), _when(asked, chosen, at_s), *columns]
        for at_s, columns in tracks.rows(made, chosen, VALUE_ROWS, asked.daemon.now_s())
    ]
    body = json.dumps({"titles": tracks.titles(made), "rows": said}, ensure_ascii=False, separators=(",", ":"))
    return Response(body.encode(), kind="application/json; charset=utf-8")


def look(asked: PageRequest, tank_id: str) -> Response:
    """What a sign stands for, for a script that has seen it touched."""
    settings, now_s = asked.tank(tank_id), asked.daemon.now_s()
    at = stretch.chosen(asked.request.query, now_s, now_s, asked.zone)
    from_s, to_s = _looked_at(asked) or at.span_s
    with asked.daemon.reader() as reader:
        found = of_journal.read(reader, tank_id, _probes(asked, settings), (from_s, to_s), asked.zone)
    return asked.page("look.html", settings.title, tank=settings, lines=marks.lines(found, from_s, to_s, asked.units))


# ---------------------------------------------------------------------- parts


def _made(
    asked: PageRequest, settings: Tank, view: TankView, tried: Sequence[tuple[int, Estimate]]
) -> tuple[Stretch, list[Track], of_journal.Record]:
    now_s, zone = asked.daemon.now_s(), asked.zone
    with asked.daemon.reader() as reader:
        first = reader.first_day(settings.id)
        first_s = midnight_of(first, zone) if first else now_s
        chosen = stretch.chosen(asked.request.query, now_s, first_s, zone)
        found = of_journal.read(reader, settings.id, _probes(asked, settings), chosen.span_s, zone)
        made = tracks.tracks(tracks.Asked(asked.daemon, settings, view, found, chosen, now_s, tried), reader)
    return chosen, made, found


def _probes(asked: PageRequest, settings: Tank) -> list[str]:
    return [p.id for p in asked.config.probe if p.tank == settings.id]


def _drawn(asked: PageRequest, settings: Tank, view: TankView, tried: Sequence[tuple[int, Estimate]]) -> Drawn:
    now_s, zone = asked.daemon.now_s(), asked.zone
    chosen, made, found = _made(asked, settings, view, tried)

    def address(from_s: float, to_s: float) -> str:
        return f"/tanks/{settings.id}?{chosen.query}{what_if.query(asked)}&look={from_s:.3f}_{to_s:.3f}#look"

    looked = _looked_at(asked)
    return Drawn(
        stretch=chosen,
        tracks=made,
        lanes=[lanes.lane(t.lane, chosen.span_s, now_s, zone) for t in made],
        axis=lanes.axis(chosen.span_s, zone),
        done=signs.signs("What was done", marks.entry_signs(found, now_s, zone, asked.units), chosen.span_s, address),
        alarms=signs.signs(
            "Alarms", marks.alarm_signs(found, now_s, zone), chosen.span_s, address, marks.spans(found, now_s)
        ),
        pictures=album.row(_shots(asked, settings, found), chosen.span_s, zone),
        key=marks.kinds(found),
        days=stretch.days(chosen, now_s, zone),
        look=marks.lines(found, *looked, asked.units) if looked else (),
        looking=looked is not None,
        choices={name: words for name, (words, _) in stretch.CHOICES.items()},
        keep=what_if.query(asked),
    )


def _shots(asked: PageRequest, settings: Tank, found: of_journal.Record) -> list[album.Shot]:
    pictures = asked.daemon.pictures()
    return [
        album.Shot(
            e.at_s,
            f"/pictures/{e.picture}.jpg",
            f"/tanks/{settings.id}/diary?then={e.picture}",
            "Picture of the plants, to be compared with the newest",
        )
        for e in found.entries
        if isinstance(e, Growth) and e.picture and pictures is not None and pictures.has(e.picture)
    ]


def _looked_at(asked: PageRequest) -> tuple[float, float] | None:
    from_text, _, to_text = asked.request.query.get("look", "").partition("_")
    try:
        from_s, to_s = float(from_text) - 0.001, float(to_text) + 0.001
    except ValueError:
        return None
    return (from_s, to_s) if abs(from_s) < 1e11 and abs(to_s) < 1e11 else None


@dataclass(frozen=True, slots=True)
class Table:
    """The timeline's values in rows, newest first."""

    head: Sequence[str]
    rows: Sequence[Sequence[str]]


def _table(asked: PageRequest, drawn: Drawn, most: int) -> Table:
    found = tracks.rows(drawn.tracks, drawn.stretch, most, asked.daemon.now_s())
    rows = [[_when(asked, drawn.stretch, at_s), *said] for at_s, said in reversed(found)]
    return Table(["About", *tracks.titles(drawn.tracks)], rows)


def _when(asked: PageRequest, chosen: Stretch, at_s: float) -> str:
    say = formats.shown_day if chosen.to_s - chosen.from_s > 30 * 86400.0 else formats.shown_moment
    now_s = asked.daemon.now_s()
    said = say(at_s, now_s, asked.zone, first=True)
    return Markup("{} <small>forecast</small>").format(said) if at_s > now_s else said


def _facts(asked: PageRequest, view: TankView) -> list[str]:
    """What else is known of the tank: its water's chemistry, and how long the strips last."""
    facts = list(view.water_sentences)
    if view.strips_left is not None:
        facts.append(f"About {view.strips_left:.0f} strips left.")
    if view.reorder_at_s is not None:
        due = view.reorder_at_s <= asked.daemon.now_s()
        day = formats.shown_day(view.reorder_at_s, asked.daemon.now_s(), asked.zone)
        by = Markup("Buy the next pack of strips by {}.").format(day)
        facts.append("Buy the next pack of strips now." if due else by)
    return facts
