"""One tank's light: dose, day by day, and the verdict on the lamp.

Owns the running integral, the day's readings in short, and what is said: `lamp_dimming`, `lamp_off`, `light_low`,
`light_probe_fouled`.  The lamp's output is `light.lamp`'s matter, its switching times `light.switch_times`'s, daylight
`light.daylight`'s, the plants' need `light.need`'s.

A missing, suspect or saturated reading is a hole: it gives no dose, lowers coverage, and never counts as dark.
"""

from __future__ import annotations

import copy
import datetime as dt
import math
from bisect import bisect_left
from collections.abc import Sequence
from zoneinfo import ZoneInfo

from rushlight.alarms.finding import Finding
from rushlight.effects import Estimate
from rushlight.events import Harvest, LampWork
from rushlight.localtime import DAY_S, local_time
from rushlight.science.inference.robust import median
from rushlight.science.optics import photometry
from rushlight.science.optics.dose import longest_gap_s, overlap_s, trapezoid
from rushlight.science.optics.sun import elevation_deg
from rushlight.settings import Probe, Site, Tank
from rushlight.tank.day import DayLight
from rushlight.tank.light import daylight, need, report, switch_times
from rushlight.tank.light.daylight import DaylightState
from rushlight.tank.light.lamp import LampWatch
from rushlight.tank.light.need import LightNeed
from rushlight.tank.light.report import LightReport
from rushlight.tank.light.state import DAYS_MOST, LightState
from rushlight.tank.light.switch_times import slots_of

__all__ = ["LightState", "LightWatch"]

BIN_S = 120.0
"""Readings closer together than this are averaged before they are kept (own choice)."""
JUMP_SHARE = 0.1
"""Light that differs by more than this share from its average so far is not averaged with it: the mean of a lamp on
and a lamp off belongs to neither, and would make the switching look smaller (own choice; a probe's noise is a
tenth of it)."""
KEEP_S = 4.5 * 3600.0
"""How much of the day before is kept at midnight, for switchings that are measured after it (own choice)."""
BINS_MOST = 2000
CHECK_S = 3600.0
BACK_S = 3 * 3600.0
"""A clock set back by less has its hours counted already; by more, the old time was wrong (own choice)."""

LEANING_DAYS = 8
"""For so many days daylight must be sure that it is the probe: more than a week, so that two weeks' skies agree
(own choice)."""
SEASON_S = 42 * DAY_S
"""After the season was seen to change this window's light by itself, how long daylight is no witness (own choice)."""
PATIENCE = -0.036
"""While daylight leans towards the probe, nothing is said until the loss has come to this log: three and a half
percent, so that a quick fade, which the running estimate trails, is still told before six (own choice)."""
SETTLED_S = 1.5 * DAY_S
WORTH_CLEANING = -0.03
"""A cleaning of light that is less far down, as a log, shows nothing (own choice)."""
DARK_DEG = -6.0
"""Civil twilight ends: daylight at a probe indoors is nothing beside a lamp (own choice)."""
SKY_EVERY_S = 600.0
"""How often daylight is compared with the sun (own choice)."""
SWITCHING_S = 900.0
"""Ten-minute means this close to a switching are neither lamp nor daylight alone (own choice)."""


