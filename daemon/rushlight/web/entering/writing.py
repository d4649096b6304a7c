"""The screens that write: entries about a tank, undo, acknowledging and shelving, calibration.

Owns the way from a form to `Daemon.submit`.  Every entry carries an id that was made with its form, so that a form
sent twice is one entry.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any, cast

from markupsafe import Markup

from rushlight import eventlines
from rushlight.alarms import oneclick
from rushlight.entry import doubts, entered
from rushlight.entry.kitunits import in_own_units
from rushlight.entry.receipt import Receipt
from rushlight.eventlines import LineError
from rushlight.events import Acknowledge, Calibration, Correction, Event, Shelve
from rushlight.localunits import Units
from rushlight.settings import Kit, Tank
from rushlight.views import AlarmView, SiteView
from rushlight.web import formats, plans
from rushlight.web.entering import calibrating, entries, fields, strip_forms
from rushlight.web.entering.entries import SHEETS
from rushlight.web.entering.fields import FieldError
from rushlight.web.serving.page_request import PageRequest
from rushlight.web.serving.wsgi import HttpError, Response, redirect
from rushlight.web.timeline import of_journal

_ID = re.compile(r"[A-Za-z0-9-]{8,64}")
_OURS = uuid.UUID("5b1f4f0e-6d0e-4a55-9f0b-6a3a2a6f1d11")
_BEFORE = 6
"""Entries of the same kind beside a form: who takes turns sees what was done already."""
_OPEN = {"unacknowledged", "returned"}
SENT_BEFORE = "This form was sent before with other values, and those stand. Check it, then save it as a new entry."


def new_id() -> str:
    """An id for a form that is being handed out."""
    return str(uuid.uuid4())


def form_id(asked: PageRequest) -> str:
    """The id that the form was handed out with.  Raises HttpError."""
    entry_id = asked.request.field("id")
    if not _ID.fullmatch(entry_id):
        raise HttpError(HTTPStatus.UNPROCESSABLE_ENTITY, "The form has lost its id; open it again.")
    return entry_id


def store(asked: PageRequest, event: Event, back: str, *, of: str = "") -> Response | None:
    """Hand an entry on and go back; None when its id belongs to an entry that says something else.

    `of`: the entry that it puts right, which is then spoken of.
    """
    receipt = _submit(asked, event)
    if not receipt.new and not _same(asked, event):
        return None
    held = "" if receipt.durable else "&held=1"
    gap_s = fields.clock_gap_s(asked.request.form, asked.daemon.now_s())
    gap = f"&clock={gap_s:.0f}" if abs(gap_s) > fields.AHEAD_S else ""
    if of:
        return redirect(f"{back}?done={of}&mended=1&by={receipt.id}{held}")
    return redirect(f"{back}?{'done' if receipt.new else 'again'}={receipt.id}{held}{gap}")


def _submit(asked: PageRequest, event: Event) -> Receipt:
    """Hand an event on; HttpError 503 where nobody knows what became of it: the same form again is one entry."""
    receipt = asked.daemon.submit(event)
    if receipt.kept == "unknown":
        raise HttpError(
            HTTPStatus.SERVICE_UNAVAILABLE,
            "No answer came in time, so it is not known whether it was kept."
            " Send the form again: twice the same is one entry.",
        )
    return receipt


def _same(asked: PageRequest, event: Event) -> bool:
    with asked.daemon.reader() as reader:
        stored = next((s.event for s in reader.entries(limit=500) if s.event.id == event.id), None)
    return stored is None or entered.of_event(stored) == entered.of_event(event)


def checked(asked: PageRequest, record: dict[str, Any]) -> Event:
    """The checked event.  Raises FieldError with the field's name."""
    event = _parsed(record)
    try:
        eventlines.check_names(event, asked.config)
        event = in_own_units(event, asked.config.tank, asked.config.kit)
        eventlines.check_typed(event, asked.config)
    except LineError as e:
        raise FieldError(e.key.rpartition(".")[2], e.what) from None
    return event


