"""What the weekly summary says, as plain data for the templates: no layout, no reading of clocks or journals.

Owns the choice of what is worth a sentence.  A reader has a minute: one sentence on how a tank is, what changed and
why, what to do, then the figures.
"""

from __future__ import annotations

import zoneinfo
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from rushlight.alarms.wording.words import sentence
from rushlight.effects import AlarmChange, Daily
from rushlight.events import (
    Absence,
    Event,
    FilterWork,
    Harvest,
    LampWork,
    LightSpot,
    Note,
    Outage,
    Sighting,
    Stocking,
    TankEvent,
    Test,
    TopOff,
    Treatment,
    WaterChange,
)
from rushlight.localtime import DAY_S, local_time
from rushlight.localunits import Units, number
from rushlight.summary.week import Week, week_at
from rushlight.views import STANDING, AlarmView, ProbeView, SiteView, TankView

MOST_LINES = 5
"""Of one kind; more than that is not read in a minute."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture and, for whoever has pictures blocked, the same in words."""

    name: str
    words: str
    svg: str = ""
    jpeg: bytes = b""
    """A picture of the diary, in the place of a drawing."""
    caption: str = ""
    """Said under it to everybody."""


@dataclass(frozen=True, slots=True)
class TankPart:
    """One tank's part."""

    title: str
    state: str
    worry: str
    """`high`, `medium`, `low` or empty: the worst alarm that stands."""
    todo: tuple[str, ...]
    changed: tuple[str, ...]
    figures: tuple[tuple[str, str], ...]
    """What and how much, in the order of reading."""
    pictures: tuple[Picture, ...] = ()


@dataclass(frozen=True, slots=True)
class Summary:
    """The whole of it."""

    site: str
    week: Week
    span: str
    headline: str
    tanks: tuple[TankPart, ...]
    house: tuple[str, ...]
    """About the tool itself: its own alarms, its channels, who watches from outside."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """What a summary is made of; `days` and `pictures` by tank."""

    view: SiteView
    days: Mapping[str, Sequence[Daily]] = field(default_factory=dict)
    changes: Sequence[AlarmChange] = ()
    entries: Sequence[Event] = ()
    watched: bool = True
    """Something outside notices if this falls silent."""
    pictures: Mapping[str, Sequence[Picture]] = field(default_factory=dict)


def build(material: Material) -> Summary:
    """The summary of the seven days before the view's day."""
    view = material.view
    zone = zoneinfo.ZoneInfo(view.timezone)
    week, units = week_at(view.at_s, zone), Units(view.units)
    tanks = tuple(_tank(material, tank, week, zone, units) for tank in view.tanks)
    return Summary(
        site=view.name,
        week=week,
        span=f"{_day(week.from_s, zone)} to {_day(week.until_s - 1, zone)}",
        headline=_headline(tanks, view),
        tanks=tanks,
        house=tuple(_house(material)),
    )


def _headline(tanks: Sequence[TankPart], view: SiteView) -> str:
    busy = [t.title for t in tanks if t.worry]
    if not busy:
        return f"{view.headline}." if tanks else "No tank is set up."
    return f"To look at this week: {', '.join(busy)}."


def _tank(material: Material, tank: TankView, week: Week, zone: zoneinfo.ZoneInfo, units: Units) -> TankPart:
    standing = [a for a in tank.alarms if a.state in STANDING]
    entries = [e for e in material.entries if isinstance(e, TankEvent) and e.tank == tank.id and _within(e.at_s, week)]
    entries.sort(key=lambda e: e.at_s)
    changes = [c for c in material.changes if c.tank == tank.id and _within(c.at_s, week)]
    days = [d for d in material.days.get(tank.id, ()) if week.from_s < d.at_s <= week.until_s]
    before = [d for d in material.days.get(tank.id, ()) if week.from_s - 6.5 * DAY_S < d.at_s <= week.from_s]
    return TankPart(
        title=tank.title,
        state=tank.account.evidence[0] if tank.account.evidence else "Not known yet.",
        worry=_worst(standing),
        todo=tuple(_todo(tank, standing, zone)),
        changed=tuple(_changed(tank, standing, changes, entries, zone, units)),
        figures=tuple(_figures(tank, days, before, changes, entries, zone, units)),
        pictures=tuple(material.pictures.get(tank.id, ())),
    )


def _worst(standing: Sequence[AlarmView]) -> str:
    for priority in ("high", "medium", "low"):
        if any(a.priority == priority for a in standing):
            return priority
    return ""


def _todo(tank: TankView, standing: Sequence[AlarmView], zone: zoneinfo.ZoneInfo) -> list[str]:
    told = tank.account
    actions = [a for a in (told.todo, *told.also) if standing and a][:MOST_LINES]
    # Once overdue, the alarm's own first action asks for the test; a day gone by would only puzzle.
    if told.next_test_at_s is not None and not any(a.alarm == "test_overdue" for a in standing):
        reason = f" ({told.next_test_reason.rstrip('.')})" if told.next_test_reason else ""
        actions.append(f"Test by {_day(told.next_test_at_s, zone)}{reason}. {told.next_test_kind_sentence}".rstrip())
    return actions or ["Nothing."]


def _changed(
    tank: TankView,
    standing: Sequence[AlarmView],
    changes: Sequence[AlarmChange],
    entries: Sequence[TankEvent],
    zone: zoneinfo.ZoneInfo,
    units: Units,
) -> list[str]:
    lines = [_without_advice(a.text, a.first_action, tank.title) for a in standing]
    cause = tank.account.cause
    if cause and not any(cause.rstrip(".") in line for line in lines):
        lines.append(cause)
    lines += tank.growth_sentences[:1]
    ids = {a.id for a in standing}
    over = {c.id: c for c in changes if c.id not in ids and c.state in ("returned", "normal")}
    lines += [f"{_day(c.at_s, zone)}: {_mild(c.text, tank.title)}" for c in over.values()]
    lines += [f"{_day(e.at_s, zone)}: {words}." for e in entries if (words := _entry(e, units))][-MOST_LINES:]
    return lines or ["Nothing of note."]