class LightWatch:
    """The settings of one tank's light.

    Raises:
        ValueError: the lamp's spectrum is not known.
    """

    def __init__(self, tank: Tank, site: Site, probe: Probe | None) -> None:
        self.tank, self.site, self.probe = tank, site, probe
        self.zone = ZoneInfo(site.timezone)
        lamp = tank.lamp
        self.quantum = probe is not None and "mol" in probe.unit
        factor = photometry.umol_per_lux(lamp.spectrum, lamp.umol_per_lux) if lamp else photometry.DAYLIGHT
        self.lamp_factor = 1.0 if self.quantum else factor
        self.day_factor = 1.0 if self.quantum else photometry.DAYLIGHT
        every_s = probe.every_seconds if probe else 60.0
        self.lamp = LampWatch(self.zone, lamp.smallest_loss_percent, every_s) if lamp else None
        self.max_gap_s = longest_gap_s(every_s)
        self._least = 0.4 if self.quantum else 20.0

    def initial(self) -> LightState:
        """Nothing known yet."""
        return LightState()

    # ---- readings

    def on_reading(self, state: LightState, at_s: float, value: float | None, flag: int) -> None:
        """One reading in the probe's canonical unit.  Flags 1 and 2 are used; anything else is a hole."""
        if flag > 2 or value is None:
            return
        value = max(value, 0.0)
        last_s = state.last_s
        if last_s is None:
            self._begin(state, at_s)
        else:
            dt_s = at_s - last_s
            if dt_s <= 0.0:
                self._back(state, at_s, dt_s)
                return
            if dt_s <= self.max_gap_s:
                state.value_s += trapezoid(state.last_value, value, dt_s)
                state.covered_s += dt_s
        state.last_s, state.last_value = at_s, value
        self._make_room(state, at_s, value)
        state.bin_time += at_s - state.bin_from_s
        state.bin_sum += value
        state.bin_n += 1
        if at_s >= state.wake_s:
            self._settle(state, at_s)

    def _begin(self, state: LightState, at_s: float) -> None:
        state.from_s = at_s if state.from_s is None else state.from_s
        state.bin_from_s = at_s
        if self.lamp and self.tank.lamp and not state.lamp.slots:
            self.lamp.set_slots(state.lamp, at_s, slots_of(self.tank.lamp.hours))
        state.wake_s = self._next_wake(state, at_s)

    def _make_room(self, state: LightState, at_s: float, value: float) -> None:
        """End the running average when it is long enough, or when the light has jumped.

        Once in its length at most, but for a jump that dwarfs the last: a lamp coming on in the twilight.
        """
        mean = state.bin_sum / state.bin_n if state.bin_n else value
        by = abs(value - mean)
        jumped = by > JUMP_SHARE * max(value, mean)
        lately = state.jump_s is not None and at_s - state.jump_s < 1.5 * BIN_S
        dwarfed = lately and by <= 2.0 * state.jump_by
        if at_s - state.bin_from_s < BIN_S and (not jumped or (dwarfed and state.bin_n > 1)):
            return
        if jumped and lately and state.bin_n == 1:  # on the way from one level to the other, and of neither
            state.bin_time = state.bin_sum = 0.0
            state.bin_n = 0
        if jumped and not dwarfed:
            state.jump_s, state.jump_by = at_s, by
        self._flush(state)
        state.bin_from_s = at_s

    def _flush(self, state: LightState) -> None:
        n = state.bin_n
        if n:
            state.times.append(state.bin_from_s + state.bin_time / n)
            state.values.append(state.bin_sum / n)
            state.bin_time = state.bin_sum = 0.0
            state.bin_n = 0
            if len(state.times) > BINS_MOST:
                del state.times[:500], state.values[:500]

    def _back(self, state: LightState, at_s: float, dt_s: float) -> None:
        """The clock went back: hours already counted are skipped, a wrong future is forgotten."""
        if dt_s > -BACK_S:
            return
        keep = bisect_left(state.times, at_s)
        del state.times[keep:], state.values[keep:]
        state.bin_time = state.bin_sum = 0.0
        state.bin_n = 0
        state.jump_s, state.jump_by = None, 0.0
        state.last_s = state.bin_from_s = at_s
        if self.lamp:
            for slot in state.lamp.slots:
                slot.due_s, slot.looked = self.lamp.expected_after(slot, at_s), False
        state.wake_s = self._next_wake(state, at_s)

    def on_lamp(self, state: LightState, event: LampWork) -> None:
        """Work on the lamp: a new anchor, or the end of a fouling episode."""
        if self.lamp is None:
            return
        if event.what == "cleaned":
            state.cleaned_s, state.cleaned_change, state.cleaning = event.at_s, state.lamp.change, ""
            state.fouled = state.undecided = state.told_lamp = False
            state.leaning_days = 0
            self.lamp.cleaned(state.lamp)
            return
        at_s = max(event.at_s, state.last_s or event.at_s)
        state.lamp_before, state.work_id = copy.deepcopy(state.lamp), event.id
        if event.hours:
            self.lamp.set_slots(state.lamp, at_s, slots_of(event.hours))
        else:
            self.lamp.reanchor(state.lamp, at_s)
        state.daylight, state.fouled, state.share = DaylightState(), False, None
        state.trouble, state.since_anchor_mol, state.note = None, 0.0, ""
        state.spans_until_s, state.cleaned_s, state.cleaning = None, None, ""
        if event.what != "removed":  # what was too little was the light before this work
            need.other_lamp(state.need, event.at_s)
        state.wake_s = self._next_wake(state, at_s)

    def on_harvest(self, state: LightState, event: Harvest) -> None:
        """Plants were cut: for some weeks less uptake is no want of light."""
        state.need.cut_s = max(event.at_s, state.need.cut_s or event.at_s)

    def void(self, state: LightState, event_id: str) -> None:
        """That work was never done; only the last entry can be taken back, an older one has been built upon."""
        if event_id and event_id == state.work_id and state.lamp_before is not None and self.lamp:
            state.lamp, state.lamp_before, state.work_id = state.lamp_before, None, ""
            if state.last_s is not None:
                state.wake_s = self._next_wake(state, state.last_s)

    # ---- judgement

    def _settle(self, state: LightState, at_s: float) -> None:
        """Measure what can be measured by now, and look whether the lamp is on."""
        if self.lamp:
            before = state.lamp.dimming
            self.lamp.settle(state.lamp, state.times, state.values, at_s)
            self._look_at_lamp(state, at_s)
            anchored = [(a, b, level / state.spans_output) for a, b, level in state.spans]
            self.lamp.look_beneath(state.lamp, anchored, state.times, state.values, at_s)
            if state.lamp.dimming != before:
                self._what_dimmed(state)
        state.wake_s = self._next_wake(state, at_s)

    def _next_wake(self, state: LightState, at_s: float) -> float:
        look_s = self.lamp.next_look_s(state.lamp) if self.lamp else None
        return at_s + CHECK_S if look_s is None else min(max(look_s, at_s + 1.0), at_s + CHECK_S)

    def _look_at_lamp(self, state: LightState, at_s: float) -> None:
        assert self.lamp is not None
        if state.spans_until_s is None or at_s >= state.spans_until_s:
            state.spans = self.lamp.expected_spans(state.lamp, at_s - DAY_S, at_s + 1.5 * DAY_S)
            state.spans_until_s, state.spans_output = at_s + 0.5 * DAY_S, math.exp(state.lamp.change)
        dark = None
        if self.site.latitude is not None and self.site.longitude is not None:
            dark = elevation_deg(at_s, self.site.latitude, self.site.longitude) < -4.0
        state.trouble = switch_times.trouble_now(
            state.spans,
            state.times,
            state.values,
            at_s,
            dark_outside=dark,
            last=self.lamp.last_switching(state.lamp, at_s),
        )

    def _what_dimmed(self, state: LightState) -> None:
        """Lamp or probe, once the lamp's light has fallen: by the odds that daylight gives."""
        state.undecided = False
        if not state.lamp.dimming:
            state.fouled, state.told_lamp, state.leaning_days, state.odds = False, False, 0, None
            return
        like = daylight.likeness(state.daylight)
        odds = None if like is None else like.probe_odds()
        state.share, state.share_sd = (None, 0.0) if like is None or odds is None else (like.share, like.sd)
        if like is not None and like.by_season():
            state.season_s = state.last_s
        state.odds = odds
        settled = state.season_s is None or (state.last_s or 0.0) - state.season_s > SEASON_S
        if odds is not None and odds > daylight.SURE_ODDS and settled:
            state.leaning_days += 1
            state.fouled = state.fouled or state.leaning_days >= LEANING_DAYS
        else:
            state.leaning_days = 0
            state.fouled = state.fouled and (odds is None or odds > 0.0)
        if not state.fouled and not state.told_lamp:
            state.undecided = odds is not None and odds > 0.0 and state.lamp.change > PATIENCE
            state.told_lamp = not state.undecided

    def _what_cleaning_showed(self, state: LightState, at_s: float) -> None:
        """A day and a half of switchings after a cleaning settle whether dirt was what dimmed the light."""
        if state.cleaned_s is None or at_s - state.cleaned_s < SETTLED_S or state.cleaned_change > WORTH_CLEANING:
            return
        if (state.lamp.change_at_s or 0.0) - state.cleaned_s < SETTLED_S - DAY_S:
            return
        state.cleaning = "helped" if state.lamp.change > 0.5 * state.cleaned_change else "in vain"
        state.cleaned_s = None

    # ---- days

    def close_day(self, state: LightState, date: str, from_s: float, to_s: float) -> DayLight:
        """The local day is over: its dose, and what it says about daylight and switching times."""
        self._flush(state)
        self._settle(state, max(to_s, state.last_s or to_s))
        day = self._day(state, date, from_s, to_s)
        ordinal = dt.date.fromisoformat(date).toordinal()
        if day.dose_mol is not None and day.coverage is not None:
            percent = None if day.lamp_percent is None else round(day.lamp_percent, 2)
            row = (ordinal, round(day.dose_mol, 5), round(day.coverage, 4), round(day.lamp_dose_mol or 0.0, 5), percent)
            state.days = [*state.days[-(DAYS_MOST - 1) :], row]
            state.since_anchor_mol += day.dose_mol
            self._what_cleaning_showed(state, to_s)
            if day.coverage >= 0.5:
                self._learn(state, ordinal, from_s, to_s)
                self._what_dimmed(state)
        keep = bisect_left(state.times, to_s - KEEP_S)
        del state.times[:keep], state.values[:keep]
        state.value_s = state.covered_s = 0.0
        state.from_s = to_s
        return day

    def _day(self, state: LightState, date: str, from_s: float, to_s: float) -> DayLight:
        percent = self.lamp.percent(state.lamp) if self.lamp else None
        coverage = min(1.0, state.covered_s / (to_s - from_s)) if to_s > from_s else 0.0
        if state.covered_s <= 0.0:
            return DayLight(date=date, coverage=0.0, lamp_percent=percent.mean if percent else None)
        lamp = self._lamp_integral(state, from_s, to_s)
        rest = max(0.0, state.value_s - lamp)
        lamp_mol, rest_mol = photometry.mol(lamp * self.lamp_factor), photometry.mol(rest * self.day_factor)
        return DayLight(
            date=date,
            dose_mol=lamp_mol + rest_mol,
            coverage=coverage,
            lamp_dose_mol=lamp_mol,
            daylight_dose_mol=rest_mol,
            lamp_percent=percent.mean if percent else None,
            dirty=state.lamp.dimming and state.fouled,
        )

    def _lamp_integral(self, state: LightState, from_s: float, to_s: float) -> float:
        """The lamp's part of the integral, probe's unit times seconds: its level while on, never more than was read."""
        spans = self.lamp.spans(state.lamp, from_s, to_s) if self.lamp else []
        total = 0.0
        times, values = state.times, state.values
        for start_s, end_s, level in spans:
            first = max(1, bisect_left(times, start_s))
            for i in range(first, len(times)):
                if times[i - 1] >= end_s:
                    break
                step_s = times[i] - times[i - 1]
                if step_s <= self.max_gap_s:
                    shared_s = overlap_s(times[i - 1], times[i], start_s, end_s)
                    total += shared_s * min(level, max(values[i - 1], values[i]))
        return total

    def _learn(self, state: LightState, ordinal: int, from_s: float, to_s: float) -> None:
        """What a whole day teaches: switching times, and daylight against the sun."""
        lo, hi = bisect_left(state.times, from_s), bisect_left(state.times, to_s)
        times, values = state.times[lo:hi], state.values[lo:hi]
        if self.lamp and (not state.lamp.slots or any(s.missed for s in state.lamp.slots)):
            switch_times.note_day(state.steps, ordinal, times, values, self._minute)
            self._adopt(state, to_s)
        if self.site.latitude is None or self.site.longitude is None:
            return
        latitude, longitude = self.site.latitude, self.site.longitude
        spans = self.lamp.spans(state.lamp, from_s, to_s) if self.lamp else []
        thin = max(1, round(SKY_EVERY_S * len(times) / (to_s - from_s)))
        points: list[tuple[float, float, float]] = []
        for k in range(0, len(times), thin):
            at_s, value = (sum(part) / len(part) for part in (times[k : k + thin], values[k : k + thin]))
            if not _near_switching(at_s, spans):
                lamp = sum(level for a, b, level in spans if a <= at_s <= b)
                points.append((at_s, value - lamp, lamp))
        daylight.note_day(
            state.daylight,
            ordinal // 7,
            points,
            lambda t: elevation_deg(t, latitude, longitude),
            state.lamp.change,
            self._least,
        )
        if self.lamp and not self.lamp.seen_lately(state.lamp, to_s):
            every = zip(times[::thin], values[::thin], strict=True)
            night = [v for t, v in every if elevation_deg(t, latitude, longitude) < DARK_DEG]
            if len(night) >= 6 and median(night) > self._least:
                daylight.note_night(state.daylight, median(night))

    def _minute(self, at_s: float) -> float:
        local = local_time(at_s, self.zone)
        return local.hour * 60.0 + local.minute + local.second / 60.0

    def _adopt(self, state: LightState, at_s: float) -> None:
        """Take on switching times that recur where none are known, or where the known ones never show."""
        assert self.lamp is not None
        slots = state.lamp.slots
        if slots and not all(s.missed >= switch_times.FEWEST_DAYS for s in slots):
            return
        learned = [(sign, minute) for sign, minute, _ in switch_times.recurring(state.steps)]
        if {sign for sign, _ in learned} != {1, -1}:
            return
        self.lamp.set_slots(state.lamp, at_s, learned)
        state.trouble = state.spans_until_s = None
        times = ", ".join(f"{'on' if s > 0 else 'off'} {int(m) // 60:02d}:{int(m) % 60:02d}" for s, m in learned)
        known = "differ from the schedule" if slots else "were learned from the light"
        state.note = f"The lamp's switching times {known}: {times}."
        state.wake_s = self._next_wake(state, at_s)

    # ---- told

    def next_wake(self, state: LightState, at_s: float) -> float | None:
        """When something may have changed by time alone; None without a probe or while it is silent."""
        if self.probe is None or state.last_s is None or state.wake_s <= at_s:
            return None
        return state.wake_s

    def findings(self, state: LightState, at_s: float) -> list[Finding]:
        """What is to be said of this tank's four light alarms; settles first what is due by `at_s`."""
        if state.last_s is not None and at_s >= state.wake_s:
            self._settle(state, at_s)
        return report.findings(self.tank.id, self.zone, self.lamp, state, at_s)

    def present(self, state: LightState, at_s: float) -> list[Finding]:
        """The same as far as it is settled; changes nothing."""
        return report.findings(self.tank.id, self.zone, self.lamp, state, at_s)

    def light_needed(
        self,
        state: LightState,
        uptake_rate: Estimate | None,
        supply_rate: Estimate | None,
        kept_up: Estimate | None,
    ) -> LightNeed:
        """The dose at which uptake meets supply, in words and as hours or µmol to add.

        The rates are mg/L as NO3 per day; `kept_up` is the one over the other.
        """
        week = [d for d in state.days[-7:] if d[2] >= 0.8]
        to_s = state.from_s or 0.0
        if state.need.lamp_s is not None and to_s - state.need.lamp_s < need.NEW_LAMP_S:
            return need.LightNeed(sentence=state.need.sentence)
        if len(week) < 4:
            return need.refused(state.need, "Too few well-measured days this week to say whether light is enough.")
        if uptake_rate is None or supply_rate is None or kept_up is None:
            return need.refused(state.need, "Uptake is not known yet, so neither is the light that it needs.")
        dose = sum(d[1] for d in week) / len(week)
        if dose <= 0.0:
            return need.refused(state.need, "No light was measured this week.")
        if need.sure(kept_up) or kept_up.high < 1.0:  # what is behind for certain is as good to know
            need.note_week(state.need, week[-1][0] // 7, dose, uptake_rate, supply_rate)
        lamp_dose = sum(d[3] for d in week) / len(week)
        spans = self.lamp.spans(state.lamp, to_s - DAY_S, to_s) if self.lamp else []
        hours = sum(b - a for a, b, _ in spans) / 3600.0
        return need.assess(
            state.need,
            dose,
            uptake_rate,
            supply_rate,
            kept_up,
            lamp_ppfd_umol=lamp_dose * 1e6 / (hours * 3600.0) if hours > 0.0 else None,
            lamp_hours=hours,
            lamp_percent=week[-1][4],
            cut_lately=state.need.cut_s is not None and to_s - state.need.cut_s < need.CUT_S,
        )

    def report(self, state: LightState, at_s: float) -> LightReport:
        """The light's whole story at `at_s`."""
        today = self._day(state, "", state.from_s if state.from_s is not None else at_s, at_s)
        return report.build(self.tank, self.site, self.zone, self.lamp, state, today, at_s)


def _near_switching(at_s: float, spans: Sequence[tuple[float, float, float]]) -> bool:
    return any(abs(at_s - end) < SWITCHING_S for a, b, _ in spans for end in (a, b))
