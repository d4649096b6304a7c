"""Colour from a phone's numbers: sRGB to linear light, to XYZ, to CIELAB, and optical density.

Owns the equations; knows nothing of strips.  Sources: sRGB is IEC 61966-2-1:1999; CIELAB is CIE 15 (2018), section 8,
with its white the D65 of sRGB.  Colours are triples; sRGB codes run from 0 to 255, linear light and XYZ from 0 to 1.
"""

from __future__ import annotations

import math

Triple = tuple[float, float, float]

_TO_XYZ = (
    (0.4124, 0.3576, 0.1805),
    (0.2126, 0.7152, 0.0722),
    (0.0193, 0.1192, 0.9505),
)
"""Linear sRGB to XYZ, IEC 61966-2-1, as printed there to four places."""
WHITE: Triple = (0.9505, 1.0, 1.0890)
"""XYZ of (1, 1, 1) by that matrix: D65 to its four places."""
_EPSILON, _KAPPA = (6.0 / 29.0) ** 3, (29.0 / 6.0) ** 2 / 3.0
VIVID = 2.5
"""How many times more vivid sRGB is than what a phone's sensor sees: some 2 for one camera whose sensitivities were
measured, more for another; with 2, 2.5 and 3.5 rendered pictures are read alike (no source)."""
_DARKEST = 1e-4
"""Reflectance below which a density is no longer told from black (own choice)."""


def linear(code: float) -> float:
    """Linear light of one sRGB channel, 0 to 255; what lies past the ends is mirrored, as in an extended sRGB."""
    v = abs(code) / 255.0
    light = v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4
    return math.copysign(light, code)


def encoded(light: float) -> float:
    """One sRGB channel, 0 to 255 with decimals, of linear light: the inverse of `linear`."""
    v = abs(light)
    code = 12.92 * v if v <= 0.0031308 else 1.055 * v ** (1.0 / 2.4) - 0.055
    return math.copysign(255.0 * code, light)


def linear_rgb(codes: Triple) -> Triple:
    """Linear light of three sRGB channels."""
    return (linear(codes[0]), linear(codes[1]), linear(codes[2]))


def xyz(light: Triple) -> Triple:
    """CIE XYZ, Y of white 1, of linear sRGB."""
    x, y, z = (sum(m * v for m, v in zip(row, light, strict=True)) for row in _TO_XYZ)
    return (x, y, z)


def lab(at: Triple, white: Triple = WHITE) -> Triple:
    """CIELAB of an XYZ colour against a white in the same scale, CIE 15."""
    fx, fy, fz = (_cube_root(v / w) for v, w in zip(at, white, strict=True))
    return (116.0 * fy - 16.0, 500.0 * (fx - fy), 200.0 * (fy - fz))


def _cube_root(ratio: float) -> float:
    return math.cbrt(ratio) if ratio > _EPSILON else _KAPPA * ratio + 4.0 / 29.0


def difference(a: Triple, b: Triple) -> float:
    """The CIELAB difference of 1976, ΔE*ab: the distance between two colours."""
    return math.dist(a, b)


def reflectance(spot: Triple, paper: Triple) -> Triple:
    """A spot's linear light by that of the bare paper beside it, channel by channel: von Kries in linear light.

    Light, shading and exposure are the same for both and drop out.

    Raises:
        ValueError: the paper is black.
    """
    if min(paper) <= 0.0:
        raise ValueError("the paper has no light")
    r, g, b = (s / p for s, p in zip(spot, paper, strict=True))
    return (r, g, b)


def balanced(spot: Triple, paper: Triple) -> Triple:
    """A spot by the bare paper beside it, as `reflectance` has it, but divided where the phone balanced white.

    A phone balances white on its sensor's dull channels and makes the colours vivid afterwards.  So where its balance
    was off, which the paper's own colour shows, dividing the vivid channels leaves a pad's other two in each of them.
    Light and paper are made dull again, divided, and made vivid.  The same as `reflectance` where the paper is grey.

    Raises:
        ValueError: the paper is black.
    """
    dull = reflectance(_vivid(spot, 1.0 / VIVID), _vivid(paper, 1.0 / VIVID))
    return _vivid(dull, VIVID)


def _vivid(light: Triple, by: float) -> Triple:
    """Every channel's distance from the mean of the three, times `by`."""
    mean = sum(light) / 3.0
    r, g, b = (mean + by * (v - mean) for v in light)
    return (r, g, b)


def density(ratios: Triple) -> Triple:
    """Optical density of reflectances, −log₁₀; what is darker than 1 in 10,000 counts as that."""
    r, g, b = (-math.log10(max(v, _DARKEST)) for v in ratios)
    return (r, g, b)
