"""When the lamp is switched: learned from the light where no schedule is given or the schedule is wrong.

Owns the daily search for abrupt steps and the choice of those that come back at the same local time.  Also says
whether the lamp is on when it should be and off when it should be (`lamp_off`), which needs good readings: missing or
saturated ones say nothing, and never 'dark'.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal

from rushlight.science.inference.robust import median, spread
from rushlight.settings import OnHours
from rushlight.tank.light import switch_jumps

KEEP_DAYS = 14
FEWEST_DAYS = 5
SHARE_OF_DAYS = 0.7
SAME_MINUTE = 12.0
GRACE_S = 70 * 60.0
"""How long the lamp may be late: a timer without summer time is an hour off for half the year (own choice)."""
LOOK_BACK_S = 30 * 60.0
HALF, UNSEEN, GONE_OUT = 0.5, 0.25, 0.15
"""Shares of the lamp's level: above the first it may be on; below the second it is not on if it was not seen coming
on, below the third if it was (own choice)."""

Trouble = Literal["", "not_on", "not_off"]


@dataclass(slots=True)
class StepsState:
    """Steps seen on the last days: (day number, local minute, signed size in the probe's unit) each."""

    steps: list[tuple[int, float, float]] = field(default_factory=list)
    days: list[int] = field(default_factory=list)
    """Day numbers that were covered well enough to be searched."""


def note_day(
    state: StepsState, day: int, times: Sequence[float], values: Sequence[float], minute_of: Callable[[float], float]
) -> None:
    """Search one day's readings for abrupt steps and keep the six largest."""
    found: list[tuple[float, float]] = []
    sizes = [switch_jumps.rise(times, values, i) for i in range(len(times) - 1)]
    for i in sorted(range(len(sizes)), key=lambda k: -abs(sizes[k])):
        if len(found) == 6 or abs(sizes[i]) <= 0.0:
            break
        j = switch_jumps.steepest(times, values, i, 1 if sizes[i] > 0 else -1, sizes[i])[0]
        at_s = 0.5 * (times[j] + times[j + 1])
        if any(abs(at_s - seen) < 1200.0 for seen, _ in found):
            continue
        lo, hi = bisect_left(times, at_s - 7200.0), bisect_right(times, at_s + 7200.0)
        calm = [abs(s) for k, s in enumerate(sizes[lo : hi - 1], lo) if abs(times[k] - at_s) > 900.0]
        if len(calm) >= 8 and abs(sizes[i]) > 6.0 * median(calm):
            found.append((at_s, sizes[i]))
    state.days = [*(d for d in state.days if d > day - KEEP_DAYS and d != day), day]
    state.steps = [s for s in state.steps if s[0] > day - KEEP_DAYS and s[0] != day]
    state.steps += [(day, minute_of(at_s), size) for at_s, size in found]


def recurring(state: StepsState) -> list[tuple[int, float, float]]:
    """Steps that came back at the same local time on most days: (sign, minute, size), in the order of the day.

    Anything smaller than a quarter of the largest is left out: people switch room lights by habit too.
    """
    if len(state.days) < FEWEST_DAYS:
        return []
    out: list[tuple[int, float, float]] = []
    for sign in (1, -1):
        rest = sorted((s for s in state.steps if s[2] * sign > 0), key=lambda s: s[1])
        while rest:
            groups = [[s for s in rest if abs(s[1] - centre[1]) <= SAME_MINUTE] for centre in rest]
            best = max(groups, key=lambda g: (len({s[0] for s in g}), -g[0][1]))
            if len({s[0] for s in best}) < max(FEWEST_DAYS, SHARE_OF_DAYS * len(state.days)):
                break
            sizes = [abs(s[2]) for s in best]
            if spread(sizes) < 0.35 * median(sizes):
                out.append((sign, median([s[1] for s in best]), median(sizes)))
            rest = [s for s in rest if s not in best]
    largest = max((size for _, _, size in out), default=0.0)
    return sorted((s for s in out if s[2] >= 0.25 * largest), key=lambda s: s[1])


def trouble_now(
    spans: Sequence[tuple[float, float, float]],
    times: Sequence[float],
    values: Sequence[float],
    at_s: float,
    *,
    dark_outside: bool | None,
    last: tuple[int, bool] | None,
) -> Trouble | None:
    """What is wrong with the lamp at `at_s`: '' nothing, None when that cannot be said.

    `spans` are the stretches in which the lamp should be on, from yesterday to tomorrow, with its level.  `last` is
    the last switching looked for (1 on, -1 off) and whether it was found; None if that could not be told.
    """
    recent = list(values[bisect_left(times, at_s - LOOK_BACK_S) :])
    if not spans or len(recent) < 2:
        return None
    level = sum(lv for a, b, lv in spans if a + GRACE_S <= at_s <= b - GRACE_S)
    if level > 0.0:
        return _should_be_on(recent, level, last, dark_outside)
    if any(a - GRACE_S <= at_s <= b + GRACE_S for a, b, _ in spans):
        return None
    level = min(lv for _, _, lv in spans)
    if max(recent) < HALF * level:
        return ""  # Whatever hid its going out, too little light is left for it to be on.
    return "not_off" if last == (-1, False) or (dark_outside and min(recent) >= HALF * level) else None


def _should_be_on(
    recent: Sequence[float], level: float, last: tuple[int, bool] | None, dark_outside: bool | None
) -> Trouble | None:
    """Whether it is on in the middle of its hours.

    Whatever hid its coming on, half of its light on a dark night is its own.  Seen coming on, it must have gone out
    since; but a hand, a leaf or a book over the probe is likelier than that, and leaves more light than a dark lamp.
    """
    if dark_outside and min(recent) >= HALF * level:
        return ""
    if last == (1, False) or max(recent) < (GONE_OUT if last == (1, True) else UNSEEN) * level:
        return "not_on"
    return "" if min(recent) >= HALF * level else None


def slots_of(hours: Sequence[OnHours]) -> list[tuple[int, float]]:
    """The switchings of a schedule; 24:00 is the next day's 00:00."""
    return [(sign, _minute(text) % 1440.0) for h in hours for sign, text in ((1, h.on), (-1, h.off))]


def _minute(text: str) -> float:
    hours, minutes = text.split(":")
    return int(hours) * 60.0 + int(minutes)
