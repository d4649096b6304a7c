"""Entries in words, and what an entry changed: one answer for page, command line and hub.

Owns what is said back to whoever entered something: what was understood, and what is told otherwise now than before.
Pure: entries and views in, sentences out; works no figure out.
"""

from __future__ import annotations

import zoneinfo
from collections.abc import Sequence

from rushlight.alarms.table import TABLE
from rushlight.effects import Estimate
from rushlight.entry import firstaid
from rushlight.events import (
    Absence,
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
from rushlight.localtime import DAY_S, local_time
from rushlight.localunits import METRIC, Units
from rushlight.science.measuring.units import spoken
from rushlight.views import STANDING, TankView

NOTHING = "It changes no estimate, no alarm and no date."

LAMP_WORK = {
    "replaced": "Lamp replaced",
    "added": "Lamp added",
    "removed": "Lamp taken away",
    "moved": "Lamp moved",
    "cleaned": "Lamp or probe cleaned",
    "schedule": "Hours changed",
}
SIGHTINGS = {
    "algae": "Algae",
    "yellow_leaves": "Yellow leaves",
    "new_growth": "New growth",
    "gasping": "Fish gasping",
    "dead_fish": "Dead fish",
    "cloudy": "Cloudy water",
    "smell": "Smell",
}
FILTER_WORK = {
    "cleaned": "Filter cleaned",
    "replaced": "Filter or its material replaced",
    "stopped": "Filter stopped",
    "started": "Filter started again",
}
NAMES = {
    "nitrate": "Nitrate",
    "nitrite": "Nitrite",
    "ammonia": "Ammonia",
    "ph": "pH",
    "kh": "KH",
    "gh": "GH",
    "chlorine": "Chlorine",
    "chloride": "Chloride",
}


def of_event(event: Event, units: Units = METRIC) -> str:  # noqa: C901, PLR0911, PLR0912 - one line for each kind
    """What an entry says, in a few words."""
    match event:
        case Test():
            return f"{event.method.capitalize()} test: {_of_test(event, units)}"
        case Feeding():
            return f"Feeding: {event.grams:g} g"
        case WaterChange():
            amount = (
                units.say(event.litres or 0.0, "L", "g") if event.fraction is None else f"{100 * event.fraction:.0f} %"
            )
            return f"Water change: {amount}"
        case TopOff():
            return f"Top-off: {units.say(event.litres, 'L', 'g')}"
        case Harvest():
            fresh = event.fresh_grams is not None
            amount = f"{event.fresh_grams:g} g fresh" if fresh else f"{event.dry_grams:g} g dry"
            return f"Harvest: {amount}{f', {event.plant}' if event.plant else ''}"
        case Growth():
            return _of_growth(event, units)
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
        case Absence():
            return f"Nobody there to test for {event.days:g} day{'' if event.days == 1 else 's'}"
        case Note():
            return f"Note: {event.text}"
        case Correction():
            return (
                "Undone"
                if event.replacement is None
                else f"Put right. It now says: {of_event(event.replacement, units)}"
            )
    return event.kind


def _of_test(event: Test, units: Units) -> str:
    """Its values, or what its picture shows, and whether the sample was thinned."""
    seen = ", ".join(NAMES.get(k, k) for k in event.picture.pads()) if event.picture is not None else ""
    said = values_of(event, units) or f"picture of {seen}"
    return said if event.dilution == 1.0 else f"{said}, thinned to one part in {event.dilution:g}"


def _of_growth(event: Growth, units: Units) -> str:
    """'Growth of water mint: 6 new leaves, longest shoot 31 cm'."""
    seen = (
        ("", event.new_leaves, "new leaves" if event.new_leaves != 1 else "new leaf"),
        ("longest shoot ", event.longest_cm, "cm"),
        ("height ", event.height_cm, "cm"),
        ("leaf cover ", None if event.cover is None else 100.0 * event.cover, "%"),
    )
    said = [f"{before}{units.say(value, after, '.4g')}" for before, value, after in seen if value is not None]
    who = f" of {event.plant}" if event.plant else ""
    return f"Growth{who}: {', '.join(said or ['a picture'])}"


def values_of(test: Test, units: Units = METRIC) -> str:
    """'Nitrate 25 mg/L as NO3, pH 7'."""
    said = []
    for k, v in test.values.items():
        unit = unit_of_value(k, test.units.get(k, ""), units)
        said.append(f"{NAMES.get(k, k)} {v if isinstance(v, str) else f'{v:g}'}{f' {unit}' if unit else ''}")
    return ", ".join(said)


def unit_of_value(substance: str, unit: str, units: Units) -> str:
    """As the kit has it: a test's value is what was read off the box, in whatever unit that is."""
    try:
        said = spoken(substance, unit)
        return units.word(said) if said.startswith("mg/L") else said
    except ValueError:
        return unit  # of an older entry, in a spelling that is no longer known


def length(s: float) -> str:
    """'12 min', '5 h', '3 days'."""
    for unit_s, word in ((DAY_S, "days"), (3600.0, "h")):
        if s >= 2 * unit_s:
            return f"{s / unit_s:.0f} {word}"
    return f"{s / 60.0:.0f} min"


# ---------------------------------------------------------------------- what an entry changed


def changed(
    event: Event,
    before: TankView,
    after: TankView,
    zone: zoneinfo.ZoneInfo,
    *,
    only_news: bool = False,
    units: Units = METRIC,
) -> str:
    """What is told of the tank otherwise than before the entry, a sentence or two.

    Of a test and the like also what is told as before, so that nobody has to look it up; `only_news`: not that.
    """
    inner = event.replacement if isinstance(event, Correction) and event.replacement is not None else event
    asked = isinstance(inner, Test | WaterChange | Correction | Absence) and not only_news
    said = [s for s in (_nitrate(before, after, asked, units), _next_test(before, after, zone, asked)) if s]
    if after.strips_left is not None and after.strips_left != before.strips_left:
        said.append(f"{after.strips_left:g} strip{'' if after.strips_left == 1 else 's'} left")
    text = ", ".join(said)
    stood, stands = ({a.alarm for a in view.alarms if a.state in STANDING} for view in (before, after))
    parts = [f"{text[0].upper()}{text[1:]}."] if text else []
    parts += [f"Over: {_titles(stood - stands)}."] if stood - stands else []
    parts += [f"New alarm: {_titles(stands - stood)}."] if stands - stood else []
    aid = firstaid.of(inner)
    parts += [aid] if aid and aid in (after.account.todo, *after.account.also) else []
    return " ".join(parts) or NOTHING


def answer(
    event: Event,
    before: Sequence[TankView],
    after: Sequence[TankView],
    zone: zoneinfo.ZoneInfo,
    units: Units = METRIC,
) -> str:
    """The same of all tanks on which it may bear: of several those are named on which it does."""
    several = len(before) > 1
    said = [
        (now.title, changed(event, was, now, zone, only_news=several, units=units))
        for was, now in zip(before, after, strict=True)
    ]
    if several:
        said = [(title, f"{title}: {text}") for title, text in said if text != NOTHING]
    return " ".join(text for _, text in said) or (NOTHING if before else "")


def _titles(alarms: set[str]) -> str:
    titles = (TABLE[a].title for a in sorted(alarms))
    return ", ".join(t if t.startswith("pH") else t[0].lower() + t[1:] for t in titles)


def _nitrate(before: TankView, after: TankView, asked: bool, units: Units) -> str:
    now, was = _level(after.nitrate, units), _level(before.nitrate, units)
    if not now:
        return "nitrate not known any more" if was else ""
    if now == was:
        return f"nitrate still {now}" if asked else ""
    about = was.partition(f" {units.word('mg/L')}")[0]
    if now.startswith(f"{about} "):  # surer or less sure of the same level
        return f"nitrate still {now}"
    return f"nitrate now {now}" + (f", {about} before" if was else "")


def _level(value: Estimate | None, units: Units) -> str:
    if value is None:
        return ""
    return f"about {units.say(value.mean, 'mg/L as NO3', '.0f')} ({max(0.0, value.low):.0f} to {value.high:.0f})"


def _next_test(before: TankView, after: TankView, zone: zoneinfo.ZoneInfo, asked: bool) -> str:
    if after.due_at_s is None:
        return ""
    days = [None if v.due_at_s is None else f"{local_time(v.due_at_s, zone):%A %-d %B}" for v in (before, after)]
    if days[0] == days[1]:
        return f"next test still {days[1]}" if asked else ""
    return f"next test {days[1]}"
