"""Lanes of a timeline: one strip of the same stretch of time each, drawn to any width.

A lane is an SVG that takes the width it is given: its curves live in a nested sheet of `WIDE` by `HIGH` units that is
stretched, its words beside them are not.  Colours are the page's classes.  Whoever moves through time changes the
nested sheets' `viewBox` and nothing else, so that a script can follow a finger before the finer picture comes.
Whole numbers and relative steps keep a year's picture small.
"""

from __future__ import annotations

import itertools
import zoneinfo
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal
from xml.sax.saxutils import escape, quoteattr

from rushlight.drawing.canvas import dates, tag, ticks
from rushlight.localtime import local_time

WIDE, HIGH = 2000, 200
"""Units of a nested sheet."""
FEW_TESTS = 26
"""Twice a quarter of weekly ones: as many stand apart on a phone.  More are drawn thinner, or they are a fence."""
Hue = Literal["first", "second", "third", "ink", "warn"]
Band = tuple[float, float, float, float]
"""Time, mean, low, high."""


@dataclass(frozen=True, slots=True)
class Curve:
    """A line with a band about it over time.  Where more than `gap_s` lies between two points the pen is lifted."""

    points: Sequence[Band]
    hue: Hue
    style: str = ""
    """'', 'dashed', 'dotted' or 'bare'; bare has no band."""
    gap_s: float = float("inf")


@dataclass(frozen=True, slots=True)
class Upright:
    """A test: at a moment known only to lie between `low` and `high`; `high` None is 'or more'."""

    at_s: float
    low: float
    high: float | None


@dataclass(frozen=True, slots=True)
class Lane:
    """What one lane shows.  `levels` are limits with their words; `said` is the picture in words."""

    name: str
    unit: str
    said: str
    curves: Sequence[Curve]
    uprights: Sequence[Upright] = ()
    levels: Sequence[tuple[float, str]] = ()
    floor: float | None = None
    ceiling: float | None = None
    """The scale goes no higher, whatever a band does."""
    key: Sequence[tuple[Hue, str, str]] = field(default_factory=tuple)
    """Hue, style and word of each curve where there is more than one."""
    tall: bool = False


class Scale:
    """Time to units across and values to units down."""

    def __init__(self, span_s: tuple[float, float], values: tuple[float, float]) -> None:
        self.from_s, self.to_s = span_s[0], max(span_s[1], span_s[0] + 1.0)
        low, high = values
        pad = 0.06 * (high - low) or abs(high) * 0.1 or 1.0
        self.low, self.high = low - (pad if low else 0.0), high + pad

    def x(self, at_s: float) -> int:
        """Units from the left; times outside fall outside the sheet and are cut off by it."""
        return round(WIDE * (at_s - self.from_s) / (self.to_s - self.from_s))

    def y(self, value: float) -> int:
        """Units from the top, kept on the sheet."""
        part = (min(max(value, self.low), self.high) - self.low) / (self.high - self.low)
        return round(HIGH * (1.0 - part))


def lane(shown: Lane, span_s: tuple[float, float], now_s: float, zone: zoneinfo.ZoneInfo) -> str:
    """The lane as SVG, with a line at the present moment; as a sentence where nothing is known."""
    scale = Scale(span_s, _values(shown))
    words = "".join(_words(shown, scale))
    body = "".join((*_grid(shown, scale, now_s, zone), *_uprights(shown, scale), *_curves(shown, scale)))
    said = quoteattr(f"{shown.name}. {shown.said}")
    return (
        f'<svg class="lane{" tall" if shown.tall else ""}" role="img" aria-label={said}>{plot(body)}{words}</svg>'
        if shown.curves or shown.uprights
        else f'<p class="empty">{escape(shown.said[:1].upper() + shown.said[1:])}.</p>'
    )


def plot(body: str) -> str:
    """A nested sheet."""
    return (
        f'<svg class="plot" width="100%" height="100%" viewBox="0 0 {WIDE} {HIGH}" preserveAspectRatio="none">'
        f"{body}</svg>"
    )


