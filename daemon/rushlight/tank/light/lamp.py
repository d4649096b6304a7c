"""The lamp's own output, switching by switching, against an anchor that only work on the lamp moves.

Owns: where the jumps of the light are looked for, the anchor, the cumulative sum that decides `lamp_dimming`, and
the running estimate of the lamp's output.  Never reads the total dose, which follows the season: each lamp-on and
lamp-off is its own measurement, free of daylight.  How much each counts depends on how quiet the light was.

The sum is Page's test on the log of output over anchor, as a log-likelihood ratio for a loss of the smallest size
worth acting on (`science.cusum`).  A switching counts at most a third of what an alarm needs, so that one odd day
raises none.  A second sum, for a loss three and a half times that size, tells a step within two days
(`light.abrupt_loss`).  Lamp-on and lamp-off must agree.
"""

from __future__ import annotations

import datetime as dt
import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from rushlight.effects import Estimate
from rushlight.localtime import DAY_S, local_day, minute_on
from rushlight.science.inference import cusum
from rushlight.science.inference.robust import median, spread, weighted_location
from rushlight.tank.light import abrupt_loss, lamp_floor, switch_jumps
from rushlight.tank.light.abrupt_loss import Abrupt

FIRST_LOOK_S = 60 * 60.0
"""After an expected switching, when it is measured at the soonest: readings on both sides are needed (own choice)."""
LOOK_AFTER = 5.5
"""And not before this many readings after it (own choice)."""
SECOND_LOOK_S = 150 * 60.0
"""When a switching that was not found in its place is looked for up to 75 minutes away (a timer without summer
time) (own choice)."""
AWAY_S = 75 * 60.0
LEARN_DAYS, LEARN_MOST_DAYS = 14.0, 28.0
"""How long an anchor is learned: until it is good to `ANCHOR_SD`, but no longer than the second (own choice)."""
LEARN_FEWEST = 8
ANCHOR_SD = 0.006
EVERYDAY_SD = 0.015
"""What a healthy lamp's output differs by from one switching to the next, beyond the measured error (own choice;
warm-up, mains voltage, room temperature)."""
DECISION = 10.0
"""Sum at which `lamp_dimming` is raised: e**10 switchings between false alarms at least (Wald's bound) (own choice)."""
MOST_PER_EDGE = 3.5
SLOW_ERROR = 0.9
"""Share of a switching's measured error that the sum for a slow loss goes by.  Errors are measured on the wide side
(in healthy simulated rooms switchings scatter by 0.5 to 0.9 of them); over the many that a slow loss takes, that
evens out (own choice)."""
STEP_FACTOR = 3.5
"""A second sum is set for a loss this many times the smallest, so that a step shows within two days even in restless
light (own choice)."""
ABSENT = 0.2
"""A jump below this share of the lamp's is none (own choice)."""
AGREE, AGREE_ON_STEP = 2.0, 0.5
"""What lamp-on and lamp-off must each have gathered by themselves, for a slow loss and for a large one: no proof, but
more than nothing.  One of the two often switches in far more restless light and can tell little; where it can tell,
a lamp that is as it was takes from the sums what the other gives (own choice)."""
CLIP_SD = 4.0
WANDER_SD_PER_DAY = 0.004
"""How fast the running estimate of the output may wander, per root day (own choice)."""
UNREST_GAIN = 0.07
"""How fast a slot learns how restless it is: in about a week (own choice)."""
SLOTS_MOST = 12
WARMING, DOUBT = 0.02, 1.5
"""Anchors of lamp-on and lamp-off that differ by more than the first, as a log, which a lamp's warming up explains, had
people's lights in the larger one; so many times what is beyond counts as its error (own choice, tried on simulated
rooms)."""


