"""One probe: its readings converted, calibrated and flagged, and what its health asks of a person.

Owns the way from a device's number to a value in the canonical unit, and a probe's calibrations.  Never judges the
water, never replaces a reading: a flag says what it is worth.  What a person is told is worded in `health`.

Flags are those of `science.quality`.  A reading that comes late is UNEVALUATED at best and never becomes the latest;
one stamped in the future is SUSPECT.  A sender's 1 or 2 is only an opinion and the judgement is made here; its 3, 4
or 9 stands.
"""

from __future__ import annotations

from collections.abc import Sequence

from rushlight.alarms.evidence import ProbeEvidence
from rushlight.alarms.finding import Finding
from rushlight.events import Calibration, Reading
from rushlight.localtime import DAY_S
from rushlight.localunits import METRIC, Units
from rushlight.science.measuring import electrode, quality
from rushlight.science.measuring.electrode import Standard, Verdict
from rushlight.science.measuring.quality import BAD, GOOD, MISSING, SUSPECT, UNEVALUATED, judge
from rushlight.science.measuring.units import standard_unit, unit_of
from rushlight.settings import Probe
from rushlight.tank.probes import health
from rushlight.tank.probes.health import CalibrationRecord, ProbeState, is_faulty
from rushlight.views import ProbeView

__all__ = ["CalibrationRecord", "ProbeState", "ProbeWatch"]

FUTURE_S = 300.0
"""A reading stamped further ahead of its arrival than this is not believed to be the latest (own choice)."""
LEARNED = 5
"""Intervals seen before the probe's own pace is trusted (own choice)."""
SILENT_INTERVALS = 4.5
"""Silence is told after this many intervals: four readings missed in a row.  A radio that loses two readings in a
hundred loses three in a row about once a year at one every five minutes, four in a row once in sixty years
(own choice)."""
LONGEST_EVERY_S = 3600.0
MANY_CALIBRATIONS = 60
RATIO_SCALES = frozenset({"light", "conductivity"})
CALIBRATE_DAYS = {"ph": 30.0, "nitrate": 7.0}
"""Common practice for electrodes that stay in the water; no source gives a figure."""