def small(
    curve: Sequence[Band], ahead: Sequence[Band], limit: float, word: str, span_s: tuple[float, float], said: str
) -> str:
    """A curve with its band and limit and no axes, for a row among others."""
    points = (*curve, *ahead)
    line, band = (max((p[n] for p in points), default=0.0) for n in (1, 3))
    scale = Scale(span_s, (0.0, max(1.1 * limit, line, min(1.25 * limit, band))))  # a wide band may be cut, no line is
    shown = Lane("", "", "", (Curve(curve, "first"), Curve(ahead, "first", "dashed")), levels=((limit, word),))
    now = tag("path", d=f"M{scale.x(curve[-1][0])} 0V{HIGH}", **{"class": "now"}) if curve else ""
    body = "".join((now, _level(limit, scale), *_curves(shown, scale)))
    y = 100.0 * scale.y(limit) / HIGH
    name = tag("text", word, x="2", y=f"{y:.0f}%", dy="-.25em" if y > 20.0 else "1.1em", **{"class": "warn"})
    return f'<svg class="small" role="img" aria-label={quoteattr(said)}>{plot(body)}{name}</svg>'


def axis(span_s: tuple[float, float], zone: zoneinfo.ZoneInfo) -> str:
    """The dates under all lanes, each with its moment and its parts, so that a browser can write them in its manner."""
    scale = Scale(span_s, (0.0, 1.0))

    def moment(at_s: float, word: str) -> dict[str, str]:
        parts = "t" if ":" in word else "d" if word[0].isdigit() else "m"
        return {"data_at": local_time(at_s, zone).isoformat(timespec="minutes"), "data_as": parts}

    def place(at: float) -> dict[str, str]:
        """In per cent, at its own line.

        Towards an edge the word begins or ends there, however large it is written; on a wide sheet it has room on both
        sides of its line when it is only `near` the edge.
        """
        kind = {"class": "near"} if 3.5 < at < 96.5 else {}
        if at < 7.0:
            return {"x": f"{max(0.3, at):.1f}%", "text_anchor": "start", **kind}
        if at > 93.0:
            return {"x": f"{min(99.7, at):.1f}%", "text_anchor": "end", **kind}
        return {"x": f"{at:.1f}%", "text_anchor": "middle"}

    found = "".join(
        tag("text", word, y="70%", **place(at), **moment(at_s, word))
        for at_s, word in dates(*span_s, zone)
        if 0.0 <= (at := 100.0 * scale.x(at_s) / WIDE) <= 100.0
    )
    return f'<svg class="axis" aria-hidden="true">{found}</svg>'


# ---------------------------------------------------------------------- parts


def _values(shown: Lane) -> tuple[float, float]:
    known = [v for c in shown.curves for p in c.points for v in ((p[1],) if c.style == "bare" else p[1:])]
    known += [v for u in shown.uprights for v in (u.low, u.high if u.high is not None else u.low)]
    known += [v for v, _ in shown.levels]
    if not known:
        return 0.0, 1.0
    low = min(known) if shown.floor is None else min(shown.floor, *known)
    high = max(known) if shown.ceiling is None else min(max(known), shown.ceiling)
    return low, max(low, high)


def _curves(shown: Lane, scale: Scale) -> Iterator[str]:
    for curve in shown.curves:
        for run in _runs(curve.points, curve.gap_s):
            xs = [scale.x(p[0]) for p in run]
            if curve.style != "bare" and len(run) > 1:
                yield tag("path", d=_area(run, xs, scale), **{"class": f"band {curve.hue} {curve.style}".strip()})
            line = _steps(list(zip(xs, (scale.y(p[1]) for p in run), strict=True)))
            # A point with gaps on both sides is a short dash, or nobody would see it.
            yield tag(
                "path",
                d=line or f"M{xs[0] - 2} {scale.y(run[0][1])}h4",
                **{"class": f"line {curve.hue} {curve.style}".strip()},
            )


def _area(run: Sequence[Band], xs: Sequence[int], scale: Scale) -> str:
    upper = [(x, scale.y(p[3])) for x, p in zip(xs, run, strict=True)]
    lower = [(x, scale.y(p[2])) for x, p in zip(xs, run, strict=True)]
    down = lower[::-1]
    return f"{_steps(upper)}L{down[0][0]} {down[0][1]}{_steps(down, moved=True)}z"


