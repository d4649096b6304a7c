"""Daylight at the probe against the sun: whether a loss of lamp light is the lamp's, the probe's or the window's.

Owns the weekly envelope: the brightest daily means at each height of the sun, morning and afternoon apart, relative
to a clear sky.  Clouds only take away, so the upper edge of several days is nearly the clear sky through this window,
and comparing the same height of the sun takes the season out.  A fouled probe loses daylight in the same proportion
as lamp light; an ageing lamp loses none.

The claim is a weak one: a cloudy month can hide five percent.  Its error is estimated and given with it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from rushlight.science.inference.robust import median
from rushlight.science.optics.sun import clear_sky_w_m2

BANDS_DEG = (4.0, 7.0, 11.0, 16.0, 22.0, 30.0, 40.0, 52.0, 66.0, 90.0)
WEEKS_MOST = 104
NIGHT = "night"
BEST_OF_WEEK = 1
LOWEST_DEG = 2.0
"""Below this height of the sun a clear sky is not known well enough (own choice)."""
STEADY_S = 2100.0
"""How far to either side the light is looked at for its steadiness (own choice)."""
STEADY = 0.02
"""How much, as a share of all light, steady ten-minute means may scatter (own choice)."""
UPPER = 0.98
"""The expectile that stands for the upper edge (own choice)."""
EDGE_STEPS, CLEAR_STEPS = 12, 8
CLOUDED = 0.07
"""A week's steady light this far below the fit, as a log, was an even overcast or haze and no clear sky (own choice,
tried on simulated windows: more lets in what leans the fit, less leaves too few weeks)."""
BESIDE_LAMP = 0.2
"""Daylight weaker than this share of the lamp drowns in the lamp's own error.  Below it, winter's daylight at a window
would tell nothing at all; above it, the one percent of the lamp that is not known is five of daylight (own choice)."""
FEW_WEEKS = 1.4
"""By how much the fit's error is widened (own choice, tried on simulated windows)."""
CLEAR_SKY_SD = 0.02
"""How well the brightest days of a season are known at best, as a log: haze differs (own choice)."""
MOST_BEYOND = 0.6
"""A share further than this beyond 1 is no fouling, however sure the fit (own choice)."""
BEYOND = 0.25
"""A share so far beyond 0 or 1 proves no more than one nearer by (own choice)."""
MISFIT = 0.2
"""How far the share may be off because a window does not see the whole sky (own choice)."""
PRIOR_LAMP = 0.7
"""Natural log odds before daylight is looked at: lamps age more often than probes foul (own choice)."""

SURE_ODDS = 1.4
"""Natural log odds of four to one: so sure must the daylight be before lamp or probe is named (own choice)."""


@dataclass(slots=True)
class DaylightState:
    """Weekly envelopes and the running week."""

    week: int | None = None
    days: int = 0
    running: dict[str, list[float]] = field(default_factory=dict)
    """Band to the best daily logs of the running week."""
    change_sum: float = 0.0
    weeks: list[tuple[int, float, dict[str, float]]] = field(default_factory=list)
    """Week number, mean log change of the lamp, envelope by band."""


@dataclass(frozen=True, slots=True)
class Likeness:
    """Daylight's share in the lamp's change: 0 when daylight stayed, 1 when it fell alike; and its error."""

    share: float
    sd: float
    weeks: int

    def by_season(self) -> bool:
        """Whether daylight fell far more than any probe's fouling explains: this window has a season of its own."""
        return self.share > 1.0 + MOST_BEYOND + self.sd

    def probe_odds(self) -> float | None:
        """Natural log odds that the probe lost light, not the lamp; None when daylight did something else altogether.

        A share far from both 0 and 1 means that the season changed this window's light by itself.
        """
        sd = math.hypot(self.sd, MISFIT)
        share = min(1.0 + BEYOND, max(-BEYOND, self.share))
        odds = (2.0 * share - 1.0) / (2.0 * sd * sd) - PRIOR_LAMP
        return None if self.by_season() or self.share < -MOST_BEYOND - 2.0 * self.sd else odds