def doubt(asked: PageRequest, event: Event) -> dict[str, str]:
    """What is asked about once before it is kept as given; nothing where it is like the tank, or was confirmed."""
    if asked.request.form.get("sure") == "yes":
        return {}
    found = doubts.question(event, asked.config, asked.daemon.view())
    return {} if found is None else {found[0]: found[1], "sure": "if it is so, tick the box below and save again"}


def _parsed(record: dict[str, Any]) -> Event:
    """The event as such.  Raises FieldError with the field's name."""
    try:
        return eventlines.parse_record(record)
    except LineError as e:
        raise FieldError(e.key.rpartition(".")[2], e.what) from None


def at_of(asked: PageRequest) -> str:
    """When it was done, RFC 3339.  Raises FieldError."""
    return eventlines.rfc3339(fields.done_at(asked.request.form, asked.daemon.now_s(), asked.zone))


# ---------------------------------------------------------------------- about a tank


def entry(asked: PageRequest, tank_id: str, what: str) -> Response:
    """The form for one kind of entry, and what it sends."""
    tank = asked.tank(tank_id)
    if what == "test":
        return _test(asked, tank)
    if what not in SHEETS:
        raise HttpError(HTTPStatus.NOT_FOUND, "There is no such form.")
    sheet, form = SHEETS[what], asked.request.form
    if asked.request.method != "POST":
        filled = {k: v for k, v in asked.request.query.items() if k == "percent"}
        if what == "feeding":
            filled["grams"] = f"{tank.feed.grams_per_day:g}"  # as usual: one tap and it is entered
        return _sheet_page(asked, tank, what, filled, {})
    try:
        record = entries.record(
            sheet.kind, sheet.body(form, asked.units), tank=tank.id, entry_id=form_id(asked), at=at_of(asked)
        )
        event = checked(asked, record)
        if doubted := doubt(asked, event):
            return _sheet_page(asked, tank, what, form, doubted, entry_id=form_id(asked))
        stored = store(asked, event, "/")
    except FieldError as e:
        return _sheet_page(asked, tank, what, form, {e.name: e.what}, entry_id=form_id(asked))
    return stored or _sheet_page(asked, tank, what, form, {"": SENT_BEFORE})


def _sheet_page(
    asked: PageRequest,
    tank: Tank,
    what: str,
    form: Mapping[str, str],
    faults: Mapping[str, str],
    *,
    entry_id: str = "",
) -> Response:
    sheet, suggestion = SHEETS[what], None
    if what == "water-change":
        try:
            target = fields.number(asked.request.query, "target", least=0.1, most=1000)
        except FieldError as e:
            target, faults = None, {**faults, "target": e.what}
        suggestion = plans.water_change(tank, asked.tank_view(tank.id), target, asked.units)
    return asked.page(
        "entry.html",
        f"{sheet.title}, {tank.title}",
        status=HTTPStatus.UNPROCESSABLE_ENTITY if faults else HTTPStatus.OK,
        tank=tank,
        sheet=sheet,
        form=form,
        faults=faults,
        entry_id=entry_id or new_id(),
        suggestion=suggestion,
        before=_before(asked, tank, sheet.kind),
        now_local=local_of(asked),
    )


def _before(asked: PageRequest, tank: Tank, kind: str) -> list[tuple[str, Markup]]:
    """The last entries of the same kind as they stand, newest first: an entry's id, and what it says and when."""
    with asked.daemon.reader() as reader:
        events = of_journal.standing([s.event for s in reader.entries(tank.id, limit=100, kind=kind)])
    now_s, zone = asked.daemon.now_s(), asked.zone
    return [
        (e.id, Markup("{}, {}").format(entered.of_event(e, asked.units), formats.shown_moment(e.at_s, now_s, zone)))
        for e in [e for e in events if e.kind == kind][:_BEFORE]
    ]


def local_of(asked: PageRequest) -> str:
    """The present local minute as a date-and-time field wants it."""
    return formats.field_time(asked.daemon.now_s(), asked.zone)


def kit_of(asked: PageRequest, tank: Tank) -> Kit:
    """The kit that the form or the address names, else the tank's."""
    return kit_named(asked, asked.request.form.get("kit") or asked.request.query.get("kit") or "", tank)


def kit_named(asked: PageRequest, name: str, tank: Tank) -> Kit:
    """A kit by its name, else the tank's."""
    return next((k for k in asked.config.kit if k.id == (name or tank.testing.kit)), asked.config.kit[0])