def _steps(points: Sequence[tuple[int, int]], *, moved: bool = False) -> str:
    """A path through points by relative steps; points on a straight level are left out.  '' for a single point."""
    if len(points) < 2:
        return ""
    parts = [] if moved else [f"M{points[0][0]} {points[0][1]}"]
    x, y = points[0]
    steps = []
    for n, (to_x, to_y) in enumerate(points[1:], start=1):
        ahead = points[n + 1] if n + 1 < len(points) else None
        if ahead is not None and to_y == y == ahead[1] and (to_x - x) * (ahead[0] - to_x) >= 0:
            continue
        dy = to_y - y
        steps.append(f"{to_x - x}{'' if dy < 0 else ' '}{dy}")
        x, y = to_x, to_y
    return "".join(parts) + "l" + " ".join(steps)


def _runs(points: Sequence[Band], gap_s: float) -> list[list[Band]]:
    if not points:
        return []
    runs: list[list[Band]] = [[points[0]]]
    for before, after in itertools.pairwise(points):
        if after[0] - before[0] > gap_s:
            runs.append([])
        runs[-1].append(after)
    return runs


def _uprights(shown: Lane, scale: Scale) -> Iterator[str]:
    if not shown.uprights:
        return
    path = []
    for u in shown.uprights:
        x, y0, y1 = scale.x(u.at_s), scale.y(u.low), scale.y(scale.high if u.high is None else u.high)
        path.append(f"M{x} {y0}V{y1}")
    # Nested sheets stretch, so the ends are drawn by the page's round caps and not by strokes across.
    yield tag("path", d="".join(path), **{"class": "test" if len(path) <= FEW_TESTS else "test many"})


def _grid(shown: Lane, scale: Scale, now_s: float, zone: zoneinfo.ZoneInfo) -> Iterator[str]:
    down = "".join(f"M{scale.x(t)} 0V{HIGH}" for t, _ in dates(scale.from_s, scale.to_s, zone))
    across = "".join(f"M0 {scale.y(v)}H{WIDE}" for v in _ticks(shown, scale))
    yield tag("path", d=down + across, **{"class": "grid"})
    yield tag("path", d=f"M{scale.x(now_s)} 0V{HIGH}", **{"class": "now"})
    for value, _ in shown.levels:
        yield _level(value, scale)


def _level(value: float, scale: Scale) -> str:
    # Far beyond both edges, as a moved sheet shows what lies there.
    return tag("path", d=f"M{-WIDE} {scale.y(value)}H{2 * WIDE}", **{"class": "level"})


def _ticks(shown: Lane, scale: Scale) -> list[float]:
    return ticks(scale.low, scale.high, 4 if shown.tall else 2)


def _words(shown: Lane, scale: Scale) -> Iterator[str]:
    """Values at the left edge, limits with their words; a value that would lie on a limit's word gives way."""
    at = [(100.0 * scale.y(v) / HIGH, word) for v, word in shown.levels]
    for value in _ticks(shown, scale):
        y = 100.0 * scale.y(value) / HIGH
        if 4.0 < y < 99.0:
            above = y > (6.0 if shown.tall else 14.0)  # a word has no room above a line at the lane's edge
            yield tag("text", f"{value:g}", x="2", y=f"{y:.1f}%", dy="-2" if above else "1em")
    for y, word in at:
        yield tag(
            "text",
            word,
            x="99.5%",
            y=f"{y:.1f}%",
            dy="-.25em" if y > 18.0 else "1em",  # by the text's own size, or a large one lies on its line
            text_anchor="end",
            **{"class": "warn"},
        )


def thinned(points: Iterable[Band], span_s: tuple[float, float], columns: int) -> list[Band]:
    """At most one point a column of time: mean of the means, least and greatest.  Empty columns stay empty."""
    from_s, width_s = span_s[0], max(1.0, (span_s[1] - span_s[0]) / max(1, columns))

    def column(point: Band) -> int:
        return int((point[0] - from_s) // width_s)

    return [_one(list(group)) for _, group in itertools.groupby(points, column)]


def _one(group: list[Band]) -> Band:
    if len(group) == 1:
        return group[0]
    n = len(group)
    return (
        sum(p[0] for p in group) / n,
        sum(p[1] for p in group) / n,
        min(p[2] for p in group),
        max(p[3] for p in group),
    )
