"""The lanes of a tank's timeline, thinned to what a screen can show, and the same values as words in rows.

Owns which lanes there are and how a value is written.  Works out nothing: days come closed from the journal, the
forecast and the trial from the core, readings through the calibration in force.
"""

from __future__ import annotations

import zoneinfo
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rushlight.config.implied import USUAL, band
from rushlight.drawing.lanes import Band, Curve, Hue, Lane, Upright, thinned
from rushlight.effects import Daily, Estimate
from rushlight.events import Test
from rushlight.journal.reader import Reader
from rushlight.localtime import DAY_S, midnight_after, midnight_before
from rushlight.localunits import Units, number
from rushlight.settings import Config, Tank
from rushlight.tank.amounts import nitrate_span
from rushlight.views import ProbeView, TankView
from rushlight.web import formats
from rushlight.web.serving.daemon import Daemon, Trial
from rushlight.web.timeline.of_journal import Record
from rushlight.web.timeline.stretch import Stretch

COLUMNS = 240
"""One for each 1.5 px of a phone of 390 px, and 5 px of a desk: a year by days is thinned a little, a fortnight of
readings to an hour and a half."""
_SHOWN = ("temperature", "ph", "nitrate", "conductivity", "level", "air_temperature", "humidity")
_GAP_DAYS_S = 1.6 * DAY_S
Ahead = Sequence[tuple[int, Estimate]]
Write = Callable[[Band], str]


@dataclass(frozen=True, slots=True)
class Track:
    """A lane, and its values as columns of a table: title, points, and how one is written."""

    lane: Lane
    columns: Sequence[tuple[str, Sequence[Band], Write]] = ()


@dataclass(frozen=True, slots=True)
class Asked:
    """What the lanes are made of."""

    daemon: Daemon
    tank: Tank
    view: TankView
    record: Record
    stretch: Stretch
    now_s: float
    tried: Ahead = ()

    @property
    def zone(self) -> zoneinfo.ZoneInfo:
        """The site's local time."""
        return zoneinfo.ZoneInfo(self.daemon.config.site.timezone)

    @property
    def units(self) -> Units:
        """What people at the site read."""
        return Units(self.daemon.config.site.units)

    @property
    def day_gap_s(self) -> float:
        """Between thinned days a longer step is a gap."""
        return max(_GAP_DAYS_S, 1.6 * (self.stretch.to_s - self.stretch.from_s) / COLUMNS + DAY_S)

    def thin(self, points: Sequence[Band]) -> list[Band]:
        """To the columns of the stretch."""
        return thinned(points, self.stretch.span_s, COLUMNS)


def tracks(asked: Asked, reader: Reader) -> list[Track]:
    """All lanes of the tank, nitrate first."""
    made = [nitrate(asked), _balance(asked)]
    if any(p.quantity == "light" for p in asked.view.probes):
        made.append(_light(asked))
    made += [_probe(asked, p, reader) for q in _SHOWN for p in asked.view.probes if p.quantity == q]
    growth = _growth(asked)
    return [*made, growth] if growth else made


def nitrate(asked: Asked) -> Track:
    """Nitrate with its band, tests, limit, the forecast, and a trial beside it."""
    limit, now_s = asked.tank.limits.nitrate, asked.now_s
    history = [_band(d.at_s, n) for d in asked.record.days if (n := d.nitrate) is not None]
    if (now := asked.view.nitrate) is not None and asked.stretch.from_s <= now_s <= asked.stretch.to_s:
        history.append(_band(now_s, now))
    shown = asked.stretch.to_s > now_s
    ahead = ahead_of(asked.daemon.what_if(asked.tank.id, Trial()), now_s) if shown else []
    tried = ahead_of(asked.tried, now_s) if shown else []
    history = asked.thin(history)
    curves = [Curve(history, "first", gap_s=asked.day_gap_s), Curve(ahead, "first", "dashed")]
    key: list[tuple[Hue, str, str]] = [("first", "", "estimate"), ("second", "test", "tests")]
    if ahead:
        key.append(("first", "dashed", "forecast as it is"))
    if tried:
        curves.append(Curve(tried, "third", "dotted"))
        key.append(("third", "dotted", "forecast as tried"))
    tests = uprights(asked.daemon.config, asked.tank, asked.record)
    unit = asked.units.word("mg/L as NO3")
    level = f"now about {now.mean:.0f} {unit} ({now.low:.0f} to {now.high:.0f}), " if now else ""
    lane = Lane(
        "Nitrate",
        unit,
        f"{level}limit {limit:g}; {len(tests)} tests in this stretch" if history or tests else "no test yet",
        [c for c in curves if c.points],
        tests,
        ((limit, f"limit {limit:g}"),),
        floor=0.0,
        ceiling=max(2.0 * limit, *(p[1] for p in (*history, *ahead, *tried)), 0.0) if history else 2.0 * limit,
        key=tuple(key),
        tall=True,
    )
    return Track(lane, ((f"Nitrate, {unit}", [*history, *ahead[1:]], _span),))


