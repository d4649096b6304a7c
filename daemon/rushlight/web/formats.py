"""Moments, figures and entries in words for a person.  Pure."""

from __future__ import annotations

import zoneinfo

from rushlight.alarms.wording.words import number
from rushlight.effects import Estimate
from rushlight.events import (
    Calibration,
    Correction,
    Dose,
    Event,
    Feeding,
    FilterWork,
    Growth,
    Harvest,
    KitCheck,
    LampWork,
    LightSpot,
    Note,
    Outage,
    Pack,
    Sighting,
    Stocking,
    Test,
    TopOff,
    Treatment,
    WaterChange,
)
from rushlight.localtime import DAY_S, local_date, local_day, local_time
from rushlight.science.measuring.units import from_standard, spoken
from rushlight.settings import Kit
from rushlight.views import ProbeView
from rushlight.web.entering.entries import FILTER_WORK, LAMP_WORK, NAMES, SIGHTINGS


def moment(at_s: float | None, now_s: float, zone: zoneinfo.ZoneInfo) -> str:
    """'today 18:30', 'yesterday 18:30', 'Tue 3 Mar 18:30', with the year where it is another one."""
    if at_s is None:
        return "not known"
    when, now = (local_time(s, zone) for s in (at_s, now_s))
    return (
        f"{day(at_s, now_s, zone)} {when:%H:%M}" if abs((when.date() - now.date()).days) < 300 else f"{when:%d %b %Y}"
    )


def day(at_s: float, now_s: float, zone: zoneinfo.ZoneInfo) -> str:
    """'today', 'tomorrow', 'Tue 3 Mar'."""
    when, now = (local_day(s, zone) for s in (at_s, now_s))
    near = {-1: "yesterday", 0: "today", 1: "tomorrow"}.get((when - now).days)
    return near or f"{when:%a} {when.day} {when:%b}" + ("" if when.year == now.year else f" {when.year}")


def date(at_s: float, zone: zoneinfo.ZoneInfo) -> str:
    """2026-03-01, local."""
    return local_date(at_s, zone)


def quantity(name: str) -> str:
    """How a quantity is called."""
    return {"ph": "pH"}.get(name, name.replace("_", " ").capitalize())


def probe(view: ProbeView) -> str:
    """What a probe measures, and which of several it is."""
    name = quantity(view.quantity)
    return f"{name}, {view.which}" if view.which else name


def ago(at_s: float | None, now_s: float) -> str:
    """'12 min ago'."""
    if at_s is None:
        return "never"
    s = now_s - at_s
    return "just now" if s < 90 else f"{length(s)} ago"


def length(s: float) -> str:
    """'12 min', '5 h', '3 days'."""
    for unit_s, word in ((DAY_S, "days"), (3600.0, "h")):
        if s >= 2 * unit_s:
            return f"{s / unit_s:.0f} {word}"
    return f"{s / 60.0:.0f} min"


def span(e: Estimate | None, digits: int = 2) -> str:
    """'23 (18 to 30)'."""
    if e is None:
        return "not known"
    return f"{number(e.mean, digits)} ({number(e.low, digits)} to {number(e.high, digits)})"


def values_of(test: Test) -> str:
    """'Nitrate 25 mg/L as NO3, pH 7'."""
    said = []
    for k, v in test.values.items():
        unit = _unit(k, test.units.get(k, ""))
        said.append(f"{NAMES.get(k, k)} {v if isinstance(v, str) else f'{v:g}'}{f' {unit}' if unit else ''}")
    return ", ".join(said)


def _unit(substance: str, unit: str) -> str:
    try:
        return spoken(substance, unit)
    except ValueError:
        return unit  # of an older entry, in a spelling that is no longer known