class ProbeWatch:
    """One probe's settings made into behaviour; its memory is the `ProbeState` passed in.

    Raises:
        ValueError: the probe's unit does not fit its quantity.
    """

    def __init__(self, probe: Probe, units: Units = METRIC) -> None:
        self.probe, self._units = probe, units
        self.standard = standard_unit(probe.quantity, probe.unit)
        unit = unit_of(probe.quantity, probe.unit)
        self._factor, self._shift = unit.factor, unit.shift
        self._millivolt = self.standard == "mV"
        if self._millivolt:
            self.standard = standard_unit(probe.quantity)
            unit = unit_of(probe.quantity)
        self.rules = quality.rules_for(probe.quantity, self.standard, probe.range, unit, probe.every_seconds)
        self._plain = not self._millivolt
        self._strict_silent_s = probe.silent_seconds
        self._silent_s = max(300.0, SILENT_INTERVALS * probe.every_seconds)
        own_days = CALIBRATE_DAYS.get(probe.quantity)
        self.calibrate_days = probe.calibrate_days if probe.calibrate_days is not None else own_days

    def initial(self) -> ProbeState:
        """A probe that has not been heard."""
        return ProbeState(interval_s=self.probe.every_seconds)

    # -- readings ------------------------------------------------------------------------------------------

    def on_reading(self, state: ProbeState, event: Reading, temp_c: float | None = None) -> tuple[float | None, int]:
        """One reading: its value in the canonical unit, calibrated, and its flag.

        `temp_c`, the water's temperature in °C, serves electrodes read in millivolts; without it the temperature
        of the calibration stands.  The hot path: a few microseconds.
        """
        raw, at_s = event.value, event.at_s
        if (
            raw is None
            or event.quality is not None
            or event.unit
            or at_s <= state.at_s
            or (event.received_s and at_s - event.received_s > FUTURE_S)
        ):
            return self._unusual(state, event, temp_c)
        return self._take(state, at_s, raw, (raw + self._shift) * self._factor, temp_c)

    def _take(
        self, state: ProbeState, at_s: float, raw: float, plain: float, temp_c: float | None
    ) -> tuple[float | None, int]:
        """A reading that came in order, with nothing said against it."""
        gap_s = at_s - state.at_s
        state.at_s = state.heard_at_s = at_s
        state.plain = plain
        if state.intervals < LEARNED:
            self._learn(state, at_s, gap_s)
        elif gap_s > state.interval_s:
            state.interval_s *= 1.02 if state.interval_s < LONGEST_EVERY_S else 1.0
        else:
            state.interval_s *= 0.98
        if self._plain:
            value = plain * state.gain + state.offset
        elif state.calibrated_at_s is None:
            return self._uncalibrated(state)
        else:
            value = self._through_electrode(state, plain, temp_c)
        flag = judge(self.rules, state.memory, at_s, raw, value)
        if flag != GOOD:
            self._stumble(state, at_s, flag, state.memory.why)
            return value, flag
        state.value, state.value_at_s, state.flag = value, at_s, GOOD
        if state.bad_share or not state.watched:
            self._recover(state)
        return value, GOOD

    def _learn(self, state: ProbeState, at_s: float, gap_s: float) -> None:
        """The probe's own pace, from its first few intervals."""
        if state.first_at_s is None:
            state.first_at_s = at_s
        elif gap_s <= LONGEST_EVERY_S:
            state.intervals += 1
            state.interval_s = gap_s if state.intervals == 1 else max(state.interval_s, gap_s)

    def _unusual(self, state: ProbeState, event: Reading, temp_c: float | None) -> tuple[float | None, int]:
        """Everything that is not a plain number in order."""
        raw, at_s, said = event.value, event.at_s, event.quality
        if at_s <= state.at_s and not self._clock_went_back(state, event):
            return self._late(state, event, temp_c)
        if at_s > event.arrived_s + FUTURE_S:
            state.heard_at_s = event.arrived_s
            self._stumble(state, event.arrived_s, SUSPECT, "future")
            return self._converted(state, event, temp_c), SUSPECT
        if raw is None:
            return self._no_number(state, at_s, BAD if said == BAD else MISSING, "fault" if said == BAD else "none")
        plain = self._in_standard(event)
        if plain is None:
            return self._no_number(state, at_s, BAD, "unit")
        if said is not None and said >= SUSPECT:
            state.at_s = state.heard_at_s = at_s
            self._stumble(state, at_s, said, "sender")
            return self._converted(state, event, temp_c), said
        return self._take(state, at_s, raw, plain, temp_c)

    def _no_number(self, state: ProbeState, at_s: float, flag: int, why: str) -> tuple[None, int]:
        state.at_s = state.heard_at_s = at_s
        state.plain = None
        if state.first_at_s is None:
            state.first_at_s = at_s
        self._stumble(state, at_s, flag, why)
        return None, flag

    def _uncalibrated(self, state: ProbeState) -> tuple[None, int]:
        """Millivolts that nothing is known about: a potential is never taken for a pH."""
        state.flag, state.why = UNEVALUATED, "uncalibrated"
        if not state.due_told:
            state.watched = False
        return None, UNEVALUATED

    def _late(self, state: ProbeState, event: Reading, temp_c: float | None) -> tuple[float | None, int]:
        """Older than the latest: told for what it is worth, remembered as nothing."""
        value = self._converted(state, event, temp_c)
        if value is None:
            return None, MISSING
        if event.quality is not None and event.quality >= SUSPECT:
            return value, event.quality
        return value, UNEVALUATED if self.rules.low <= value <= self.rules.high else BAD

    def _clock_went_back(self, state: ProbeState, event: Reading) -> bool:
        """Whether fresh readings keep coming from before the latest, which then was stamped by a clock gone wrong.

        Believed on the third in a row, so that one clock error does not blind the probe for the length of it.
        """
        fresh = abs(event.arrived_s - event.at_s) <= FUTURE_S
        if not fresh or state.at_s - event.at_s <= FUTURE_S:
            return False
        state.behind = state.behind + 1 if event.at_s > state.behind_at_s else 1
        state.behind_at_s = event.at_s
        if state.behind < quality.CONFIRMATIONS:
            return False
        state.behind, state.behind_at_s = 0, 0.0
        state.memory = state.memory.afresh()
        state.at_s = event.at_s
        state.first_at_s = min(state.first_at_s or event.at_s, event.at_s)
        return True

    def _in_standard(self, event: Reading) -> float | None:
        """The reading in the canonical unit of the probe's family; None where the sender's unit is of another."""
        if event.value is None:
            return None
        if not event.unit:
            return (event.value + self._shift) * self._factor
        try:
            unit = unit_of(self.probe.quantity, event.unit)
        except ValueError:
            return None
        return unit.of(event.value) if unit.standard == ("mV" if self._millivolt else self.standard) else None

    def in_force(self, state: ProbeState, event: Reading) -> float | None:
        """What a raw reading means by the calibration that is in force now, for pictures of the past."""
        return self._converted(state, event, None)

    def _converted(self, state: ProbeState, event: Reading, temp_c: float | None) -> float | None:
        plain = self._in_standard(event)
        if plain is None or (self._millivolt and state.calibrated_at_s is None):
            return None
        return self._through_electrode(state, plain, temp_c) if self._millivolt else plain * state.gain + state.offset

    def _through_electrode(self, state: ProbeState, millivolt: float, temp_c: float | None) -> float:
        water_c = state.calibration_c if temp_c is None else temp_c
        convert = electrode.ph_of if self.probe.quantity == "ph" else electrode.nitrate_of
        return convert(millivolt, water_c, state.offset, state.gain)

    # -- good and bad runs ---------------------------------------------------------------------------------

    def _stumble(self, state: ProbeState, at_s: float, flag: int, why: str) -> None:
        if not state.bad_run:
            state.bad_since_s = at_s
        state.bad_run += 1
        state.good_run = 0
        state.bad_share += (1.0 - state.bad_share) * health.SHARE_WEIGHT
        state.flag, state.why = flag, why
        if why == "jump" and state.memory.agreeing == 1:
            state.jumps = [*state.jumps[-7:], at_s]
        if state.silent or state.fault or is_faulty(state, at_s):
            state.watched = False

    def _recover(self, state: ProbeState) -> None:
        state.good_run += 1
        state.bad_run = 0
        state.why = ""
        state.bad_share = state.bad_share * (1.0 - health.SHARE_WEIGHT) if state.good_run < health.CLEAN_RUN else 0.0

    # -- calibration ---------------------------------------------------------------------------------------

    def on_calibration(self, state: ProbeState, event: Calibration) -> Verdict:
        """Take in a calibration, whenever it was done; the latest accepted one is in force.

        A point's `value` is in the quantity's canonical unit (pH, mg/L as NO3, °C …) and its `raw` in the probe's.
        An entry with the id of an earlier one replaces it.
        """
        self.void(state, event.id)
        temps = [p.temperature_c for p in event.points]
        points = [Standard(p.value, (p.raw + self._shift) * self._factor, p.temperature_c) for p in event.points]
        record = CalibrationRecord(event.id, event.at_s, accepted=False, words="", temp_c=sum(temps) / len(temps))
        try:
            verdict = self._calibrate(record, points, self._gain_before(state, event.at_s))
        except ValueError as error:
            verdict = Verdict(False, f"refused: {error}")
        record.accepted, record.words, record.warning = verdict.accepted, verdict.words, verdict.warning
        state.calibrations = sorted([*state.calibrations, record], key=lambda c: (c.at_s, c.id))[-MANY_CALIBRATIONS:]
        self._put_in_force(state)
        return verdict

    def _calibrate(self, record: CalibrationRecord, points: Sequence[Standard], gain_before: float | None) -> Verdict:
        """Work out offset and gain from the standards, by the kind of probe.

        Raises:
            ValueError: the standards give no answer.
        """
        quantity = self.probe.quantity
        if quantity == "ph" or (quantity == "nitrate" and self._millivolt):
            return self._calibrate_electrode(record, points, gain_before)
        verdict = calibrate_line(points, ratio=quantity in RATIO_SCALES)
        record.offset, record.gain = verdict.zero_mv, verdict.efficiency
        return verdict

    def _calibrate_electrode(
        self, record: CalibrationRecord, points: Sequence[Standard], gain_before: float | None
    ) -> Verdict:
        """A board that gives pH has used Nernst's slope somewhere; undo that, and both kinds are one."""
        kind: electrode.Electrode = "ph" if self.probe.quantity == "ph" else "nitrate"
        if not self._millivolt:
            points = [
                Standard(p.value, -electrode.nernst_slope(p.temp_c) * (p.millivolt - 7.0), p.temp_c) for p in points
            ]
            gain_before = None if gain_before is None else 1.0 / gain_before
        verdict = electrode.calibrate(kind, points, gain_before)
        if verdict.slope_mv is not None:
            record.slope_percent = 100.0 * verdict.slope_mv / electrode.nernst_slope(25.0)
        record.offset_mv = verdict.zero_mv if kind == "ph" else None
        if self._millivolt or not verdict.accepted:
            record.offset, record.gain = verdict.zero_mv, verdict.efficiency
        else:
            record.gain = 1.0 / verdict.efficiency
            zero_ph = verdict.zero_mv / (verdict.efficiency * electrode.nernst_slope(record.temp_c))
            record.offset = 7.0 - 7.0 * record.gain + zero_ph
        return verdict

    def void(self, state: ProbeState, event_id: str) -> None:
        """That calibration never was; the one before it is in force again."""
        if event_id and any(c.id == event_id for c in state.calibrations):
            state.calibrations = [c for c in state.calibrations if c.id != event_id]
            self._put_in_force(state)

    @staticmethod
    def _gain_before(state: ProbeState, at_s: float) -> float | None:
        gains = [c.gain for c in state.calibrations if c.accepted and c.at_s < at_s]
        return gains[-1] if gains else None

    @staticmethod
    def _put_in_force(state: ProbeState) -> None:
        good = [c for c in state.calibrations if c.accepted]
        now = good[-1] if good else None
        state.offset, state.gain = (now.offset, now.gain) if now else (0.0, 1.0)
        state.calibration_c = now.temp_c if now else 25.0
        state.calibrated_at_s = now.at_s if now else None
        state.due_told = False
        # Readings before and after are on different scales; a step between them means nothing.
        state.memory = state.memory.afresh()

    # -- what a person should know -------------------------------------------------------------------------

    def silent_after_s(self, state: ProbeState) -> float:
        """Silence, in seconds, after which the probe counts as silent: the keeper's figure, else by its pace.

        A stream that nobody polls (driver 'none') shows its own pace; until it has, an hour is allowed.
        """
        if self._strict_silent_s is not None:
            return self._strict_silent_s
        if state.intervals < LEARNED and self.probe.driver == "none":
            return max(self._silent_s, LONGEST_EVERY_S)
        return max(self._silent_s, SILENT_INTERVALS * state.interval_s)

    def calibration_due_s(self, state: ProbeState) -> float | None:
        """When the next calibration is due; None if never."""
        if self._millivolt and state.calibrated_at_s is None:
            return state.first_at_s
        since_s = state.calibrated_at_s if state.calibrated_at_s is not None else state.first_at_s
        if self.calibrate_days is None or since_s is None:
            return None
        return since_s + self.calibrate_days * DAY_S

    def next_wake(self, state: ProbeState) -> float | None:
        """When time alone will change a finding: the end of patience, or a calibration's date."""
        wakes = []
        if not state.silent:
            since_s = state.heard_at_s
            if since_s is None and self.probe.driver != "none":
                since_s = state.asked_at_s
            if since_s is not None:
                wakes.append(max(since_s, state.listened_from_s) + self.silent_after_s(state))
        due_s = self.calibration_due_s(state)
        if due_s is not None and not state.due_told:
            wakes.append(due_s)
        if state.interfered_until_s is not None:
            wakes.append(state.interfered_until_s)
        return min(wakes, default=None)

    def findings(self, state: ProbeState, at_s: float) -> list[Finding]:
        """What is to be said of this probe at `at_s`; also settles what `next_wake` waits for."""
        return health.findings(self.probe, self.standard, state, at_s, self._patience(state), self._units)

    def present(self, state: ProbeState, at_s: float) -> dict[str, ProbeEvidence]:
        """What there is to say of each of this probe's alarms at `at_s`, whether it stands or not."""
        return health.present(self.probe, self.standard, state, at_s, self._patience(state), self._units)

    def _patience(self, state: ProbeState) -> health.Patience:
        return health.Patience(
            silent_after_s=self.silent_after_s(state),
            due_s=self.calibration_due_s(state),
            uncalibrated=self._millivolt and state.calibrated_at_s is None,
        )

    def view(self, state: ProbeState, at_s: float) -> ProbeView:
        """The probe as the page shows it."""
        return ProbeView(
            id=self.probe.id,
            tank=self.probe.tank,
            quantity=self.probe.quantity,
            unit=self.standard,
            value=state.value,
            value_at_s=state.value_at_s,
            heard_at_s=state.heard_at_s,
            fresh=self.fresh(state, at_s),
            flag=state.flag,
            trouble=self.trouble(state, at_s),
            place=self.probe.place,
            raw=None if state.plain is None else state.plain / self._factor - self._shift,
            raw_unit=self.probe.unit or self.standard,
        )

    def trouble(self, state: ProbeState, at_s: float) -> str:
        """What is wrong with the probe in one plain sentence without its full stop; empty when nothing is.

        A fault comes before a calibration that has grown old: who mends the first sees to the second anyway.
        """
        said = health.trouble(self.probe, self.standard, state, at_s, self._units)
        due_s = self.calibration_due_s(state)
        if said or due_s is None or at_s < due_s or (self._millivolt and state.calibrated_at_s is None):
            return said
        return f"{health.calibration_age(self.probe, state, at_s)}; its values may be off until it is calibrated"

    def fresh(self, state: ProbeState, at_s: float) -> bool:
        """Whether the last good value is recent enough to stand for now."""
        return state.value_at_s is not None and at_s - state.value_at_s < self.silent_after_s(state)


