"""Fuzz targets for what people and programs send: event lines, files, configuration, commands, forms, tickets.

A target returns nothing and raises nothing but AssertionError.  References: the standard library's `json`, `csv`,
`tomllib` and `urllib.parse`.
"""

from __future__ import annotations

import base64
import contextlib
import csv
import dataclasses
import functools
import io
import json
import math
import re
import tomllib
import urllib.parse
import zoneinfo
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import PIL.Image

from fuzz.devices import json_numbers
from helpers.site import config_of
from rushlight import eventlines, exchange
from rushlight.alarms import oneclick
from rushlight.config import loading as config
from rushlight.config.loading import ConfigError
from rushlight.entry.receipt import Receipt
from rushlight.eventlines import LineError
from rushlight.events import Calibration, Event, Reading
from rushlight.journal.pictures import jpeg
from rushlight.localunits import METRIC, Units
from rushlight.outlets.hub import commands
from rushlight.science.measuring.units import STANDARD
from rushlight.service import control
from rushlight.views import AlarmView, SiteView
from rushlight.web.entering import calibrating, entries, fields, strip_forms
from rushlight.web.entering.fields import FieldError
from rushlight.web.serving import wsgi
from rushlight.web.serving.wsgi import HttpError

CONFIG = config_of()
PH = next(p for p in CONFIG.probe if p.quantity == "ph")
NOW_S = eventlines.unix_s("2026-03-01T12:00:00Z")
_ZONE = zoneinfo.ZoneInfo("Europe/Dublin")
# Made once a start by the daemon; made once a campaign here, or it would be all that is measured.
config._adapter = functools.cache(config._adapter)
zoneinfo.available_timezones = functools.cache(zoneinfo.available_timezones)  # type: ignore[assignment]


def _numbers_of(item: Any) -> Iterator[float]:
    """Every number in an event or a configuration."""
    if dataclasses.is_dataclass(item):
        for f in dataclasses.fields(item):
            yield from _numbers_of(getattr(item, f.name))
    elif isinstance(item, dict):
        for value in item.values():
            yield from _numbers_of(value)
    elif isinstance(item, tuple | list):
        for value in item:
            yield from _numbers_of(value)
    elif isinstance(item, int | float) and not isinstance(item, bool):
        yield float(item)


def _values_of(event: Event) -> set[float]:
    """The numbers in an event that are not times; 0, and 1 of a sample not thinned, also stand for what was left out."""
    inner = getattr(event, "replacement", None)
    times = {0.0, 1.0, *(t for e in (event, inner) if e is not None for t in (e.at_s, e.received_s))}
    return set(_numbers_of(event)) - times


def _usable(event: Event) -> None:
    """It can be written, and read again as the same."""
    assert all(math.isfinite(n) for n in _numbers_of(event)), f"not finite: {event}"
    line = eventlines.format_line(event)
    line.encode()
    again = eventlines.parse_line(line)
    # Times are kept to the millisecond.
    assert (
        dataclasses.replace(again, at_s=event.at_s, received_s=event.received_s) == event or event.kind == "correction"
    )
    assert abs(again.at_s - event.at_s) <= 0.001


def eventline_target(data: bytes) -> None:
    """One line of an event file."""
    try:
        event = eventlines.parse_line(data, 1)
    except LineError as e:
        assert e.what
        assert len(e.what) < 2000, "a complaint longer than a screen"
        return
    _usable(event)
    assert _values_of(event) <= json_numbers(json.loads(data.decode()))
    with contextlib.suppress(LineError):
        eventlines.check_names(event, CONFIG)


def picture_target(data: bytes) -> None:
    """A picture of the diary, as sent by the page or found in a folder: taken without a place in it, or refused."""
    try:
        seen = jpeg.inspect(data)
    except jpeg.PictureError as e:
        assert str(e)
        return
    assert 1 <= seen.width <= jpeg.LONGEST_PX and 1 <= seen.height <= jpeg.LONGEST_PX
    assert (
        len(seen.frame) in {0, 8} and len(seen.mark) in {0, 2} and all(0 <= n <= 1 for n in (*seen.frame, *seen.mark))
    )
    # Pillow reads more strictly: it need not take what we take.
    with contextlib.suppress(OSError, SyntaxError), PIL.Image.open(io.BytesIO(data)) as read:
        assert not read.getexif(), "a picture with a place in it was taken"