@dataclass(slots=True)
class Slot:
    """One switching of the day: lamp-on (`sign` 1) or lamp-off (-1) at a local minute of the day."""

    sign: int
    minute: float
    due_s: float = 0.0
    looked: bool = False
    shifts_s: list[float] = field(default_factory=list)
    """Found minus expected, the last few."""
    learned: list[tuple[float, float]] = field(default_factory=list)
    """Jumps and their errors while the anchor is learned."""
    widths_s: list[float] = field(default_factory=list)
    anchor: float | None = None
    anchor_sd: float = 0.0
    unrest: float = 0.0
    """Variance of the log output beyond the measured error: what people's lights and moods of the sky add."""
    own: float = 0.0
    own_large: float = 0.0
    """This slot's own two sums, for a slow loss and for a large one."""
    seen_s: float | None = None
    missed: int = 0

    @property
    def shift_s(self) -> float:
        """How much later than expected this switching usually is."""
        return median(self.shifts_s) if len(self.shifts_s) >= 3 else 0.0

    @property
    def width_s(self) -> float:
        """How long the lamp ramps; 0 for a plain switch."""
        return median(self.widths_s) if self.widths_s else 0.0

    def jump(self) -> float | None:
        """The anchor, or what is known of it so far; the probe's unit."""
        if self.anchor is not None:
            return self.anchor
        return median([j for j, _ in self.learned]) if self.learned else None


@dataclass(slots=True)
class LampState:
    """What is remembered of the lamp."""

    slots: list[Slot] = field(default_factory=list)
    since_s: float | None = None
    """When the running anchor was begun."""
    sum: float = 0.0
    abrupt: Abrupt = field(default_factory=Abrupt)
    """What is gathered for a large loss."""
    scanned_s: float | None = None
    """Up to when light beneath the lamp's own was looked for."""
    rising_since_s: float | None = None
    """When the sum last left zero: the likely begin of the loss."""
    dimming: bool = False
    change: float = 0.0
    """Natural log of output over anchor, running estimate."""
    change_var: float = 0.0
    change_at_s: float | None = None
    odd: int = 0
    """Measurements in a row that lay far off the running estimate, signed."""
    found: list[tuple[int, float, float | None]] = field(default_factory=list)
    """Slot, expected time, time found (None: quiet and nothing there), of the last three days."""