def _without_advice(text: str, action: str, title: str) -> str:
    """An alarm's text up to what is to be done, which has a place of its own."""
    return sentence(text.removeprefix(f"{title}: ").partition(" First: ")[0] or action)


def _mild(text: str, title: str) -> str:
    """What a change of the past says, without its call for an acknowledgement."""
    return text.removeprefix(f"{title}: ").replace("Back to normal; not yet acknowledged.", "Over.")


def _entry(event: TankEvent, units: Units) -> str:  # noqa: C901 - one line for each kind
    """What somebody did, in a few words; empty for what is no news."""
    said = ""
    match event:
        case WaterChange(fraction=fraction, litres=litres):
            said = f"water change, {f'{number(100 * fraction)} %' if fraction else units.say(litres or 0, 'L')}"
        case TopOff(litres=litres):
            said = f"topped off, {units.say(litres, 'L')}"
        case Harvest(fresh_grams=fresh, dry_grams=dry):
            said = f"plants cut, {number(fresh or dry or 0)} g {'fresh' if fresh else 'dry'}"
        case LightSpot(place=place, value=value, unit=unit):
            said = f"light at {place[:80]} measured, {number(value, 3)} {unit or 'lx'}"
        case LampWork(what=what):
            said = f"lamp {what}" if what != "schedule" else "lamp hours changed"
        case Stocking(change=change, species=species):
            said = f"{change:+d} fish{f' ({species})' if species else ''}".replace("-", "−", 1)
        case Sighting(what=what):
            said = f"seen: {what.replace('_', ' ')}"
        case Treatment(what=what):
            said = f"treated with {what.strip().rstrip('.')[:80]}"
        case FilterWork(what=what):
            said = f"filter {what}"
        case Outage(minutes=minutes):
            said = f"no power for {number(minutes / 60.0)} h"
        case Absence(days=days):
            said = f"nobody there to test for {number(days)} days"
        case Note(text=text):
            said = text.strip().rstrip(".")[:120]
    return said


def _figures(
    tank: TankView,
    days: Sequence[Daily],
    before: Sequence[Daily],
    changes: Sequence[AlarmChange],
    entries: Sequence[TankEvent],
    zone: zoneinfo.ZoneInfo,
    units: Units,
) -> Iterable[tuple[str, str]]:
    if (n := tank.nitrate) is not None:
        mean = units.say(n.mean, "mg/L as NO3")
        yield "Nitrate", f"{mean} (90 %: {number(max(0.0, n.low))} to {number(n.high)})"
    if (k := tank.kept_up) is not None:
        low, high = 100 * max(0.0, k.low), 100 * k.high
        yield "Plants keep up with", f"{100 * k.mean:.0f} % of the feed (90 %: {low:.0f} to {high:.0f} %)"
    tests = [e for e in entries if isinstance(e, Test)]
    # One missed test is one rising, however often its alarm climbed or was acknowledged since.
    missed = {c.occurrence for c in changes if c.alarm == "test_overdue" and c.state in STANDING}
    yield "Tests", f"{len(tests) or 'none'} done, {len(missed) or 'none'} missed"
    light = [d.light_dose_mol for d in days if d.light_dose_mol is not None]
    if light:
        earlier = [d.light_dose_mol for d in before if d.light_dose_mol is not None]
        was = f" (week before {number(sum(earlier) / len(earlier), 3)})" if earlier else ""
        yield "Light", f"{number(sum(light) / len(light), 3)} mol/m² a day{was}"
    if tank.lamp_percent is not None:
        yield "Lamp", f"{tank.lamp_percent:.0f} % of its output when anchored"
    for probe in tank.probes:
        if probe.quantity != "light":
            yield _probe_name(probe), _probe(probe, zone, units)
    if tank.strips_left is not None:
        yield "Strips left", number(tank.strips_left, 3)


def _probe_name(probe: ProbeView) -> str:
    name = probe.quantity.replace("_", " ")
    name = "pH" if name == "ph" else name[0].upper() + name[1:]
    return f"{name}, {probe.which}" if probe.which else name


def _probe(probe: ProbeView, zone: zoneinfo.ZoneInfo, units: Units) -> str:
    if probe.trouble:
        return probe.trouble
    if probe.value is None:
        return "nothing heard yet"
    value = units.say(probe.value, probe.unit_shown, 3)
    if probe.fresh or probe.value_at_s is None:
        return value
    return f"{value}, last on {_day(probe.value_at_s, zone)}"


def _house(material: Material) -> Iterable[str]:
    for alarm in material.view.alarms:
        if alarm.state in STANDING:
            yield alarm.text
    if not material.view.clock_ok:
        yield "The clock is not trusted at the moment; times may be off."
    for outlet in material.view.outlets:
        if outlet.state:
            yield f"{outlet.title}: {outlet.sentence}"
    if not material.watched:
        yield "Nothing outside the house notices if this computer falls silent; see heartbeat in the configuration."


def _within(at_s: float, week: Week) -> bool:
    return week.from_s <= at_s < week.until_s


def _day(at_s: float, zone: zoneinfo.ZoneInfo) -> str:
    when = local_time(at_s, zone)
    return f"{when:%a} {when.day} {when:%b}"
