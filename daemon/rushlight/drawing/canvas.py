"""A sheet with two axes: scales, ticks, lines, bands and words, written out as SVG.

Owns coordinates and text size.  Colours come from a `Palette`: fixed ones for the e-mail's PNG, CSS variables for
the page, so that dark mode is the page's affair.  No meaning hangs on colour alone: lines differ in dash and
carry their names.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
import zoneinfo
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

from rushlight.localtime import DAY_S, local_day, local_time, midnight_of

TEXT = 12
"""Size of all words in units of the picture: 360 units across a phone of 390 px come out above 11 px."""


@dataclass(frozen=True, slots=True)
class Palette:
    """Ink for words and axes, and four hues that colour-blind readers tell apart (Okabe and Ito 2008)."""

    paper: str
    ink: str
    faint: str
    first: str
    second: str
    third: str
    warn: str


MAIL = Palette("#ffffff", "#222222", "#c9c9c9", "#0072b2", "#d55e00", "#009e73", "#a3003f")
PAGE = Palette(
    "var(--paper)", "var(--ink)", "var(--faint)", "var(--first)", "var(--second)", "var(--third)", "var(--warn)"
)


def tag(name: str, text: str = "", **attributes: str | float) -> str:
    """One SVG element; floats are written to a tenth, underscores in names become hyphens, text is escaped."""
    said = "".join(
        f" {key.replace('_', '-')}={quoteattr(f'{v:.4g}' if isinstance(v, float) else str(v))}"
        for key, v in attributes.items()
    )
    return f"<{name}{said}>{escape(text)}</{name}>" if text else f"<{name}{said}/>"


DASHES = {"solid": "", "dashed": "6 4", "dotted": "2 3", "chain": "8 3 2 3"}


class Canvas:
    """One chart.  x is Unix seconds from `from_s` to `to_s`, y from `low` to `high` in `unit`.

    Times outside and values beyond the edges are clipped; an empty span is widened so that nothing divides by zero.
    """

    left, right, bottom = 42.0, 10.0, 26.0

    def __init__(
        self,
        title: str,
        span_s: tuple[float, float],
        values: tuple[float, float],
        *,
        zone: zoneinfo.ZoneInfo,
        palette: Palette,
        size: tuple[int, int] = (360, 200),
        unit: str = "",
        legend: str = "",
    ) -> None:
        """`legend` stands in a line of its own under the title."""
        self.legend, self.top = legend, 46.0 if legend else 32.0
        self.title, self.zone, self.palette, self.unit = title, zone, palette, unit
        self.width, self.height = size
        self.from_s, self.to_s = span_s[0], max(span_s[1], span_s[0] + 1.0)
        self.low, self.high = _roomy(*values)
        self._parts: list[str] = []
        self._labels_y: list[float] = []
        self._runs: list[tuple[float, float]] = []

    def x(self, at_s: float) -> float:
        """Pixels from the left."""
        part = (min(max(at_s, self.from_s), self.to_s) - self.from_s) / (self.to_s - self.from_s)
        return self.left + part * (self.width - self.left - self.right)

    def y(self, value: float) -> float:
        """Pixels from the top."""
        part = (min(max(value, self.low), self.high) - self.low) / (self.high - self.low)
        return self.height - self.bottom - part * (self.height - self.top - self.bottom)

    def line(
        self, points: Sequence[tuple[float, float | None]], colour: str, dash: str = "solid", width: float = 1.8
    ) -> None:
        """A line through (time, value); None lifts the pen."""
        path, down = [], False
        for at_s, value in points:
            if value is None or not self.from_s <= at_s <= self.to_s:
                down = False
                continue
            path.append(f"{'L' if down else 'M'}{self.x(at_s):.1f} {self.y(value):.1f}")
            self._runs.append((self.x(at_s), self.y(value)))
            down = True
        if path:
            dashes = {"stroke_dasharray": DASHES[dash]} if DASHES[dash] else {}
            self._add("path", d="".join(path), fill="none", stroke=colour, stroke_width=width, **dashes)

    def _add(self, name: str, **attributes: str | float) -> None:
        self._parts.append(tag(name, "", **attributes))

    def band(self, points: Sequence[tuple[float, float, float]], colour: str, opacity: float = 0.18) -> None:
        """The area between low and high over time."""
        inside = [p for p in points if self.from_s <= p[0] <= self.to_s]
        if len(inside) < 2:
            return
        up = [f"{self.x(t):.1f} {self.y(high):.1f}" for t, _, high in inside]
        down = [f"{self.x(t):.1f} {self.y(low):.1f}" for t, low, _ in reversed(inside)]
        self._add("path", d=f"M{'L'.join(up + down)}Z", fill=colour, fill_opacity=opacity)

    def upright(self, at_s: float, low: float, high: float, colour: str, width: float = 4.0) -> None:
        """A vertical bar from `low` to `high` with ends: a reading known only to lie between."""
        if not self.from_s <= at_s <= self.to_s:
            return
        x, y0, y1 = self.x(at_s), self.y(low), self.y(high)
        ends = "".join(f"M{x - width:.1f} {y:.1f}h{2 * width:.1f}" for y in (y0, y1))
        self._add("path", d=f"M{x:.1f} {y0:.1f}V{y1:.1f}{ends}", stroke=colour, stroke_width=1.6)

    def column(self, from_s: float, to_s: float, low: float, high: float, colour: str, opacity: float = 0.75) -> None:
        """A filled block."""
        x0, x1, y0, y1 = self.x(from_s), self.x(to_s), self.y(low), self.y(high)
        if x1 - x0 >= 0.05 and y0 - y1 >= 0.05:
            self._add("rect", x=x0, y=y1, width=x1 - x0, height=y0 - y1, fill=colour, fill_opacity=opacity)

    def level(self, value: float, name: str, colour: str) -> None:
        """A horizontal line with its name, where the lines drawn so far leave room for it: a limit."""
        y = self.y(value)
        across = f"M{self.left} {y:.1f}H{self.width - self.right}"
        self._add("path", d=across, stroke=colour, stroke_width=1, stroke_dasharray="4 3")
        wide, ends = TEXT * 0.62 * len(name), (self.left + 4, self.width - self.right - 4)
        places = [(x0, y0) for y0 in (y - 3, y + TEXT) for x0 in (ends[0], ends[1] - wide, (sum(ends) - wide) / 2)]
        held = [p for p in places if p[1] - TEXT >= self.top - TEXT and p[1] < self.height - self.bottom]
        x, foot = min(held or places, key=lambda p: self._crossed(p[0], p[0] + wide, p[1] - TEXT, p[1] + 2))
        self.words(x, foot, name, colour)

    def _crossed(self, x0: float, x1: float, y0: float, y1: float) -> float:
        """Px of the lines drawn so far, along x, that run through a box."""
        return sum(
            max(0.0, min(b[0], x1) - max(a[0], x0))
            for a, b in itertools.pairwise(self._runs)
            if b[0] >= a[0] and min(a[1], b[1]) <= y1 and max(a[1], b[1]) >= y0
        )

    def name(self, at_s: float, value: float, name: str, colour: str) -> None:
        """A line's name beside its end, moved so that names do not lie on each other."""
        y = self.y(value) - 6
        while any(abs(y - other) < TEXT + 1 for other in self._labels_y):
            y += TEXT + 1
        self._labels_y.append(y)
        self.words(self.x(at_s), y, name, colour, anchor="end")

    def words(self, x: float, y: float, text: str, colour: str, *, anchor: str = "start") -> None:
        """Text at a place in pixels."""
        self._parts.append(over(text, x, y, colour, self.palette, anchor=anchor))

    def place(self, x: float, text: str) -> tuple[float, str]:
        """Where a word about `x` is anchored so that the right edge does not cut it."""
        half = TEXT * 0.3 * len(text)
        return (x, "middle") if x + half <= self.width else (self.width - 1.0, "end")

    def svg(self, description: str) -> str:
        """The finished picture; `description` is what it shows in words."""
        body = "".join((*self._axes(), *self._parts))
        return sheet(self.title, f"{self.title}. {description}", (self.width, self.height), self.palette, body)

    def _axes(self) -> Iterator[str]:
        ink, foot, end = self.palette.ink, self.height - self.bottom, self.width - self.right
        if self.unit:
            yield tag("text", self.unit, x=end, y=15, font_size=TEXT, text_anchor="end", fill=ink)
        if self.legend:
            yield tag("text", self.legend, x=2, y=32, font_size=TEXT, fill=ink)
        for value in ticks(self.low, self.high):
            y = self.y(value)
            yield tag("path", d=f"M{self.left} {y:.1f}H{end}", stroke=self.palette.faint, stroke_width=0.6)
            yield tag("text", f"{value:g}", x=self.left - 4, y=y + 4.2, font_size=TEXT, text_anchor="end", fill=ink)
        for at_s, text in dates(self.from_s, self.to_s, self.zone):
            x = self.x(at_s)
            yield tag("path", d=f"M{x:.1f} {foot}v4", stroke=ink, stroke_width=0.8)
            x, anchor = self.place(x, text)
            yield tag("text", text, x=x, y=foot + 17, font_size=TEXT, text_anchor=anchor, fill=ink)
        yield tag("path", d=f"M{self.left} {foot}H{end}", stroke=ink, stroke_width=0.8)


