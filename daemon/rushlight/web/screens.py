"""The screens that are read: all tanks, one tank with its pictures, its entries, and 'what if'.

Writes nothing; the forms on these screens are answered by `writing`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from rushlight import drawing
from rushlight.effects import Estimate
from rushlight.entry import entered, firstaid
from rushlight.events import Acknowledge, Correction, Event, Shelve, Test
from rushlight.localtime import DAY_S
from rushlight.settings import OnHours, Tank
from rushlight.views import TankView
from rushlight.web import charts, formats
from rushlight.web.charts import Chart
from rushlight.web.entering.entries import SHEETS
from rushlight.web.entering.fields import FieldError, number
from rushlight.web.serving.daemon import Trial
from rushlight.web.serving.page_request import PageRequest
from rushlight.web.serving.wsgi import Response

_RECENT = 80
_LIST_S = 366 * DAY_S


@dataclass(frozen=True, slots=True)
class Notice:
    """What has just been done, and the id by which it can be undone."""

    words: str
    undo: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """One entry of the list."""

    event: Event
    words: str
    undone: bool
    can_undo: bool


def home(asked: PageRequest) -> Response:
    """Every tank a card."""
    view = asked.daemon.view()
    return asked.page("home.html", "Tanks", view=view, notice=notice(asked), heading=view.headline, sheets=SHEETS)


def notice(asked: PageRequest) -> Notice | None:
    """What the address says was just done, looked up in the journal."""
    query = asked.request.query
    held = " The disk does not take it just now: it is kept in memory only, and a restart before the disk does would"
    held = f"{held} lose it." if "held" in query else ""
    entry_id = query.get("done") or query.get("undone") or query.get("again") or ""
    if not entry_id:
        return Notice(f"Done.{held}") if held else None
    with asked.daemon.reader() as reader:
        events = [s.event for s in reader.entries(limit=_RECENT)]
    event = next((e for e in events if e.id == entry_id), None)
    if event is None:
        return Notice(f"Entered.{held}") if "done" in query else None
    said, gone = entered.of_event(event), any(isinstance(e, Correction) and e.of == entry_id and e.void for e in events)
    if gone:
        return Notice(f"Undone. {said}.{held}")
    when = formats.moment(event.at_s, asked.daemon.now_s(), asked.zone)
    if "again" in query:
        return Notice(f"That was entered already, once: {said}, {when}.{_read(asked, event)}", entry_id)
    aid = f" {firstaid.now(event, asked.daemon.now_s())}".rstrip()
    return Notice(f"Entered. {said}, {when}.{_read(asked, event)}{aid}{held}{_clock(query.get('clock', ''))}", entry_id)


def _read(asked: PageRequest, event: Event) -> str:
    """What the test just entered says, where that is more than the pads that were tapped."""
    if not isinstance(event, Test) or (event.picture is None and event.dilution == 1.0):
        return ""
    view = asked.tank_view(event.tank)
    return "".join(f" {words}" for words in view.last_read) if view.last_test_at_s == event.at_s else ""


def _clock(gap: str) -> str:
    """A warning where the phone's clock and ours are far apart; `gap` in seconds, the phone ahead."""
    if not re.fullmatch(r"-?\d{1,12}", gap):
        return ""
    gap_s = int(gap)
    far = entered.length(abs(gap_s))
    return (
        f" Your device's clock is {far} {'ahead of' if gap_s > 0 else 'behind'} this machine's: one of the two is "
        "wrong, and the time above is this machine's. Set it right, or undo and enter it with its time."
    )


def entries(asked: PageRequest, tank_id: str) -> Response:
    """What people entered about a tank, newest first, each with its undo."""
    tank = asked.tank(tank_id)
    with asked.daemon.reader() as reader:
        events = [s.event for s in reader.entries(tank_id, asked.daemon.now_s() - _LIST_S)]
    undone = {e.of for e in events if isinstance(e, Correction) and e.void}
    probes = {p.id for p in asked.config.probe if p.tank == tank_id}
    rows = [
        Row(e, entered.of_event(e), e.id in undone, bool(e.id) and e.id not in undone)
        for e in events
        if not isinstance(e, Correction | Acknowledge | Shelve) and getattr(e, "probe", None) in {None, *probes}
    ]
    return asked.page("entries.html", f"Entries, {tank.title}", tank=tank, rows=rows, notice=notice(asked))


