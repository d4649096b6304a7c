"""What readings do to the belief: tests, an electrode, its calibration, a day of light and warmth, growth, work.

Owns how far a reading is trusted.  Knows no events and no kits: a test comes as a likelihood of the concentration.
"""

from __future__ import annotations

import math

from rushlight.localtime import DAY_S
from rushlight.science.inference.gaussian import mixture_moments
from rushlight.science.inference.interval import Likelihood, posterior
from rushlight.science.inference.kalman import Belief, merge, regress_along, update
from rushlight.tank.ledger import Fact
from rushlight.tank.nitrate.balance import (
    BIAS,
    ELECTRODE_DRIFT,
    FIRST_LEVEL,
    LEVEL,
    SHARE,
    SIZE,
    UPTAKE,
    WARMTH,
    Balance,
    doubt_uptake,
    level_parts,
    renormalise,
    shown_by,
    silent_days,
    unsettle,
)
from rushlight.tank.nitrate.electrode import calibrated, seen
from rushlight.tank.nitrate.kinds import SILENT_FROM_DAYS, scale
from rushlight.tank.nitrate.light_seen import behind_dirt, see_light
from rushlight.tank.nitrate.warmth_seen import see_water

JUMP = 0.0005
"""Chance before each test that something nobody recorded has put the level anywhere at all (no source): it takes one
reading that fits nothing to doubt the estimate, and a second one to give it up."""
SILENT_DAYS, MISREAD_DAYS = 1000.0, 60.0
"""After `SILENT_FROM_DAYS` without a test the chance of a jump grows with the first, and what a vague belief holds
against a reading dies with the second (no source)."""
SURPRISING, SURPRISE_MATTERS = 1.6, 0.01
"""A test so many standard deviations above what was expected asks for a second one at once, where there is such a
chance of passing the limit within four weeks (own choice: one pad up after months on the one below it)."""
MISREAD = 0.003
"""Chance that a reading says nothing: wrong pad, wrong minute, wet fingers (no source)."""
DOUBT = {"harvest": 0.25, "stocking": 0.1, "lamp": 0.15}
"""How far an event may have moved uptake, standard deviation as a share of supply; what it did the tests tell
(no source)."""
KEPT_BELOW = (0.85, (0.5, 0.33))
"""How sure it is before any test that a tank lives within the limit that its keeper has set, and about where, mean and
standard deviation as a share of it (own choice)."""
GROWTH_TELLS = 0.25
"""How well growth that slowed tells uptake, standard deviation as a share of supply: leaves may hold more nitrogen for
a while, and those that were seen stand for all (no source)."""
ELECTRODE_NOISE = (0.05, 1.0)
"""Electrode noise: share of the level, and mg/L (no source)."""
SEEN_BY_ELECTRODE = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0)
ELECTRODE_SAYS, FARTHEST = 0.25, 5.0
"""How much one electrode reading counts between the models: the four of a day err together.  And how many standard
deviations count at most (own choice)."""
ELECTRODE_FIRST = 0.2
"""Electrode bias when nothing is known of it, as a share of the level: US EPA method 9210A allows 20 % RSD."""


def read_level(
    balance: Balance, likelihood: Likelihood, senseless: float, off: float = 0.0, limit: float | None = None
) -> bool:
    """A test, by the likelihood of the concentration; `senseless` is that of a reading that says nothing.

    `off` is the standard deviation of the share by which such a kit is off for good; 0 where it is right.  `limit` is
    the tank's, mg/L: before any test its water is more likely below it than above.
    Three things may be so: the reading is what it seems, or it is a misreading and nothing is learned, or the level
    has jumped and the reading is all that is known of it.  The first test cannot be held against anything; yet one
    that no water can give is none.  Returns whether it was taken for a test.
    """
    first = balance.n_tests == 0
    vague_days = max(0.0, silent_days(balance, balance.at_s) - SILENT_FROM_DAYS)
    jump = JUMP - math.expm1(-vague_days / SILENT_DAYS)
    misread = MISREAD * math.exp(-vague_days / MISREAD_DAYS)
    anew, anew_mean, anew_variance = posterior(*FIRST_LEVEL, likelihood)
    if first and anew <= 0.0:
        return False
    if off > 0.0:
        balance.off = off
    mean, sd = mixture_moments(level_parts(balance))
    balance.surprise = 0.0 if first else (anew_mean - mean) / math.sqrt(sd * sd + anew_variance)
    for mode in balance.modes:
        b = mode.belief
        row = shown_by(off, anew_mean if first else b.mean[LEVEL])
        shown, variance = b.along(row)
        evidence, shown, variance = (
            _first_seen(likelihood, limit) if first else posterior(shown, math.sqrt(variance), likelihood)
        )
        weights = (evidence, 0.0 if first else misread * senseless, 0.0 if first else jump * anew)
        total = sum(weights)
        beliefs = (
            regress_along(b, row, shown, variance),
            b,
            _at_level(b, anew_mean, anew_variance + (off * anew_mean) ** 2),
        )
        mode.belief = merge([(w / total, x) for w, x in zip(weights, beliefs, strict=True)])
        mode.weight *= total
    renormalise(balance)
    return True