def over(text: str, x: float, y: float, colour: str, palette: Palette, *, anchor: str = "start") -> str:
    """Text that stays readable where it lies on a line: the paper shines through around it."""
    halo: dict[str, str | float] = {
        "stroke": palette.paper,
        "stroke_width": 3,
        "stroke_linejoin": "round",
        "paint_order": "stroke",
    }
    return tag("text", text, x=x, y=y, font_size=TEXT, text_anchor=anchor, fill=colour, **halo)


def sheet(title: str, label: str, size: tuple[int, int], palette: Palette, body: str) -> str:
    """Paper with a heading around the drawing `body`; `label` is for those who can't see it."""
    width, height = size
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img"'
    paper = tag("rect", width=width, height=height, fill=palette.paper)
    heading = tag("text", title, x=2, y=15, font_size=TEXT + 1, font_weight="bold", fill=palette.ink)
    return f'{head} aria-label={quoteattr(label)} font-family="DejaVu Sans, sans-serif">{paper}{heading}{body}</svg>'


def _roomy(low: float, high: float) -> tuple[float, float]:
    """A little air above, and never an empty span."""
    if high - low < 1e-9:
        pad = abs(high) * 0.1 or 1.0
        return low - (pad if low else 0.0), high + pad
    return low, high + 0.08 * (high - low)


