"""The screen on which an entry is put right or taken back: the form it came from, filled with what it says.

Owns the way back from an entry to its form's fields.  What is sent is a correction that replaces the entry and keeps
its id; the first form stays in the journal.
"""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus

from rushlight import eventlines
from rushlight.entry import entered
from rushlight.entry.kitunits import in_own_units
from rushlight.eventlines import LineError
from rushlight.events import Correction, Event, Growth, Outage, TankEvent, Test, WaterChange
from rushlight.web import formats
from rushlight.web.entering import entries, fields, strip_forms, writing
from rushlight.web.entering.entries import SHEETS
from rushlight.web.entering.fields import FieldError
from rushlight.web.serving.page_request import PageRequest
from rushlight.web.serving.wsgi import HttpError, Response

_SHEET_OF = {sheet.kind: name for name, sheet in SHEETS.items()}


def screen(asked: PageRequest, entry_id: str) -> Response:
    """One entry: its form, and what was changed in it."""
    with asked.daemon.reader() as reader:
        event = reader.entry(entry_id)
    if event is None:
        raise HttpError(HTTPStatus.NOT_FOUND, "There is no such entry, or it was taken back.")
    what = "test" if isinstance(event, Test) and event.picture is None else _SHEET_OF.get(event.kind, "")
    if isinstance(event, Growth) and event.picture:
        what = ""  # its numbers came with a picture, which stays as it is
    if asked.request.method != "POST" or not isinstance(event, TankEvent) or not what:
        return _page(asked, event, what, form_of(event, asked), {})
    form = asked.request.form
    try:
        fixed = _fixed(asked, event, what)
        if doubt := writing.doubt(asked, fixed):
            return _page(asked, event, what, form, doubt, correction_id=writing.form_id(asked))
        stored = writing.store(asked, fixed, f"/tanks/{event.tank}/entries", of=entry_id)
    except FieldError as e:
        return _page(asked, event, what, form, {e.name: e.what}, correction_id=writing.form_id(asked))
    return stored or _page(asked, event, what, form, {"": writing.SENT_BEFORE})


def _fixed(asked: PageRequest, event: TankEvent, what: str) -> Correction:
    """The correction that the form asks for.  Raises FieldError."""
    form, now_s = asked.request.form, asked.daemon.now_s()
    if what == "test":
        body = entries.test_record(form, writing.kit_of(asked, asked.tank(event.tank)))
    else:
        body = SHEETS[what].build(form)
    at_s = event.at_s
    if form.get("done_at", "").strip() != formats.field_time(event.at_s, asked.zone):
        at_s = fields.done_at(form, now_s, asked.zone)
    record = entries.record(event.kind, body, tank=event.tank, entry_id=event.id, at=eventlines.rfc3339(at_s))
    line = {
        "at": eventlines.rfc3339(now_s),
        "kind": "correction",
        "id": writing.form_id(asked),
        "of": event.id,
        "replacement": {k: v for k, v in record.items() if k != "id"},
    }
    try:
        made = eventlines.parse_record(line)
        eventlines.check_names(made, asked.config)
        made = in_own_units(made, asked.config.tank, asked.config.kit)
        assert isinstance(made, Correction)
        assert made.replacement is not None
        eventlines.check_typed(made.replacement, asked.config)
    except LineError as e:
        raise FieldError(e.key.rpartition(".")[2], e.what) from None
    return made


def form_of(event: Event, asked: PageRequest) -> dict[str, str]:
    """An entry as its form's fields."""
    form = {"done_at": formats.field_time(event.at_s, asked.zone)}
    match event:
        case Test():
            form |= _of_test(event)
        case WaterChange(fraction=float(fraction)):
            form["percent"] = _text(100.0 * fraction)
        case Outage():
            form["minutes"] = _text(event.minutes)
        case Growth():
            form |= _plain(event, _SHEET_OF[event.kind])
            if event.cover is not None:
                form["cover_percent"] = _text(100.0 * event.cover)
        case _ if event.kind in _SHEET_OF:
            form |= _plain(event, _SHEET_OF[event.kind])
    hours = getattr(event, "hours", None)
    if event.kind == "lamp" and hours:
        form |= {"on": hours[0].on, "off": hours[0].off}
    return form


def _plain(event: Event, what: str) -> dict[str, str]:
    """Fields that are called as the entry's own."""
    found = {f.name: getattr(event, f.name, None) for f in SHEETS[what].fields}
    if event.kind == "light_spot":
        found["unit"] = found["unit"] or "lx"
    return {name: _text(value) for name, value in found.items() if value not in (None, "")}


def _of_test(event: Test) -> dict[str, str]:
    form = {"kit": event.kit} | {name: _text(value) for name, value in event.values.items()}
    if event.note == "half a strip":
        form["half"] = "yes"
    if event.dilution != 1.0:
        ratio = {(tank + other) / tank: cups for cups, (tank, other) in strip_forms.CUPS.items()}
        form["cups"] = ratio.get(event.dilution, "")
        form["cup_water"] = _text(event.dilution_source.get("nitrate", 0.0))
    return form


def _text(value: object) -> str:
    return f"{value:g}" if isinstance(value, float | int) else str(value)


def _page(
    asked: PageRequest,
    event: Event,
    what: str,
    form: Mapping[str, str],
    faults: Mapping[str, str],
    *,
    correction_id: str = "",
) -> Response:
    tank_id = event.tank if isinstance(event, TankEvent) else ""
    probe = getattr(event, "probe", "")
    tank_id = tank_id or next((p.tank for p in asked.config.probe if p.id == probe), "")
    values: dict[str, object] = {}
    if what == "test" and tank_id:
        tank = asked.tank(tank_id)
        values = writing.test_values(asked, tank, writing.kit_named(asked, form.get("kit", ""), tank))
    return asked.page(
        "mend.html",
        "An entry",
        status=HTTPStatus.UNPROCESSABLE_ENTITY if faults else HTTPStatus.OK,
        event=event,
        words=entered.of_event(event),
        tank_id=tank_id,
        what=what,
        sheet=SHEETS.get(what),
        form=form,
        faults=faults,
        entry_id=correction_id or writing.new_id(),
        now_local=writing.local_of(asked),
        v=values,
    )