def note_day(
    state: DaylightState,
    week: int,
    points: Sequence[tuple[float, float, float]],
    elevation_deg: Callable[[float], float],
    lamp_change: float,
    least: float,
) -> None:
    """Take in one day.

    `points` are times with the daylight and the lamp's light at them in the probe's unit, ten-minute means;
    `elevation_deg` gives the sun's height at a time; `lamp_change` is the lamp's log change that day.  A band whose
    daylight stays below `least` or drowns in the lamp's own error says nothing that day, nor does light that
    flickers: clouds do, a clear sky does not.  Beside the lamp and without it are bands of their own.
    """
    if state.week is not None and week != state.week:
        _close_week(state)
    state.week = week
    sky = _against_clear_sky(points, elevation_deg, least)
    by_band: dict[str, list[float]] = {}
    for i, (_, index, _, name) in enumerate(sky):
        if name and _steady(sky, i):
            by_band.setdefault(name, []).append(index)
    for name, rows in by_band.items():
        if len(rows) >= 2:
            best = [*state.running.get(name, []), sum(rows) / len(rows)]
            state.running[name] = sorted(best, reverse=True)[:BEST_OF_WEEK]
    state.days += 1
    state.change_sum += lamp_change


def _against_clear_sky(
    points: Sequence[tuple[float, float, float]], elevation_deg: Callable[[float], float], least: float
) -> list[tuple[float, float, float, str]]:
    """Each usable point: time, log of daylight over a clear sky's, all light over daylight, band ('' for none)."""
    out: list[tuple[float, float, float, str]] = []
    previous = -90.0
    for at_s, value, lamp in points:
        height = elevation_deg(at_s)
        if height > LOWEST_DEG and value >= max(least, BESIDE_LAMP * lamp):
            band = next(k for k, top in enumerate(BANDS_DEG) if height <= top)
            name = f"{band}{'a' if height >= previous else 'p'}{'l' if lamp > 0.0 else ''}" if band else ""
            out.append((at_s, math.log(value / clear_sky_w_m2(height)), (value + lamp) / value, name))
        previous = height
    return out


def _steady(sky: Sequence[tuple[float, float, float, str]], i: int) -> bool:
    """Whether the light around place `i` bends no more, over an hour, than a clear sky's and the probe's noise allow.

    Smoothness as the mark of a clear sky: Reno & Hansen 2016 (Renewable Energy 90:520-531); the bound is our own.
    """
    near = [row for row in sky[max(0, i - 3) : i + 4] if abs(row[0] - sky[i][0]) <= STEADY_S]
    bends = [a[1] - 2.0 * b[1] + c[1] for a, b, c in zip(near, near[1:], near[2:], strict=False)]
    if len(bends) < 3:
        return False
    return math.sqrt(sum(b * b for b in bends) / (6.0 * len(bends))) <= STEADY * sky[i][2]


def _close_week(state: DaylightState) -> None:
    if state.days >= 4 and state.week is not None:
        tops = {k: sum(v) / len(v) for k, v in sorted(state.running.items())}
        state.weeks = [*state.weeks[-(WEEKS_MOST - 1) :], (state.week, state.change_sum / state.days, tops)]
    state.days, state.running, state.change_sum = 0, {}, 0.0


def likeness(state: DaylightState) -> Likeness | None:
    """How far daylight followed the lamp over the weeks kept; None where they say nothing.

    Regression of the clear sky's log on the lamp's log change, each band with a level of its own: first by asymmetric
    least squares, so that it runs along the upper edge, then by plain ones on what lies near that edge.
    """
    weeks = list(state.weeks)
    if state.days >= 2 and state.week is not None:
        tops = {k: sum(v) / len(v) for k, v in sorted(state.running.items())}
        weeks.append((state.week, state.change_sum / state.days, tops))
    return _regress([(k, x, _sky(tops)) for k, x, tops in weeks])


