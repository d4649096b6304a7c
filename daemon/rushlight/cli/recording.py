"""`rushlight record`: what a person did or saw, into the journal."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import re
import uuid
import zoneinfo
from pathlib import Path
from typing import Any

import click
from pydantic import TypeAdapter

from rushlight import eventlines
from rushlight.cli import asking
from rushlight.cli.common import as_typed, config_in_use, config_option, data_folder, fail, undoing
from rushlight.clock import SystemClock
from rushlight.entry import doubts, entered, firstaid
from rushlight.entry.kitunits import in_own_units
from rushlight.entry.receipt import Receipt
from rushlight.events import KINDS, Calibration, Event, Test
from rushlight.localtime import local_time
from rushlight.localunits import METRIC, Units
from rushlight.settings import Config
from rushlight.tank.probes.calibration import raw_of, read_otherwise
from rushlight.views import SiteView

_KINDS = [k for k in KINDS if k not in {"reading", "acknowledge", "shelve"}]
_VALUE = re.compile(r"\s*([<>]?\d+(?:\.\d+)?)\s*(.*)")
_STANDARD = re.compile(r"\s*(\d+(?:\.\d+)?)\s*:\s*([<>]?\d+(?:\.\d+)?)\s*(.*)")
_COMMA = re.compile(r"\s*[<>]?\d+,\d+.*")
_TEST_KEYS = ("method", "kit", "note", "device", "dilution", "picture")
_AHEAD = dt.timedelta(minutes=5)
"""A time given so little ahead of this machine's clock is taken for now."""
_POINT = re.compile(r"(-?\d+(?:\.\d+)?)=(-?\d+(?:\.\d+)?)(?:@(-?\d+(?:\.\d+)?))?")


@click.command()
@click.argument("kind", type=click.Choice(_KINDS), metavar="KIND")
@click.argument("pairs", nargs=-1, metavar="[KEY=VALUE]...")
@click.option("--tank", "-t", help="Tank id; may be left out when there is one tank.")
@click.option("--probe", help="Probe id, for a calibration.")
@click.option(
    "--at", "when", help="When it was done: '18:30', '2026-03-01 18:30' (local time) or RFC 3339.  [default: now]"
)
@click.option("--note", help="Free words kept with the entry, where its kind has room for them.")
@click.option("--id", "id_", help="The entry's own id; the same id twice is one entry.")
@click.option("--picture", type=click.Path(exists=True), help="A test's picture, or its colours as JSON.")
@click.option("--strip-frame", help="Corners of the strip in the picture: 'x,y x,y x,y x,y', px.")
@click.option("--chart-frame", help="Corners of the chart's fields in the picture, likewise.")
@click.option("--sure", is_flag=True, help="Keep it as given, though it is unlike anything that this tank has seen.")
@config_option
def record(kind: str, pairs: tuple[str, ...], config_file: Path | None, *, sure: bool, **given: str | None) -> None:
    """Write down a test, a feeding, a water change or anything else done or seen.

    KIND is one of test, feeding, water_change, top_off, harvest, dose, stocking, lamp, sighting, calibration,
    correction, note, pack, kit_check, treatment, filter, outage, absence, growth, light_spot.

    \b
    rushlight record test --tank foyer nitrate=25 ph=7.0
    rushlight record test --tank foyer nitrate='>250' --at '2026-03-01 18:30'
    rushlight record test --tank foyer method=lab 'nitrate=5.6 mg/L N'
    rushlight record test --tank foyer nitrate=50 dilution=1+1 source.nitrate=5
    rushlight record test --tank foyer --picture colours.json
    rushlight record kit_check kit=strip nitrate=50:25 nitrate=25:10 pack='lot 7'
    rushlight record feeding --tank foyer grams=0.9
    rushlight record water_change --tank foyer fraction=30%
    rushlight record top_off --tank foyer litres='2 US gal'
    rushlight record harvest --tank foyer fresh_grams=400 plant='umbrella sedge'
    rushlight record growth --tank foyer plant='water mint' new_leaves=6 longest_cm=31
    rushlight record growth --tank foyer cover=42%
    rushlight record light_spot --tank foyer place='umbrella sedge' value=2400
    rushlight record lamp --tank foyer what=replaced
    rushlight record sighting --tank foyer what=algae
    rushlight record treatment --tank foyer what='white spot remedy' days=5
    rushlight record filter --tank foyer what=cleaned
    rushlight record outage --tank foyer minutes=600 --at 12:10
    rushlight record absence --tank foyer days=14
    rushlight record pack --tank foyer strips=50
    rushlight record calibration --probe foyer-ph 6.86=6.91@24 4.01=4.10@24
    rushlight record correction of=ENTRY-ID void=true

    Volumes, lengths and weights are in the site's units ([site] units) unless one is written: 10gal, '4 in', 25g.
    Tests are in the unit that the kit's box gives, and what was understood is said back.

    Exit status: 0 on the disk (the entry's id is printed); 1 it could not be stored; 2 the entry is wrong;
    3 it acts, but is in memory only: a restart before the disk takes it loses it; 4 no answer came, so it is not known.
    """  # noqa: D301
    config = config_in_use(config_file)
    line = build(kind, pairs, config, SystemClock().wall_s(), **given)
    try:
        event = eventlines.parse_record(dict(line))
        eventlines.check_names(event, config)
        eventlines.check_typed(event, config)
    except eventlines.LineError as e:
        fail(as_typed(str(e)), status=2)
    if not sure and (doubt := doubts.question(event, config, _view(config))) is not None:
        fail(f"{doubt[0]}: {doubt[1]}; if it is so, say it again with --sure", status=2)
    then = [undoing(line["id"], config_file)]

    def write() -> Receipt:
        receipt = _without_daemon(config, line)
        then.insert(0, firstaid.now(event, SystemClock().wall_s()))  # a daemon says that with what the entry changed
        return receipt

    try:
        receipt = asking.or_write(config, lambda: asking.enter(config, line, now=not given.get("when")), write)
    except RuntimeError as e:
        fail(f"not stored: {e}")
    except ValueError as e:
        fail(as_typed(str(e)), status=2)
    except OSError as e:
        fail(f"not stored: the daemon is not running and {data_folder(config)} can't be written ({e})")
    zone = zoneinfo.ZoneInfo(config.site.timezone)
    said = f"Understood: {said_of(in_own_units(event, config.tank, config.kit), config, zone)}"
    asking.report(receipt, line["id"], *then, said=said)


