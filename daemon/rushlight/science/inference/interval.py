"""What a coarse reading says about the concentration behind it.

Owns the likelihoods of strips, drop tests and laboratory values, and the quadrature that turns a likelihood and a
normal prior into the posterior's moments.  A strip reading is an interval between the neighbouring pads blurred by
reading error, never a point; replacing it by a point or by half a limit is known to be wrong (Helsel 2005, "More
than obvious: better methods for interpreting nondetect data", Environ. Sci. Technol. 39:419A-423A).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

Likelihood = Callable[[float], float]
"""P(reading | concentration), concentration in mg/L, not negative."""
Eye = tuple[float, float, float, float]
"""A concentration, mg/L, √2 · the normal error there, and the log-normal one: middle and √2 · sd, 0 for none."""

_SQRT2 = math.sqrt(2.0)


@dataclass(frozen=True, slots=True)
class Span:
    """What was read: somewhere in [low, high]; `high` None is open above, equal ends are a point.  mg/L."""

    low: float
    high: float | None


SAME_PAD = 0.01
"""Values closer than this share of each other are one pad (own choice)."""


def strip_span(value: float, pads: Sequence[float]) -> Span:
    """The span that reads as `value` on a strip with these pads (mg/L, rising).

    People put the border between two pads somewhere between their arithmetic and their geometric middle; half-way
    between those two is never far off for either.  A value that is none of the pads was judged to lie between
    them, so it is treated as a pad of its own.

    Raises:
        ValueError: there are no pads.
    """
    if not pads:
        raise ValueError("a strip needs the values printed beside its pads")
    value = next((p for p in pads if abs(p - value) <= SAME_PAD * p), value)
    scale = sorted({*pads, value})
    i = scale.index(value)
    low = _border(scale[i - 1], value) if i else 0.0
    if i + 1 < len(scale):
        return Span(low, _border(value, scale[i + 1]))
    return Span(low, None)


def _border(a: float, b: float) -> float:
    return 0.5 * (0.5 * (a + b) + math.sqrt(a * b)) if a > 0.0 else 0.45 * b


def parse_bound(text: str) -> Span:
    """`">250"` or `"<5"` as a one-sided span.

    Raises:
        ValueError: the text is neither.
    """
    sign, number = text[:1], text[1:].strip()
    try:
        limit = float(number)
    except ValueError:
        limit = math.nan
    if sign not in {"<", ">"} or not (math.isfinite(limit) and limit >= 0.0):
        raise ValueError(f"expected a number, or a bound such as '>250' or '<5', got {text!r}")
    return Span(0.0, limit) if sign == "<" else Span(limit, None)


def blurred(span: Span, error_share: float, error_floor: float) -> Likelihood:
    """P(a reading within `span` | C) when what the eye sees is C blurred by its error.

    The error's standard deviation is √((error_share · C)² + error_floor²), mg/L.  Whether a proportional error is
    normal or log-normal nobody can say of an eye; the two differ in the upper tail, where a strip that reads high by
    chance must not be taken for a rise.  So each has half the say, save near zero, where the floor rules and it is
    normal.  For a span of equal ends it is the density of the normal error instead.
    """
    low, high = span.low, span.high
    if high is not None and high <= low:
        return _point(low, error_share, error_floor)

    # As `seen_below` of both borders, with what does not depend on c worked out once: this is the innermost loop.
    at_low, at_high = _border_at(low), _border_at(high)

    def likelihood(c: float) -> float:
        eye = eye_at(c, error_share, error_floor)
        return max(0.0, _below(at_high, eye) - _below(at_low, eye))

    return likelihood


def _border_at(border: float | None) -> tuple[float, float]:
    """A border and its logarithm; none lies above everything, and at or below zero is below everything."""
    if border is None:
        return math.inf, math.inf
    return (border, math.log(border)) if border > 0.0 else (-math.inf, -math.inf)


def _below(border: tuple[float, float], eye: Eye) -> float:
    c, sd, log_c, log_sd = eye
    normal = 0.5 * math.erfc((c - border[0]) / sd)
    if log_sd == 0.0:
        return normal
    return 0.5 * (normal + 0.5 * math.erfc((log_c - border[1]) / log_sd))


def eye_at(c: float, error_share: float, error_floor: float) -> Eye:
    """How the eye errs at concentration `c`, mg/L, with the error of `blurred`."""
    sd = math.sqrt((error_share * c) ** 2 + error_floor**2) * _SQRT2
    if error_share <= 0.0 or c <= 4.0 * error_floor:
        return c, sd, 0.0, 0.0
    return c, sd, math.log(c), sd / c


def seen_below(border: float | None, eyes: Sequence[Eye]) -> list[float]:
    """P(what the eye sees lies below `border`, mg/L) for each of `eyes`; None is above everything."""
    at = _border_at(border)
    if math.isinf(at[0]):
        return [1.0 if at[0] > 0.0 else 0.0] * len(eyes)
    return [_below(at, eye) for eye in eyes]


def shifted_log(value: float, sd: float, shift: float) -> Likelihood:
    """The density of reading `value`, mg/L, where ln(reading + shift) is normal about ln(C + shift) with `sd`.

    So an error goes by ratio where the level is well above `shift`, and does not shrink to nothing at zero.

    Raises:
        ValueError: `sd` or `shift` is not positive.
    """
    if sd <= 0.0 or shift <= 0.0:
        raise ValueError("sd and shift must be positive")
    place, scale = math.log(value + shift), sd * math.sqrt(2.0 * math.pi) * (value + shift)

    def likelihood(c: float) -> float:
        z = (math.log(c + shift) - place) / sd
        return math.exp(-0.5 * z * z) / scale

    return likelihood


def _point(value: float, error_share: float, error_floor: float) -> Likelihood:
    def likelihood(c: float) -> float:
        variance = (error_share * c) ** 2 + error_floor**2
        z = (value - c) / math.sqrt(variance)
        return math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi * variance)

    return likelihood


def posterior(
    mean: float, sd: float, likelihood: Likelihood, floor: float | None = 0.0, panels: int = 60
) -> tuple[float, float, float]:
    """Evidence, mean and variance of C after a reading, prior N(mean, sd²) cut at `floor` (None: not cut).

    Simpson's rule over mean ± 7 sd, and where the reading turns out much sharper than that, again from 7 sd below to
    12 sd above the posterior's own mean (proportional error makes its upper tail the longer one).  Evidence is
    ∫ prior · likelihood; the prior's own mass above the floor is divided out, so the evidence of a likelihood that is
    always 1 is 1.  A reading that the prior rules out has evidence 0, and the moments are the prior's.

    Raises:
        ValueError: `sd` is not positive.
    """
    if sd <= 0.0:
        raise ValueError("sd must be positive")
    low, high = mean - 7.0 * sd, mean + 7.0 * sd
    if floor is not None and low < floor:
        low, high = floor, max(high, floor + sd)
    prior_mass = _moments(mean, sd, _always, low, high, panels)[0]
    for _ in range(3):
        mass, m, variance = _moments(mean, sd, likelihood, low, high, panels)
        if mass <= 0.0 or prior_mass <= 0.0:
            return 0.0, mean, sd * sd
        narrow = math.sqrt(variance) + (high - low) / (4.0 * panels)
        if 19.0 * narrow > 0.7 * (high - low):
            break
        low, high = max(low, m - 7.0 * narrow), min(high, m + 12.0 * narrow)
    return mass / prior_mass, m, max(variance, 1e-12)


def _always(_: float) -> float:
    return 1.0


def _moments(
    mean: float, sd: float, likelihood: Likelihood, low: float, high: float, panels: int
) -> tuple[float, float, float]:
    """Mass, mean and variance of exp(−z²/2) · likelihood on [low, high]."""
    n = 2 * panels
    step = (high - low) / n
    mass = first = second = 0.0
    middle = min(max(mean, low), high)
    for i in range(n + 1):
        c = low + i * step
        z = (c - mean) / sd
        weight = (1.0 if i in {0, n} else 4.0 if i % 2 else 2.0) * math.exp(-0.5 * z * z) * likelihood(c)
        mass += weight
        first += weight * (c - middle)
        second += weight * (c - middle) ** 2
    if mass <= 0.0:
        return 0.0, middle, 0.0
    shift = first / mass
    return mass * step, middle + shift, max(0.0, second / mass - shift * shift)