def csv_target(data: bytes) -> None:
    """A sheet of readings."""
    try:
        text = data.decode()
    except UnicodeDecodeError:
        return
    got: list[Reading] = []
    try:  # what came before the first fault is kept by the list, and is looked at too
        got += exchange.read("csv", io.StringIO(text, newline=""), CONFIG)
    except LineError as e:
        assert e.what
    if not got:
        return
    cells = {c.strip() for row in csv.reader(io.StringIO(text, newline="")) for c in row} if _readable(text) else None
    for reading in got:
        _usable(reading)
        assert cells is None or reading.value is None or reading.value in {_float(c) for c in cells}


def _readable(text: str) -> bool:
    try:
        return bool(list(csv.reader(io.StringIO(text, newline=""))))
    except csv.Error:
        return False


def _float(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def senml_file_target(data: bytes) -> None:
    """A pack of readings."""
    try:
        got = list(exchange.read("senml", io.StringIO(data.decode()), CONFIG))
    except (LineError, UnicodeDecodeError):
        return
    for reading in got:
        _usable(reading)
    out = io.StringIO()
    n = exchange.write("senml", got, CONFIG, out)
    assert n == len(got)
    again = list(exchange.read("senml", io.StringIO(out.getvalue()), CONFIG))
    assert [(r.probe, r.at_s) for r in again] == [(r.probe, r.at_s) for r in got]
    assert all(
        math.isclose(a.value or 0, b.value or 0, rel_tol=1e-13, abs_tol=1e-300) for a, b in zip(again, got, strict=True)
    )


def config_target(data: bytes) -> None:
    """A whole configuration file."""
    try:
        raw = config.parse(data)
        checked = config.check(raw)
    except ConfigError as e:
        assert e.faults
        assert all(f.key and f.what for f in e.faults)
        return
    assert all(math.isfinite(n) for n in _numbers_of(checked))
    reference = tomllib.loads(data.decode())
    assert [t["id"] for t in reference["tank"]] == [t.id for t in checked.tank]
    for told, tank in zip(reference["tank"], checked.tank, strict=True):
        if not isinstance(told["litres"], str):  # with a unit of its own it is another number
            assert float(told["litres"]) == tank.litres


_ALARM = AlarmView(
    id="delivery_failing:push",
    alarm="delivery_failing",
    tank=None,
    occurrence=1,
    state="unacknowledged",
    priority="high",
    since_s=NOW_S,
    text="",
)
_VIEW = SiteView(at_s=NOW_S, name="Rowan Street library", timezone="Europe/Dublin", alarms=(_ALARM,))


def hub_target(data: bytes) -> None:
    """First byte: a document on the command topic, or a value in a field.  The rest: the payload."""
    if not data:
        return
    payload = data[1:]
    if data[0] % 2:
        drafts = commands.Drafts()
        try:
            value = drafts.put("foyer", ("nitrate", "ph", "kh")[data[0] % 3], payload, 0.0)
        except LineError:
            assert not drafts.values("foyer")
            return
        assert value == float(payload.decode())
        return
    taken: list[Event] = []

    def submit(event: Event) -> Any:
        taken.append(event)
        return Receipt(event.id)

    answer = commands.run(payload, CONFIG, _VIEW, NOW_S, submit)
    answer.text().encode()
    assert answer.ok == bool(taken)
    for event in taken:
        assert event.id
        _usable(event)
        assert _values_of(event) <= json_numbers(json.loads(payload.decode()))


class _Door(control._Request):
    """One connection at the commands' door, its bytes already there."""

    def __init__(self, data: bytes) -> None:
        self.rfile, self.wfile = io.BytesIO(data), io.BytesIO()
        handlers = {"record": _record, "view": lambda _: {"view": 1}}
        server = object.__new__(control._Server)
        server.answer = functools.partial(control.Control._answer, SimpleNamespace(_handlers=handlers))  # type: ignore[arg-type]
        self.server = server


def _record(asked: Any) -> Any:
    event = eventlines.parse_record(dict(asked["line"]))
    _usable(event)
    return {"id": event.id}


def control_target(data: bytes) -> None:
    """One request at the commands' door: one line of JSON comes back, whatever went in."""
    door = _Door(data)
    door.handle()
    said = door.wfile.getvalue()
    assert said.endswith(b"\n")
    answer = json.loads(said)
    assert isinstance(answer, dict)
    assert "AssertionError" not in str(answer.get("error", ""))


_SECRET = b"the key of this campaign alone"


def ticket_target(data: bytes) -> None:
    """A ticket out of an address: only what we made names an alarm; what we make, we read."""
    text = data.decode("latin-1")
    named = oneclick.read(_SECRET, text)
    if named is not None:
        ours = oneclick.ticket(_SECRET, *named)
        assert _spelling(text) == _spelling(ours), "a ticket that was not made here"
    alarm = data.decode("utf-8", "replace")
    made = oneclick.ticket(_SECRET, alarm, len(data))
    assert oneclick.read(_SECRET, made) == (alarm, len(data))


def _spelling(text: str) -> bytes:
    """The bits of a ticket: base64 writes the same ones in more than one way (RFC 4648, 3.5)."""
    return b".".join(base64.b64decode(p.rstrip("=") + "=" * (-len(p.rstrip("=")) % 4), b"-_") for p in text.split("."))


_KINDS = tuple(entries.SHEETS)


def form_target(data: bytes) -> None:
    """First byte: which form.  The rest: the body that was posted."""
    if not data:
        return
    body = data[1:]
    environ = {
        "CONTENT_LENGTH": str(len(body)),
        "CONTENT_TYPE": "application/x-www-form-urlencoded",
        "wsgi.input": io.BytesIO(body),
    }
    try:
        form = wsgi.read_form(environ)
    except HttpError as e:
        assert 400 <= e.status < 500
        return
    assert form == {k: v[0] for k, v in urllib.parse.parse_qs(body.decode(), keep_blank_values=True).items()}
    which = data[0] % (len(_KINDS) + 2)
    try:
        record, at_s = _entry(which, form), fields.done_at(form, NOW_S, _ZONE)
        event = eventlines.parse_record({**record, "at": eventlines.rfc3339(at_s)})
    except FieldError as e:
        assert str(e)
        return
    except LineError as e:
        assert e.what
        return
    assert NOW_S - 367 * 86400 <= event.at_s <= NOW_S
    _usable(event)
    typed = {_float(v.strip().lstrip("<>").replace("\N{MINUS SIGN}", "-").replace(",", ".")) for v in form.values()}
    if form.get("picture", "").strip():  # the browser's own numbers, as they came
        typed |= json_numbers(json.loads(form["picture"]))
    typed |= {sum(cups) / cups[0] for cups in strip_forms.CUPS.values()}
    assert _values_of(event) <= typed | {t / 100.0 for t in typed if t is not None} | {25.0}, (
        "a number that nobody typed"
    )


def quantity_target(data: bytes) -> None:
    """First byte: whose units and which quantity.  The rest: what somebody typed, as text."""
    if not data:
        return
    text = data[1:].decode("utf-8", "ignore")
    units = Units(("metric", "us", "uk")[data[0] % 3])
    quantity = ("volume", "temperature", "length", "kh", "mass", "level")[data[0] // 3 % 6]
    try:
        value = units.read(text, quantity)
    except ValueError as e:
        assert str(e) and len(str(e)) < 1000
        return
    assert math.isfinite(value)
    assert re.search(r"\d", text), "a number that nobody typed"
    said = units.say(value, STANDARD[quantity], 3)
    if abs(value) < 1e5:
        back = units.read(said, quantity)
        assert math.isclose(back, value, rel_tol=0.06, abs_tol=1.0), (said, back, value)


def _entry(which: int, form: dict[str, str]) -> dict[str, Any]:
    if which < len(_KINDS):
        sheet = entries.SHEETS[_KINDS[which]]
        return entries.record(sheet.kind, sheet.build(form), tank="foyer", entry_id="id-12345", at="")
    if which == len(_KINDS):
        return entries.record("test", entries.test_record(form, CONFIG.kit[0]), tank="foyer", entry_id="id-1", at="")
    points = calibrating.points(form, PH, METRIC)
    record = {"at": "2026-03-01T12:00:00Z", "kind": "calibration", "id": "id-1", "probe": "foyer-ph", "points": points}
    entry = eventlines.parse_record(dict(record))
    assert isinstance(entry, Calibration)
    calibrating.preview(next(p for p in CONFIG.probe if p.quantity == "ph"), entry)
    return record