def _test(asked: PageRequest, tank: Tank) -> Response:
    kit, form = kit_of(asked, tank), asked.request.form
    if asked.request.method != "POST":
        return _test_page(asked, tank, kit, {}, {})
    try:
        body = entries.test_record(form, kit, asked.device.name if asked.device else "")
        record = entries.record("test", body, tank=tank.id, entry_id=form_id(asked), at=at_of(asked))
        event = checked(asked, record)
        if doubted := doubt(asked, event):
            return _test_page(asked, tank, kit, form, doubted, entry_id=form_id(asked))
        stored = store(asked, event, "/")
    except FieldError as e:
        return _test_page(asked, tank, kit, form, {e.name: e.what}, entry_id=form_id(asked))
    return stored or _test_page(asked, tank, kit, form, {"": SENT_BEFORE})


def _test_page(
    asked: PageRequest,
    tank: Tank,
    kit: Kit,
    form: Mapping[str, str],
    faults: Mapping[str, str],
    *,
    entry_id: str = "",
) -> Response:
    response = asked.page(
        "test.html",
        f"Test, {tank.title}",
        status=HTTPStatus.UNPROCESSABLE_ENTITY if faults else HTTPStatus.OK,
        tank=tank,
        form=form,
        faults=faults,
        entry_id=entry_id or new_id(),
        now_local=local_of(asked),
        **test_values(asked, tank, kit),
    )
    response.headers += strip_forms.camera_headers(kit)
    return response


def test_values(asked: PageRequest, tank: Tank, kit: Kit) -> dict[str, Any]:
    """What the fields of a test need to know of the tank and the kit."""
    view = asked.tank_view(tank.id)
    return {
        "t": view,
        "kit": kit,
        "kits": asked.config.kit,
        "names": entered.NAMES,
        "units": kit_words(kit, asked.units),
        "last": {s: formats.reading(v, s, kit) for s, v in view.last_test.items() if s in entered.NAMES},
        "substances": entries.substances(kit),
        "charted": strip_forms.charted(kit),
        "between": {s: strip_forms.between(kit, s) for s in kit.pads},
        "cups": strip_forms.CUPS,
        "water": tank.source_water.get("nitrate"),
    }


def kit_words(kit: Kit, units: Units) -> dict[str, str]:
    """The unit beside each field of a test: what is printed on the box, whatever the site reads elsewhere."""
    return {s: entered.unit_of_value(s, kit.unit(s), units) for s in entries.substances(kit)}


def undo(asked: PageRequest) -> Response:
    """Take an entry back: a correction that voids it, once however often it is sent."""
    entry_id, now_s = asked.request.field("of"), asked.daemon.now_s()
    with asked.daemon.reader() as reader:
        known = next((s.event for s in reader.entries(limit=2000) if s.event.id == entry_id), None)
    if not entry_id or known is None or isinstance(known, Correction | Acknowledge | Shelve):
        raise HttpError(HTTPStatus.NOT_FOUND, "There is no such entry to undo.")
    undo_id = str(uuid.uuid5(_OURS, f"undo {entry_id}"))
    receipt = _submit(asked, Correction(at_s=now_s, id=undo_id, of=entry_id, void=True))
    return redirect(f"/?undone={entry_id}&by={undo_id}{'' if receipt.durable else '&held=1'}")


# ---------------------------------------------------------------------- alarms


def acknowledge(asked: PageRequest) -> Response:
    """A person has seen an alarm."""
    alarm = _alarm(asked.daemon.view(), asked.request.field("alarm"))
    if alarm is not None and alarm.state in _OPEN:
        return _home(_acknowledge(asked, alarm, asked.device.name if asked.device else "page"))
    return redirect("/")


def _home(receipt: Receipt) -> Response:
    return redirect("/" if receipt.durable else "/?held=1")


def _acknowledge(asked: PageRequest, alarm: AlarmView, by: str) -> Receipt:
    event_id = str(uuid.uuid5(_OURS, f"{alarm.id} {alarm.occurrence} {alarm.state} {alarm.since_s:.0f}"))
    return _submit(asked, Acknowledge(at_s=asked.daemon.now_s(), id=event_id, alarm=alarm.id, by=by))


