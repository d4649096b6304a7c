"""A linear-Gaussian filter in which one component grows by the others and every reading is of a few: sparse, so fast.

Owns the arithmetic (Kalman 1960, as `science.inference.kalman`, which the tests hold it to), a reading's slip, and how
far readings stray.  A general filter would take a hundred times as long over ten years of looks on a small board.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

FARTHEST_SD = 4.0
VAGUE = 50.0
"""A variance from which on a reading only sets its own offset (own choice)."""


class Track:
    """Mean and covariance of a state, the log-likelihood of what was read, and how far it strayed."""

    def __init__(self, mean: list[float], variance: list[float]) -> None:
        n = len(mean)
        self.mean = mean
        self.cov = [[variance[i] if i == j else 0.0 for j in range(n)] for i in range(n)]
        self.loglik = 0.0
        self._strays: list[float] = []

    def along(self, row: Mapping[int, float]) -> tuple[float, float]:
        """Mean and variance of a linear combination."""
        mean = sum(f * self.mean[i] for i, f in row.items())
        return mean, sum(f * g * self.cov[i][j] for i, f in row.items() for j, g in row.items())

    def advance(self, row: Mapping[int, float], variance: float, to: int = 0, by: float | None = None) -> None:
        """A component grows by a combination of them all, give or take the variance.

        `by` is by how much, where the combination is only how that depends on them.
        """
        mean, own = self.along(row)
        n = len(self.mean)
        shared = [sum(f * self.cov[i][k] for i, f in row.items()) for k in range(n)]
        self.mean[to] += mean if by is None else by
        self.cov[to][to] += 2.0 * shared[to] + own + variance
        for k in range(n):
            if k != to:
                self.cov[to][k] += shared[k]
                self.cov[k][to] = self.cov[to][k]

    def blur(self, i: int, j: int, variance: float) -> None:
        """Doubt added to a component, or shared by two."""
        self.cov[i][j] += variance
        if i != j:
            self.cov[j][i] += variance

    def copy(self, of: int, to: int) -> None:
        """From now on one component remembers what another was."""
        self.mean[to] = self.mean[of]
        for k in range(len(self.mean)):
            self.cov[to][k] = self.cov[k][to] = self.cov[of][k]
        self.cov[to][to] = self.cov[of][of]

    def take(self, row: Mapping[int, float], value: float, sd: float, stretch: float = 1.0) -> None:
        """A reading of a combination; one that strays too far is taken for a slip and hardly counts.

        `stretch` is how far the value moves when what was written down moves by one: suppositions that stretch
        differently are compared by how likely they make what was written down.
        """
        expected, spread = self.along(row)
        surprise, total = value - expected, spread + sd * sd
        if spread < VAGUE:
            stray = surprise * surprise / total
            self.loglik += math.log(stretch)
            self._strays.append(min(FARTHEST_SD**2, stray))
            if stray > FARTHEST_SD**2:
                total += surprise * surprise
        n = len(self.mean)
        held = [sum(f * self.cov[i][k] for i, f in row.items()) for k in range(n)]
        for i in range(n):
            gain = held[i] / total
            if gain:
                self.mean[i] += gain * surprise
                own = self.cov[i]
                for k in range(n):
                    own[k] -= gain * held[k]
        self.loglik -= 0.5 * (math.log(2.0 * math.pi * total) + surprise * surprise / total)

    def scale(self) -> float:
        """How much wider than supposed the readings stray; 1.15 while too few can tell."""
        if len(self._strays) < 6:
            return 1.15
        return min(2.5, max(0.75, math.sqrt(sum(self._strays) / len(self._strays))))
