"""A plant's relative growth rate, with its interval, from looks of several kinds; and whether it has fallen.

Owns two filters over the same looks (`track`).  `rate` lets the rate wander and asks for its mean over the last four
weeks.  `fall` holds it to the plant's own past: a rate that falls with size by itself, as logistic growth and a
closed canopy have it, reckoned in light received rather than in days, and a step at some week that is asked for.
What a harvest takes is a fall of the level of unknown size, and no growth.  Keeps nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rushlight.effects import Estimate
from rushlight.science.inference.gaussian import Part, mixture_moments, mixture_quantile
from rushlight.tank.growth.record import POWERS, STANDING, WEEK_S, Cut, Seen, Step, steps
from rushlight.tank.growth.track import Track

SPAN_WEEKS = 4.0
HISTORY_WEEKS = 26.0
RATE_WEEKS = 14.0
PAST_WEEKS = 13.0
"""So long a past it takes to know a pace: young plants slow by themselves as they fill their place (own choice)."""
FEWEST_LOOKS = 3
RATE_PRIOR = (0.1, 0.12)
"""Relative growth of foliage plants per week, mean and standard deviation: broad on purpose, no source."""
WANDER = 0.02
"""How much the rate wanders in the square root of a week (own choice, tuned on simulated plants)."""
WIGGLE = 0.015
"""How much growth strays about its rate, as a logarithm, in the square root of a week (own choice)."""
BORNE_SD = 0.35
"""How badly one supposition knows the leaves at the start, as a logarithm: half way to the next (own choice)."""
CUT_PART, MASS_SD = 0.33, 0.5
"""The first harvest's part of the plants, and how badly a mass is known from it, as a logarithm (own choice)."""
CUT_SD = 0.1
"""How badly a harvest's weight tells the leaves that went with it, as a logarithm: wet stems, no source."""
SELF_LIMIT = (0.05, 0.06)
"""How much the rate falls when the plant is as much larger as it is on average, per week: mean and sd, broad
(own choice)."""
STEP_SD = 0.15  # own choice
KINDS = ("cover", "longest", "height")

GROSS, RATE, CUTS, MASS, LAG, STEP, BORNE, OFFSETS = range(8)
SIZED = LAG
"""`fall` has no lag, and needs what the rate falls by with size instead."""
_NONE, _VAGUE = [0.0] * len(KINDS), [100.0] * len(KINDS)


@dataclass(frozen=True, slots=True)
class Fit:
    """One plant's rate over the last four weeks by all that may be supposed of it: normal parts."""

    parts: tuple[Part, ...]
    power: float
    standing: float
    mass: tuple[float, float] | None = None
    """Logarithm of the fresh mass, g, in the middle of the span, and its standard deviation; None without a harvest."""

    def estimate(self) -> Estimate:
        """Mean and central 90 %."""
        mean, _ = mixture_moments(self.parts)
        return Estimate(mean=mean, low=mixture_quantile(self.parts, 0.05), high=mixture_quantile(self.parts, 0.95))


def rate(looks: Sequence[Seen], cuts: Sequence[Cut]) -> Fit | None:
    """The mean rate per week over the four weeks before the last look; None where the looks are too few or too short.

    `looks` are one plant's in order of time.
    """
    looks = _lately(looks, RATE_WEEKS)
    if len({s.at_s for s in looks}) < FEWEST_LOOKS or looks[-1].at_s - looks[0].at_s < 2 * WEEK_S:
        return None
    lengths = any(s.longest_cm is not None or s.height_cm is not None for s in looks)
    counts = sum(s.leaves is not None for s in looks) >= 2
    supposed = [(p, n) for p in (POWERS if lengths else POWERS[1:2]) for n in (STANDING if counts else STANDING[2:3])]
    found = [(p, n, *_one(steps(looks, p, n), cuts)) for p, n in supposed]
    best = max(f[-1] for f in found)
    weights = [math.exp(f[-1] - best) for f in found]
    total = sum(weights)
    parts = tuple((w / total, f[2], f[3]) for w, f in zip(weights, found, strict=True))
    power = sum(w * f[0] for w, f in zip(weights, found, strict=True)) / total
    standing = math.exp(sum(w * math.log(f[1]) for w, f in zip(weights, found, strict=True)) / total)
    masses = tuple((w / total, *f[4]) for w, f in zip(weights, found, strict=True) if f[4] is not None)
    mass = mixture_moments(masses) if masses else None
    return Fit(tuple(p for p in parts if p[0] > 1e-6), power, standing, mass)


