"""How a kit errs: learned from its checks against known solutions, for the eye and for pictures apart.

Owns the sizes of the errors and who shares them.  An error is reckoned on the kit's own scale (`stripscale.Scale`).
What pads read by eye share is the kit and the pack.  What pictures share is mostly the light and the phone, and how
alike two of those are is seen in the chart itself: its fields have the same densities in both pictures or they have
not.  A standard's pad of a dye is carried over into the other picture's light (`stripscale.carried`) and placed on the
chart as it is there, so that what is printed wrong is wrong for both alike; what cannot be carried over is wider there.

By how much strips of a pack differ is not known beforehand either: each of a few answers is tried, and weighs as much
as it makes the standards likely (Rasmussen and Williams 2006, section 5.2).

The sizes were chosen on rendered pictures (`tests/bench/bench_pictures.py`, tuning seeds) and made somewhat wider, as a
real chart may be printed worse than a rendered one; no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from rushlight.science.inference import kriging
from rushlight.science.optics import stripscale
from rushlight.tank.kits.reading import Seen
from rushlight.tank.kits.said import Said

EYE_KIT, EYE_PACK, EYE_BEND = 0.25, 0.15, 0.08
"""Error by eye that a kit has throughout, that a pack has, and that bends along the scale: standard deviations
(no source)."""
EYE_OFF = 0.12
"""How far strips of which no check is known are taken to be off for good, standard deviation as a share: in one study
they read 12 % high on average (Troyanos et al. 2009), in another low in four samples of five (Nielsen et al. 2008), so
neither sign is favoured."""
CHART, CHART_BEND, LIGHT, LIGHT_BEND = 0.04, 0.045, 0.03, 0.02
"""Error of a picture as a share of the pad's density: what the chart's print has in any light and what light and phone
add, each all along the scale and as it bends (chosen on rendered pictures, `tests/bench/bench_pictures.py`; no
source)."""
DYED = ("nitrate", "nitrite")
OF_INDICATORS = 1.6
"""What those sizes are chosen for, a dye that there is more or less of; an indicator that changes from one colour to
another is off by more (rendered pictures of pH and KH; no source)."""
SAME_LIGHT, LIGHT_LIKE = 0.004, 0.01
"""How far apart (`stripscale.apart`) one chart is in two pictures in one light, and by how much farther apart two
lights share little (rendered pictures; no source)."""
PACK = 0.05
"""Packs of one kit differ by this share (common practice, no source)."""
STRIP = 0.08
"""Strips of one pack differ by this share, one standard deviation (common practice, no source)."""
STRIPS = {0.03: 0.25, 0.06: 0.25, 0.09: 0.25, 0.12: 0.25}
"""By how much a pack's strips may differ, and how likely each is before its standards tell; their root mean square is
`STRIP` (own choice)."""
EYE_BEND_LENGTH, BEND_LENGTH = 1.0, 1.0
"""Distance on the scale, of which 1 is a factor of e, over which an error by eye and one by picture bend (own choice;
rendered pictures, no source)."""
SOLUTION = 0.025
"""A known solution is made so well in a kitchen (`science.solutions`; common practice, no source)."""
MOST_POINTS = 24
_WIDEST = 1.0


@dataclass(slots=True, kw_only=True)
class Point:
    """One standard of one check: what it held, and what was seen of it."""

    held: float
    """In the canonical unit."""
    label: str
    """The pack, as the keeper names it."""
    seen: Seen


@dataclass(frozen=True, slots=True)
class Error:
    """What is to be added to a place on the scale, and how unsure that is."""

    mean: float
    sd: float
    points: int
    strips: float = STRIP
    """By how much the pack's strips differ, one standard deviation as a share, as its standards tell."""


def said_of(seen: Seen, points: Sequence[tuple[Point, int]], pack: int) -> Said | None:
    """What a test says once its kit is known as it is: None where its picture was not believed and nothing else read.

    `points` are the checks of this kit, substance and way of reading, each with the number of its pack.
    """
    if seen.unread:
        return None
    error = error_of(seen, points, pack)
    said = Said(
        substance=seen.substance,
        by=seen.by,
        low=seen.low,
        high=seen.high,
        share=seen.share,
        floor=seen.floor,
        off=min(EYE_OFF, error.sd) if seen.by == "pads" else 0.0,
        dilution=seen.dilution,
        source=seen.source,
        why=seen.why,
    )
    if seen.by == "picture":
        return _by_picture(seen, said, error)
    return said if not error.points else _by_eye(seen, said, error)


def _by_picture(seen: Seen, said: Said, error: Error) -> Said:
    scale = seen.scale
    value = scale.back(scale.to(seen.low) + error.mean)
    sd = min(_WIDEST, math.sqrt(error.sd**2 + seen.noise**2 + _strip(seen, value, error.strips) ** 2))
    if scale.shift is None:  # a pH: the same error everywhere
        return replace(said, low=value, high=value if seen.high is not None else None, share=0.0, floor=sd)
    high = value if seen.high is not None else None
    return replace(said, low=value, high=high, share=sd, floor=sd * scale.shift, shift=scale.shift)