def shelve(asked: PageRequest) -> Response:
    """A person puts an alarm aside for some hours, or takes it back."""
    alarm = _alarm(asked.daemon.view(), asked.request.field("alarm"))
    try:
        hours = fields.needed(asked.request.form, "hours", most=24 * 14)
    except FieldError as e:
        raise HttpError(HTTPStatus.UNPROCESSABLE_ENTITY, f"Hours: {e.what}.") from None
    if alarm is not None:
        by = asked.device.name if asked.device else "page"
        event = Shelve(at_s=asked.daemon.now_s(), id=form_id(asked), alarm=alarm.id, by=by, hours=hours)
        return _home(_submit(asked, event))
    return redirect("/")


def _alarm(view: SiteView, alarm_id: str) -> AlarmView | None:
    alarms = [*view.alarms, *(a for t in view.tanks for a in t.alarms)]
    return next((a for a in alarms if a.id == alarm_id), None)


def ticket(asked: PageRequest, text: str) -> Response:
    """From a notification, without logging in: the very rises of the alarms that its tickets name."""
    named = [oneclick.read(asked.access.secret, t) for t in text.split(oneclick.JOIN)]
    if None in named:
        raise HttpError(HTTPStatus.NOT_FOUND, "This link does not name an alarm.")
    view = asked.daemon.view()
    alarms = [(_alarm(view, alarm_id), rise) for alarm_id, rise in filter(None, named)]
    standing = [a for a, rise in alarms if a is not None and a.occurrence == rise and a.state in _OPEN]
    if asked.request.method == "POST":
        for alarm in standing:
            _acknowledge(asked, alarm, "notification")
        standing = []
    return asked.page("ticket.html", "Alarm", alarms=standing)


# ---------------------------------------------------------------------- calibration


def calibration(asked: PageRequest, probe_id: str) -> Response:
    """The guide for one probe: first the figures are looked at, then they are saved."""
    probe, form = asked.probe(probe_id), asked.request.form
    if asked.request.method != "POST":
        return _guide(asked, probe_id, {}, {})
    try:
        record = {
            "at": at_of(asked),
            "kind": "calibration",
            "id": form_id(asked),
            "probe": probe.id,
            "points": calibrating.points(form, probe, asked.units),
        }
        event = cast(Calibration, _parsed(record))
    except FieldError as e:
        return _guide(asked, probe_id, form, {e.name: e.what}, entry_id=form_id(asked))
    preview = calibrating.preview(probe, event, asked.units)
    if form.get("step") != "save" or not preview.accepted:
        return _guide(asked, probe_id, form, {}, preview=preview, entry_id=form_id(asked), checked=preview.accepted)
    stored = store(asked, event, f"/probes/{probe.id}/calibration")
    return stored or _guide(asked, probe_id, form, {"": SENT_BEFORE})


def _guide(
    asked: PageRequest,
    probe_id: str,
    form: Mapping[str, str],
    faults: Mapping[str, str],
    *,
    preview: calibrating.Preview | None = None,
    entry_id: str = "",
    checked: bool = False,
) -> Response:
    probe = asked.probe(probe_id)
    view = next(p for p in asked.tank_view(probe.tank).probes if p.id == probe_id)
    raw_unit, raw_now = calibrating.raw_in(probe, probe.unit or view.unit, view.raw, asked.units)
    return asked.page(
        "calibration.html",
        f"Calibration: {formats.probe(view)}, {asked.tank(probe.tank).title}",
        status=HTTPStatus.UNPROCESSABLE_ENTITY if faults else HTTPStatus.OK,
        probe=probe,
        p=view,
        raw_unit=raw_unit,
        raw_now=raw_now,
        history=asked.daemon.calibrations(probe_id),
        buffers=calibrating.buffer_table(),
        temps=calibrating.TEMPS_C,
        numbers=range(1, calibrating.POINTS + 1),
        form=form,
        faults=faults,
        preview=preview,
        checked=checked,
        entry_id=entry_id or new_id(),
        now_local=local_of(asked),
        done=asked.request.query.get("done", ""),
    )
