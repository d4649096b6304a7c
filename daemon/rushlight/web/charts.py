"""The tank page's pictures and the same values as tables, from the journal's closed days, entries and readings.

Owns which span is shown and how a table is thinned.  Draws through `drawing`; keeps nothing.
"""

from __future__ import annotations

import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from rushlight import drawing
from rushlight.alarms.wording.words import number
from rushlight.config.implied import USUAL, band
from rushlight.effects import Daily, Estimate
from rushlight.events import Correction, Event, TankEvent, Test
from rushlight.journal.reader import Reader
from rushlight.localtime import DAY_S
from rushlight.settings import Config, Tank
from rushlight.tank.amounts import nitrate_span
from rushlight.views import ProbeView, TankView
from rushlight.web import formats
from rushlight.web.serving.daemon import Daemon, Trial

T = TypeVar("T")

LONG_DAYS, SHORT_DAYS = 56, 7
_TABLE_ROWS = 28
_BUCKETS = 168
_SHOWN = ("temperature", "ph", "nitrate", "conductivity", "level")


@dataclass(frozen=True, slots=True)
class Chart:
    """A picture, a sentence under it, and its values as a table."""

    name: str
    svg: str
    said: str = ""
    head: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class Past:
    """What the journal says of one tank."""

    days: list[Daily]
    entries: list[Event]


def past(reader: Reader, tank: str, now_s: float, zone: zoneinfo.ZoneInfo) -> Past:
    """Closed days and entries of the last eight weeks; two queries."""
    since_s = now_s - LONG_DAYS * DAY_S
    days = [d for d in reader.days(tank, formats.date(since_s, zone)) if d.at_s > since_s]
    stored = reader.entries(tank, since_s, limit=600)
    return Past(days, standing([s.event for s in stored]))


def standing(events: Sequence[Event]) -> list[Event]:
    """Tank entries as they stand, newest first: the undone ones gone, the corrected ones in their last form."""
    fixes: dict[str, Correction] = {}
    for event in events:
        if isinstance(event, Correction):
            fixes.setdefault(event.of, event)  # the newest comes first, and it is the one that counts
    found: list[Event] = []
    for event in events:
        fix = fixes.get(event.id)
        if isinstance(event, TankEvent) and not (fix and fix.void):
            found.append(fix.replacement if fix and fix.replacement else event)
    return found


def charts(daemon: Daemon, tank: Tank, view: TankView, before: Past, reader: Reader, now_s: float) -> list[Chart]:
    """All pictures of one tank, the most telling first."""
    zone = zoneinfo.ZoneInfo(daemon.config.site.timezone)
    made = [
        nitrate(daemon.config, tank, before, view.nitrate, daemon.what_if(tank.id, Trial()), now_s),
        _balance(before.days, zone),
    ]
    if any(p.quantity == "light" for p in view.probes):
        made.append(_light(before.days, zone, daemon.light_sentences(tank.id)))
    marks = _marks(before, now_s - SHORT_DAYS * DAY_S)
    probes = [p for q in _SHOWN for p in view.probes if p.quantity == q]
    return [*made, *(_probe(daemon, tank, p, reader, marks, now_s) for p in probes)]


def nitrate(
    config: Config,
    tank: Tank,
    before: Past,
    now: Estimate | None,
    ahead: Sequence[tuple[int, Estimate]],
    now_s: float,
) -> Chart:
    """Nitrate with its band, tests, limit, marks and forecast."""
    zone = zoneinfo.ZoneInfo(config.site.timezone)
    history = [(d.at_s, n.mean, n.low, n.high) for d in before.days if (n := d.nitrate) is not None]
    if now is not None:
        history.append((now_s, now.mean, now.low, now.high))
    coming = [(now_s + d * DAY_S, e.mean, e.low, e.high) for d, e in ahead]
    tests = [b for e in before.entries if isinstance(e, Test) and (b := _bar(config, tank, e)) is not None]
    svg = drawing.nitrate(
        history, coming, tests, tank.limits.nitrate, _marks(before), zone=zone, palette=drawing.PAGE, size=(360, 240)
    )
    band = [(t, Estimate(mean=m, low=lo, high=hi)) for t, m, lo, hi in (*history, *coming[1:])]
    rows = [
        (formats.day(t, now_s, zone), number(e.mean), f"{number(e.low)} to {number(e.high)}")
        for t, e in _thin(band, _TABLE_ROWS)
    ]
    said = "Line and band: estimate with its 90 % interval, dashed the forecast. Bars: tests, known only to a span."
    return Chart("Nitrate", svg, said if rows else "", ("Day", "mg/L as NO3", "90 % interval"), tuple(rows))