def said_of(event: Event, config: Config, zone: zoneinfo.ZoneInfo) -> str:
    """What an entry says, of which tank or probe, with which kit, and when it was done."""
    title = next((t.title for t in config.tank if t.id == getattr(event, "tank", "")), "")
    kit = getattr(event, "kit", "") if len(config.kit) > 1 and event.kind == "test" else ""
    when = f"{local_time(event.at_s, zone):%a %-d %b %Y, %H:%M}"
    what = entered.of_event(event, Units(config.site.units))
    return ", ".join(p for p in (what, f"kit {kit}" if kit else "", title, when) if p)


def changes_of(event: Event, pairs: tuple[str, ...], when: str | None, config: Config, now_s: float) -> dict[str, Any]:
    """The keys of an entry's line that change, as `eventlines.edited` takes them; exits with 2 for what can't be."""
    changes: dict[str, Any] = {}
    fields = dict(_pair(p) for p in pairs)
    if isinstance(event, Test):
        gone = [k for k, v in fields.items() if not v.strip()]
        kept = _test({k: v for k, v in fields.items() if k not in gone}, event.tank, config)
        named = {k: kept[k] for k in ("method", "kit", "note", "device", "dilution") if k in kept and k in fields}
        changes |= named | {f"values.{k}": v for k, v in kept["values"].items()}
        changes |= {f"units.{k}": v for k, v in kept.get("units", {}).items()}
        changes |= {(k if k in _TEST_KEYS else f"values.{k}"): None for k in gone}
    elif isinstance(event, Calibration):
        changes["points"] = [_point(p, event.probe, config) for p in pairs]
    else:
        changes |= {k: _value(k, v, config) if v.strip() else None for k, v in fields.items()}
    if when:
        changes["at"] = _when(when, local_time(now_s, zoneinfo.ZoneInfo(config.site.timezone))).isoformat()
    return changes


def _view(config: Config) -> SiteView | None:
    """The running daemon's view; None where none runs."""
    try:
        answer = asking.ask_or_none(config, do="view")
    except RuntimeError:
        return None
    return None if answer is None else TypeAdapter(SiteView).validate_python(answer["view"])


