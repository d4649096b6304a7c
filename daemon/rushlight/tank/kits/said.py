"""What one test alone says of one substance: a likelihood over what the water may hold, and its summary.

Owns the shape of that evidence.  The seam to whoever believes it is `Said.likelihood`: P(what was read | the tank holds
c), c in the canonical unit; a filter needs nothing else, and nothing else here knows of a filter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rushlight.effects import Estimate
from rushlight.science.chemistry import solutions
from rushlight.science.inference.interval import Eye, Likelihood, Span, blurred, eye_at, shifted_log
from rushlight.settings import Substance

By = Literal["pads", "number", "picture"]
POURING = 0.03
"""Cups are filled by eye: the share by which a thinning is off, one standard deviation (common practice, no source)."""
_STEPS = 400
_TAIL = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What was read of the sample, in the canonical unit, with its error, and how the sample was thinned."""

    substance: Substance
    by: By
    low: float
    high: float | None
    """A span's ends; None is open above, equal ends are a point."""
    share: float
    floor: float
    """The error's standard deviation is √((share · c)² + floor²), or for a picture share · (c + `shift`)."""
    shift: float | None = None
    """A picture's scale is the logarithm of the value plus this; None: the error is as the eye's."""
    dilution: float = 1.0
    source: float = 0.0
    why: str = ""
    """Why a picture of the same strip was not believed; empty otherwise."""
    off: float = 0.0
    """How far this kit's readings may be off for good, all alike: standard deviation as a share of what there is."""

    @property
    def is_point(self) -> bool:
        """One value rather than a span."""
        return self.high is not None and self.high <= self.low

    def likelihood(self) -> Likelihood:
        """P(this was read | the tank's water holds c), c not negative."""
        if self.is_point and self.shift is not None:
            return self._of_tank(shifted_log(self.low, self._error, self.shift))
        return self._of_tank(blurred(Span(self.low, self.high), self._error, self.floor))

    def eyes(self, levels: Sequence[float]) -> list[Eye]:
        """How an eye errs at the sample, the tank's water holding each of `levels`."""
        samples = [solutions.of_sample(c, self.dilution, self.source) for c in levels]
        return [eye_at(c, self._error, self.floor) for c in samples]

    @property
    def _error(self) -> float:
        return math.hypot(self.share, POURING * (self.dilution - 1.0) / self.dilution)

    def _of_tank(self, of_sample: Likelihood) -> Likelihood:
        if self.dilution == 1.0:
            return of_sample
        return lambda c: of_sample(solutions.of_sample(c, self.dilution, self.source))

    def middle(self) -> float:
        """One figure for the tank's water, for whoever can use no more: the point, or the span's middle."""
        if self.is_point or self.high is None:
            return solutions.of_tank(self.low, self.dilution, self.source)
        return solutions.of_tank(0.5 * (self.low + self.high), self.dilution, self.source)

    def estimate(self) -> Estimate:
        """Mean and central 90 % by this test alone, every value as likely beforehand as any at the same ratio."""
        if self.substance == "ph":
            places = [3.0 + 9.0 * i / _STEPS for i in range(_STEPS + 1)]
            return _summed(places, [self.likelihood()(v) for v in places])
        shift = self.dilution * (self.shift if self.shift is not None else max(2.0 * self.floor, 1e-3))
        top = max(self.low, self.high or 0.0, 10.0 * self.floor)
        most = solutions.of_tank(6.0 * top, self.dilution, 0.0) + shift
        step = math.log(most / shift) / _STEPS
        values = [shift * math.exp(i * step) - shift for i in range(_STEPS + 1)]
        seen = self.likelihood()
        return _summed(values, [seen(v) for v in values])


def _summed(values: list[float], weights: list[float]) -> Estimate:
    """Mean and 5 and 95 % points of weights at values that are evenly spaced on their scale."""
    total = sum(weights)
    if total <= 0.0:
        middle = values[len(values) // 2]
        return Estimate(mean=middle, low=values[0], high=values[-1])
    mean = sum(v * w for v, w in zip(values, weights, strict=True)) / total
    return Estimate(
        mean=mean, low=_point(values, weights, _TAIL * total), high=_point(values, weights, (1 - _TAIL) * total)
    )


def _point(values: list[float], weights: list[float], part: float) -> float:
    gone = 0.0
    for i, w in enumerate(weights):
        if gone + w >= part:
            before = values[max(0, i - 1)]
            # Each weight stands for the stretch up to the next place, half of it on either side.
            within = (part - gone) / w if w > 0.0 else 0.5
            low, high = 0.5 * (before + values[i]), 0.5 * (values[i] + values[min(i + 1, len(values) - 1)])
            return low + within * (high - low)
        gone += w
    return values[-1]
