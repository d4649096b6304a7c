"""What is known of a kit, for people: by how much it reads high or low, and when to check it again.

Owns the sentences; the figures come from `errors`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from rushlight.settings import Substance
from rushlight.tank.kits import errors
from rushlight.tank.kits.errors import Point
from rushlight.tank.kits.said import By

_SURE = 1.645
"""Standard deviations to either side that hold 90 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """One kit, one substance, one way of reading, as its checks show it in the pack that is open."""

    kit: str
    substance: Substance
    by: By
    at: float
    """The level to which the figures belong, in the canonical unit: the standards' middle."""
    reads: float
    """What it shows there, as a share too much; −0.2 is a fifth too low.  For a pH, too much in pH."""
    low: float
    high: float
    """The same, central 90 % interval."""
    spread: float | None
    """How far single readings lie from that, one standard deviation as a share; None with fewer than three."""
    solutions: int
    checked_at_s: float

    @property
    def sentence(self) -> str:
        """In words, with its figure."""
        seen = "by picture" if self.by == "picture" else "by eye"
        name = "pH" if self.substance == "ph" else self.substance
        solutions = f"{self.solutions} known solution{'' if self.solutions == 1 else 's'}"
        head = f"Kit {self.kit}, {name} {seen}"
        if self.low <= 0.0 <= self.high:
            return f"{head}: reads right as far as {solutions} can tell ({self._range()})."
        if self.substance == "ph":
            how_far = f"{abs(self.reads):.1f} too {self._way()}"
            return f"{head}: reads {how_far} by {solutions} ({self._range()}); corrected for."
        return (
            f"{head}: reads {100 * abs(self.reads):.0f} % {self._way()} by {solutions} ({self._range()}): "
            f"{self.at:.3g} shows as {self.at * (1.0 + self.reads):.2g}; corrected for."
        )

    def _way(self) -> str:
        return "high" if self.reads > 0.0 else "low"

    def _range(self) -> str:
        if self.substance == "ph":
            return f"{self.low:+.1f} to {self.high:+.1f}"
        return f"{100 * self.low:+.0f} to {100 * self.high:+.0f} %"


def known_of(points: Sequence[tuple[Point, int]], pack: int) -> Known | None:
    """What the checks of one kit, substance and way of reading show; None without any."""
    used = [p for p, _ in points if not p.seen.unread]
    if not used:
        return None
    last = used[-1].seen
    scale = last.scale
    middle = scale.back(sum(scale.to(p.held) for p in used) / len(used))
    there = replace(last, low=middle, high=middle)
    error = errors.error_of(there, points, pack)
    low, reads, high = (
        _shown(middle, scale.back(scale.to(middle) - error.mean - k * error.sd), ph=scale.shift is None)
        for k in (_SURE, 0.0, -_SURE)
    )
    return Known(
        kit=last.kit,
        substance=last.substance,
        by=last.by,
        at=middle,
        reads=reads,
        low=low,
        high=high,
        spread=_spread(used),
        solutions=len(used),
        checked_at_s=last.at_s,
    )


def _shown(held: float, read: float, *, ph: bool) -> float:
    return read - held if ph else read / held - 1.0


def _spread(points: Sequence[Point]) -> float | None:
    """Standard deviation of single readings about their own mean, on the scale of the kit."""
    if len(points) < 3:
        return None
    off = [p.seen.scale.to(p.held) - errors.place_of(p.seen) for p in points]
    mean = sum(off) / len(off)
    return math.sqrt(sum((o - mean) ** 2 for o in off) / (len(off) - 1))
