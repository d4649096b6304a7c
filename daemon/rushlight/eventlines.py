"""Event lines: JSON Lines text to `events` and back, one event a line.

Owns the text form and its error messages.  Reads no file; `replay`, `import` and the hub hand it lines.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import math
from collections.abc import Mapping
from functools import cache
from typing import Any, cast

from pydantic import TypeAdapter, ValidationError

from rushlight.colours import Picture
from rushlight.config import checking
from rushlight.events import (
    INTERNAL_KINDS,
    KINDS,
    Calibration,
    Correction,
    Event,
    KitCheck,
    LightSpot,
    Quality,
    Reading,
    Test,
)
from rushlight.localunits import Units
from rushlight.science.measuring import units
from rushlight.settings import Config
from rushlight.tank.probes.calibration import come_to

_READING_KEYS = frozenset({"at", "kind", "probe", "value", "unit", "quality", "id", "received_at"})
_QUALITIES = frozenset({1, 2, 3, 4, 9})
_LARGEST = 2.0**53
_LONGEST_KEY = 80
LONGEST_NOTE = 2000
"""Characters of what a person says besides; longer texts belong elsewhere."""
LATEST_S = 4102444800.0
"""2100-01-01T00:00:00Z: events are earlier."""


class LineError(ValueError):
    """An event line that can't be used: `line_no` (0 when there is but one), `key` and `what` is wrong."""

    def __init__(self, line_no: int, key: str, what: str) -> None:
        # A key may be anything that was sent: as long as a book, or half a character that nobody can print.
        key = (key if len(key) <= _LONGEST_KEY else key[:_LONGEST_KEY] + "…").encode(errors="backslashreplace").decode()
        what = what.encode(errors="backslashreplace").decode()
        self.line_no, self.key, self.what = line_no, key, what
        super().__init__(f"line {line_no}: {key}: {what}" if line_no else f"{key}: {what}")


def parse_line(text: str | bytes, line_no: int = 0, *, internal: bool = False) -> Event:
    """The event in one line of text; raises `LineError` that names the line and the key.

    `internal` admits the kinds that only the daemon's own journal holds.
    """
    return parse_record(decode(text, line_no), line_no, internal=internal)


def decode(text: str | bytes, line_no: int = 0) -> dict[str, Any]:
    """The JSON object in one line of UTF-8; raises `LineError`.

    A name that occurs twice is refused, because two readers could take different values from it.
    """
    try:
        # json would guess UTF-16 from the bytes.
        plain = text.decode() if isinstance(text, bytes) else text
        record = json.loads(plain)
        # Each name and each text has two quotes; only where there are more can a name be there twice.  Counting
        # costs a tenth of looking at every pair.
        if type(record) is dict and plain.count('"') != 2 * (len(record) + list(map(type, record.values())).count(str)):
            json.loads(plain, object_pairs_hook=_once)
    except (ValueError, RecursionError) as e:
        raise LineError(line_no, "line", f"not JSON ({e})") from None
    if not checking.is_text(plain):
        raise LineError(line_no, "line", "is not UTF-8")
    if type(record) is not dict:
        raise LineError(line_no, "line", "expected one JSON object")
    return record


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table = dict(pairs)
    if len(table) != len(pairs):
        raise ValueError("a name occurs twice")
    return table


def parse_record(record: dict[str, Any], line_no: int = 0, *, internal: bool = False) -> Event:
    """The event in an already decoded line; raises `LineError`.  `record` is not kept."""
    if record.get("kind") == "reading":
        return _reading(record, line_no)
    return _event(record, line_no, KINDS | INTERNAL_KINDS if internal else KINDS)


def unix_s(text: object, line_no: int = 0, key: str = "at") -> float:
    """Seconds since 1970 of an RFC 3339 time with offset; raises `LineError`.

    Times outside 1970 to 2099 are refused: no keeper means them, and time's own ticks would be made up to them.
    """
    try:
        when = dt.datetime.fromisoformat(text)  # type: ignore[arg-type]
        if when.tzinfo is not None and len(cast("str", text)) >= len("2026-01-01T00:00Z"):
            at_s = when.timestamp()
            if 0 <= at_s < LATEST_S:
                return at_s
    except (ValueError, TypeError, OverflowError):
        pass
    said = checking.shown(text)
    raise LineError(line_no, key, f"expected a time such as 2026-03-01T12:00:00Z, with offset or Z, got {said}")


