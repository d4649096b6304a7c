"""Colours of a strip from a picture's file, for `rushlight record test --picture`.

Owns the same spots as the page's reader (`web/static/strip.js`).  The imaging library is no part of the daemon: where
it is not installed, the words say how to come by the colours.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from rushlight.science.optics import colour
from rushlight.settings import Kit

Point = tuple[float, float]
_STEPS = 14
_SHARE = 0.5
"""Height of a pad, or a field, as a share of the step from one to the next."""
_WITHOUT = (
    "a picture's colours are read here only where the imaging library Pillow is installed beside rushlight "
    "(pip install pillow, in its environment).  Or open the Test page and choose the picture there; or give a .json "
    "file with the colours, in the form of a test's `picture`"
)
_NO_FRAME = (
    "say where things lie: --strip-frame 'x,y x,y x,y x,y' from the top of the first pad to the end of the paper below "
    "the last, and --chart-frame about the chart's fields with the paper below, each the corners top left, top right, "
    "bottom right, bottom left, in pixels"
)


class PictureError(ValueError):
    """Colours that can't be had, and what to do instead."""


def colours(file: Path, kit: Kit, strip: str | None, chart: str | None) -> dict[str, Any]:
    """The `picture` of an event line.  Raises PictureError."""
    if file.suffix.lower() == ".json":
        try:
            found = json.loads(file.read_text())
        except (OSError, ValueError) as e:
            raise PictureError(f"{file}: {e}") from None
        if not isinstance(found, dict):
            raise PictureError(f"{file}: expected the colours of one picture")
        return found
    try:
        from PIL import Image, ImageOps
    except ImportError:
        raise PictureError(_WITHOUT) from None
    if not strip or not chart:
        raise PictureError(_NO_FRAME)
    try:
        with Image.open(file) as opened:
            image = ImageOps.exif_transpose(opened).convert("RGB")
    except (OSError, ValueError) as e:
        raise PictureError(f"{file}: {e}") from None
    return _read(image.getpixel, image.size, kit, _mapped(_corners(strip)), _mapped(_corners(chart)))


def _corners(text: str) -> list[Point]:
    try:
        points = [(float(x), float(y)) for x, y in (pair.split(",") for pair in text.split())]
    except ValueError:
        points = []
    if len(points) != 4:
        raise PictureError(_NO_FRAME)
    return points


def _mapped(c: Sequence[Point]) -> Callable[[float, float], Point]:
    """The unit square to four corners (Heckbert 1989, "Fundamentals of Texture Mapping and Image Warping").

    Raises PictureError: three of them lie on a line.
    """
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = c
    a1, a2, sx = x1 - x2, x3 - x2, x0 - x1 + x2 - x3
    b1, b2, sy = y1 - y2, y3 - y2, y0 - y1 + y2 - y3
    den = a1 * b2 - a2 * b1
    if math.isclose(den, 0.0):
        raise PictureError(_NO_FRAME)
    g, h = (sx * b2 - a2 * sy) / den, (a1 * sy - sx * b1) / den

    def to(u: float, v: float) -> Point:
        w = g * u + h * v + 1.0
        return (
            ((x1 - x0 + g * x1) * u + (x3 - x0 + h * x3) * v + x0) / w,
            ((y1 - y0 + g * y1) * u + (y3 - y0 + h * y3) * v + y0) / w,
        )

    return to


def _read(
    pixel: Callable[[tuple[int, int]], Any],
    size: tuple[int, int],
    kit: Kit,
    strip: Callable[[float, float], Point],
    chart: Callable[[float, float], Point],
) -> dict[str, Any]:
    rows = {k: v for k, v in kit.pads.items() if len(v) > 1}
    if not rows:
        raise PictureError(f"kit {kit.id} has no pads with a chart")
    n, most = len(rows), max(map(len, rows.values()))

    def spot(to: Callable[[float, float], Point], u: float, v: float, du: float, dv: float) -> list[float]:
        total = [0.0, 0.0, 0.0]
        for i in range(_STEPS):
            for j in range(_STEPS):
                x, y = to(u + du * (2 * (i + 0.5) / _STEPS - 1), v + dv * (2 * (j + 0.5) / _STEPS - 1))
                at = (round(x), round(y))
                if not (0 <= at[0] < size[0] and 0 <= at[1] < size[1]):
                    raise PictureError("a frame reaches out of the picture")
                total = [t + colour.linear(c) for t, c in zip(total, pixel(at), strict=True)]
        return [t / _STEPS**2 for t in total]

    pads, papers, fields, cards = {}, {}, {}, {}
    for i, (name, values) in enumerate(rows.items()):
        pad, bare = (i + _SHARE / 2) / n, (i + (1 + _SHARE) / 2) / n
        tall, low = _SHARE / n / 4, (1 - _SHARE) / n / 4
        pads[name], papers[name] = spot(strip, 0.5, pad, 0.25, tall), spot(strip, 0.5, bare, 0.25, low)
        across = [(j + 0.5) / most for j in range(len(values))]
        fields[name] = [spot(chart, u, pad, 0.25 / most, tall) for u in across]
        cards[name] = [spot(chart, u, bare, 0.25 / most, low) for u in across]
    card = _mean([c for own in cards.values() for c in own])
    record: dict[str, Any] = {"paper": {"chart": _codes(card), "strip": _codes(_mean(list(papers.values())))}}
    for name, values in rows.items():
        level = [
            [f * c / max(own, 1e-4) for f, c, own in zip(field, card, beside, strict=True)]
            for field, beside in zip(fields[name], cards[name], strict=True)
        ]
        record[name] = {
            "strip": _codes(pads[name]),
            "paper": _codes(papers[name]),
            "chart": [[value, _codes(light)] for value, light in zip(values, level, strict=True)],
        }
    return record


def _mean(spots: Sequence[Sequence[float]]) -> list[float]:
    return [sum(channel) / len(spots) for channel in zip(*spots, strict=True)]


def _codes(light: Sequence[float]) -> list[float]:
    return [round(colour.encoded(v), 2) for v in light]