def tank(asked: PageRequest, tank_id: str) -> Response:
    """One tank with its pictures."""
    settings, view, now_s = asked.tank(tank_id), asked.tank_view(tank_id), asked.daemon.now_s()
    with asked.daemon.reader() as reader:
        before = charts.past(reader, tank_id, now_s, asked.zone)
        made = charts.charts(asked.daemon, settings, view, before, reader, now_s)
    shares = drawing.shares(
        [(s.cause, s.change.mean, s.change.low, s.change.high) for s in view.causes], palette=drawing.PAGE
    )
    wanted, outcome, faults = what_if(asked, settings)
    return asked.page(
        "tank.html",
        view.title,
        tank=settings,
        t=view,
        charts=made,
        shares=shares if view.causes else "",
        asked=wanted,
        outcome=outcome,
        faults=faults,
        hours_now=lamp_hours(settings),
        facts=_facts(asked, view),
        notice=notice(asked),
    )


def _facts(asked: PageRequest, view: TankView) -> list[str]:
    """What else is known of the tank: its water's chemistry, and how long the strips last."""
    facts = list(view.water_sentences)
    if view.strips_left is not None:
        facts.append(f"About {view.strips_left:.0f} strips left.")
    if view.reorder_at_s is not None:
        due = view.reorder_at_s <= asked.daemon.now_s()
        day = formats.day(view.reorder_at_s, asked.daemon.now_s(), asked.zone)
        facts.append("Buy the next pack of strips now." if due else f"Buy the next pack of strips by {day}.")
    return facts


# ---------------------------------------------------------------------- what if


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the trial comes to."""

    sentence: str
    chart: Chart


def lamp_hours(tank: Tank) -> float | None:
    """Hours of lamp light a day, as configured; None when they are learned from the probe."""
    return sum(map(_length_h, tank.lamp.hours)) or None if tank.lamp else None


def _length_h(hours: OnHours) -> float:
    on, off = ((int(h) + int(m) / 60) for h, m in (t.split(":") for t in (hours.on, hours.off)))
    return (off - on) % 24 or 24.0


def what_if(asked: PageRequest, tank: Tank) -> tuple[dict[str, str], Outcome | None, dict[str, str]]:
    """The trial that the address asks for, its outcome by the core, and complaints by field."""
    wanted = {k: asked.request.query.get(k, "") for k in ("feed", "hours", "change")}
    if not any(wanted.values()):
        return wanted, None, {}
    try:
        grams = number(wanted, "feed", most=1000)
        hours = number(wanted, "hours", most=24)
        percent = number(wanted, "change", most=100)
    except FieldError as e:
        return wanted, None, {e.name: e.what}
    now_h = lamp_hours(tank)
    factor = hours / now_h if hours is not None and now_h else None
    trial = Trial(
        feed_grams=grams, light_factor=factor, change_fraction=percent / 100.0 if percent is not None else None
    )
    plain, tried = asked.daemon.what_if(tank.id, Trial()), asked.daemon.what_if(tank.id, trial)
    if not tried:
        return wanted, None, {"feed": "there is no test to start from yet"}
    return wanted, _outcome(asked, tank, plain, tried), {}


def _outcome(
    asked: PageRequest, tank: Tank, plain: Sequence[tuple[int, Estimate]], tried: Sequence[tuple[int, Estimate]]
) -> Outcome:
    now_s, limit = asked.daemon.now_s(), tank.limits.nitrate
    last = tried[-1][0]
    sentence = (
        f"In {last} days nitrate would be {formats.span(tried[-1][1])} mg/L as NO3 instead of "
        f"{formats.span(plain[-1][1])}; "
        f"the limit is {limit:g}. {_crossing(tried, limit)}"
    )
    band = [(now_s + d * DAY_S, e.mean, e.low, e.high) for d, e in tried]
    svg = drawing.nitrate((), band, (), limit, zone=asked.zone, palette=drawing.PAGE, size=(360, 180))
    rows = [
        (f"{day} days" if day else "now", formats.span(one), formats.span(other))
        for (day, one), (_, other) in zip(plain, tried, strict=True)
        if day % 7 == 0
    ]
    return Outcome(
        sentence, Chart("The trial", svg, "", ("When", "As it is, mg/L as NO3", "Tried, mg/L as NO3"), tuple(rows))
    )


def _crossing(ahead: Sequence[tuple[int, Estimate]], limit: float) -> str:
    day = next((d for d, e in ahead if e.mean > limit), None)
    if day is None:
        return "It would more likely than not stay below."
    return "It is above already." if day == 0 else f"It would pass the limit in about {day} days."