def reading(value: float | str, substance: str, kit: Kit) -> str:
    """A canonical value as this kit would give it: '10' on a box in N for 44 mg/L as NO3."""
    bound = value[:1] if isinstance(value, str) and value[:1] in {"<", ">"} else ""
    plain = float(value[len(bound) :]) if isinstance(value, str) else value
    return f"{bound}{number(from_standard(substance, plain, kit.unit(substance)), 3)}"


def of_event(event: Event) -> str:  # noqa: C901, PLR0911, PLR0912 - one line for each kind
    """What an entry says, in a few words."""
    match event:
        case Test():
            return f"{event.method.capitalize()} test: {_of_test(event)}"
        case Feeding():
            return f"Feeding: {event.grams:g} g"
        case WaterChange():
            amount = f"{event.litres:g} L" if event.fraction is None else f"{100 * event.fraction:.0f} %"
            return f"Water change: {amount}"
        case TopOff():
            return f"Top-off: {event.litres:g} L"
        case Harvest():
            fresh = event.fresh_grams is not None
            amount = f"{event.fresh_grams:g} g fresh" if fresh else f"{event.dry_grams:g} g dry"
            return f"Harvest: {amount}{f', {event.plant}' if event.plant else ''}"
        case Growth():
            return _of_growth(event)
        case LightSpot():
            return f"Light at {event.place}: {event.value:g} {event.unit or 'lx'}"
        case LampWork():
            return LAMP_WORK[event.what]
        case Sighting():
            return f"Seen: {SIGHTINGS[event.what].lower()}{f', {event.note}' if event.note else ''}"
        case Stocking():
            return f"Fish: {event.change:+d}{f' {event.species}' if event.species else ''}"
        case Dose():
            return f"Added: {event.what}"
        case Calibration():
            return f"Calibration of {event.probe}, {len(event.points)} points"
        case KitCheck():
            checked = {s.substance for s in event.standards}
            return f"Kit {event.kit} checked: {', '.join(NAMES.get(name, name) for name in sorted(checked))}"
        case Treatment():
            return f"Treatment: {event.what}{'' if event.days is None else f', for {event.days:g} days'}"
        case FilterWork():
            return FILTER_WORK[event.what]
        case Outage():
            return f"Power was out for {length(60.0 * event.minutes)}"
        case Pack():
            return f"New pack of strips: {event.strips:g}"
        case Note():
            return f"Note: {event.text}"
        case Correction():
            return "Undone" if event.void else "Corrected"
    return event.kind


def _of_test(event: Test) -> str:
    """Its values, or what its picture shows, and whether the sample was thinned."""
    seen = ", ".join(NAMES.get(k, k) for k in event.picture.pads()) if event.picture is not None else ""
    said = values_of(event) or f"picture of {seen}"
    return said if event.dilution == 1.0 else f"{said}, thinned to one part in {event.dilution:g}"


def _of_growth(event: Growth) -> str:
    """'Growth of water mint: 6 new leaves, longest shoot 31 cm'."""
    seen = (
        ("", event.new_leaves, " new leaves" if event.new_leaves != 1 else " new leaf"),
        ("longest shoot ", event.longest_cm, " cm"),
        ("height ", event.height_cm, " cm"),
        ("leaf cover ", None if event.cover is None else 100.0 * event.cover, " %"),
    )
    said = [f"{before}{value:.4g}{after}" for before, value, after in seen if value is not None]
    who = f" of {event.plant}" if event.plant else ""
    return f"Growth{who}: {', '.join(said or ['a picture'])}"


def mark_of(event: Event) -> str:
    """One word for a picture; empty for what is not marked."""
    marks = {"water_change": "change", "harvest": "harvest", "lamp": "lamp", "stocking": "fish", "sighting": "seen"}
    return marks.get(event.kind, "")


def field_time(at_s: float, zone: zoneinfo.ZoneInfo) -> str:
    """2026-03-01T18:30, as a date-and-time field wants it."""
    return f"{local_time(at_s, zone):%Y-%m-%dT%H:%M}"
