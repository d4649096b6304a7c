"""Integrals over time with gaps accounted for.

Owns the rule: between two good readings no further apart than the longest gap, the value runs in a straight line;
across anything longer there is no dose and no coverage.  A clock that jumps forward leaves a gap, one that jumps back
leaves nothing.  Cutting an interval in two at a point on the line changes neither integral nor coverage.
"""

from __future__ import annotations


def trapezoid(value_0: float, value_1: float, dt_s: float) -> float:
    """Integral of a straight line over `dt_s` seconds, in the values' unit times seconds."""
    return 0.5 * (value_0 + value_1) * dt_s


def overlap_s(from_s: float, to_s: float, start_s: float, end_s: float) -> float:
    """Seconds that two stretches of time have in common."""
    return max(0.0, min(to_s, end_s) - max(from_s, start_s))


def longest_gap_s(every_s: float) -> float:
    """The longest time between two readings that still counts as covered: three intervals, at least ten minutes."""
    return max(3.0 * every_s, 600.0)