def _first_seen(likelihood: Likelihood, limit: float | None) -> tuple[float, float, float]:
    """Evidence, mean and variance of the level after a tank's first test."""
    if limit is None:
        return posterior(*FIRST_LEVEL, likelihood)
    held, (mean, sd) = KEPT_BELOW
    parts = [
        (w * evidence, m, v)
        for w, (evidence, m, v) in (
            (held, posterior(mean * limit, sd * limit, likelihood)),
            (1.0 - held, posterior(*FIRST_LEVEL, likelihood)),
        )
    ]
    total = sum(w for w, _, _ in parts)
    if total <= 0.0:
        return 0.0, *FIRST_LEVEL
    mean = sum(w * m for w, m, _ in parts) / total
    return total, mean, sum(w * (v + (m - mean) ** 2) for w, m, v in parts) / total


def is_surprised(balance: Balance, chance: float) -> bool:
    """Whether the last test was higher than expected and, by this chance of passing the limit, it matters."""
    return balance.surprise >= SURPRISING and chance >= SURPRISE_MATTERS


def _at_level(belief: Belief, mean: float, variance: float) -> Belief:
    """The same belief about everything else, at a level that has nothing to do with it."""
    out = belief.copy()
    out.mean[LEVEL] = mean
    for i in range(SIZE):
        out.cov[LEVEL][i] = out.cov[i][LEVEL] = 0.0
    out.cov[LEVEL][LEVEL] = variance
    return out


def hear(balance: Balance, fact: Fact, latitude: float | None) -> None:
    """Work on the plants or the lamp, a day's light or warmth, a look at growth."""
    match fact.kind:
        case "light" | "temperature":
            see_day(balance, fact, latitude)
        case "growth":
            see_growth(balance, fact.amount)
        case _:
            disturb(balance, fact)


def disturb(balance: Balance, work: Fact) -> None:
    """Something was done that may have moved uptake; what it did the tests tell."""
    doubt_uptake(balance, DOUBT[work.kind])
    unsettle(balance, 2.0 * DOUBT[work.kind])
    if work.word == "moved":  # what the probe sees and what leaves get compare no more with what they were
        balance.light = None


def see_day(balance: Balance, day: Fact, latitude: float | None) -> None:
    """A day's light, which behind a dirty probe is not known, or how warm the water was."""
    if day.kind == "temperature":
        balance.warmth = see_water(balance.warmth, day.amount)
        return
    if not day.dirty:
        balance.light = see_light(balance.light, day.amount, day.lamp_percent, day.window, latitude, day.word)
    elif balance.light is not None:
        balance.light = behind_dirt(balance.light)
    balance.light_at_s = day.at_s


def see_growth(balance: Balance, share: float) -> None:
    """Plants grow at such a share of their own pace before, under like light: in the end they take up as much less.

    What they took up before is what balanced plants do of the usual feed; where none is known, that is nought of it.
    The warmth is not like: what the belief makes of colder water is no news a second time.
    """
    size = scale(balance.usual)
    row = [0.0] * SIZE
    row[UPTAKE], row[SHARE], row[WARMTH] = 1.0, -share * balance.usual, balance.driven[1]
    value = -share * balance.left if balance.usual > 0.0 else -(1.0 - share) * size
    for mode in balance.modes:
        mode.belief, loglik = update(mode.belief, row, (GROWTH_TELLS * size) ** 2, value)
        mode.weight *= math.exp(loglik)
    renormalise(balance)


def read_electrode(balance: Balance, value: float) -> None:
    """An electrode's value, mg/L: level plus bias plus noise, its known drift since the calibration taken off.

    The models are weighed by where they expected the value, on one common scale, and not by how sure each was: an
    electrode that happens to be steadier than assumed would otherwise speak, four times a day, for the stiffest.
    """
    at_s = balance.at_s
    last_s = balance.wander.at_s
    balance.wander = seen(balance.wander, at_s, value, mixture_moments(level_parts(balance))[0])
    calibrated_at_s = balance.calibrated_at_s if balance.calibrated_at_s is not None else at_s
    age = (at_s - calibrated_at_s) / DAY_S
    before = 0.0 if last_s is None else max(0.0, (last_s - calibrated_at_s) / DAY_S)
    value *= math.exp(-balance.wander.way[0] * age)
    gained = balance.wander.spread(before, age) - ELECTRODE_DRIFT**2 * (age - before)
    misses, expected_var = [], 0.0
    for mode in balance.modes:
        share, floor = ELECTRODE_NOISE
        level = max(5.0, mode.belief.mean[LEVEL])
        mode.belief.cov[BIAS][BIAS] += max(0.0, gained) * level * level
        noise = (share * max(0.0, mode.belief.mean[LEVEL])) ** 2 + floor**2
        mean, variance = mode.belief.along(SEEN_BY_ELECTRODE)
        misses.append(value - mean)
        expected_var += mode.weight * (variance + noise)
        mode.belief, _ = update(mode.belief, SEEN_BY_ELECTRODE, noise, value)
    for mode, miss in zip(balance.modes, misses, strict=True):
        mode.weight *= math.exp(-0.5 * ELECTRODE_SAYS * min(miss * miss / expected_var, FARTHEST**2))
    renormalise(balance)


def calibrate(balance: Balance) -> None:
    """The electrode was put into known standards: its bias is forgotten, and small again."""
    last_s = balance.calibrated_at_s
    balance.wander = calibrated(balance.wander, None if last_s is None else (balance.at_s - last_s) / DAY_S)
    balance.calibrated_at_s = balance.at_s
    for mode in balance.modes:
        b = mode.belief
        b.mean[BIAS] = 0.0
        for i in range(SIZE):
            b.cov[BIAS][i] = b.cov[i][BIAS] = 0.0
        b.cov[BIAS][BIAS] = (0.5 * ELECTRODE_FIRST * max(5.0, b.mean[LEVEL])) ** 2