def ticks(low: float, high: float, about: int = 4) -> list[float]:
    """Round values within the span, about so many."""
    raw = (high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(s * power for s in (1, 2, 2.5, 5, 10) if s * power >= raw)
    first = math.ceil(low / step - 1e-9)
    return [round(n * step, 10) for n in range(first, math.floor(high / step + 1e-9) + 1)]


def dates(from_s: float, to_s: float, zone: zoneinfo.ZoneInfo) -> Iterable[tuple[float, str]]:
    """Local midnights (hours on a short span, firsts of months on a long one) with their words, six or fewer."""
    if to_s - from_s < 2.5 * DAY_S:
        step_s = next(s for s in (3600, 7200, 14400, 21600, 43200) if (to_s - from_s) / s <= 6)
        first = math.ceil(from_s / 3600) * 3600
        hours = (local_time(s, zone) for s in range(int(first), int(to_s) + 1, 3600))
        return [(h.timestamp(), h.strftime("%H:%M")) for h in hours if h.hour * 3600 % step_s == 0]
    days = (to_s - from_s) / DAY_S
    start = local_day(from_s, zone) + dt.timedelta(days=1)
    step = next((s for s in (1, 2, 7, 14) if days / s <= 5), 0)
    found = [start + dt.timedelta(days=n) for n in range(0, int(days) + 1, step)] if step else _months(start, days)
    form = "%d %b" if days < 400 else "%b %Y"
    at = [(midnight_of(d, zone), d.strftime(form).lstrip("0")) for d in found]
    return [(s, text) for s, text in at if s <= to_s]


def _months(start: dt.date, days: float) -> list[dt.date]:
    """Firsts of months from `start` on, as many months apart as leaves five or fewer."""
    step = next((m for m in (1, 2, 3, 6, 12, 24, 60, 120) if days / 30.44 / m <= 5), int(days / 30.44 / 5) + 1)
    year, month = divmod(start.year * 12 + start.month - 1 + (start.day > 1), 12)
    firsts = (divmod(year * 12 + month + n, 12) for n in range(0, int(days / 30.44) + 2, step))
    return [dt.date(y, m + 1, 1) for y, m in firsts if y <= dt.MAXYEAR]
