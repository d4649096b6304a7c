"""Light that is weaker than the lamp alone should be: one-sided evidence between the switchings.

Owns the search for ten minutes in which a lamp that is on gives less than its own level.  Daylight, room
lights and clouds only add to a lamp, so light that stays below it says that the lamp gives less, or that something
stands between lamp and probe; how restless the daylight is does not matter.  Light above the level says nothing.

Never decides anything.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence

SHARE, OUT = 0.95, 0.5
"""A lamp whose light stays below the first share of its anchor gives less than it did; below the second it is out or
covered, which others tell (own choice: the first is three errors of a good anchor away)."""
STAYS_S = 600.0
"""How long it must stay: three readings of a probe read every five minutes (own choice)."""
BESIDE_S = 10 * 60.0
"""How far from a switching the lamp is surely on (own choice)."""
HOLE_S = 20 * 60.0  # own choice


def stays_below(
    spans: Sequence[tuple[float, float, float]],
    times: Sequence[float],
    values: Sequence[float],
    from_s: float,
    ramp_s: float = 0.0,
) -> float | None:
    """The first time after `from_s` by which the light had stayed beneath the lamp's own; None: never.

    Every reading of the stretch is below the level, and their mean below `SHARE` of it.  `spans` are the stretches
    (from, to, level) in which the lamp is on; `ramp_s` is how long it takes to come on or go off.
    """
    run: list[tuple[float, float]] = []
    for i in range(bisect_left(times, from_s), len(times)):
        level = _level(spans, times[i], BESIDE_S + 0.5 * ramp_s)
        beneath = level is not None and OUT * level <= values[i] < level
        if not beneath or (run and times[i] - run[-1][0] > HOLE_S):
            run = []
        if level is not None and beneath:
            run.append((times[i], values[i] / level))
            last = [share for at_s, share in run if times[i] - at_s <= STAYS_S + 1.0]
            if times[i] - run[0][0] >= STAYS_S - 1.0 and sum(last) < SHARE * len(last):
                return times[i]
    return None


def _level(spans: Sequence[tuple[float, float, float]], at_s: float, beside_s: float) -> float | None:
    """What all lamps that are surely on give together; None beside a switching and while none is on."""
    if any(abs(at_s - end) < beside_s for a, b, _ in spans for end in (a, b)):
        return None
    levels = [level for a, b, level in spans if a <= at_s <= b]
    return sum(levels) if levels else None