def _without_daemon(config: Config, line: dict[str, Any]) -> Receipt:
    from rushlight.service import offline

    return offline.record(config, data_folder(config), eventlines.parse_record(dict(line)))


def build(kind: str, pairs: tuple[str, ...], config: Config, now_s: float, **given: str | None) -> dict[str, Any]:
    """The event line for what was typed; exits with 2 when it can't be one."""
    line: dict[str, Any] = {"kind": kind, "id": given.get("id_") or str(uuid.uuid4())}
    now = local_time(now_s, zoneinfo.ZoneInfo(config.site.timezone))
    at = _when(given.get("when"), now)
    line["at"] = at.isoformat()
    if given.get("when"):
        line["received_at"] = now.isoformat()
    if kind == "calibration":
        if given.get("note"):
            _note_key(kind)
        line["probe"] = given.get("probe") or fail("--probe: is missing", status=2)
        line["points"] = [_point(p, line["probe"], config) for p in pairs]
        return line
    if kind == "kit_check":
        return line | _kit_check(pairs, config)
    if kind != "correction":
        line["tank"] = given.get("tank") or _only_tank(config)
    if given.get("note"):
        line[_note_key(kind)] = given["note"]
    fields = dict(_pair(p) for p in pairs)
    if kind == "note" and not str(line.get("text", fields.get("text", ""))).strip():
        fail("text: is missing; say it as text='…' or with --note", status=2)
    if kind != "test":
        if given.get("picture"):
            fail("--picture: goes with a test", status=2)
        return line | {k: _value(k, v, config) for k, v in fields.items()}
    body = _test(fields, line["tank"], config)
    return line | body | _picture(body, config, given)


def _note_key(kind: str) -> str:
    """Where free words go in an entry of this kind; exits with 2 where it has no room for them."""
    if kind == "note":
        return "text"
    with_note = [k for k in _KINDS if "note" in {f.name for f in dataclasses.fields(KINDS[k])}]
    if kind not in with_note:
        fail(
            f"--note: a {kind} entry has no room for words ({', '.join(with_note)} have); "
            "write them down besides: rushlight record note text='…'",
            status=2,
        )
    return "note"


def _test(fields: dict[str, str], tank: str, config: Config) -> dict[str, Any]:
    out: dict[str, Any] = {k: fields.pop(k) for k in ("method", "kit", "note", "device") if k in fields}
    if "picture" in fields:
        out["picture"] = _plain(fields.pop("picture"))
    if "dilution" in fields:
        out["dilution"] = _dilution(fields.pop("dilution"))
    source = {k.partition(".")[2]: _plain(fields.pop(k)) for k in list(fields) if k.startswith("source.")}
    if source:
        out["dilution_source"] = source
    testing = next((t.testing for t in config.tank if t.id == tank), None)
    kit_id = out.get("kit") or (testing.kit if testing else "") or config.kit[0].id
    kit = next((k for k in config.kit if k.id == kit_id), None)
    out.setdefault("method", kit.method if kit else "strip")
    if kit is not None and out["method"] == kit.method:
        out["kit"] = kit.id
    out["values"], units = {}, {}
    for name, text in fields.items():
        matched = _VALUE.fullmatch(text)
        if _COMMA.fullmatch(text):
            fail(f"{name}: write decimals with a point, such as 25.5, got {text!r}", status=2)
        if matched is None:
            fail(f"{name}: expected a number such as 25, '>250' or '5.6 mg/L N', got {text!r}", status=2)
        number, unit = matched.groups()
        out["values"][name] = number if number[0] in "<>" else float(number)
        if unit:
            units[name] = unit
    return out | ({"units": units} if units else {})


def _picture(body: dict[str, Any], config: Config, given: dict[str, str | None]) -> dict[str, Any]:
    """The colours of the picture that was given; exits with 2 and the way out where they can't be read."""
    if not given.get("picture"):
        return {}
    from rushlight.cli.strip_picture import PictureError, colours

    kit = next((k for k in config.kit if k.id == body.get("kit")), config.kit[0])
    try:
        file = Path(str(given["picture"]))
        return {"picture": colours(file, kit, given.get("strip_frame"), given.get("chart_frame"))}
    except PictureError as e:
        fail(f"--picture: {e}", status=2)


