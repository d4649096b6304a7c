"""The linear-Gaussian filter on a handful of numbers, in plain Python.

Owns the arithmetic of prediction and update (Kalman 1960; Durbin & Koopman, *Time Series Analysis by State Space
Methods*, 2nd ed. 2012, ch. 4).  Knows nothing of nitrate.  Matrices are lists of rows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

Vector = list[float]
Matrix = list[list[float]]


@dataclass(slots=True)
class Belief:
    """What is believed of a state vector: its mean and its covariance."""

    mean: list[float]
    cov: list[list[float]]

    def copy(self) -> Belief:
        """An independent copy."""
        return Belief(list(self.mean), [list(row) for row in self.cov])

    def sd(self, i: int) -> float:
        """Standard deviation of component `i`."""
        return math.sqrt(max(0.0, self.cov[i][i]))

    def along(self, direction: Sequence[float]) -> tuple[float, float]:
        """Mean and variance of the linear combination `direction` · state."""
        used = [(i, d) for i, d in enumerate(direction) if d]
        mean = variance = 0.0
        for n, (i, d) in enumerate(used):
            mean += d * self.mean[i]
            row = self.cov[i]
            half = 0.5 * d * row[i]
            for j, e in used[n + 1 :]:
                half += e * row[j]
            variance += 2.0 * d * half
        return mean, max(0.0, variance)


def predict(belief: Belief, transition: Matrix, shift: Sequence[float], noise: Matrix) -> Belief:
    """The belief one step on: mean F x + c, covariance F P Fᵀ + Q."""
    used = [[(j, f) for j, f in enumerate(row) if f] for row in transition]
    mean = [sum(f * belief.mean[j] for j, f in row) + c for row, c in zip(used, shift, strict=True)]
    n = len(mean)
    cov: Matrix = []
    for i, row in enumerate(used):
        fp = [0.0] * n
        for k, f in row:
            for j, p in enumerate(belief.cov[k]):
                fp[j] += f * p
        cov.append([sum(fp[k] * f for k, f in used[j]) + noise[i][j] if j >= i else cov[j][i] for j in range(n)])
    return Belief(mean, cov)


def update(belief: Belief, row: Sequence[float], variance: float, value: float) -> tuple[Belief, float]:
    """A scalar reading `value` = row · x + error of the given `variance`; the new belief and the log-likelihood.

    The covariance is brought to exact symmetry, as rounding would otherwise let it drift.

    Raises:
        ValueError: the reading's own variance and the state's along `row` are both zero.
    """
    expected, spread = belief.along(row)
    total = spread + variance
    if total <= 0.0:
        raise ValueError("a reading without error of a state without error carries nothing")
    gain = [sum(p * r for p, r in zip(cov_row, row, strict=True)) / total for cov_row in belief.cov]
    surprise = value - expected
    mean = [m + k * surprise for m, k in zip(belief.mean, gain, strict=True)]
    cov = [[p - ki * kj * total for p, kj in zip(r, gain, strict=True)] for r, ki in zip(belief.cov, gain, strict=True)]
    loglik = -0.5 * (math.log(2.0 * math.pi * total) + surprise * surprise / total)
    return Belief(mean, cov), loglik


def regress(belief: Belief, i: int, mean: float, variance: float) -> Belief:
    """Give component `i` a new marginal mean and variance and carry both over to the rest by regression.

    Raises:
        ValueError: component `i` has no variance to learn about.
    """
    row = [0.0] * len(belief.mean)
    row[i] = 1.0
    return regress_along(belief, row, mean, variance)


def regress_along(belief: Belief, row: Sequence[float], mean: float, variance: float) -> Belief:
    """Give the combination `row` · x a new mean and variance and carry both over to the state by regression.

    This is the assumed-density step for a reading that depends on z = `row` · x alone: given z the state is
    independent of the reading, so E[x | reading] = x̄ + g (mean − z̄) and P ← P + g gᵀ (variance − var z) with
    g = P rowᵀ / var z (law of total expectation and covariance).

    Raises:
        ValueError: there is no variance along `row` to learn about.
    """
    before, old = belief.along(row)
    if old <= 0.0:
        raise ValueError("what is known exactly cannot be moved by a reading")
    used = [(j, r) for j, r in enumerate(row) if r]
    gain = [sum(r * line[j] for j, r in used) / old for line in belief.cov]
    step = mean - before
    change = variance - old
    cov = [
        [p + gi * gj * change for p, gj in zip(r, gain, strict=True)] for r, gi in zip(belief.cov, gain, strict=True)
    ]
    return Belief([m + g * step for m, g in zip(belief.mean, gain, strict=True)], cov)


def merge(parts: Sequence[tuple[float, Belief]]) -> Belief:
    """One belief with the mean and covariance of the weighted mixture `parts`; weights sum to one."""
    n = len(parts[0][1].mean)
    mean = [sum(w * b.mean[i] for w, b in parts) for i in range(n)]
    cov: Matrix = [[0.0] * n for _ in range(n)]
    for w, b in parts:
        off = [m - x for m, x in zip(b.mean, mean, strict=True)]
        for i in range(n):
            for j in range(n):
                cov[i][j] += w * (b.cov[i][j] + off[i] * off[j])
    return Belief(mean, cov)