def _lately(looks: Sequence[Seen], weeks: float) -> list[Seen]:
    return [s for s in looks if s.at_s >= looks[-1].at_s - weeks * WEEK_S]


Mass = tuple[float, float] | None


def _one(path: Sequence[Step], cuts: Sequence[Cut]) -> tuple[float, float, Mass, float]:
    """Mean and sd of the rate, the logarithm of the fresh mass, and the log-likelihood, under one supposition."""
    end_s = path[-1].at_s
    from_s = max(path[0].at_s, end_s - SPAN_WEEKS * WEEK_S)
    track = Track([0.0, RATE_PRIOR[0], *[0.0] * 5, *_NONE], [0.0, RATE_PRIOR[1] ** 2, *[0.0] * 4, BORNE_SD**2, *_VAGUE])
    now_s, level = path[0].at_s, 0.0
    for look in path:
        for at_s in _stops(now_s, look.at_s, cuts, from_s):
            weeks = (at_s - now_s) / WEEK_S
            track.advance({RATE: weeks}, WIGGLE**2 * weeks + WANDER**2 * weeks**3 / 3.0)
            track.blur(GROSS, RATE, WANDER**2 * weeks**2 / 2.0)
            track.blur(RATE, RATE, WANDER**2 * weeks)
            now_s = at_s
            for cut in (c for c in cuts if c.at_s == at_s):
                _cut(track, cut.grams)
            if at_s == from_s:
                track.copy(GROSS, LAG)
        if look.leaves is not None:
            weeks = (look.at_s - look.leaves[0]) / WEEK_S
            borne = track.mean[BORNE]
            grown, sd, leaf = look.grown(level + borne)
            part = leaf * look.leaves[1]
            # What grew since the last count is the rate of now times the time, but for what the rate wandered since.
            sd = math.sqrt(sd**2 + WANDER**2 * weeks**3 / 3.0 + WIGGLE**2 * weeks)
            track.take({RATE: weeks, BORNE: part}, grown + part * borne, sd, leaf)
        for told in look.levels:
            track.take(
                {GROSS: 1.0, CUTS: 1.0, OFFSETS + KINDS.index(told.kind): 1.0}, told.value, told.sd, told.stretch
            )
        level = _level(track)
    mean, variance = track.along({GROSS: 1.0, LAG: -1.0})
    weeks = (end_s - from_s) / WEEK_S
    sd = max(1e-4, math.sqrt(max(0.0, variance)) / weeks) * track.scale()
    return mean / weeks, sd, _mass(track, mean), track.loglik


def _mass(track: Track, grown: float) -> Mass:
    """Fresh grams half a span ago, as harvests tell: what stands now, less half of what grew."""
    if track.cov[MASS][MASS] == 0.0:
        return None
    mean, variance = track.along({MASS: 1.0, GROSS: 1.0, CUTS: 1.0})
    return mean - grown / 2.0, math.sqrt(max(0.0, variance))


def _stops(from_s: float, to_s: float, cuts: Sequence[Cut], *more: float) -> list[float]:
    """Moments on the way from one look to the next, the latter last."""
    return (
        sorted({to_s, *(at_s for at_s in (*(c.at_s for c in cuts), *more) if from_s < at_s < to_s)})
        if to_s > from_s
        else []
    )