def _dilution(text: str) -> Any:
    """'1+2', one part of the tank's water and two of the other, as one part in 3; a number as itself."""
    if parts := re.fullmatch(r"(\d+(?:\.\d+)?) ?\+ ?(\d+(?:\.\d+)?)", text):
        sample, other = float(parts[1]), float(parts[2])
        if sample > 0.0:
            return (sample + other) / sample
    return _plain(text)


def _kit_check(pairs: tuple[str, ...], config: Config) -> dict[str, Any]:
    """Standards from SUBSTANCE=VALUE:READ, or whole as standards=JSON; the rest as it is."""
    out: dict[str, Any] = {"kit": config.kit[0].id} if len(config.kit) == 1 else {}
    standards: list[Any] = []
    for key, value in map(_pair, pairs):
        if key in {"kit", "pack", "device"}:
            out[key] = value
        elif key == "standards":
            given = _plain(value)
            standards += given if isinstance(given, list) else [given]
        elif matched := _STANDARD.fullmatch(value):
            held, read, unit = matched.groups()
            standard = {"substance": key, "value": float(held), "read": read if read[0] in "<>" else float(read)}
            standards.append(standard | ({"unit": unit} if unit else {}))
        else:
            fail(f"{key}: expected what the water held and what the kit read, such as 50:25, got {value!r}", status=2)
    return out | {"standards": standards}


def _pair(text: str) -> tuple[str, str]:
    key, equals, value = text.partition("=")
    if not equals:
        fail(f"{text!r}: expected KEY=VALUE, such as nitrate=25", status=2)
    return key.strip(), value


def _plain(text: str) -> Any:
    """Numbers, true and JSON lists as themselves, '30%' as the part 0.3, all else as text."""
    if percent := re.fullmatch(r"(\d+(?:\.\d+)?) ?%", text):
        return float(percent[1]) / 100
    try:
        return json.loads(text)
    except ValueError:
        return text


_QUANTITIES = {
    "litres": "volume",
    "longest_cm": "length",
    "height_cm": "length",
    **dict.fromkeys(("grams", "fresh_grams", "dry_grams"), "mass"),
}


def _value(key: str, text: str, config: Config) -> Any:
    """A value as `_plain`; of a quantity, in the site's unit or the one that is written behind it, the record's."""
    units = Units(config.site.units)
    if key not in _QUANTITIES or (units == METRIC and isinstance(_plain(text), int | float)):
        return _plain(text)
    if _COMMA.fullmatch(text):
        fail(f"{key}: write decimals with a point, such as 25.5, got {text!r}", status=2)
    try:
        return units.read(text, _QUANTITIES[key])
    except ValueError as e:
        fail(f"{key}: {e}", status=2)


def _point(text: str, probe_id: str, config: Config) -> dict[str, float]:
    """One standard, from the site's units into the record's; the raw value into the device's own."""
    matched = _POINT.fullmatch(text)
    if matched is None:
        fail(f"{text!r}: expected STANDARD=READ or STANDARD=READ@TEMPERATURE, such as 6.86=6.91@24", status=2)
    value, raw, temperature = matched.groups()
    point, units = {"value": float(value), "raw": float(raw)}, Units(config.site.units)
    probe = next((p for p in config.probe if p.id == probe_id), None)
    if probe is not None and read_otherwise(probe, units):
        point = {name: units.in_record(v, probe.quantity) for name, v in point.items()}
        point["raw"] = raw_of(probe, point["raw"])
    return point | ({"temperature_c": units.in_record(float(temperature), "temperature")} if temperature else {})


def _only_tank(config: Config) -> str:
    if len(config.tank) > 1:
        fail(f"--tank: is missing; one of {', '.join(t.id for t in config.tank)}", status=2)
    return config.tank[0].id


def _when(text: str | None, now: dt.datetime) -> dt.datetime:
    """The moment a person meant; a bare time is today, or yesterday when it is still to come."""
    if not text:
        return now
    try:
        if re.fullmatch(r"\d{1,2}:\d{2}", text):
            hour, minute = map(int, text.split(":"))
            at = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
            return at if at <= now else at - dt.timedelta(days=1)
        at = dt.datetime.fromisoformat(text)
    except ValueError:
        fail(f"--at: expected '18:30', '2026-03-01 18:30' or RFC 3339, got {text!r}", status=2)
    at = at if at.tzinfo else at.replace(tzinfo=now.tzinfo)
    if at > now + _AHEAD:
        fail(f"--at: {text!r} lies in the future", status=2)
    return min(at, now)