def rfc3339(at_s: float) -> str:
    """An RFC 3339 time in UTC, to the second where that is exact and to the millisecond otherwise."""
    ms = round(at_s * 1000)
    when = dt.datetime.fromtimestamp(ms // 1000, dt.UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{when}Z" if ms % 1000 == 0 else f"{when}.{ms % 1000:03d}Z"


def format_line(event: Event) -> str:
    """One event as one line, without the newline; keys that hold their default are left out."""
    return json.dumps(record_of(event), ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def record_of(event: Event) -> dict[str, Any]:
    """The JSON object that `format_line` writes."""
    record: dict[str, Any] = {"at": rfc3339(event.at_s), "kind": event.kind}
    for f in dataclasses.fields(event):
        if f.name in {"at_s", "received_s", "id", "replacement"}:
            continue
        value = getattr(event, f.name)
        required = f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING
        if required or value not in (f.default, None, {}, ()):
            record[f.name] = _plain(value)
    if isinstance(event, Correction) and event.replacement is not None:
        record["replacement"] = record_of(event.replacement)
    if event.id:
        record["id"] = event.id
    if event.received_s and event.received_s != event.at_s:
        record["received_at"] = rfc3339(event.received_s)
    return record


def edited(event: Event, changes: Mapping[str, Any], *, at_s: float, entry_id: str) -> Correction:
    """The correction, made at `at_s` under its own id, that puts an entry right: keys of its line, None takes one out.

    `values.nitrate` and the like reach inside; what is not named stays as it is.  Raises `LineError` naming the key.
    """
    record = record_of(event)
    for key, value in changes.items():
        outer, _, inner = key.partition(".")
        if outer in {"kind", "id", "received_at"}:
            raise LineError(0, outer, "can't be changed; undo the entry and make another")
        place = record.setdefault(outer, {}) if inner else record
        if not isinstance(place, dict):
            raise LineError(0, outer, "holds nothing by that name")
        name = inner or outer
        if value is None:
            place.pop(name, None)
        else:
            place[name] = value
    record.pop("received_at", None)
    body = {"at": rfc3339(at_s), "kind": "correction", "id": entry_id, "of": event.id, "replacement": record}
    try:
        correction = parse_record(body)
    except LineError as e:
        raise LineError(0, e.key.removeprefix("replacement."), e.what) from None
    assert isinstance(correction, Correction)
    return correction


def check_names(event: Event, config: Config, line_no: int = 0) -> None:
    """Raise `LineError` for a tank, probe or kit that the configuration does not know."""
    inner = event.replacement if isinstance(event, Correction) and event.replacement is not None else event
    for key, known in (("tank", config.tank), ("probe", config.probe), ("kit", config.kit)):
        name = getattr(inner, key, "")
        if name and all(name != k.id for k in known):
            raise LineError(line_no, key, f"no {key} called {name!r}{checking.nearest(name, [k.id for k in known])}")
    if isinstance(inner, Reading) and inner.unit:
        quantity = next(p.quantity for p in config.probe if p.id == inner.probe)
        try:
            units.to_standard(quantity, 0.0, inner.unit)
        except ValueError as e:
            raise LineError(line_no, "unit", str(e)) from None


def check_typed(event: Event, config: Config) -> None:
    """Raise `LineError` for what at a keyboard is a slip of the finger.

    That is a test's figure that no water gives, a calibration that would not be used, and a note without end.
    """
    for key in ("note", "text"):
        if len(str(getattr(event, key, ""))) > LONGEST_NOTE:
            raise LineError(0, key, f"is longer than {LONGEST_NOTE} characters")
    if isinstance(event, Calibration):
        probe = next(p for p in config.probe if p.id == event.probe)
        verdict = come_to(probe, event, Units(config.site.units))
        if not verdict.accepted:
            raise LineError(0, "points", verdict.words)
    if isinstance(event, KitCheck):
        told = [(f"standards[{n}].read", s.substance, s.read) for n, s in enumerate(event.standards) if s.read]
        typed: list[tuple[str, str, float | str]] = [(k, name, v) for k, name, v in told if v is not None]
    elif isinstance(event, Test):
        typed = [(f"values.{name}", name, value) for name, value in event.values.items()]
    else:
        return
    for key, name, value in typed:
        most = 14.0 if name == "ph" else 1000.0
        if float(str(value).lstrip("<>")) > most:
            raise LineError(0, key, f"expected a number from 0 to {most:g}, got {value}")


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        held = ((f.name, getattr(value, f.name), f.default) for f in dataclasses.fields(value))
        # What is not known is not written; a default that is a figure is, as a calibration point's temperature.
        return {k: _plain(v) for k, v, default in held if v is not None and not (v == "" == default)}
    return [_plain(v) for v in value] if isinstance(value, tuple) else value


def _reading(record: dict[str, Any], line_no: int) -> Reading:
    """By hand, because a year of one probe is half a million of these."""
    if not _READING_KEYS.issuperset(record):
        key = next(k for k in record if k not in _READING_KEYS)
        raise LineError(line_no, key, f"unknown key{checking.nearest(key, _READING_KEYS)}")
    probe, value, quality = record.get("probe"), record.get("value"), record.get("quality")
    if type(probe) is not str:
        raise LineError(
            line_no, "probe", "is missing" if probe is None else f"expected text, got {checking.shown(probe)}"
        )
    if value is None:
        if "value" not in record:
            raise LineError(line_no, "value", "is missing (null says that the device has none)")
    elif (type(value) is not float or not math.isfinite(value)) and (type(value) is not int or abs(value) > _LARGEST):
        raise LineError(line_no, "value", f"expected a finite number or null, got {checking.shown(value)}")
    if quality is not None and (type(quality) is not int or quality not in _QUALITIES):
        raise LineError(line_no, "quality", f"expected 1, 2, 3, 4 or 9, got {checking.shown(quality)}")
    unit, id_, received = record.get("unit", ""), record.get("id", ""), record.get("received_at")
    if type(unit) is not str or type(id_) is not str:
        raise LineError(line_no, "unit" if type(unit) is not str else "id", "expected text")
    _whole(line_no, probe=probe, unit=unit, id=id_)
    return Reading(
        at_s=unix_s(record.get("at"), line_no),
        received_s=0.0 if received is None else unix_s(received, line_no, "received_at"),
        id=id_,
        probe=probe,
        value=None if value is None else float(value),
        unit=unit,
        quality=cast("Quality | None", quality),
    )


def _whole(line_no: int, **texts: str) -> None:
    """Raise `LineError` for half a surrogate pair, which nothing could write."""
    for key, said in texts.items():
        if not checking.is_text(said):
            raise LineError(line_no, key, "holds half a character")


@cache
def _adapter(kind: str) -> TypeAdapter[Any]:
    return TypeAdapter((KINDS | INTERNAL_KINDS)[kind])


def _event(record: dict[str, Any], line_no: int, kinds: Mapping[str, type[Event]]) -> Event:
    kind = record.get("kind")
    cls = kinds.get(kind) if isinstance(kind, str) else None
    if cls is None:
        close = checking.nearest(kind, KINDS) if isinstance(kind, str) else ""
        raise LineError(
            line_no, "kind", "is missing" if kind is None else f"unknown kind {checking.shown(kind)}{close}"
        )
    if fault := checking.unfit(record):
        raise LineError(line_no, "line" if fault.key == "." else fault.key, fault.what)
    body = {k: v for k, v in record.items() if k not in {"at", "received_at", "kind"}}
    for own in ("at_s", "received_s"):
        if own in body:
            raise LineError(line_no, own, f"unknown key{checking.nearest(own, ['at', 'received_at'])}")
    body["at_s"] = unix_s(record.get("at"), line_no)
    if "received_at" in record:
        body["received_s"] = unix_s(record["received_at"], line_no, "received_at")
    replacement = body.pop("replacement", None) if cls is Correction else None
    event = _checked(cls, body, line_no)
    if isinstance(event, Correction):
        return _correction(event, replacement, line_no)
    _check_values(event, line_no)
    return event


def _checked(cls: type[Event], body: dict[str, Any], line_no: int) -> Event:
    try:
        # Strict checking of JSON keeps "5" from passing for 5 and still takes a list for a tuple.
        return cast("Event", _adapter(cls.kind).validate_json(json.dumps(body), strict=True))
    except ValidationError as e:
        found = checking.faults(e, cls)
        # A misspelt key also shows up as a missing one; the misspelling is what helps.
        fault = next((f for f in found if f.what.startswith("unknown key")), found[0])
        key = "line" if fault.key == "." else fault.key
        raise LineError(line_no, key, fault.what) from None


def _correction(event: Correction, replacement: Any, line_no: int) -> Correction:
    if event.void == (replacement is not None):
        raise LineError(line_no, "replacement", "give either void = true or a replacement event")
    if replacement is None:
        return event
    if not isinstance(replacement, dict) or replacement.get("kind") in {"correction", "reading"}:
        raise LineError(line_no, "replacement", "expected an event other than a reading or a correction")
    try:
        inner = parse_record({**replacement, "id": event.of}, line_no)
    except LineError as e:
        raise LineError(line_no, f"replacement.{e.key}", e.what) from None
    return dataclasses.replace(event, replacement=inner)


def _check_values(event: Event, line_no: int) -> None:
    """A test's or a standard's values are numbers or bounds, in units that have one reading only."""
    if isinstance(event, KitCheck):
        _check_standards(event, line_no)
    if isinstance(event, Test):
        _check_test(event, line_no)
    if isinstance(event, LightSpot):
        try:
            units.to_standard("light", event.value, event.unit or "lx")
        except ValueError as e:
            raise LineError(line_no, "unit", str(e)) from None


def _check_test(event: Test, line_no: int) -> None:
    if not event.values and event.picture is None:
        raise LineError(line_no, "values", "expected at least 1 entry, or a picture")
    seen = event.picture.pads() if event.picture is not None else {}
    _check_pads(event.picture, "picture", line_no)
    for name, unit in event.units.items():
        if name not in event.values and name not in seen:
            raise LineError(line_no, f"units.{name}", "there is no such value to go with it")
        for field, _ in seen[name].chart if name in seen else ():
            _check_value(name, field, unit, line_no, f"units.{name}")
    for name in event.dilution_source:
        if event.dilution == 1.0 or (name not in event.values and name not in seen):
            raise LineError(line_no, f"dilution_source.{name}", "nothing was thinned that it could go with")
    for name, value in event.values.items():
        key = "units" if name in event.units else "values"
        if isinstance(value, str) and value[:1] not in {"<", ">"}:
            raise LineError(line_no, f"values.{name}", f"expected a number, '>250' or '<5', got {value!r}")
        _check_value(name, value, event.units.get(name, ""), line_no, f"{key}.{name}")


def _check_standards(event: KitCheck, line_no: int) -> None:
    for n, standard in enumerate(event.standards):
        at, name = f"standards[{n}]", standard.substance
        if standard.read is None and standard.picture is None:
            raise LineError(line_no, f"{at}.read", "is missing, and there is no picture")
        if isinstance(standard.read, str) and standard.read[:1] not in {"<", ">"}:
            raise LineError(line_no, f"{at}.read", f"expected a number, '>250' or '<5', got {standard.read!r}")
        _check_value(name, standard.value, standard.unit, line_no, f"{at}.unit" if standard.unit else f"{at}.value")
        if standard.read is not None:
            _check_value(name, standard.read, standard.unit, line_no, f"{at}.read")
        if standard.picture is not None and name not in standard.picture.pads():
            raise LineError(line_no, f"{at}.picture", f"shows no pad of {name}")
        _check_pads(standard.picture, f"{at}.picture", line_no)


def _check_pads(picture: Picture | None, at: str, line_no: int) -> None:
    if picture is not None and not picture.pads():
        raise LineError(line_no, at, "shows no pad")


def _check_value(name: str, value: float | str, unit: str, line_no: int, key: str) -> None:
    try:
        units.read_reported(name, value, unit)
    except ValueError as e:
        raise LineError(line_no, key, str(e).removeprefix(f"{name}: ")) from None
