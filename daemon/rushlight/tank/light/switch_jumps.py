"""How much the light jumps when a lamp is switched: found and measured in a stretch of readings.

Owns the estimate of one jump and of its error.  The lamp's own output is what the light rises by at lamp-on and drops
by at lamp-off: daylight, season and room lights that do not change at that moment fall out of the difference.  What
remains is daylight's change across the switching itself.  How large that may be is measured, not assumed: the same
difference is taken at every place nearby where no lamp was switched, its mean is the trend to take off and its
scatter the error to expect.  Averages over short and long stretches are tried this way and the quietest is kept.

Never knows of dates, schedules or lamps; all values are in the probe's unit, times in seconds.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

from rushlight.science.inference.robust import median

SPAN_S = 75 * 60.0
"""How far to either side of a switching the light is looked at (own choice)."""
REACH_S = 600.0
"""How far to either side a switching is looked for by its averages (own choice)."""
AVERAGE_S = 10 * 60.0
"""The longest average on either side: longer ones take in twilight's curve and people's room lights (own choice)."""
BRIDGE_S = 20 * 60.0
"""A hole wider than this beside a switching leaves it unmeasured (own choice)."""
PROBE_NOISE = 0.003
"""Smallest error to expect, as a share of the reading (own choice)."""
CHOSEN_QUIETEST = 1.2
"""The quietest of several averages looks quieter than it is; its error is widened by this (own choice)."""
_BLOCKS = (1, 2, 3, 4, 6, 8, 12, 16, 20)  # own choice
USUAL_PACE_S = 900.0
"""Up to a reading every so often the lengths above hold; a slower probe, as battery-powered ones are, has them longer
in proportion."""


def stretched(pace_s: float) -> float:
    """By how much longer than usual is looked around a switching where a reading comes every `pace_s`."""
    return max(1.0, pace_s / USUAL_PACE_S)


@dataclass(frozen=True, slots=True)
class Edge:
    """One switching: when, how far the light jumped (falls are negative), the error of that, how long it took."""

    at_s: float
    jump: float
    sd: float
    width_s: float = 0.0


def rise(times: Sequence[float], values: Sequence[float], i: int, width_s: float = 0.0) -> float:
    """Mean of the ten minutes (or the ramp's length) after place `i` minus the mean of those before.

    The jump, or the middle of the ramp, lies between i and i+1.
    """
    left, right = _beside(times, i, reach_s(width_s))
    return sum(values[i + 1 : right]) / (right - i - 1) - sum(values[left : i + 1]) / (i + 1 - left)


def reach_s(width_s: float) -> float:
    """How far to either side a switching that takes `width_s` is looked for: across all of its ramp."""
    return max(REACH_S, width_s)


def seen_share(width_s: float) -> float:
    """The share of a lamp's level that `rise` sees in the middle of a straight ramp, over `reach_s` on either side."""
    return 1.0 - width_s / (4.0 * reach_s(width_s))


def _beside(times: Sequence[float], i: int, reach_s: float) -> tuple[int, int]:
    left = bisect_left(times, times[i] - reach_s + 1.0)
    right = bisect_right(times, times[i + 1] + reach_s - 1.0)
    return min(left, i), max(right, i + 2)


def locate(
    times: Sequence[float], values: Sequence[float], from_s: float, to_s: float, sign: int, width_s: float = 0.0
) -> tuple[int, float] | None:
    """The place of the largest rise (`sign` 1) or fall (-1) between two times, and its size; None without readings.

    `width_s` is how long the lamp takes to come on, 0 for a plain switch.
    """
    first, last = bisect_left(times, from_s) - 1, bisect_right(times, to_s)
    best: tuple[int, float] | None = None
    for i in range(max(first, 0), min(last, len(times) - 1)):
        size = sign * rise(times, values, i, width_s)
        if best is None or size > best[1]:
            best = i, size
    if best is None or width_s > 0.0:
        return best
    return steepest(times, values, best[0], sign, size=best[1])


def steepest(times: Sequence[float], values: Sequence[float], i: int, sign: int, size: float) -> tuple[int, float]:
    """Averages blur the place by one; the largest single difference beside `i` is where it happened."""
    around = [j for j in (i - 1, i, i + 1) if 0 <= j < len(times) - 1]
    j = max(around, key=lambda k: sign * (values[k + 1] - values[k]))
    return j, size


def scatter(times: Sequence[float], values: Sequence[float], at_s: float, stretch: float = 1.0) -> float:
    """Typical size of ten-minute rises and falls near a time, on its restless side: what a jump must stand out from.

    The quarter of an hour at either side is left out, where the jump itself would count.
    """
    typical, near_s, far_s = 0.0, 900.0 * stretch, SPAN_S * stretch
    for from_s, to_s in ((at_s - far_s, at_s - near_s), (at_s + near_s, at_s + far_s)):
        first, last = bisect_left(times, from_s), min(bisect_right(times, to_s), len(times)) - 1
        sizes = [abs(rise(times, values, i)) for i in range(first, last)]
        typical = max(typical, median(sizes) if sizes else 0.0)
    return typical


def ramp_width_s(times: Sequence[float], values: Sequence[float], i: int, jump: float) -> float:
    """How long the light took to go from one level to the other around place `i`: 0 for a plain switch."""
    lo = hi = i
    part = 0.06 * jump
    while lo > 0 and (values[lo] - values[lo - 1]) * _sign(jump) > abs(part) and times[i] - times[lo - 1] < 2700.0:
        lo -= 1
    while (
        hi + 2 < len(times)
        and (values[hi + 2] - values[hi + 1]) * _sign(jump) > abs(part)
        and times[hi + 2] - times[i] < 2700.0
    ):
        hi += 1
    return times[hi + 1] - times[lo] if hi > lo else 0.0


def _sign(x: float) -> float:
    return 1.0 if x >= 0 else -1.0


def measure(
    times: Sequence[float],
    values: Sequence[float],
    i: int,
    *,
    width_s: float = 0.0,
    from_s: float = float("-inf"),
    to_s: float = float("inf"),
    stretch: float = 1.0,
) -> Edge | None:
    """The jump between readings i and i+1 and its error; None where too little was read beside it.

    `stretch` is by how much longer than usual is looked (`stretched`).
    `width_s` leaves out that long a stretch around the switching (a lamp that ramps up).  Readings before `from_s`
    and after `to_s` are not used (another lamp is switched there).
    """
    at_s = 0.5 * (times[i] + times[i + 1])
    left, right = i, i + 1
    if width_s > 0.0:
        left = bisect_right(times, at_s - 0.5 * width_s) - 1
        right = bisect_left(times, at_s + 0.5 * width_s)
        if left < 0 or right >= len(times):
            return None
    hole_s = times[right] - times[left]
    bridge_s, span_s = BRIDGE_S * stretch, SPAN_S * stretch
    if hole_s > bridge_s + width_s:
        return None
    before = _run(times, values, left, -1, max(from_s, at_s - span_s), bridge_s)
    after = _run(times, values, right, 1, min(to_s, at_s + span_s), bridge_s)
    if len(before) < 4 or len(after) < 4:
        return None
    step_s = (times[right + len(after) - 1] - times[left - len(before) + 1] - hole_s) / (len(before) + len(after) - 2)
    best = _quietest(before, after, step_s, hole_s)
    if best is None:
        return None
    jump, variance = best
    floor = PROBE_NOISE * max(before[-1], after[0])
    return Edge(at_s, jump, (CHOSEN_QUIETEST**2 * variance + floor * floor) ** 0.5, width_s)


def _run(
    times: Sequence[float], values: Sequence[float], start: int, way: int, limit_s: float, bridge_s: float
) -> list[float]:
    """Readings from `start` outward to `limit_s` or the first hole, in the order of time."""
    i = start
    while 0 <= i + way < len(times) and (limit_s - times[i + way]) * way >= 0.0:
        if abs(times[i + way] - times[i]) > bridge_s:
            break
        i += way
    return list(values[start : i + 1]) if way > 0 else list(values[i : start + 1])


def _quietest(before: list[float], after: list[float], step_s: float, hole_s: float) -> tuple[float, float] | None:
    """Jump and variance by the average length whose differences scatter least where nothing was switched."""
    sums = [list(accumulate(side, initial=0.0)) for side in (before, after)]
    shortest, longest = sorted((len(before), len(after)))
    best: tuple[float, float] | None = None
    for n in _BLOCKS:
        if n > shortest or 2 * n + 1 > longest or (n > 2 and n * step_s > AVERAGE_S):
            break
        calm = [
            (s[j + 2 * n] - 2.0 * s[j + n] + s[j]) / n  # the later block's mean minus the earlier one's
            for s in sums
            for j in range(len(s) - 2 * n)
        ]
        independent = max(1.0, len(calm) / n)
        trend = sum(calm) / len(calm)
        variance = sum((c - trend) ** 2 for c in calm) / len(calm) * (1.0 + 2.0 / independent)
        stretch = (hole_s - step_s) / step_s
        trend *= 1.0 + stretch / n
        variance *= (1.0 + 1.0 / independent) * (1.0 + 0.5 * max(0.0, stretch))
        if best is None or variance < best[1]:
            b, a = sums
            best = a[n] / n - (b[-1] - b[-1 - n]) / n - trend, variance
    return best