def ahead_of(found: Ahead, now_s: float) -> list[Band]:
    """A forecast as points in time."""
    return [_band(now_s + day * DAY_S, e) for day, e in found]


def uprights(config: Config, tank: Tank, record: Record) -> list[Upright]:
    """Tests as spans of nitrate."""
    found = ((e.at_s, nitrate_span(e, tank, config.kit)) for e in record.entries if isinstance(e, Test))
    return [Upright(at_s, span.low, span.high) for at_s, span in found if span is not None]


def _band(at_s: float, e: Estimate) -> Band:
    return at_s, e.mean, e.low, e.high


def _span(point: Band) -> str:
    return f"{number(point[1])} ({number(point[2])} to {number(point[3])})"


def _of_days(days: Sequence[Daily], name: str) -> list[Band]:
    """One rate over the days, each in the middle of its day."""
    return [_band(d.at_s - 0.5 * DAY_S, e) for d in days if (e := getattr(d, name)) is not None]


def _balance(asked: Asked) -> Track:
    supply, uptake = (asked.thin(_of_days(asked.record.days, n)) for n in ("supply_rate", "uptake_rate"))
    most = max((p[1] for p in (*supply, *uptake)), default=0.0)
    unit = asked.units.word("mg/L as NO3 a day")
    lane = Lane(
        "Supply and uptake",
        unit,
        "what the feed brings, and what the plants take up; where the lines part, nitrate moves"
        if supply or uptake
        else "not known yet",
        [c for c in (_line(asked, supply, "second", "dashed"), _line(asked, uptake, "third")) if c.points],
        floor=0.0,
        ceiling=2.5 * most or None,
        key=(("second", "dashed", "supply by feed"), ("third", "", "uptake by plants")),
    )
    return Track(lane, ((f"Supply, {unit}", supply, _span), (f"Uptake, {unit}", uptake, _span)))


def _line(asked: Asked, points: Sequence[Band], hue: Hue, style: str = "") -> Curve:
    return Curve(points, hue, style, gap_s=asked.day_gap_s)


def _light(asked: Asked) -> Track:
    days, half = asked.record.days, 0.5 * DAY_S
    lamp = [(d.at_s - half, v, v, v) for d in days if (v := d.lamp_dose_mol) is not None]
    sky = [
        (d.at_s - half, v, v, v)
        for d in days
        if d.light_dose_mol is not None and d.lamp_dose_mol is not None
        for v in [max(0.0, d.light_dose_mol - d.lamp_dose_mol)]
    ]
    alone = [(d.at_s - half, v, v, v) for d in days if d.lamp_dose_mol is None and (v := d.light_dose_mol) is not None]
    lamp, sky, alone = asked.thin(lamp), asked.thin(sky), asked.thin(alone)
    key: list[tuple[Hue, str, str]] = [("first", "", "lamp"), ("second", "dashed", "daylight")]
    if alone:
        key.append(("ink", "dotted", "both together"))
    need = asked.view.light_need_mol
    lane = Lane(
        "Light",
        "mol/m² a day",
        "each day's light at the probe, the lamp's and the sky's apart" if lamp or alone else "no light measured yet",
        [
            c
            for c in (
                _line(asked, lamp, "first"),
                _line(asked, sky, "second", "dashed"),
                _line(asked, alone, "ink", "dotted"),
            )
            if c.points
        ],
        levels=() if need is None else ((need, f"need {number(need)}"),),
        floor=0.0,
        key=tuple(key),
    )
    columns = (("Lamp, mol/m²", lamp, _whole), ("Daylight, mol/m²", sky, _whole), ("Light, mol/m²", alone, _whole))
    return Track(lane, tuple(c for c in columns if c[1]))


