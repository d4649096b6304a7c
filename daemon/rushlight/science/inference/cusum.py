"""The cumulative sum test of Page for a lasting fall of a mean.

Owns one step of the sum and its two ways of being set: in standard units, as the tables of run lengths have it, and
as a log-likelihood ratio for values whose noise differs from one to the next.  Keeps no state: the sum goes in and
comes out.

Sources: Page 1954 (Biometrika 41:100-115); run lengths Brook & Evans 1972 (Biometrika 59:539-549), Lucas & Crosier
1982 (Technometrics 24:199-205).
"""

from __future__ import annotations


def lower_step(total: float, z: float, allowance: float) -> float:
    """The next sum: how far the values lie below target in all, after `allowance` each; never below 0.

    `z` is the value minus its target in standard deviations; `allowance` is k, half the shift to be found.
    """
    return max(0.0, total - z - allowance)


def fall_score(x: float, sd: float, shift: float, clip_sd: float) -> float:
    """Log-likelihood ratio of one value for 'the mean has fallen by `shift`' against 'it is 0'.

    For normal noise of standard deviation `sd` this is shift/sd² x (-x - shift/2); it is `lower_step`'s increment
    with k = shift/(2 sd), in units of sd/shift.  Beyond `clip_sd` standard deviations a value counts as if it lay
    there, so that no single one decides.
    """
    z = min(clip_sd, max(-clip_sd, -x / sd))
    step = shift / sd
    return step * (z - 0.5 * step)


def score_step(total: float, score: float, ceiling: float) -> float:
    """The next sum of log-likelihood ratios, kept between 0 and `ceiling` so that a long fall can end again."""
    return min(ceiling, max(0.0, total + score))