def _cut(track: Track, grams: float) -> None:
    """A harvest: its grams against a mass that the first harvest is supposed to have been a third of, and others tell.

    The level falls by ln(1 − f), f = grams / (mass × size); what is unsure of mass and size makes it unsure.
    """
    if track.cov[MASS][MASS] == 0.0:
        track.mean[MASS] = math.log(grams / CUT_PART) - _level(track)
        track.cov[MASS][MASS] = MASS_SD**2
    part = min(0.8, max(0.02, math.exp(min(0.0, math.log(grams) - track.mean[MASS] - _level(track)))))
    slope = part / (1.0 - part)
    track.advance({MASS: slope, GROSS: slope, CUTS: slope}, CUT_SD**2, to=CUTS, by=math.log1p(-part))


@dataclass(frozen=True, slots=True)
class Fall:
    """A step of the rate `weeks` ago: the rate before and since at today's size and usual light, per week; how sure."""

    weeks: float
    before: float
    since: float
    sd: float

    @property
    def sureness(self) -> float:
        """How many of its standard deviations the rate fell by."""
        return (self.before - self.since) / self.sd


def fall(
    looks: Sequence[Seen], cuts: Sequence[Cut], fit: Fit, weeks_ago: float, light: Callable[[float, float], float]
) -> Fall | None:
    """What the record says of a step that came so many weeks before the last look; None where its past is too short.

    `light` gives how much light came between two moments, in usual weeks' worth of it.
    """
    looks = _lately(looks, HISTORY_WEEKS)
    step_s = looks[-1].at_s - weeks_ago * WEEK_S
    if sum(s.at_s <= step_s for s in looks) < 5 or step_s - looks[0].at_s < PAST_WEEKS * WEEK_S:
        return None
    path = steps(looks, fit.power, fit.standing)
    track = Track(
        [0.0, RATE_PRIOR[0] + SELF_LIMIT[0], 0.0, 0.0, SELF_LIMIT[0], 0.0, 0.0, *_NONE],
        [0.0, RATE_PRIOR[1] ** 2, 0.0, 0.0, SELF_LIMIT[1] ** 2, STEP_SD**2, BORNE_SD**2, *_VAGUE],
    )
    now_s, level = path[0].at_s, 0.0
    for look in path:
        for at_s in _stops(now_s, look.at_s, cuts, step_s):
            row = _growing(track, light(now_s, at_s), stepped=now_s >= step_s)
            track.advance(row, WIGGLE**2 * (at_s - now_s) / WEEK_S)
            now_s = at_s
            for cut in (c for c in cuts if c.at_s == at_s):
                _cut(track, cut.grams)
        if look.leaves is not None:
            since_s = look.leaves[0]
            borne = track.mean[BORNE]
            grown, sd, leaf = look.grown(level + borne)
            part = leaf * look.leaves[1]
            row = _growing(track, light(since_s, look.at_s), stepped=since_s >= step_s - WEEK_S / 2)
            track.take(
                row | {BORNE: part},
                grown + part * borne,
                math.hypot(sd, WIGGLE * math.sqrt((look.at_s - since_s) / WEEK_S)),
            )
        for told in look.levels:
            track.take(
                {GROSS: 1.0, CUTS: 1.0, OFFSETS + KINDS.index(told.kind): 1.0}, told.value, told.sd, told.stretch
            )
        level = _level(track)
    before, _ = track.along({RATE: 1.0, SIZED: -_size(track)})
    drop, variance = track.along({STEP: 1.0})
    return Fall(weeks_ago, before, before + drop, max(1e-3, math.sqrt(max(0.0, variance)) * track.scale()))


def _growing(track: Track, lit: float, *, stepped: bool) -> dict[int, float]:
    """Growth over some light: the rate, less what it falls by with size, and the step where it has come."""
    row = {RATE: lit, SIZED: -lit * _size(track)}
    return row | {STEP: lit} if stepped else row


def _size(track: Track) -> float:
    """Of what it was at the first look, by the filter's own mean."""
    return math.exp(min(2.0, max(-2.0, _level(track))))


def _level(track: Track) -> float:
    """Logarithm of leaf area against that at the first look, by the filter's own mean."""
    return track.mean[GROSS] + track.mean[CUTS]