def _whole(point: Band) -> str:
    """One figure, or the span of those that were thinned into one."""
    return number(point[1]) if point[2] == point[3] else _span(point)


def _growth(asked: Asked) -> Track | None:
    points = asked.thin(_of_days(asked.record.days, "growth_per_week"))
    percent = [(t, 100 * m, 100 * low, 100 * high) for t, m, low, high in points]
    if not percent:
        return None
    lane = Lane("Growth", "% a week", "how fast the plants grow", [_line(asked, percent, "third")], floor=0.0)
    return Track(lane, (("Growth, % a week", percent, _span),))


def _probe(asked: Asked, probe: ProbeView, reader: Reader) -> Track:
    span_s = (asked.stretch.from_s, min(asked.stretch.to_s, asked.now_s))
    found = reader.readings(
        probe.id, midnight_before(span_s[0], asked.zone), midnight_after(span_s[1], asked.zone), COLUMNS
    )
    shown, units = probe.unit_shown, asked.units
    unit = units.word(shown)
    in_force = asked.daemon.in_force(probe.id, [v for b in found for v in (b.mean, b.low, b.high)])
    flat = [None if v is None else units.of(v, shown) for v in in_force]
    points: list[Band] = []
    for n, bucket in enumerate(found):
        mean, one, other = flat[3 * n : 3 * n + 3]
        if mean is not None and one is not None and other is not None:
            points.append((0.5 * (bucket.from_s + bucket.to_s), mean, min(one, other), max(one, other)))
    low, high = _edges(asked.tank, probe.quantity)
    name, width_s = formats.probe(probe), (span_s[1] - span_s[0]) / COLUMNS
    lane = Lane(
        name,
        unit,
        f"last {number(points[-1][1], 3)} {unit}".strip() if points else "nothing heard in this stretch",
        (Curve(points, "first", gap_s=max(2.5 * width_s, 900.0)),) if points else (),
        levels=tuple(
            (units.of(v, shown), f"{word} {units.figure(v, shown, 'g')}")
            for v, word in ((low, "low"), (high, "high"))
            if v is not None
        ),
    )
    return Track(lane, ((f"{name}, {unit}" if unit else name, points, _least_to_most),))


def _least_to_most(point: Band) -> str:
    return f"{number(point[1], 3)} ({number(point[2], 3)} to {number(point[3], 3)})"


def _edges(tank: Tank, quantity: str) -> tuple[float | None, float | None]:
    """The limits that are watched."""
    if quantity in USUAL:
        watched = band(tank, quantity)
        return watched.low, watched.high
    level, conductivity = tank.limits.level_low, tank.limits.conductivity_high
    return (level if quantity == "level" else None, conductivity if quantity == "conductivity" else None)


# ---------------------------------------------------------------------- the same in rows


def titles(made: Sequence[Track]) -> list[str]:
    """The columns' titles, after that of time."""
    return [title for t in made for title, points, _ in t.columns if points]


def rows(made: Sequence[Track], stretch: Stretch, rows: int, now_s: float) -> list[tuple[float, list[str]]]:
    """At most so many rows, oldest first: the middle of each one's time, and what each column holds then.

    The row in which the present lies says what was, and stands at the present: what comes after it is forecast only.
    """
    step_s = (stretch.to_s - stretch.from_s) / rows
    present = int((now_s - stretch.from_s) // step_s)

    def row(point: Band) -> int:
        return int((point[0] - stretch.from_s) // step_s)

    def been(points: Sequence[Band]) -> list[Band]:
        return thinned([p for p in points if p[0] <= now_s or row(p) != present], stretch.span_s, rows)

    columns = [{row(p): write(p) for p in been(points)} for t in made for _, points, write in t.columns if points]
    found = []
    for n in range(rows):
        said = [c.get(n, "") for c in columns]
        if any(said):
            middle_s = stretch.from_s + (n + 0.5) * step_s
            found.append((now_s if n == present else middle_s, said))
    return found