def _by_eye(seen: Seen, said: Said, error: Error) -> Said:
    """The span where it would have been, had the kit read right; what is still unsure of that is added to its error."""
    scale = seen.scale
    low = scale.back(scale.to(seen.low) + error.mean) if seen.low > 0.0 or scale.shift is None else 0.0
    high = None if seen.high is None else scale.back(scale.to(seen.high) + error.mean)
    if scale.shift is None:
        return replace(said, low=low, high=high, floor=math.hypot(said.floor, error.sd))
    return replace(said, low=low, high=high, share=said.share)


def _strip(seen: Seen, value: float, strips: float) -> float:
    """How far strips differ among themselves, on the scale; of a pH as much as of a level half-way up."""
    return 0.5 * strips if seen.shift is None else strips * value / (value + seen.shift)


def error_of(seen: Seen, points: Sequence[tuple[Point, int]], pack: int) -> Error:
    """The kit's error at the place of `seen`, from its checks; without any, 0 and as wide as kits are."""
    own = _shared(seen, pack, seen, pack)
    used = [p for p in points if p[0].seen.by == seen.by and not p[0].seen.unread][-MOST_POINTS:]
    if not used:
        return Error(0.0, math.sqrt(own), 0)
    shared = [[_shared(a.seen, i, b.seen, k) for b, k in used] for a, i in used]
    off = [p.seen.scale.to(p.held) - _place_beside(seen, p.seen) for p, _ in used]
    to = [_shared(p.seen, i, seen, pack) for p, i in used]
    found = []
    for strips, before in STRIPS.items() if seen.by == "picture" else [(STRIP, 1.0)]:
        known = [
            [v + (_noise(p, strips) ** 2 if i == k else 0.0) for k, v in enumerate(row)]
            for i, (row, (p, _)) in enumerate(zip(shared, used, strict=True))
        ]
        weight = math.log(before) + kriging.log_evidence(known, off)
        found.append((weight, strips, *kriging.estimate(known, off, to, own)))
    return _weighed(found, len(used))


def _weighed(found: Sequence[tuple[float, float, float, float]], points: int) -> Error:
    """One error of several: each is its log weight, how far strips differ, and its mean and standard deviation."""
    most = max(f[0] for f in found)
    weights = [math.exp(f[0] - most) for f in found]
    total = sum(weights)
    shares = [w / total for w in weights]
    mean = sum(s * f[2] for s, f in zip(shares, found, strict=True))
    variance = sum(s * (f[3] ** 2 + (f[2] - mean) ** 2) for s, f in zip(shares, found, strict=True))
    strips = sum(s * f[1] ** 2 for s, f in zip(shares, found, strict=True))
    return Error(mean, math.sqrt(variance), points, math.sqrt(strips))


def _place_beside(seen: Seen, standard: Seen) -> float:
    """A standard's place, by picture and of a dye as it would be in the picture of `seen`, on the chart as it is there.

    So what is off with the chart is off for both alike, and what another light does to its inks is not taken for what
    it does to the dye.
    """
    if standard.by == "picture" and seen.substance in DYED and standard.fields == seen.fields and standard.densities:
        r, g, b = standard.densities
        pad = stripscale.carried((r, g, b), standard.signature, seen.signature)
        if pad is not None:
            return stripscale.place_again(pad, seen.fields, seen.signature)
    return place_of(standard)


def place_of(seen: Seen) -> float:
    """The middle of what was seen, on the scale; of a span open above, a little over its end."""
    scale = seen.scale
    low = scale.to(seen.low)
    return low + 0.25 if seen.high is None else 0.5 * (low + scale.to(seen.high))


def _noise(point: Point, strips: float) -> float:
    """How unsure one standard's error is: the reading's own error, the width of its span, and the solution's."""
    seen = point.seen
    solution = SOLUTION if seen.shift is None else SOLUTION * point.held / (point.held + seen.shift)
    if seen.by == "picture":
        return math.sqrt(
            seen.noise**2 + _strip(seen, point.held, strips) ** 2 + solution**2 + (0.4 if seen.high is None else 0.0)
        )
    scale = seen.scale
    width = 0.8 if seen.high is None else scale.to(seen.high) - scale.to(seen.low)
    own = (
        seen.floor
        if seen.shift is None
        else math.hypot(seen.share * point.held, seen.floor) / (point.held + seen.shift)
    )
    return math.sqrt(own**2 + width**2 / 12.0 + solution**2)


def _shared(a: Seen, pack_a: int, b: Seen, pack_b: int) -> float:
    """Covariance of two readings' errors on the scale."""
    apart = place_of(a) - place_of(b)
    same = 1.0 if pack_a == pack_b else 0.0
    if a.by != "picture":
        bend = math.exp(-0.5 * (apart / EYE_BEND_LENGTH) ** 2)
        return EYE_KIT**2 + EYE_PACK**2 * same + EYE_BEND**2 * bend
    bend = math.exp(-0.5 * (apart / BEND_LENGTH) ** 2)
    share = CHART**2 + CHART_BEND**2 * bend + (LIGHT**2 + LIGHT_BEND**2 * bend) * _alike(a, b)
    more = 1.0 if a.substance in DYED else OF_INDICATORS**2
    return a.leverage * b.leverage * more * share + PACK**2 * same


def _alike(a: Seen, b: Seen) -> float:
    """How alike light and phone were, 0 to 1, by the chart's densities in the two pictures."""
    apart = stripscale.apart(a.signature, b.signature)
    if apart is None or (a.device and b.device and a.device != b.device):
        return 0.0
    return math.exp(-max(0.0, apart - SAME_LIGHT) / LIGHT_LIKE)
