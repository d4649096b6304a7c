"""The normal distribution where a filter needs it: masses, truncated moments, and quantiles of mixtures.

Owns no state.  Never draws a random number.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist

Part = tuple[float, float, float]
"""One part of a mixture: its weight, mean and standard deviation."""

NEAR = 1e-11
"""How near to a quantile is near enough, as a share of the stretch that could hold it (own choice)."""
LAST_STEP = 1e-5
"""A Newton step of so small a share of the narrowest part's deviation is the last: what is left is about its square."""
NEWTON_TRIES = 15
"""In a valley between two parts Newton's step runs to and fro; from here on the bracket is halved (own choice)."""
_SQRT2 = math.sqrt(2.0)
_SQRT2PI = math.sqrt(2.0 * math.pi)


def density(z: float) -> float:
    """Standard normal density at `z`."""
    return math.exp(-0.5 * z * z) / _SQRT2PI


def below(z: float) -> float:
    """Probability that a standard normal variable lies below `z`, accurate in the far lower tail."""
    return 0.5 * math.erfc(-z / _SQRT2)


def moments_above_zero(mean: float, sd: float) -> tuple[float, float, float]:
    """Mass, mean and variance of the part of N(mean, sd²) above zero.

    The closed form for the truncated normal with one finite limit (Johnson, Kotz & Balakrishnan,
    *Continuous Univariate Distributions*, vol. 1, ch. 13): with A = −mean/sd and h = φ(A)/(1 − Φ(A)),
    mean = μ + σ h and variance = σ² (1 + A h − h²).

    Raises:
        ValueError: `sd` is not positive.
    """
    if sd <= 0.0:
        raise ValueError("sd must be positive")
    a = -mean / sd
    mass = below(-a)
    if a > 25.0:  # beyond this the mass underflows; the tail there is exponential with scale sd/a
        return mass, sd / a, (sd / a) ** 2
    hazard = density(a) / mass
    return mass, mean + sd * hazard, sd * sd * max(1e-9, 1.0 + a * hazard - hazard * hazard)


def mixture_below(parts: Sequence[Part], x: float) -> float:
    """Probability that a normal mixture lies below `x`."""
    total = 0.0
    for w, m, s in parts:
        total += w * math.erfc((m - x) / (_SQRT2 * s))
    return 0.5 * total


def mixture_moments(parts: Sequence[Part]) -> tuple[float, float]:
    """Mean and standard deviation of a normal mixture whose weights sum to one."""
    mean = sum(w * m for w, m, _ in parts)
    return mean, math.sqrt(max(0.0, sum(w * (s * s + (m - mean) ** 2) for w, m, s in parts)))


def mixture_quantile(parts: Sequence[Part], p: float, floor: float | None = None) -> float:
    """The `p` quantile of a normal mixture, of its part above `floor` if that is given.

    Newton's step, from where one normal with the mixture's moments has it; where that step would leave the bracket, or
    after too many of them, the bracket is halved instead (Press et al., *Numerical Recipes*, 3rd ed. 2007, section
    9.4).

    Raises:
        ValueError: `p` is not inside (0, 1), or there are no parts.
    """
    if not 0.0 < p < 1.0 or not parts:
        raise ValueError("p must lie between 0 and 1, and a mixture has parts")
    low = min(m - 9.0 * s for _, m, s in parts)
    high = max(m + 9.0 * s for _, m, s in parts)
    if floor is not None:
        cut = mixture_below(parts, floor)
        p = cut + p * (1.0 - cut)
        low, high = max(low, floor), max(high, floor)
    near, last_step = NEAR * (high - low), LAST_STEP * min(s for _, _, s in parts)
    x = min(max(_about(parts, p), low), high)
    tries = 0
    while high - low > near:
        tries += 1
        off, steep = -2.0 * p, 0.0
        for w, m, s in parts:  # `mixture_below` and the density in one pass: this is an innermost loop
            z = (m - x) / (_SQRT2 * s)
            off += w * math.erfc(z)
            steep += w * math.exp(-z * z) / s
        off, steep = 0.5 * off, steep / _SQRT2PI
        if off < 0.0:
            low = x
        else:
            high = x
        step = off / steep if steep > 0.0 else math.inf
        inside = tries < NEWTON_TRIES and low < x - step < high
        if inside and abs(step) <= last_step:
            return x - step
        x = x - step if inside else 0.5 * (low + high)
    return x


def _about(parts: Sequence[Part], p: float) -> float:
    """The quantile if the mixture were one normal distribution."""
    mean, sd = mixture_moments(parts)
    return mean + sd * NormalDist().inv_cdf(min(max(p, 1e-9), 1.0 - 1e-9))
