"""Where the colour of a strip's pad lies on the scale of the chart in the same picture.

Owns the scale on which a substance is reckoned, the curve through a chart's fields, and the reasons for which colours
are not believed.  The chart is the ruler of light: pad and fields are each divided by the bare paper beside them in
linear light, so that light, shading and exposure drop out, and compared as optical densities, in which a change of
the phone's tone stretches both alike.  Another light changes a density by a share, in the faint channels as in the
strong one, so each is trusted by its share as well (`UNLIKE`).  What the chart cannot take out is that its inks match
the dye of a pad in one light only; that is for whoever knows the kit's own solutions (`tank`'s readings), and is in the
error till then.  What such a solution's pad would look like in another picture's light is told by `carried`.

Every field is printed a little off, so the curve goes near the fields and not through them.  Between two fields it is a
monotone cubic (Fritsch and Carlson 1980, "Monotone piecewise cubic interpolation", SIAM J. Numer. Anal. 17:238-246), so
that no colour comes twice on it by the drawing of the curve alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from rushlight.science.inference import kriging
from rushlight.science.optics import colour
from rushlight.science.optics.colour import Triple

BRIGHTEST, DARKEST = 252.0, 3.0
"""sRGB codes at which a channel is taken to be clipped (common practice, no source)."""
DIMMEST_PAPER = 60.0
"""Paper darker than this, sRGB code of its brightest channel, leaves too few steps to tell pads apart (own choice)."""
UNEVEN = 1.8
"""Light on the chart's paper and on the strip's may differ by this factor (own choice)."""
FAINTEST_CHART = 0.10
"""A chart whose fields differ by less in density, from end to end, tells nothing (own choice)."""
OFF_CURVE = 20.0
"""ΔE*ab between a pad and the nearest colour of its chart, beyond which it is another pad, or no pad.

Rendered pictures of the right strip lie below 10 in 99 of 100 (`tests/bench/bench_pictures.py`)."""
SPOT, SHADE = 0.004, 0.006
"""Density by which each channel of a spot is unsure after averaging, by 8 bits, JPEG, noise and the blur of neighbours;
and all three alike, as the paper beside it lies in a little more or less light (rendered pictures; no source)."""
SHADED = 0.002
"""What of that is left between a pad and its chart, whose fields lie as far from their paper as the pad from its own
(rendered pictures; no source)."""
PRINT = 0.012
"""Density by which a chart's fields are off in each channel: print is off by 1.2 to 1.5 in ΔE*ab (rendered pictures; no
source)."""
UNLIKE = (0.10, 0.07, 0.17)
"""Share by which another light or phone changes a dye's density in red, green and blue beside an ink's: how little each
channel is trusted against the others (rendered pictures; no source)."""
CARRIED = ((0.59, 0.19, -0.16), (0.13, 0.27, 0.19), (-0.15, 0.01, 0.42))
"""How far red, green and blue of a dye (rows) change with those of its chart's ink from one light to another, as shares
of their mean densities: least squares over 600 kits of many dyes and inks, many cameras and the lights of CIE 15
(`tests/helpers/dyelights.py`)."""
BENT, _BENDS, _FREE = 0.15, 2.0, 4.0
"""A chart's densities bend by so much about a straight line, over so many fields; any line will do (own choice)."""
_STEPS = 24
"""Points of the search between two fields."""
_PAST = 0.35
"""The curve is drawn on by so much of its last step at either end (own choice)."""


OTHER_LIGHT = 0.008
"""Two pictures of one chart that are farther `apart` were not taken in one light by one phone: of rendered pairs 1 in
1,032 in one light was, and 529 of 677 in two lights are."""


class UnreadableError(ValueError):
    """Colours that say nothing: the message is the reason, as a person reads it."""


@dataclass(frozen=True, slots=True)
class Scale:
    """How a substance is reckoned: by the logarithm of its value plus `shift`, or straight where that is None."""

    shift: float | None

    def to(self, value: float) -> float:
        """The place of a value on the scale."""
        return value if self.shift is None else math.log(max(value, 0.0) + self.shift)

    def back(self, place: float) -> float:
        """The value at a place; below 0 there is none."""
        return max(0.0, place if self.shift is None else math.exp(place) - self.shift)


