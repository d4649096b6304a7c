"""Relative growth: rates from sizes, their errors, and what cover says of leaf area.

Owns the formulae alone.  A rate is the slope of the natural logarithm of a size over time, here per week, so that
plants of any size compare (Hunt 1978, *Plant Growth Analysis*; the errors are those of ordinary regression).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

# Student's t at 95 %, one-sided, by degrees of freedom; any table has them, checked against scipy in the tests.
_T95 = (6.3138, 2.9200, 2.3534, 2.1318, 2.0150, 1.9432, 1.8946, 1.8595, 1.8331, 1.8125, 1.7959, 1.7823, 1.7709)
_Z95 = 1.6448536269514722


@dataclass(frozen=True, slots=True)
class Rate:
    """A relative rate, its standard error and the degrees of freedom of that."""

    mean: float
    error: float
    freedom: int

    def interval(self) -> tuple[float, float]:
        """The central 90 % interval, by Student's t."""
        half = t95(self.freedom) * self.error
        return self.mean - half, self.mean + half


def t95(freedom: int) -> float:
    """The 95 % point of Student's t; beyond the table by the first terms of its expansion about the normal one.

    Raises:
        ValueError: less than one degree of freedom.
    """
    if freedom < 1:
        raise ValueError("an error needs at least one degree of freedom")
    if freedom <= len(_T95):
        return _T95[freedom - 1]
    z, n = _Z95, float(freedom)
    return z + (z**3 + z) / (4.0 * n) + (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * n * n)


def relative_rate(before: float, after: float, weeks: float, taken: float = 0.0) -> float:
    """ln(W2 / (W1 − h)) / Δt: growth per week from two sizes, with `taken` cut off after the first.

    Raises:
        ValueError: a size, what is left of it or the time is not above 0.
    """
    if before - taken <= 0.0 or after <= 0.0 or weeks <= 0.0:
        raise ValueError("sizes, what a harvest leaves, and the time between must be above 0")
    return math.log(after / (before - taken)) / weeks


def paired(before: Sequence[float], after: Sequence[float], weeks: float) -> Rate:
    """Mean rate of the same plants measured twice: the mean of the logarithms, not the logarithm of the means.

    Source: Hoffmann & Poorter 2002 (Ann. Bot. 90:37-42).

    Raises:
        ValueError: fewer than two plants, or what `relative_rate` raises.
    """
    rates = [relative_rate(a, b, weeks) for a, b in zip(before, after, strict=True)]
    if len(rates) < 2:
        raise ValueError("an error needs two plants at least")
    return Rate(fmean(rates), stdev(rates) / math.sqrt(len(rates)), len(rates) - 1)


def regression(weeks: Sequence[float], sizes: Sequence[float]) -> Rate:
    """Slope of ln(size) on time by least squares, and its standard error.

    Raises:
        ValueError: fewer than three readings, all at one time, or a size not above 0.
    """
    n = len(weeks)
    if n < 3 or min(sizes) <= 0.0:
        raise ValueError("a slope with an error needs three sizes above 0")
    logs = [math.log(w) for w in sizes]
    middle, level = fmean(weeks), fmean(logs)
    spread = sum((t - middle) ** 2 for t in weeks)
    if spread <= 0.0:
        raise ValueError("all readings were made at one time")
    slope = sum((t - middle) * (y - level) for t, y in zip(weeks, logs, strict=True)) / spread
    rest = sum((y - level - slope * (t - middle)) ** 2 for t, y in zip(weeks, logs, strict=True))
    return Rate(slope, math.sqrt(rest / (n - 2) / spread), n - 2)


def slope_error(share: float, n: int, apart_weeks: float) -> float:
    """Standard error of a rate from `n` evenly spaced sizes, each known to `share` of itself, per week.

    Raises:
        ValueError: fewer than two sizes.
    """
    if n < 2:
        raise ValueError("a slope needs two sizes")
    return share * math.sqrt(12.0 / (n * (n * n - 1))) / apart_weeks


EXTINCTION = 0.5
"""How fast light is lost through leaves, per leaf area over ground: canopies lie at 0.3 to 0.8 (textbooks)."""


def cover_of(leaf_area: float, extinction: float = EXTINCTION) -> float:
    """The share of a view that is leaf, 1 − exp(−k LAI): leaves lie at random (Monsi & Saeki 1953)."""
    return -math.expm1(-extinction * leaf_area)


def leaf_area_of(cover: float, extinction: float = EXTINCTION) -> float:
    """Leaf area over ground that shows this cover, −ln(1 − c) / k.

    Raises:
        ValueError: the cover is not from 0 to below 1: nobody knows what lies behind a full view.
    """
    if not 0.0 <= cover < 1.0:
        raise ValueError("cover lies from 0 to below 1")
    return -math.log1p(-cover) / extinction


def cover_elasticity(leaf_area: float, extinction: float = EXTINCTION) -> float:
    """By how many percent cover grows when leaf area grows by one: k L exp(−k L) / (1 − exp(−k L)); 1 for no leaves."""
    depth = extinction * leaf_area
    return depth / math.expm1(depth) if depth > 0.0 else 1.0