class LampWatch:
    """The lamp's settings: its zone, the smallest loss worth acting on as a natural log, and the probe's pace."""

    def __init__(self, zone: ZoneInfo, smallest_loss_percent: float, every_s: float = 60.0) -> None:
        self.zone = zone
        self.first_look_s = max(FIRST_LOOK_S, LOOK_AFTER * every_s)
        self.stretch = switch_jumps.stretched(every_s)
        self.shift = -math.log1p(-smallest_loss_percent / 100.0)
        self.step_shift = -math.log1p(-min(0.5, STEP_FACTOR * smallest_loss_percent / 100.0))

    # ---- when

    def expected_after(self, slot: Slot, at_s: float) -> float:
        """The next time after `at_s` that this slot is due by the wall clock of its zone."""
        day = local_day(at_s, self.zone)
        for ahead in (0, 1, 2):
            due_s = minute_on(day + dt.timedelta(days=ahead), slot.minute, self.zone)
            if due_s > at_s:
                return due_s
        raise AssertionError("a slot is due every day")

    def set_slots(self, state: LampState, at_s: float, slots: Sequence[tuple[int, float]]) -> None:
        """Begin a new anchor with these switchings: (sign, local minute) each."""
        state.slots = [Slot(sign, minute) for sign, minute in sorted(slots, key=lambda s: (s[1], s[0]))[:SLOTS_MOST]]
        self.reanchor(state, at_s)

    def reanchor(self, state: LampState, at_s: float) -> None:
        """Forget the lamp's output, keep what is known of when it is switched."""
        state.since_s = at_s
        state.sum = state.change = state.change_var = 0.0
        state.rising_since_s = state.change_at_s = state.scanned_s = None
        abrupt_loss.restart(state.abrupt)
        state.dimming, state.odd, state.found = False, 0, []
        for slot in state.slots:
            slot.learned, slot.anchor, slot.anchor_sd = [], None, 0.0
            slot.own, slot.own_large = 0.0, 0.0
            slot.seen_s, slot.missed, slot.looked = None, 0, False
            slot.due_s = self.expected_after(slot, at_s)

    def cleaned(self, state: LampState) -> None:
        """The sum starts afresh against the same anchor; the running estimate may leap."""
        state.sum = 0.0
        abrupt_loss.restart(state.abrupt)
        state.rising_since_s, state.dimming = None, False
        state.change_var += 0.1**2
        for slot in state.slots:
            slot.own = slot.own_large = 0.0

    def next_look_s(self, state: LampState) -> float | None:
        """When the next switching can be measured."""
        return min((self._look_s(s) for s in state.slots), default=None)

    def _look_s(self, slot: Slot) -> float:
        return (
            slot.due_s + max(0.0, slot.shift_s) + (self.stretch * SECOND_LOOK_S if slot.looked else self.first_look_s)
        )

    # ---- what

    def settle(self, state: LampState, times: Sequence[float], values: Sequence[float], at_s: float) -> None:
        """Measure every switching that is due by `at_s`."""
        for number, slot in enumerate(state.slots):
            while at_s >= self._look_s(slot):
                self._look(state, number, times, values, at_s)

    def look_beneath(
        self,
        state: LampState,
        spans: Sequence[tuple[float, float, float]],
        times: Sequence[float],
        values: Sequence[float],
        at_s: float,
    ) -> None:
        """Light below the lamp's own while it is on counts for a large loss, however restless the switchings are.

        `spans` are the stretches (from, to, level) in which the lamp should be on, its level that of the anchor.
        """
        from_s = at_s if state.scanned_s is None else state.scanned_s - lamp_floor.STAYS_S
        state.scanned_s = at_s
        ramp_s = max((slot.width_s for slot in state.slots), default=0.0)
        found_s = lamp_floor.stays_below(spans, times, values, from_s, ramp_s)
        if found_s is not None and abrupt_loss.take_beneath(state.abrupt, found_s):
            self._decide(state, found_s)

    def _look(
        self, state: LampState, number: int, times: Sequence[float], values: Sequence[float], at_s: float
    ) -> None:
        slot = state.slots[number]
        found = self._search(state, slot, times, values)
        if found is None and not slot.looked:
            slot.looked = True
            return
        expected_s, slot.looked = slot.due_s, False
        slot.due_s = self.expected_after(slot, max(expected_s + 1.0, at_s - self.stretch * SECOND_LOOK_S - DAY_S / 2))
        if found is None:
            self._not_found(state, number, times, values, expected_s)
            return
        edge = self._measured(state, slot, times, values, found)
        at_edge_s = 0.5 * (times[found] + times[found + 1])
        slot.seen_s, slot.missed = at_edge_s, 0
        slot.shifts_s = [*slot.shifts_s[-4:], at_edge_s - expected_s]
        state.found = [*state.found[-4 * len(state.slots) :], (number, expected_s, at_edge_s)]
        if edge is not None:
            self._take(state, slot, edge)

    def _search(self, state: LampState, slot: Slot, times: Sequence[float], values: Sequence[float]) -> int | None:
        """The place of this slot's jump among the readings, if it stands out enough to be believed."""
        usual_s = slot.due_s + slot.shift_s
        jump = slot.jump()
        level = None if jump is None else jump * math.exp(state.change) * switch_jumps.seen_share(slot.width_s)
        if level is not None and len(slot.shifts_s) >= 3 and not slot.width_s:
            i = _nearest(times, values, usual_s, slot.sign, switch_jumps.BRIDGE_S * self.stretch)
            if i is not None and slot.sign * switch_jumps.rise(times, values, i) >= 0.4 * level:
                return i
        away_s = (AWAY_S if slot.looked else 20 * 60.0) * self.stretch
        best = switch_jumps.locate(times, values, usual_s - away_s, usual_s + away_s, slot.sign, slot.width_s)
        if best is None or abs(0.5 * (times[best[0]] + times[best[0] + 1]) - usual_s) > away_s + 900.0:
            return None
        i, size = best
        noise = switch_jumps.scatter(times, values, times[i], self.stretch)
        if size < 5.0 * noise or size <= 0.0 or (level is not None and size < 0.5 * level):
            return None
        return i

    def _measured(
        self, state: LampState, slot: Slot, times: Sequence[float], values: Sequence[float], i: int
    ) -> switch_jumps.Edge | None:
        if slot.anchor is None:
            # Readings too far apart can't tell a ramp from the morning.
            whole = self.stretch > 1.0
            width_s = 0.0 if whole else switch_jumps.ramp_width_s(times, values, i, switch_jumps.rise(times, values, i))
            slot.widths_s = [*slot.widths_s[-14:], width_s]
        at_s = 0.5 * (times[i] + times[i + 1])
        others = [s.due_s + s.shift_s + n * DAY_S for s in state.slots if s is not slot for n in (-2, -1, 0, 1)]
        pad_s = 0.5 * max(s.width_s for s in state.slots) + 600.0
        from_s = max((o + pad_s for o in others if o < at_s - pad_s), default=-math.inf)
        to_s = min((o - pad_s for o in others if o > at_s + pad_s), default=math.inf)
        return switch_jumps.measure(
            times, values, i, width_s=slot.width_s, from_s=from_s, to_s=to_s, stretch=self.stretch
        )

    def _not_found(
        self, state: LampState, number: int, times: Sequence[float], values: Sequence[float], expected_s: float
    ) -> None:
        """Nothing jumped in its place: it stayed away if the light was read on both sides, else nobody knows."""
        slot = state.slots[number]
        slot.missed += 1
        jump = slot.jump()
        usual_s = expected_s + slot.shift_s  # A timer an hour off switches in what may be a hole there.
        around = [bisect_left(times, usual_s + 60.0 * m * self.stretch) for m in (-75, -10, 30, 75)]
        if jump is None or around[1] - around[0] < 3 or around[3] - around[2] < 3:
            return
        away_s = AWAY_S * self.stretch
        best = switch_jumps.locate(times, values, usual_s - away_s, usual_s + away_s, slot.sign, slot.width_s)
        least = ABSENT * jump * math.exp(state.change) * switch_jumps.seen_share(slot.width_s)
        if best is not None and best[1] < least:
            state.found = [*state.found[-4 * len(state.slots) :], (number, expected_s, None)]

    # ---- how strong

    def _take(self, state: LampState, slot: Slot, edge: switch_jumps.Edge) -> None:
        """One measured jump: into the anchor while that is learned, then against it."""
        jump = slot.sign * edge.jump
        if slot.anchor is None:
            if jump > 0.0:
                slot.learned = [*slot.learned[-59:], (jump, edge.sd)]
            self._try_anchor(state, slot, edge.at_s)
            return
        ratio = jump / slot.anchor
        relative_var = min(0.25, (edge.sd / slot.anchor) ** 2)
        # The mean of a log lies half a variance below the log of the mean; that half is given back.
        change = math.log(max(0.2, ratio)) + 0.5 * relative_var
        self._judge(state, slot, edge.at_s, change, relative_var)
        self._follow(state, slot, edge.at_s, change, relative_var + slot.unrest)

    def _try_anchor(self, state: LampState, slot: Slot, at_s: float) -> None:
        days = (at_s - (state.since_s or at_s)) / DAY_S
        if days < LEARN_DAYS - 1.0 or len(slot.learned) < LEARN_FEWEST:
            return
        jumps = [j for j, _ in slot.learned]
        middle = median(jumps)
        sds = [math.hypot(sd, EVERYDAY_SD * middle) for _, sd in slot.learned]
        anchor, error = weighted_location(jumps, sds)
        if error / anchor > ANCHOR_SD and days < LEARN_MOST_DAYS:
            return
        slot.unrest = max(0.0, (spread(jumps) / anchor) ** 2 - median([(sd / anchor) ** 2 for sd in sds]))
        slot.anchor, slot.anchor_sd, slot.learned = anchor, error / anchor, []
        if state.change_at_s is None:
            state.change_at_s, state.change_var = at_s, slot.anchor_sd**2

    def _judge(self, state: LampState, slot: Slot, at_s: float, change: float, relative_var: float) -> None:
        lasting = EVERYDAY_SD**2 + slot.anchor_sd**2 + slot.unrest + _doubt(state, slot) ** 2
        small, large = self._scores(lasting, change, relative_var)
        state.sum = cusum.score_step(state.sum, small, DECISION + 8.0)
        abrupt_loss.take_switching(state.abrupt, at_s, large)
        slot.own = cusum.score_step(slot.own, small, DECISION)
        slot.own_large = cusum.score_step(slot.own_large, large, abrupt_loss.DECISION)
        self._decide(state, at_s)

    def _decide(self, state: LampState, at_s: float) -> None:
        highest = max(state.sum, state.abrupt.sum)
        if highest <= 0.0:
            state.rising_since_s = None
        elif state.rising_since_s is None:
            state.rising_since_s = at_s
        slow = state.sum >= DECISION and self._agree([(s, s.own) for s in state.slots], at_s, AGREE)
        either = [(s, max(s.own, s.own_large)) for s in state.slots]
        agreed = state.abrupt.twice() or self._agree(either, at_s, AGREE_ON_STEP)
        if slow or (state.abrupt.decided() and agreed):
            state.dimming = True
        elif highest <= 1.0:
            state.dimming = False

    def _scores(self, lasting: float, change: float, relative_var: float) -> tuple[float, float]:
        """What one switching says for the smallest loss and for the large one: bounded log-likelihood ratios.

        A fall well beyond the large loss is a shadow or the large loss; of a slow one it says nothing.  `lasting` is
        the variance that is not the measurement's own.
        """
        sd = math.sqrt(lasting + relative_var)
        slow_sd = math.sqrt(lasting + SLOW_ERROR**2 * relative_var)
        small = cusum.fall_score(change, slow_sd, self.shift, max(CLIP_SD, self.shift / slow_sd))
        large = cusum.fall_score(change, sd, self.step_shift, max(CLIP_SD, self.step_shift / sd))
        if change < -self.step_shift - slow_sd:
            small = 0.0
        return min(MOST_PER_EDGE, small), min(abrupt_loss.MOST_PER_EDGE, large)

    def _agree(self, gathered: Sequence[tuple[Slot, float]], at_s: float, least: float) -> bool:
        """Lamp-on and lamp-off each show it, as far as each was seen in the last ten days."""
        for sign in (1, -1):
            fresh = [
                own
                for s, own in gathered
                if s.sign == sign and s.anchor is not None and s.seen_s is not None and at_s - s.seen_s < 10 * DAY_S
            ]
            if fresh and max(fresh) < least:
                return False
        return True

    def _follow(self, state: LampState, slot: Slot, at_s: float, change: float, relative_var: float) -> None:
        """The running estimate: a local level that leaps only when three measurements in a row say so.

        What the measurements scatter about it beyond their own error is the slot's unrest.
        """
        days = max(0.0, at_s - (state.change_at_s or at_s)) / DAY_S
        state.change_at_s = at_s
        state.change_var += WANDER_SD_PER_DAY**2 * days
        noise = relative_var + (0.5 * EVERYDAY_SD) ** 2
        off = change - state.change
        usual = state.change_var + noise
        slot.unrest = max(0.0, slot.unrest + UNREST_GAIN * (min(off * off, 9.0 * usual) - usual))
        if off * off > 12.0 * (state.change_var + noise):
            state.odd = (
                state.odd + 1 if off > 0 and state.odd >= 0 else state.odd - 1 if off < 0 and state.odd <= 0 else 0
            )
            if abs(state.odd) < 3:
                return
            state.change_var += off * off
        state.odd = 0
        gain = state.change_var / (state.change_var + noise)
        state.change += gain * off
        state.change_var *= 1.0 - gain

    # ---- told

    def anchored(self, state: LampState) -> bool:
        """Whether there is an anchor to compare with."""
        return any(s.anchor is not None for s in state.slots)

    def seen_lately(self, state: LampState, at_s: float) -> bool:
        """Whether any switching has been found in the last ten days, or the watch is younger than that."""
        times = [s.seen_s for s in state.slots if s.seen_s is not None] + [state.since_s or at_s]
        return at_s - max(times) < 10 * DAY_S

    def percent(self, state: LampState) -> Estimate | None:
        """Output against the anchor, with its central 90 % interval."""
        if not self.anchored(state) or state.change_at_s is None:
            return None
        half = 1.645 * math.sqrt(state.change_var)
        low, mean, high = (100.0 * math.exp(state.change + d) for d in (-half, 0.0, half))
        return Estimate(mean=mean, low=low, high=high)

    def spans(self, state: LampState, from_s: float, to_s: float) -> list[tuple[float, float, float]]:
        """Stretches (from, to, level in the probe's unit) in which the lamp was or should have been on."""
        seen = {(n, round(expected)): at for n, expected, at in state.found}
        out: list[tuple[float, float, float]] = []
        for n, slot in enumerate(state.slots):
            if slot.sign < 0:
                continue
            off = next((k for k in _after(n, len(state.slots)) if state.slots[k].sign < 0), None)
            level = self._level(state, slot, None if off is None else state.slots[off])
            if level is None:
                continue
            on_s = self.expected_after(slot, from_s - DAY_S - 1.0)
            while on_s < to_s:
                off_s = math.inf if off is None else self.expected_after(state.slots[off], on_s)
                began = seen.get((n, round(on_s)), on_s + slot.shift_s)
                ended = None if off is None else seen.get((off, round(off_s)), off_s + state.slots[off].shift_s)
                ended = off_s if ended is None else ended
                if began is not None and ended > from_s and began < to_s:
                    out.append((max(began, from_s), min(ended, to_s), level))
                on_s = self.expected_after(slot, on_s)
        return out

    def expected_spans(self, state: LampState, from_s: float, to_s: float) -> list[tuple[float, float, float]]:
        """As `spans`, by the clock alone: what was found or missed changes nothing."""
        found, state.found = state.found, []
        try:
            return self.spans(state, from_s, to_s)
        finally:
            state.found = found

    def last_switching(self, state: LampState, at_s: float) -> tuple[int, bool] | None:
        """The last switching of this day that was looked for (1 on, -1 off), and whether it was found."""
        if not state.found:
            return None
        number, expected_s, found_s = max(state.found, key=lambda f: f[1])
        return (state.slots[number].sign, found_s is not None) if at_s - expected_s < DAY_S else None

    def _level(self, state: LampState, on: Slot, off: Slot | None) -> float | None:
        known = [j for s in (on, off) if s is not None and (j := s.jump()) is not None]
        return sum(known) / len(known) * math.exp(state.change) if known else None


def _doubt(state: LampState, slot: Slot) -> float:
    """How far this slot's anchor may be too high, as a log, by that of the only other one."""
    others = [s.anchor for s in state.slots if s is not slot and s.sign != slot.sign]
    if slot.anchor is None or len(state.slots) != 2 or not others or others[0] is None:
        return 0.0
    return DOUBT * max(0.0, math.log(slot.anchor / others[0]) - WARMING)


def _after(n: int, count: int) -> list[int]:
    return [(n + k) % count for k in range(1, count)]


def _nearest(times: Sequence[float], values: Sequence[float], at_s: float, sign: int, bridge_s: float) -> int | None:
    """The place at `at_s`, or one beside it if the jump is larger there."""
    k = bisect_left(times, at_s)
    places = [i for i in (k - 2, k - 1, k) if 0 <= i < len(times) - 1 and times[i + 1] - times[i] <= bridge_s]
    places = [i for i in places if times[i] - 150.0 <= at_s <= times[i + 1] + 150.0]
    return max(places, key=lambda i: sign * (values[i + 1] - values[i]), default=None)