def scale_of(substance: str, values: Sequence[float]) -> Scale:
    """The scale for pads or fields of these values.

    A pH is a logarithm already.  The others go by theirs, as a pad's colours are spaced by ratio, with half the
    smallest value added so that nothing at all has a place too.
    """
    if substance == "ph":
        return Scale(None)
    return Scale(0.5 * min((v for v in values if v > 0.0), default=1.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A pad on its chart's scale."""

    place: float
    sd: float
    """How unsure the place is from the colours alone, one standard deviation."""
    beyond: str = ""
    """'>': it lies past the chart's last field, which `place` is then."""
    leverage: float = 0.0
    """By how much the place moves where the pad's density is off by a share of itself: d place / d ln density."""
    off: float = 0.0
    """ΔE*ab from the nearest colour of the curve."""
    densities: tuple[float, ...] = ()
    """The pad's own, three."""
    fields: tuple[float, ...] = ()
    """Places of the chart's fields on the scale, in order."""
    signature: tuple[float, ...] = ()
    """Densities of the chart's fields in this picture, in order: what light and phone make of it."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Densities of a chart along the scale: knots, one triple each, and their slopes."""

    at: tuple[float, ...]
    densities: tuple[Triple, ...]
    slopes: tuple[Triple, ...]

    def density(self, t: float) -> Triple:
        """Density at a place; drawn on straight past the ends."""
        last = len(self.at) - 1
        if t <= self.at[0] or t >= self.at[last]:
            i = 0 if t <= self.at[0] else last
            d, s = self.densities[i], self.slopes[i]
            step = t - self.at[i]
            return (d[0] + s[0] * step, d[1] + s[1] * step, d[2] + s[2] * step)
        i = max(k for k in range(last) if self.at[k] <= t)
        width = self.at[i + 1] - self.at[i]
        x = (t - self.at[i]) / width
        h00, h10 = (1 + 2 * x) * (1 - x) ** 2, x * (1 - x) ** 2 * width
        h01, h11 = x * x * (3 - 2 * x), x * x * (x - 1) * width
        a, b, c = (
            h00 * self.densities[i][k]
            + h10 * self.slopes[i][k]
            + h01 * self.densities[i + 1][k]
            + h11 * self.slopes[i + 1][k]
            for k in range(3)
        )
        return (a, b, c)


def place(
    pad: Triple, paper: Triple, chart: Sequence[tuple[float, Triple]], chart_paper: Triple, substance: str
) -> tuple[Scale, Placed]:
    """The pad's place on its chart; all colours are sRGB codes, 0 to 255.

    Raises:
        UnreadableError: light clipped, too dark or uneven, chart not in order, or a colour that is not on the chart.
    """
    _check_light(pad, paper, chart, chart_paper)
    values = sorted(value for value, _ in chart)
    scale = scale_of(substance, values)
    fields = tuple(scale.to(v) for v in values)
    curve = _curve(fields, _densities(chart, chart_paper))
    seen = colour.balanced(colour.linear_rgb(pad), colour.linear_rgb(paper))
    placed = _placed(curve, seen)
    densities = tuple(round(v, 4) for v in colour.density(seen))
    return scale, replace(placed, densities=densities, fields=fields, signature=signature(chart, chart_paper))


def place_again(densities: Triple, fields: Sequence[float], chart: Sequence[float]) -> float:
    """The place of a pad of these densities on a chart that `place` has read: its fields' places and its signature.

    Not held to the chart's ends.
    """
    curve = _smooth(fields, [_triple(chart, i) for i in range(len(fields))])
    return _nearest(curve, densities)[0]


def signature(chart: Sequence[tuple[float, Triple]], chart_paper: Triple) -> tuple[float, ...]:
    """Densities of a chart's fields by value, three each, from sRGB codes: what light and phone make of it.

    Empty where the paper is black: such a picture is refused by `place`, and tells of no light.
    """
    if not any(chart_paper):
        return ()
    return tuple(round(v, 4) for d in _densities(chart, chart_paper) for v in d)


def _densities(chart: Sequence[tuple[float, Triple]], paper: Triple) -> list[Triple]:
    light = colour.linear_rgb(paper)
    return [colour.density(colour.balanced(colour.linear_rgb(c), light)) for _, c in sorted(chart)]


def carried(pad: Triple, there: Sequence[float], here: Sequence[float]) -> Triple | None:
    """What a pad of a dye would have for densities in another picture: `there` it was seen, `here` is the other.

    Both are signatures of one chart, None where they are not.  By what each channel of the chart's ink stretched from
    one picture to the other the dye's channels are stretched, as far as one tells of the other (`CARRIED`); what the
    chart's fields all have in common, shade, is the pad's too.
    """
    n = len(there) // 3
    if len(there) != len(here) or n < 2:
        return None
    weights = [2.0, *([1.0] * (n - 2)), 0.5]
    levels = [sum((*_triple(there, i), *_triple(here, i))) / 6.0 for i in range(n)]
    middle = sum(w * v for w, v in zip(weights, levels, strict=True)) / sum(weights)
    lever = sum(w * (v - middle) ** 2 for w, v in zip(weights, levels, strict=True))
    if lever <= 0.0:
        return None
    stretch, shade = [], 0.0
    for k in range(3):
        off = [here[3 * i + k] - there[3 * i + k] for i in range(n)]
        s = sum(w * (v - middle) * o for w, v, o in zip(weights, levels, off, strict=True)) / lever
        shade += (sum(w * o for w, o in zip(weights, off, strict=True)) / sum(weights) - s * middle) / 3.0
        stretch.append(s)
    level = sum(pad) / 3.0
    r, g, b = (p + shade + level * _dot(row, _triple(stretch, 0)) for p, row in zip(pad, CARRIED, strict=True))
    return (r, g, b)


def apart(a: Sequence[float], b: Sequence[float]) -> float | None:
    """How unlike the light, or the phone, of two pictures of one chart was, by its fields' densities in each.

    Root mean square of what the channels of a field differ by among themselves: what all three have in common is
    shade on the paper, which changes from picture to picture.  None where the charts are not the same.
    """
    if len(a) != len(b) or not a:
        return None
    square = 0.0
    for i in range(0, len(a), 3):
        off = [a[i + k] - b[i + k] for k in range(3)]
        mean = sum(off) / 3.0
        square += sum((o - mean) ** 2 for o in off)
    return math.sqrt(square / len(a))


def _check_light(pad: Triple, paper: Triple, chart: Sequence[tuple[float, Triple]], chart_paper: Triple) -> None:
    spots = [pad, paper, chart_paper, *(c for _, c in chart)]
    if any(max(s) > BRIGHTEST for s in spots):
        raise UnreadableError("the light is clipped: parts of the picture are too bright to tell their colour")
    if any(min(s) < DARKEST for s in spots):
        raise UnreadableError("a colour is off the end of what the picture can hold, so its strength is not known")
    if min(max(paper), max(chart_paper)) < DIMMEST_PAPER:
        raise UnreadableError("the picture is too dark")
    ratios = [a / b for a, b in zip(colour.linear_rgb(paper), colour.linear_rgb(chart_paper), strict=True)]
    if not 1.0 / UNEVEN < sorted(ratios)[1] < UNEVEN:
        raise UnreadableError("strip and chart lie in unlike light: one is in shade")


def _curve(at: Sequence[float], densities: Sequence[Triple]) -> Curve:
    """The curve through the chart's fields.

    Raises:
        UnreadableError: fewer than two fields, two of one value, or fields whose colours are not in order.
    """
    if len(at) < 2:
        raise UnreadableError("a chart needs two fields at least")
    if any(b <= a for a, b in pairwise(at)):
        raise UnreadableError("the chart has two fields of one value")
    if max(math.dist(a, b) for a in densities for b in densities) < FAINTEST_CHART:
        raise UnreadableError("the chart's fields all look alike")
    for a, b, c in zip(densities, densities[1:], densities[2:], strict=False):
        # On a way that leads on, two steps take one further than either; a field in another's place turns back.
        if math.dist(a, c) < max(math.dist(a, b), math.dist(b, c)) - 0.024:
            raise UnreadableError("the chart's fields are not in order")
    return _smooth(at, densities)


def _smooth(at: Sequence[float], densities: Sequence[Triple]) -> Curve:
    """The curve near the fields, which print puts a little off: a straight line and what bends slowly along the scale.

    Kriging about a line of no known slope (Rasmussen and Williams 2006, section 2.7), taken at the fields themselves.
    """
    step = (at[-1] - at[0]) / (len(at) - 1)
    x = [(t - at[0]) / step for t in at]
    shared = [[_FREE * (1.0 + a * b) + BENT**2 * math.exp(-0.5 * ((a - b) / _BENDS) ** 2) for b in x] for a in x]
    known = [[v + (PRINT**2 if i == k else 0.0) for k, v in enumerate(row)] for i, row in enumerate(shared)]
    channels = [
        [kriging.estimate(known, [d[k] for d in densities], row, row[i])[0] for i, row in enumerate(shared)]
        for k in range(3)
    ]
    slopes = [_slopes(at, channel) for channel in channels]
    return Curve(tuple(at), tuple(zip(*channels, strict=True)), tuple(zip(*slopes, strict=True)))


def _slopes(x: Sequence[float], y: Sequence[float]) -> list[float]:
    """Slopes at the knots of a monotone cubic: the harmonic mean of the neighbours', 0 where the curve turns."""
    steps = [(y[i + 1] - y[i]) / (x[i + 1] - x[i]) for i in range(len(x) - 1)]
    inner = [2.0 * a * b / (a + b) if a * b > 0.0 else 0.0 for a, b in pairwise(steps)]
    return [steps[0], *inner, steps[-1]]


def _nearest(curve: Curve, aim: Triple) -> tuple[float, list[float]]:
    """The place at which the curve comes nearest to these densities, and the places that were tried for it."""
    trust = _trust(aim)
    first, last = curve.at[0], curve.at[-1]
    low = first - _PAST * (curve.at[1] - first)
    high = last + _PAST * (last - curve.at[-2])
    n = _STEPS * (len(curve.at) + 1)
    step = (high - low) / n

    def miss(t: float) -> float:
        off = _minus(curve.density(t), aim)
        return _dot(off, _times(trust, off))

    tried = [low + i * step for i in range(n + 1)]
    t = min(tried, key=miss)
    a, b = max(low, t - step), min(high, t + step)
    for _ in range(30):
        third = (b - a) / 3.0
        a, b = (a, b - third) if miss(a + third) < miss(b - third) else (a + third, b)
    return 0.5 * (a + b), tried


def _placed(curve: Curve, seen: Triple) -> Placed:
    aim = colour.density(seen)
    t, tried = _nearest(curve, aim)
    first, last, step = curve.at[0], curve.at[-1], tried[1] - tried[0]
    off = min(_off(curve.density(at), seen) for at in (t, *tried))
    if off > OFF_CURVE and not tried[1] < t < tried[-1] - step:
        off = _past(curve, aim, t)
    if off > OFF_CURVE:
        raise UnreadableError("the pad's colour is not on this chart: another strip, or another pad")
    sd, leverage = _unsure(curve, _trust(aim), t)
    if t > last + min(0.15 * (last - curve.at[-2]), 2.0 * sd):
        return Placed(place=last, sd=sd, beyond=">", off=off, leverage=leverage)
    # A pad paler than the first field has none of the substance, or next to none.
    return Placed(place=max(t, first), sd=sd, off=off, leverage=leverage)


def _trust(densities: Triple) -> tuple[Triple, Triple, Triple]:
    """How much a difference from these densities counts, by channels: the inverse of the covariance of what is off.

    That is a diagonal, a channel's own errors, and the shade that all share; its inverse is Sherman and Morrison's.
    """
    own = [1.0 / (SPOT**2 + PRINT**2 + (share * max(d, 0.0)) ** 2) for share, d in zip(UNLIKE, densities, strict=True)]
    shared = SHADE**2 / (1.0 + SHADE**2 * sum(own))
    r, g, b = (tuple((own[i] if i == k else 0.0) - shared * own[i] * own[k] for k in range(3)) for i in range(3))
    return ((r[0], r[1], r[2]), (g[0], g[1], g[2]), (b[0], b[1], b[2]))


def _unsure(curve: Curve, trust: tuple[Triple, Triple, Triple], t: float) -> tuple[float, float]:
    """How unsure a place is from the spots alone, and by how much it moves with a share of the density."""
    ahead, behind = curve.density(t + 0.05), curve.density(t - 0.05)
    slope = (10.0 * (ahead[0] - behind[0]), 10.0 * (ahead[1] - behind[1]), 10.0 * (ahead[2] - behind[2]))
    towards = _times(trust, slope)
    firm = max(_dot(slope, towards), 1e-3)
    move = (towards[0] / firm, towards[1] / firm, towards[2] / firm)
    sd = math.sqrt(SPOT**2 * _dot(move, move) + (SHADED * sum(move)) ** 2)
    return sd, abs(_dot(move, curve.density(t)))


def _times(rows: tuple[Triple, Triple, Triple], v: Triple) -> Triple:
    return (_dot(rows[0], v), _dot(rows[1], v), _dot(rows[2], v))


def _dot(a: Triple, b: Triple) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def _triple(of: Sequence[float], i: int) -> Triple:
    return (of[3 * i], of[3 * i + 1], of[3 * i + 2])


def _minus(a: Triple, b: Triple) -> Triple:
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


def _past(curve: Curve, aim: Triple, t: float) -> float:
    """How far off the way a colour is that lies past the end of the curve: at right angles to the way alone."""
    i = 0 if t < curve.at[1] else -1
    end, slope = curve.densities[i], curve.slopes[i]
    length = math.hypot(*slope)
    if length <= 0.0:
        return math.inf
    gone = [a - e for a, e in zip(aim, end, strict=True)]
    along = sum(g * s for g, s in zip(gone, slope, strict=True)) / length
    across = math.sqrt(max(0.0, sum(g * g for g in gone) - along * along))
    # A tenth in density is some 8 to 10 in ΔE at a pad's colours.
    return 90.0 * across


def _off(density: Triple, seen: Triple) -> float:
    on = colour.lab(colour.xyz((10.0 ** -density[0], 10.0 ** -density[1], 10.0 ** -density[2])))
    return colour.difference(on, colour.lab(colour.xyz(seen)))