def calibrate_line(points: Sequence[Standard], *, ratio: bool) -> Verdict:
    """Offset and gain of a probe that is not an electrode: value = offset + gain × raw.

    `ratio`: the scale has a true zero (light, conductivity), so the gain alone is fitted.  Otherwise one point moves
    the offset and more than one fit both, by least squares.

    Raises:
        ValueError: the points give no line.
    """
    xs, ys = [p.millivolt for p in points], [p.value for p in points]
    if ratio:
        power = sum(x * x for x in xs)
        if power <= 0:
            raise ValueError("a standard that reads 0 cannot give a scale")
        offset, gain = 0.0, sum(x * y for x, y in zip(xs, ys, strict=True)) / power
    elif len(points) == 1:
        offset, gain = ys[0] - xs[0], 1.0
    else:
        mean_x, mean_y = sum(xs) / len(xs), sum(ys) / len(ys)
        spread = sum((x - mean_x) ** 2 for x in xs)
        if spread <= 0:
            raise ValueError("the standards all read the same")
        gain = sum((x - mean_x) * (y - mean_y) for x, y in zip(xs, ys, strict=True)) / spread
        offset = mean_y - gain * mean_x
    if not 0.5 <= gain <= 2.0:
        return Verdict(False, f"refused: the scale would change {gain:.3g}-fold; check the standards and the unit")
    return Verdict(True, f"value = {offset:.4g} + {gain:.4g} × reading", offset, gain)