def _regress(weeks: Sequence[tuple[int, float, dict[str, float]]]) -> Likeness | None:
    """The fit behind both claims: log envelope on a weekly number, each band with a level of its own."""
    by_band: dict[str, list[tuple[int, float, float]]] = {}
    for number, x, tops in weeks:
        for band, y in tops.items():
            by_band.setdefault(band, []).append((number, x, y))
    bands = [rows for rows in by_band.values() if len(rows) >= 2]
    if sum(len(rows) for rows in bands) < 6:
        return None
    weights = [[1.0] * len(rows) for rows in bands]
    for step in range(EDGE_STEPS + CLEAR_STEPS):
        share, moment, centred = _fit(bands, weights)
        if moment < 1e-9:
            return None
        if step < EDGE_STEPS:
            weights = [[UPPER if y > share * x else 1.0 - UPPER for _, x, y in rows] for rows in centred]
        else:
            weights = [[1.0 if y > share * x - CLOUDED else 0.0 for _, x, y in rows] for rows in centred]
    share, moment, centred = _fit(bands, weights)
    if moment < 1e-9 or sum(map(sum, weights)) < 6.0:
        return None
    flat = [
        (number, w, x, y)
        for rows, own in zip(centred, weights, strict=True)
        for (number, x, y), w in zip(rows, own, strict=True)
    ]
    # Only what a band saw of the lamp's change, between its own clear weeks, can tell anything.
    seen = [[x for (_, x, _), w in zip(rows, own, strict=True) if w] for rows, own in zip(bands, weights, strict=True)]
    span = max(max(xs, default=0.0) - min(xs, default=0.0) for xs in seen)
    return Likeness(share, max(CLEAR_SKY_SD / span, _error(flat, share, moment)), len(weeks))


_Rows = list[tuple[int, float, float]]


def _fit(bands: Sequence[_Rows], weights: Sequence[Sequence[float]]) -> tuple[float, float, list[_Rows]]:
    """Slope, its moment, and the rows less their bands' levels, by weighted least squares."""
    centred = [_centred(rows, own) for rows, own in zip(bands, weights, strict=True)]
    moment = along = 0.0
    for rows, own in zip(centred, weights, strict=True):
        moment += sum(w * x * x for (_, x, _), w in zip(rows, own, strict=True))
        along += sum(w * x * y for (_, x, y), w in zip(rows, own, strict=True))
    return (along / moment if moment else 0.0), moment, centred


def _error(flat: Sequence[tuple[int, float, float, float]], share: float, moment: float) -> float:
    """Standard error by the scatter of whole weeks, since the bands of one week share its weather.

    The sandwich of Liang & Zeger 1986 (Biometrika 73:13-22), widened because weeks are few and weather lasts.
    """
    by_week: dict[int, float] = {}
    for number, w, x, y in flat:
        by_week[number] = by_week.get(number, 0.0) + w * x * (y - share * x)
    return FEW_WEEKS * math.sqrt(sum(v * v for v in by_week.values())) / moment


def _centred(rows: Sequence[tuple[int, float, float]], weights: Sequence[float]) -> list[tuple[int, float, float]]:
    """Both coordinates less their weighted means."""
    total = sum(weights) or 1.0
    mean_x = sum(w * x for (_, x, _), w in zip(rows, weights, strict=True)) / total
    mean_y = sum(w * y for (_, _, y), w in zip(rows, weights, strict=True)) / total
    return [(number, x - mean_x, y - mean_y) for number, x, y in rows]


def recent_change(state: DaylightState) -> tuple[float, float] | None:
    """Log change of daylight in the last four weeks against all before, at equal height of the sun, and its error."""
    if len(state.weeks) < 8:
        return None
    then = [(k, 0.0, _sky(tops)) for k, _, tops in state.weeks[:-4]]
    now = [(k, 1.0, _sky(tops)) for k, _, tops in state.weeks[-4:]]
    fit = _regress(then + now)
    return None if fit is None else (fit.share, fit.sd)


def note_night(state: DaylightState, middle: float) -> None:
    """The middle value of one dark night's readings, for a lamp that never goes off; call after `note_day`."""
    state.running[NIGHT] = [max(math.log(middle), *state.running.get(NIGHT, [-math.inf]))]


def night_change(state: DaylightState) -> float | None:
    """Log change of the light at night in the last two weeks against the first four; None before six weeks."""
    nights = [tops[NIGHT] for _, _, tops in state.weeks if NIGHT in tops]
    return None if len(nights) < 6 else median(nights[-2:]) - median(nights[:4])


def _sky(tops: dict[str, float]) -> dict[str, float]:
    return {band: y for band, y in tops.items() if band != NIGHT}
