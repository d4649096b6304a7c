"""Signs above a timeline: what was done and what alarmed, each a link that can be touched, reached by key and read.

Too many for the width are one sign with their number and, above it, what there is among them.  A phone's width holds
few and a desk's many: both are made, and the page shows one of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal
from xml.sax.saxutils import quoteattr

from rushlight.drawing.canvas import tag
from rushlight.drawing.lanes import WIDE, plot

Shape = Literal["test", "water", "fed", "cut", "lamp", "seen", "other", "high", "medium", "low"]
FEW, MANY = 12, 36
"""Signs side by side: each has 28 px on a phone of 390 px, and as much on a desk."""
PATHS: dict[Shape, str] = {
    "test": "M-4-7h8M-4 7h8M0-7v14",
    "water": "M0-8C3-3 5-1 5 2.5A5 5 0 0 1-5 2.5C-5-1-3-3 0-8z",
    "fed": "M-5 0a5 5 0 1 0 10 0a5 5 0 1 0-10 0z",
    "cut": "M-7 8L2-2M-5 6C-8-3-1-8 8-8C8 1 3 8-5 6z",
    "lamp": "M0-8v3M0 5v3M-8 0h3M5 0h3M-3 0a3 3 0 1 0 6 0a3 3 0 1 0-6 0z",
    "seen": "M-8 0Q0-8 8 0Q0 8-8 0zM-2 0a2 2 0 1 0 4 0a2 2 0 1 0-4 0z",
    "other": "M-5-5h10v10h-10z",
    "high": "M-7-7h14v14h-14z",
    "medium": "M0-8L8 6H-8z",
    "low": "M-6 0a6 6 0 1 0 12 0a6 6 0 1 0-12 0z",
}
"""Drawn about their middle, in px."""
_HIT = tag("rect", x=-13, y=-18, width=26, height=36, **{"class": "hit"})
"""What a finger meets where a sign stands alone; a group's box is that itself."""
_TELLING: tuple[Shape, ...] = ("high", "medium", "low", "cut", "lamp", "seen", "water", "test", "other", "fed")
"""What is rare in a tank's year tells most of a group; that it was fed as every day tells least."""


@dataclass(frozen=True, slots=True)
class Sign:
    """One thing to be marked."""

    at_s: float
    shape: Shape
    words: str


@dataclass(frozen=True, slots=True)
class Span:
    """An alarm from its rise to its end."""

    from_s: float
    to_s: float
    shape: Shape


def signs(
    name: str,
    found: Sequence[Sign],
    span_s: tuple[float, float],
    address: Callable[[float, float], str],
    spans: Sequence[Span] = (),
) -> str:
    """The signs in two sizes of screen; `address` gives the link for what lies between two moments, ends included."""
    few, many = (
        f'<svg class="signs {size}" role="group" aria-label={quoteattr(name)}>{_spans(spans, span_s)}'
        f"{''.join(_links(found, span_s, address, cells))}</svg>"
        for size, cells in (("few", FEW), ("many", MANY))
    )
    return two_sizes(few, many) if found or spans else ""


def two_sizes(few: str, many: str) -> str:
    """A phone's row, and before it a desk's, which costs a phone nothing: it sleeps until the screen is wide."""
    return f"<noscript>{many}</noscript>{few}"


def _spans(spans: Iterable[Span], span_s: tuple[float, float]) -> str:
    length = max(1.0, span_s[1] - span_s[0])

    def x(at_s: float) -> int:
        return round(WIDE * (at_s - span_s[0]) / length)

    body = "".join(
        tag("path", d=f"M{x(s.from_s)} 100H{max(x(s.to_s), x(s.from_s) + 3)}", **{"class": f"span {s.shape}"})
        for s in spans
        if s.to_s >= span_s[0] and s.from_s <= span_s[1]
    )
    return plot(body) if body else ""


def _links(
    found: Sequence[Sign], span_s: tuple[float, float], address: Callable[[float, float], str], cells: int
) -> Iterator[str]:
    for part, group in grouped(found, span_s, cells):
        first, last = group[0], group[-1]
        label = first.words if len(group) == 1 else f"{len(group)} together, from {first.words}"
        href = quoteattr(address(first.at_s, last.at_s))
        drawn = (
            _HIT + tag("path", d=PATHS[first.shape], **{"class": f"shape {first.shape}"})
            if len(group) == 1
            else _group(group)
        )
        yield (
            f'<a href={href} class="sign" aria-label={quoteattr(label)}>'
            f'<svg x="{100 * part:.1f}%" y="50%">{drawn}</svg></a>'
        )


def _group(group: Sequence[Sign]) -> str:
    """A box: below the number of its signs, above two kinds that are among them, the most telling first."""
    kinds = sorted({g.shape for g in group}, key=_TELLING.index)[:2]
    alarm = kinds[0] if kinds[0] in {"high", "medium", "low"} else ""
    places = ("middle",) if len(kinds) == 1 else ("left", "right")
    return (
        tag("rect", x=-12.5, y=-17.5, width=25, height=35, rx=6, **{"class": f"hit shape group {alarm}".strip()})
        + "".join(
            tag("path", d=PATHS[kind], **{"class": f"{place} shape {kind}"})
            for kind, place in zip(kinds, places, strict=True)
        )
        + tag("text", f"{len(group)}", y=12)
    )


def grouped(found: Sequence[Sign], span_s: tuple[float, float], cells: int) -> list[tuple[float, list[Sign]]]:
    """Signs in the order of time, those too near together in one group; each with its place, 0 to 1, a cell apart."""
    length, width = max(1.0, span_s[1] - span_s[0]), 1.0 / cells
    groups: list[tuple[float, list[Sign]]] = []
    for sign in sorted(found, key=lambda s: s.at_s):
        part = (sign.at_s - span_s[0]) / length
        if not 0.0 <= part <= 1.0:
            continue
        at = min(max(part, 0.5 * width), 1.0 - 0.5 * width)  # nothing hangs over an edge
        if groups and at - groups[-1][0] < width:
            groups[-1][1].append(sign)
        else:
            groups.append((at, [sign]))
    return groups
