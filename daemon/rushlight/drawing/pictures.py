"""The pictures themselves: nitrate with its band, supply against uptake, light, a probe, the causes.

Each takes plain numbers and gives SVG text.  Times are Unix seconds.
"""

from __future__ import annotations

import itertools
import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass

from rushlight.drawing.canvas import TEXT, Canvas, Palette, over, sheet, tag
from rushlight.localtime import DAY_S

Size = tuple[int, int]
Band = tuple[float, float, float, float]
"""Time, mean, low, high."""


@dataclass(frozen=True, slots=True)
class Bar:
    """A test: known only to lie between `low` and `high`; `high` None is 'or more'."""

    at_s: float
    low: float
    high: float | None


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that was done, in a word."""

    at_s: float
    word: str


def nitrate(
    history: Sequence[Band],
    forecast: Sequence[Band],
    tests: Sequence[Bar],
    limit: float,
    marks: Sequence[Mark] = (),
    *,
    zone: zoneinfo.ZoneInfo,
    palette: Palette,
    size: Size = (360, 220),
) -> str:
    """Nitrate with its 90 % band, tests as bars, the limit, and the forecast dashed.  mg/L as NO3."""
    everything = [*history, *forecast]
    if not everything:
        return _nothing("Nitrate", "no test yet", palette, size)
    top = max(
        [
            limit * 1.1,
            *(min(b[3], limit * 3) for b in everything),
            *((t.high or t.low) for t in tests if (t.high or t.low) < limit * 4),
        ]
    )
    c = Canvas(
        "Nitrate",
        (everything[0][0], everything[-1][0]),
        (0.0, top),
        zone=zone,
        palette=palette,
        size=size,
        unit="mg/L as NO3",
    )
    c.band([(t, lo, hi) for t, _, lo, hi in history], palette.first)
    c.band([(t, lo, hi) for t, _, lo, hi in forecast], palette.first, 0.10)
    _marks(c, marks)
    c.level(limit, f"limit {limit:g}", palette.warn)
    c.line([(t, m) for t, m, _, _ in history], palette.first)
    c.line([(t, m) for t, m, _, _ in forecast], palette.first, "dashed")
    for bar in tests:
        c.upright(bar.at_s, bar.low, bar.high if bar.high is not None else top, palette.second)
    now = history[-1] if history else forecast[0]
    level = f"{now[1]:.0f} mg/L as NO3 now, between {now[2]:.0f} and {now[3]:.0f}"
    return c.svg(f"{level}; limit {limit:g}; {len(tests)} tests shown as bars")


def balance(
    supply: Sequence[tuple[float, float | None]],
    uptake: Sequence[tuple[float, float | None]],
    *,
    zone: zoneinfo.ZoneInfo,
    palette: Palette,
    size: Size = (360, 180),
) -> str:
    """What the feed supplies against what the plants take up, mg/L as NO3 a day."""
    known = [v for _, v in (*supply, *uptake) if v is not None]
    if not known:
        return _nothing("Supply and uptake", "not known yet", palette, size)
    span = (supply[0][0], supply[-1][0]) if supply else (uptake[0][0], uptake[-1][0])
    c = Canvas(
        "Supply and uptake",
        span,
        (min(0.0, *known), max(known)),
        zone=zone,
        palette=palette,
        size=size,
        unit="mg/L a day",
    )
    c.line(supply, palette.second, "dashed")
    c.line(uptake, palette.third)
    said = []
    for name, line, colour in (("supply", supply, palette.second), ("uptake", uptake, palette.third)):
        last = next(((t, v) for t, v in reversed(line) if v is not None), None)
        if last is not None:
            c.name(last[0], last[1], name, colour)
            said.append(f"{name} {last[1]:.2g}")
    return c.svg(f"Now {' and '.join(said)} mg/L a day")


def light(
    days: Sequence[tuple[float, float | None, float | None]],
    percent: Sequence[tuple[float, float | None]],
    *,
    zone: zoneinfo.ZoneInfo,
    palette: Palette,
    size: Size = (360, 200),
) -> str:
    """Each day's dose, the lamp's part below and daylight above, with the lamp's output over it.

    `days` holds midnight, lamp dose and whole dose in mol m⁻²; `percent` the lamp against its anchor.
    """
    known = [(t, lamp or 0.0, whole) for t, lamp, whole in days if whole is not None]
    if not known:
        return _nothing("Light", "no light probe heard yet", palette, size)
    top = max(whole for _, _, whole in known)
    c = Canvas(
        "Light",
        (known[0][0], known[-1][0] + DAY_S),
        (0.0, top * 1.15),
        zone=zone,
        palette=palette,
        size=size,
        unit="mol/m² a day",
        legend="solid: lamp; pale: daylight; line: lamp’s output",
    )
    for at_s, lamp, whole in known:
        c.column(at_s, at_s + DAY_S * 0.9, 0.0, lamp, palette.first)
        c.column(at_s, at_s + DAY_S * 0.9, lamp, whole, palette.second, 0.35)
    # The lamp's output has its own scale: the top of the chart is 110 % of the anchor.
    scaled = [(t, None if p is None else c.high * p / 110.0) for t, p in percent]
    c.line(scaled, palette.ink, "chain", 1.4)
    last = next(
        ((t, s, p) for (t, s), (_, p) in zip(reversed(scaled), reversed(percent), strict=True) if s is not None), None
    )
    said = f"Last day {known[-1][2]:.2g} mol/m², of which lamp {known[-1][1]:.2g}"
    if last is not None and last[1] is not None and last[2] is not None:
        c.name(c.to_s, last[1], f"lamp {last[2]:.0f} %", palette.ink)
        said += f"; lamp at {last[2]:.0f} % of its anchor"
    return c.svg(said)


def probe(
    name: str,
    unit: str,
    points: Sequence[Band],
    limits: tuple[float | None, float | None] = (None, None),
    marks: Sequence[Mark] = (),
    *,
    zone: zoneinfo.ZoneInfo,
    palette: Palette,
    size: Size = (360, 150),
) -> str:
    """One probe over time: mean with the span between lowest and highest, and its limits.  Gaps stay gaps."""
    if not points:
        return _nothing(name, "nothing heard yet", palette, size)
    known = [v for p in points for v in (p[2], p[3])] + [v for v in limits if v is not None]
    c = Canvas(
        name, (points[0][0], points[-1][0]), (min(known), max(known)), zone=zone, palette=palette, size=size, unit=unit
    )
    _marks(c, marks)
    for value, word in zip(limits, ("low", "high"), strict=True):
        if value is not None:
            c.level(value, f"{word} {value:g}", palette.warn)
    for run in _runs(points):
        c.band([(t, lo, hi) for t, _, lo, hi in run], palette.first, 0.25)
        c.line([(t, m) for t, m, _, _ in run], palette.first)
    last = points[-1]
    return c.svg(f"Last {last[1]:.4g} {unit}".strip())


def shares(rows: Sequence[tuple[str, float, float, float]], *, palette: Palette, width: int = 360) -> str:
    """Causes of a change as bars left and right of nought: name, mean, low, high in mg/L a day."""
    if not rows:
        return _nothing("What changed", "nothing to explain", palette, (width, 60))
    reach = max(0.05, *(abs(v) for _, *values in rows for v in values))
    height, mid, half = 34 + 26 * len(rows), width * 0.64, width * 0.33

    def x(value: float) -> float:
        return mid + half * value / reach

    ink, parts = palette.ink, [tag("path", d=f"M{mid:.1f} 24V{height - 6}", stroke=palette.ink, stroke_width=0.8)]
    for n, (name, mean, low, high) in enumerate(rows):
        y, left, right = 30 + 26 * n, x(min(0.0, mean)), x(max(0.0, mean))
        colour = palette.second if mean > 0 else palette.third
        whisker = f"M{x(low):.1f} {y + 7}H{x(high):.1f}M{x(low):.1f} {y + 3}v8M{x(high):.1f} {y + 3}v8"
        aside, anchor = (-4, "end") if mean > 0 else (4, "start")
        parts += [
            tag("text", name, x=2, y=y + 11, font_size=TEXT, fill=ink),
            tag("rect", x=left, y=y, width=max(0.5, right - left), height=14, fill=colour, fill_opacity=0.8),
            tag("path", d=whisker, stroke=ink, stroke_width=1.2),
            over(f"{mean:+.2f}".replace("-", "\N{MINUS SIGN}"), mid + aside, y + 11, ink, palette, anchor=anchor),
        ]
    title = "Change of the net rate, mg/L a day"
    said = "; ".join(f"{name} {mean:+.2f}" for name, mean, _, _ in rows)
    return sheet(title, f"{title}, by cause: {said}", (width, height), palette, "".join(parts))


def _marks(c: Canvas, marks: Sequence[Mark]) -> None:
    for row, mark in enumerate(marks):
        c.mark(mark.at_s, mark.word, row)


def _runs(points: Sequence[Band]) -> list[list[Band]]:
    """Split where the time between points is more than three times the usual."""
    if len(points) < 3:
        return [list(points)]
    steps = sorted(b[0] - a[0] for a, b in itertools.pairwise(points))
    usual_s = steps[len(steps) // 2]
    runs: list[list[Band]] = [[points[0]]]
    for before, after in itertools.pairwise(points):
        if after[0] - before[0] > 3 * usual_s:
            runs.append([])
        runs[-1].append(after)
    return runs


def _nothing(title: str, why: str, palette: Palette, size: Size) -> str:
    """A low sheet that says why there is no picture."""
    width, height = size[0], min(size[1], 64)
    words = tag("text", why, x=2, y=44, font_size=TEXT, fill=palette.ink)
    return sheet(title, f"{title}: {why}", (width, height), palette, words)
