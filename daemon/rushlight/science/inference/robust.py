"""Middles and spreads that a few wrong values do not move.  Pure functions of lists; none of them sorts in place.

Sources: Huber 1964 (Annals of Mathematical Statistics 35:73-101) for the location; the factor 1.4826 makes the
median absolute deviation of normal noise its standard deviation; Newey & Powell 1987 (Econometrica 55:819-847) for
expectiles.
"""

from __future__ import annotations

from collections.abc import Sequence

MAD_TO_SD = 1.4826


def median(values: Sequence[float]) -> float:
    """The middle value; the mean of the middle two when their number is even.

    Raises:
        ValueError: no values.
    """
    if not values:
        raise ValueError("the median of nothing is not defined")
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else 0.5 * (ordered[half - 1] + ordered[half])


def spread(values: Sequence[float], middle: float | None = None) -> float:
    """Standard deviation by the median absolute deviation from `middle` (the median unless given)."""
    centre = median(values) if middle is None else middle
    return MAD_TO_SD * median([abs(v - centre) for v in values])


def weighted_location(values: Sequence[float], sds: Sequence[float], clip_sd: float = 2.0) -> tuple[float, float]:
    """Huber's location of values with known standard deviations, and its standard error.

    Each value weighs 1/sd², less when it lies more than `clip_sd` of its own standard deviations away.  The error
    is widened when the values scatter more than their standard deviations say.

    Raises:
        ValueError: no values.
    """
    centre = median(values)
    weights = [1.0 / (s * s) for s in sds]
    total, chi2 = 1.0, 0.0
    for _ in range(20):
        shares = [
            w * min(1.0, clip_sd * s / max(abs(v - centre), 1e-12))
            for v, s, w in zip(values, sds, weights, strict=True)
        ]
        total = sum(shares)
        new = sum(w * v for w, v in zip(shares, values, strict=True)) / total
        if abs(new - centre) <= 1e-9 * max(1.0, abs(new)):
            centre = new
            break
        centre = new
    if len(values) > 1:
        off = [min(clip_sd, abs(v - centre) / s) for v, s in zip(values, sds, strict=True)]
        chi2 = sum(o * o for o in off) / (len(values) - 1)
    return centre, (max(1.0, chi2) / total) ** 0.5