def _bar(config: Config, tank: Tank, test: Test) -> drawing.Bar | None:
    span = nitrate_span(test, tank, config.kit)
    return None if span is None else drawing.Bar(test.at_s, span.low, span.high)


def _balance(days: Sequence[Daily], zone: zoneinfo.ZoneInfo) -> Chart:
    supply = [(d.at_s, d.supply_rate.mean if d.supply_rate else None) for d in days]
    uptake = [(d.at_s, d.uptake_rate.mean if d.uptake_rate else None) for d in days]
    svg = drawing.balance(supply, uptake, zone=zone, palette=drawing.PAGE)
    rows = [
        (formats.date(d.at_s - 1, zone), formats.span(d.supply_rate), formats.span(d.uptake_rate), _percent(d.kept_up))
        for d in _thin(days, _TABLE_ROWS)
    ]
    said = "What the feed brings each day, and what the plants take up. Where the lines part, nitrate moves."
    return Chart("Supply and uptake", svg, said if rows else "", ("Day", "Supply", "Uptake", "Kept up"), tuple(rows))


def _percent(share: Estimate | None) -> str:
    if share is None:
        return "not known"
    return f"{100 * share.mean:.0f} % ({100 * share.low:.0f} % to {100 * share.high:.0f} %)"


def _light(days: Sequence[Daily], zone: zoneinfo.ZoneInfo, said: Sequence[str]) -> Chart:
    doses = [(d.at_s - DAY_S, d.lamp_dose_mol, d.light_dose_mol) for d in days]
    svg = drawing.light(doses, [(d.at_s, d.lamp_percent) for d in days], zone=zone, palette=drawing.PAGE)
    rows = [
        (formats.date(d.at_s - 1, zone), _figure(d.light_dose_mol), _figure(d.lamp_dose_mol), _figure(d.lamp_percent))
        for d in _thin(days, _TABLE_ROWS)
    ]
    return Chart("Light", svg, " ".join(said), ("Day", "mol/m²", "of it lamp", "Lamp %"), tuple(rows))


def _figure(value: float | None) -> str:
    return "not known" if value is None else number(value, 3)


def _probe(
    daemon: Daemon, tank: Tank, probe: ProbeView, reader: Reader, marks: Sequence[drawing.Mark], now_s: float
) -> Chart:
    zone = zoneinfo.ZoneInfo(daemon.config.site.timezone)
    found = reader.readings(probe.id, now_s - SHORT_DAYS * DAY_S, now_s, _BUCKETS)
    flat = daemon.in_force(probe.id, [v for b in found for v in (b.mean, b.low, b.high)])
    points: list[drawing.Band] = []
    for n, bucket in enumerate(found):
        mean, one, other = flat[3 * n : 3 * n + 3]
        if mean is not None and one is not None and other is not None:
            points.append((0.5 * (bucket.from_s + bucket.to_s), mean, min(one, other), max(one, other)))
    low, high = _edges(tank, probe.quantity)
    name = formats.probe(probe)
    svg = drawing.probe(name, probe.unit_shown, points, (low, high), marks, zone=zone, palette=drawing.PAGE)
    rows = [
        (formats.moment(t, now_s, zone), number(m, 4), f"{number(lo, 4)} to {number(hi, 4)}")
        for t, m, lo, hi in _thin(points, _TABLE_ROWS)
    ]
    return Chart(name, svg, probe.trouble, ("Hour", f"{name} {probe.unit_shown}".strip(), "least to most"), tuple(rows))


def _edges(tank: Tank, quantity: str) -> tuple[float | None, float | None]:
    """The limits that are watched."""
    if quantity in USUAL:
        watched = band(tank, quantity)
        return watched.low, watched.high
    level, conductivity = tank.limits.level_low, tank.limits.conductivity_high
    return (level if quantity == "level" else None, conductivity if quantity == "conductivity" else None)


def _marks(before: Past, since_s: float = 0.0) -> list[drawing.Mark]:
    marked = [(e, formats.mark_of(e)) for e in reversed(before.entries) if e.at_s >= since_s]
    return [drawing.Mark(e.at_s, word) for e, word in marked if word][-9:]


def _thin(rows: Sequence[T], most: int) -> list[T]:
    """Newest first, every second or third where there are too many for a table."""
    step = max(1, -(-len(rows) // most))
    return list(rows)[::-1][::step]
