"""The screen on which an entry is put right or taken back: the form it came from, filled with what it says.

Owns the way back from an entry to its form's fields.  What is sent is a correction that replaces the entry and keeps
its id; the first form stays in the journal.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from http import HTTPStatus

from rushlight import eventlines
from rushlight.entry import entered
from rushlight.entry.kitunits import in_own_units
from rushlight.eventlines import LineError
from rushlight.events import Correction, Event, Growth, Outage, TankEvent, Test, WaterChange
from rushlight.localunits import Units
from rushlight.science.measuring.units import from_standard, read_reported
from rushlight.settings import Kit, Substance
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
    """The correction that the form asks for: what differs from what the form showed.  Raises FieldError.

    What the form has no field for stays as it was entered.
    """
    form, now_s, config = asked.request.form, asked.daemon.now_s(), asked.config
    changes = _changes(_body(asked, event, what, form_of(event, asked)), _body(asked, event, what, form))
    if form.get("done_at", "").strip() != formats.field_time(event.at_s, asked.zone):
        changes["at"] = eventlines.rfc3339(fields.done_at(form, now_s, asked.zone))
    try:
        made = eventlines.edited(event, changes, at_s=now_s, entry_id=writing.form_id(asked))
        eventlines.check_names(made, config)
        made = in_own_units(made, config.tank, config.kit)
        assert made.replacement is not None
        eventlines.check_typed(made.replacement, config)
    except LineError as e:
        raise FieldError(e.key.rpartition(".")[2], e.what) from None
    return made


def _body(asked: PageRequest, event: TankEvent, what: str, form: Mapping[str, str]) -> entries.Record:
    """What a form says, as the keys of an entry's line.  Raises FieldError."""
    if isinstance(event, Test):
        return entries.test_record(form, kit_of(asked, event))
    return SHEETS[what].body(form, asked.units)


def _changes(was: entries.Record, now: entries.Record) -> dict[str, object]:
    """Keys whose value differs, None for one that is gone; values of a test one by one."""
    changes: dict[str, object] = {}
    for key in {**was, **now}:
        if key != "values":
            if was.get(key) != now.get(key):
                changes[key] = now.get(key)
            continue
        for name in {**was[key], **now[key]}:
            if was[key].get(name) != now[key].get(name):
                # A value that is typed anew is in the unit beside its field, whatever the first one was in.
                changes |= {f"values.{name}": now[key].get(name), f"units.{name}": None}
    return changes


def kit_of(asked: PageRequest, event: Test) -> Kit:
    """The kit whose form shows this test whole: its own, with plain fields where it holds what is no pad."""
    kit = writing.kit_named(asked, event.kit, asked.tank(event.tank))
    if kit.method != event.method or not set(event.values) <= set(entries.substances(kit)):
        return Kit(id=event.kit or kit.id, method="lab" if event.method == "strip" else event.method)
    offered = {
        name: {f"{v:g}" for v in pads} | {f">{pads[-1]:g}"} | {text for *_, text in strip_forms.between(kit, name)}
        for name, pads in kit.pads.items()
    }
    if all(_shown(event, name, kit) in offered.get(name, ()) for name in event.values):
        return kit
    return dataclasses.replace(kit, method="drops")


def _shown(event: Test, name: Substance, kit: Kit) -> str:
    """A value in the unit that the kit's form gives beside it."""
    value, unit = event.values[name], event.units.get(name, "")
    if unit == kit.unit(name):
        return _text(value)
    read = read_reported(name, value, unit)
    return f"{read.bound}{_text(float(f'{from_standard(name, read.value, kit.unit(name)):.6g}'))}"


def form_of(event: Event, asked: PageRequest) -> dict[str, str]:
    """An entry as its form's fields."""
    form = {"done_at": formats.field_time(event.at_s, asked.zone)}
    match event:
        case Test():
            form |= _of_test(event, kit_of(asked, event))
        case WaterChange(fraction=float(fraction)):
            form["percent"] = _text(100.0 * fraction)
        case Outage():
            form["minutes"] = _text(event.minutes)
        case Growth():
            form |= _plain(event, _SHEET_OF[event.kind], asked.units)
            if event.cover is not None:
                form["cover_percent"] = _text(100.0 * event.cover)
        case _ if event.kind in _SHEET_OF:
            form |= _plain(event, _SHEET_OF[event.kind], asked.units)
    hours = getattr(event, "hours", None)
    if event.kind == "lamp" and hours:
        form |= {"on": hours[0].on, "off": hours[0].off}
    return form


def _plain(event: Event, what: str, units: Units) -> dict[str, str]:
    """Fields that are called as the entry's own."""
    found = {f.name: getattr(event, f.name, None) for f in SHEETS[what].fields}
    if event.kind == "light_spot":
        found["unit"] = found["unit"] or "lx"
    unit = {f.name: f.unit for f in SHEETS[what].fields if f.quantity}
    shown = {k: units.of(v, unit[k]) if k in unit and isinstance(v, float | int) else v for k, v in found.items()}
    return {name: _text(value) for name, value in shown.items() if value not in (None, "")}


def _of_test(event: Test, kit: Kit) -> dict[str, str]:
    form = {"kit": event.kit} | {name: _shown(event, name, kit) for name in event.values}
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
    if what == "test" and isinstance(event, Test):
        values = writing.test_values(asked, asked.tank(event.tank), kit_of(asked, event))
    return asked.page(
        "mend.html",
        "An entry",
        status=HTTPStatus.UNPROCESSABLE_ENTITY if faults else HTTPStatus.OK,
        event=event,
        words=entered.of_event(event, asked.units),
        tank_id=tank_id,
        what=what,
        sheet=SHEETS.get(what),
        form=form,
        faults=faults,
        entry_id=correction_id or writing.new_id(),
        now_local=writing.local_of(asked),
        v=values,
    )
