"""Small pictures in a row above the curves of light and nitrate, all on one axis of time.

Takes plain numbers and addresses and gives SVG text.
"""

from __future__ import annotations

import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import quoteattr

from rushlight.drawing.canvas import TEXT, Canvas, Palette, dates, sheet, tag
from rushlight.drawing.signs import two_sizes
from rushlight.localtime import DAY_S, local_time

_WIDTH, _HEIGHT, _GAP = 58.0, 44.0, 4.0
FEW, MANY = 5, 14
"""Frames side by side above a timeline, on a phone of 390 px and on a desk."""
Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Shot:
    """One small picture: when, its address, and the address that it leads to."""

    at_s: float
    image: str
    link: str
    words: str


def strip(shots: Sequence[Shot], span: Span, *, zone: zoneinfo.ZoneInfo, palette: Palette, width: int = 360) -> str:
    """The pictures of a stretch of time, each over its day; where they would lie on each other, one stands for them."""
    c = Canvas("Pictures", span, (0.0, 1.0), zone=zone, palette=palette, size=(width, 92))
    inside = [s for s in shots if span[0] <= s.at_s <= span[1]]
    shown: list[tuple[float, Shot]] = []
    for shot in reversed(inside):
        x = min(max(c.x(shot.at_s) - _WIDTH / 2, c.left), width - c.right - _WIDTH)
        if not shown or shown[-1][0] - x >= _WIDTH + _GAP:
            shown.append((x, shot))
    parts = [_picture(x, shot) for x, shot in reversed(shown)]
    for at_s, text in dates(*span, zone):
        x, anchor = c.place(c.x(at_s), text)
        parts.append(tag("text", text, x=x, y=86, font_size=TEXT, text_anchor=anchor, fill=palette.ink))
    said = f"Pictures: {len(shown)} of {len(inside)} shown, each over its day"
    drawn = sheet("Pictures", said, (width, 92), palette, "".join(parts))
    return drawn.replace(' role="img"', ' role="group"', 1)  # a picture of links: each is to be reached


def _picture(x: float, shot: Shot) -> str:
    image = tag(
        "image", href=shot.image, x=x, y=22.0, width=_WIDTH, height=_HEIGHT, preserveAspectRatio="xMidYMid slice"
    )
    return f"{tag('a', href=shot.link, aria_label=shot.words)[:-2]}>{image}</a>"


def row(shots: Sequence[Shot], span: Span, zone: zoneinfo.ZoneInfo) -> str:
    """The pictures of a stretch above a timeline, a cell apart, in two sizes of screen; '' where there is none.

    Where several lie in one cell the newest stands for them.  Each frame holds its day, until a script lays the picture
    over it once somebody looks there: what a first view costs holds no pictures.
    """

    def made(size: str, cells: int) -> str:
        placed = _placed(shots, span, cells)
        said = quoteattr(f"Pictures: {len(placed)} of {len(shots)} shown, each over its day")
        links = "".join(_frame(part, shot, zone) for part, shot in placed)
        return f'<svg class="signs shots {size}" role="group" aria-label={said}>{links}</svg>'

    return two_sizes(made("few", FEW), made("many", MANY)) if _placed(shots, span, MANY) else ""


def _placed(shots: Sequence[Shot], span: Span, cells: int) -> list[tuple[float, Shot]]:
    """From the newest back, each with its place from 0 to 1, the frames side by side at most."""
    length, width = max(1.0, span[1] - span[0]), 1.0 / cells
    placed: list[tuple[float, Shot]] = []
    for shot in sorted(shots, key=lambda s: -s.at_s):
        part = (shot.at_s - span[0]) / length
        at = min(max(part, 0.5 * width), 1.0 - 0.5 * width)
        if 0.0 <= part <= 1.0 and (not placed or placed[-1][0] - at >= width):
            placed.append((at, shot))
    return placed[::-1]


def _frame(part: float, shot: Shot, zone: zoneinfo.ZoneInfo) -> str:
    left = -_WIDTH / 2
    drawn = tag("rect", x=left, y=4.0, width=_WIDTH, height=_HEIGHT)
    day = f"{local_time(shot.at_s, zone):%-d %b}"
    drawn += tag("text", day, y=30.0, text_anchor="middle")
    image = tag(
        "image",
        data_src=shot.image,
        x=left,
        y=4.0,
        width=_WIDTH,
        height=_HEIGHT,
        preserveAspectRatio="xMidYMid slice",
    )
    place = f'<svg x="{100 * part:.1f}%" overflow="visible">{drawn}{image}</svg>'
    return f'<a class="shot" href={quoteattr(shot.link)} aria-label={quoteattr(f"{day}: {shot.words}")}>{place}</a>'


def nitrate(
    history: Sequence[tuple[float, float, float, float]],
    span: Span,
    limit: float,
    *,
    zone: zoneinfo.ZoneInfo,
    palette: Palette,
    size: tuple[int, int] = (360, 130),
    unit: str = "mg/L as NO3",
) -> str:
    """Nitrate with its band over the stretch, mg/L as NO3; '' where nothing is known."""
    inside = [h for h in history if span[0] <= h[0] <= span[1]]
    if not inside:
        return ""
    top = max(limit * 1.1, *(min(high, limit * 3) for _, _, _, high in inside))
    c = Canvas("Nitrate", span, (0.0, top), zone=zone, palette=palette, size=size, unit=unit)
    c.band([(t, low, high) for t, _, low, high in inside], palette.first)
    c.line([(t, mean) for t, mean, _, _ in inside], palette.first)
    c.level(limit, f"limit {limit:g}", palette.warn)
    return c.svg(f"From {inside[0][1]:.0f} to {inside[-1][1]:.0f} {unit.partition(' ')[0]}; limit {limit:g}")


def light(
    days: Sequence[tuple[float, float | None]],
    span: Span,
    *,
    zone: zoneinfo.ZoneInfo,
    palette: Palette,
    size: tuple[int, int] = (360, 110),
) -> str:
    """Each day's dose over the stretch, by the day's end, mol m⁻²; '' where nothing is known."""
    inside = [(t, dose) for t, dose in days if span[0] <= t <= span[1] and dose is not None]
    if not inside:
        return ""
    c = Canvas(
        "Light",
        span,
        (0.0, max(d for _, d in inside) * 1.1),
        zone=zone,
        palette=palette,
        size=size,
        unit="mol/m² a day",
    )
    for t, dose in inside:
        c.column(t - DAY_S, t - 0.1 * DAY_S, 0.0, dose, palette.second, 0.5)
    return c.svg(f"From {inside[0][1]:.2g} to {inside[-1][1]:.2g} mol/m² a day")
