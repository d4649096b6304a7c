"""Which two pictures are put beside each other: the newest, and the one nearest to so long before it."""

from __future__ import annotations

from collections.abc import Sequence


def then_and_now(times_s: Sequence[float], span_s: float) -> tuple[int | None, int] | None:
    """Indices into the pictures' times, oldest first: then (None where there is no other) and now; None for none."""
    if not times_s:
        return None
    now = len(times_s) - 1
    wanted_s = times_s[now] - span_s
    then = min(range(now), key=lambda n: abs(times_s[n] - wanted_s), default=None)
    return then, now
