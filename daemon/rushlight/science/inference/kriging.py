"""A smooth error known at a few places, estimated at another: simple kriging, or Gaussian process regression.

The estimate is the best linear one for errors of mean 0 with the covariances given (Rasmussen and Williams 2006,
"Gaussian Processes for Machine Learning", equations 2.23 and 2.24).  With no place known it is 0, with the error's own
spread: so one rule serves before and after anything is known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

Matrix = Sequence[Sequence[float]]


def estimate(known: Matrix, seen: Sequence[float], to: Sequence[float], own: float) -> tuple[float, float]:
    """Mean and standard deviation of the error at a new place.

    `known` is the covariance of what was seen among itself, its noise on the diagonal; `seen` what was seen; `to` the
    covariance of each with the new place; `own` the new place's variance.

    Raises:
        ValueError: `known` is no covariance.
    """
    if not seen:
        return 0.0, math.sqrt(own)
    factor = _cholesky(known)
    weighed, spread = _forward(factor, seen), _forward(factor, to)
    mean = sum(a * b for a, b in zip(weighed, spread, strict=True))
    return mean, math.sqrt(max(0.0, own - sum(b * b for b in spread)))


def log_evidence(known: Matrix, seen: Sequence[float]) -> float:
    """Log density of what was seen under this covariance, but for a constant of how much was seen (equation 2.30).

    Raises:
        ValueError: `known` is no covariance.
    """
    factor = _cholesky(known)
    return -0.5 * sum(v * v for v in _forward(factor, seen)) - sum(math.log(row[-1]) for row in factor)


def _cholesky(matrix: Matrix) -> list[list[float]]:
    rows: list[list[float]] = []
    for i, line in enumerate(matrix):
        row: list[float] = []
        for j in range(i + 1):
            rest = line[j] - sum(a * b for a, b in zip(row[:j], (rows[j] if j < i else row)[:j], strict=True))
            if j < i:
                row.append(rest / rows[j][j])
            elif rest > 0.0:
                row.append(math.sqrt(rest))
            else:
                raise ValueError("not a covariance")
        rows.append(row)
    return rows


def _forward(factor: Sequence[Sequence[float]], b: Sequence[float]) -> list[float]:
    out: list[float] = []
    for row, value in zip(factor, b, strict=True):
        out.append((value - sum(r * x for r, x in zip(row, out, strict=False))) / row[-1])
    return out
