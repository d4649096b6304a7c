"""Pictures that stand alone, for the e-mail and beside words: nitrate with its band, light, the causes.

Each takes plain numbers and gives SVG text.  Times are Unix seconds.
"""

from __future__ import annotations

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


def nitrate(
    history: Sequence[Band],
    forecast: Sequence[Band],
    tests: Sequence[Bar],
    limit: float,
    *,
    zone: zoneinfo.ZoneInfo,
    palette: Palette,
    size: Size = (360, 220),
    unit: str = "mg/L as NO3",
) -> str:
    """Nitrate with its 90 % band, tests as bars, the limit, and the forecast dashed; `unit` is what it is read in."""
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
        unit=unit,
    )
    c.band([(t, lo, hi) for t, _, lo, hi in history], palette.first)
    c.band([(t, lo, hi) for t, _, lo, hi in forecast], palette.first, 0.10)
    c.line([(t, m) for t, m, _, _ in history], palette.first)
    c.line([(t, m) for t, m, _, _ in forecast], palette.first, "dashed")
    c.level(limit, f"limit {limit:g}", palette.warn)
    for bar in tests:
        c.upright(bar.at_s, bar.low, bar.high if bar.high is not None else top, palette.second)
    now = history[-1] if history else forecast[0]
    level = f"{now[1]:.0f} {unit} now, between {now[2]:.0f} and {now[3]:.0f}"
    return c.svg(f"{level}; limit {limit:g}; {len(tests)} tests shown as bars")


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


def shares(
    rows: Sequence[tuple[str, float, float, float]],
    *,
    palette: Palette,
    width: int = 360,
    unit: str = "mg/L as NO3 a day",
) -> str:
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
        # Opposite the bar, and beyond its whisker where that reaches over the middle.
        at, anchor = (min(mid, x(low)) - 4, "end") if mean > 0 else (min(max(mid, x(high)) + 4, width - 38), "start")
        parts += [
            tag("text", name, x=2, y=y + 11, font_size=TEXT, fill=ink),
            tag("rect", x=left, y=y, width=max(0.5, right - left), height=14, fill=colour, fill_opacity=0.8),
            tag("path", d=whisker, stroke=ink, stroke_width=1.2),
            over(f"{mean:+.2f}".replace("-", "\N{MINUS SIGN}"), at, y + 11, ink, palette, anchor=anchor),
        ]
    title = f"Change in nitrate's rise, {unit}"
    said = "; ".join(f"{name} {mean:+.2f}" for name, mean, _, _ in rows)
    return sheet(title, f"{title}, by cause: {said}", (width, height), palette, "".join(parts))


def _nothing(title: str, why: str, palette: Palette, size: Size) -> str:
    """A low sheet that says why there is no picture."""
    width, height = size[0], min(size[1], 64)
    words = tag("text", why, x=2, y=44, font_size=TEXT, fill=palette.ink)
    return sheet(title, f"{title}: {why}", (width, height), palette, words)
