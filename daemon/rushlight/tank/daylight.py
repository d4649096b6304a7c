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

from rushlight.science.sun import clear_sky_w_m2

BANDS_DEG = (4.0, 7.0, 11.0, 16.0, 22.0, 30.0, 40.0, 52.0, 66.0, 90.0)
WEEKS_MOST = 104
BEST_OF_WEEK = 2
UPPER = 0.85
"""The expectile that stands for the envelope."""


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


def note_day(
    state: DaylightState,
    week: int,
    times: Sequence[float],
    daylight: Sequence[float],
    elevation_deg: Callable[[float], float],
    lamp_change: float,
    least: float,
) -> None:
    """Take in one day: daylight alone at some times, the sun's height at a time, and the lamp's log change that day.

    Days whose mean in a band is below `least` (the probe's unit) are too dim there to say anything.
    """
    if state.week is not None and week != state.week:
        _close_week(state)
    state.week = week
    by_band: dict[str, list[float]] = {}
    previous = -90.0
    for at_s, value in zip(times, daylight, strict=True):
        height = elevation_deg(at_s)
        band = next((k for k, top in enumerate(BANDS_DEG) if height < top), 0)
        if band:
            by_band.setdefault(f"{band}{'a' if height >= previous else 'p'}", []).append(value / clear_sky_w_m2(height))
            by_band.setdefault(f"{band}{'a' if height >= previous else 'p'}lx", []).append(value)
        previous = height
    for name, ratios in by_band.items():
        if name.endswith("lx") or len(ratios) < 2:
            continue
        raw = by_band[f"{name}lx"]
        if sum(raw) / len(raw) >= least:
            best = [*state.running.get(name, []), math.log(sum(ratios) / len(ratios))]
            state.running[name] = sorted(best, reverse=True)[:BEST_OF_WEEK]
    state.days += 1
    state.change_sum += lamp_change


def _close_week(state: DaylightState) -> None:
    if state.days >= 4 and state.week is not None:
        tops = {k: sum(v) / len(v) for k, v in sorted(state.running.items())}
        state.weeks = [*state.weeks[-(WEEKS_MOST - 1) :], (state.week, state.change_sum / state.days, tops)]
    state.days, state.running, state.change_sum = 0, {}, 0.0


def likeness(state: DaylightState) -> Likeness | None:
    """How far daylight followed the lamp over the weeks kept; None where they say nothing.

    Regression of the envelope's log on the lamp's log change, each band with a level of its own, by asymmetric least
    squares, so that it runs along the upper edge.
    """
    weeks = list(state.weeks)
    if state.days >= 2 and state.week is not None:
        tops = {k: sum(v) / len(v) for k, v in sorted(state.running.items())}
        weeks.append((state.week, state.change_sum / state.days, tops))
    return _regress(weeks)


def _regress(weeks: Sequence[tuple[int, float, dict[str, float]]]) -> Likeness | None:
    """The fit behind both claims: log envelope on a weekly number, each band with a level of its own."""
    rows = [(band, x, y) for _, x, tops in weeks for band, y in tops.items()]
    counts: dict[str, int] = {}
    for band, _, _ in rows:
        counts[band] = counts.get(band, 0) + 1
    rows = [r for r in rows if counts[r[0]] >= 2]
    if len(rows) < 6:
        return None
    share, weights, moment = 0.0, [1.0] * len(rows), 0.0
    levels: dict[str, float] = {}
    for _ in range(30):
        levels_x, levels = _band_means(rows, weights)
        moment = sum(w * (x - levels_x[b]) ** 2 for (b, x, _), w in zip(rows, weights, strict=True))
        if moment < 1e-9:
            return None
        cross = sum(w * (x - levels_x[b]) * (y - levels[b]) for (b, x, y), w in zip(rows, weights, strict=True))
        share = cross / moment
        rest = [y - levels[b] - share * (x - levels_x[b]) for b, x, y in rows]
        weights = [UPPER if r > 0 else 1.0 - UPPER for r in rest]
    squares = sum((w * r) ** 2 for w, r in zip(weights, rest, strict=True)) / sum(w * w for w in weights)
    per_week = max(1.0, len(rows) / max(1, len(weeks)))
    # Bands of one week share its weather, so they count as half independent.
    sd = math.sqrt(squares / moment * sum(weights) / len(rows) * 0.5 * (1.0 + per_week))
    return Likeness(share, max(sd, 0.05), len(weeks))


def _band_means(
    rows: Sequence[tuple[str, float, float]], weights: Sequence[float]
) -> tuple[dict[str, float], dict[str, float]]:
    total: dict[str, float] = {}
    sum_x: dict[str, float] = {}
    sum_y: dict[str, float] = {}
    for (band, x, y), w in zip(rows, weights, strict=True):
        total[band] = total.get(band, 0.0) + w
        sum_x[band] = sum_x.get(band, 0.0) + w * x
        sum_y[band] = sum_y.get(band, 0.0) + w * y
    return {b: sum_x[b] / t for b, t in total.items()}, {b: sum_y[b] / t for b, t in total.items()}


def recent_change(state: DaylightState) -> tuple[float, float] | None:
    """Log change of daylight in the last four weeks against all before, at equal height of the sun, and its error."""
    if len(state.weeks) < 8:
        return None
    then = [(k, 0.0, tops) for k, _, tops in state.weeks[:-4]]
    now = [(k, 1.0, tops) for k, _, tops in state.weeks[-4:]]
    fit = _regress(then + now)
    return None if fit is None else (fit.share, fit.sd)
