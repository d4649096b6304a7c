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
    by_band: dict[str, list[tuple[float, float]]] = {}
    for _, x, tops in weeks:
        for band, y in tops.items():
            by_band.setdefault(band, []).append((x, y))
    bands = [rows for rows in by_band.values() if len(rows) >= 2]
    count = sum(len(rows) for rows in bands)
    if count < 6:
        return None
    share, moment = 0.0, 0.0
    weights = [[1.0] * len(rows) for rows in bands]
    rest: list[list[float]] = []
    for _ in range(30):
        centred = [_centred(rows, own) for rows, own in zip(bands, weights, strict=True)]
        flat = [
            (w, x, y) for rows, own in zip(centred, weights, strict=True) for (x, y), w in zip(rows, own, strict=True)
        ]
        moment = sum(w * x * x for w, x, _ in flat)
        if moment < 1e-9:
            return None
        before, share = share, sum(w * x * y for w, x, y in flat) / moment
        rest = [[y - share * x for x, y in rows] for rows in centred]
        weights = [[UPPER if r > 0 else 1.0 - UPPER for r in own] for own in rest]
        if abs(share - before) < 1e-4:
            break
    pairs = [(w, r) for own, res in zip(weights, rest, strict=True) for w, r in zip(own, res, strict=True)]
    squares = sum((w * r) ** 2 for w, r in pairs) / sum(w * w for w, _ in pairs)
    # Bands of one week share its weather, so they count as half independent.
    shared = 0.5 * (1.0 + max(1.0, count / len(weeks)))
    sd = math.sqrt(squares / moment * sum(w for w, _ in pairs) / count * shared)
    return Likeness(share, max(sd, 0.05), len(weeks))


def _centred(rows: Sequence[tuple[float, float]], weights: Sequence[float]) -> list[tuple[float, float]]:
    """Both coordinates less their weighted means."""
    total = sum(weights)
    mean_x = sum(w * x for (x, _), w in zip(rows, weights, strict=True)) / total
    mean_y = sum(w * y for (_, y), w in zip(rows, weights, strict=True)) / total
    return [(x - mean_x, y - mean_y) for x, y in rows]


def recent_change(state: DaylightState) -> tuple[float, float] | None:
    """Log change of daylight in the last four weeks against all before, at equal height of the sun, and its error."""
    if len(state.weeks) < 8:
        return None
    then = [(k, 0.0, tops) for k, _, tops in state.weeks[:-4]]
    now = [(k, 1.0, tops) for k, _, tops in state.weeks[-4:]]
    fit = _regress(then + now)
    return None if fit is None else (fit.share, fit.sd)
