"""A probe's health: its memory, and the findings `probe_silent`, `probe_fault` and `calibration_due`.

Owns what is remembered of a probe and what a person is told about it.  Never touches a reading's value; that is
`probes.watch`, which fills the memory.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, field

from rushlight.alarms.evidence import ProbeEvidence
from rushlight.alarms.finding import Finding, Says
from rushlight.localtime import DAY_S, HOUR_S
from rushlight.localunits import METRIC, Units
from rushlight.science.measuring.quality import MISSING, Memory
from rushlight.settings import Probe

QUICK_RUN, QUICK_S = 3, 600.0
"""So many readings in a row over so long, none of them good, are a fault (own choice)…"""
LONG_RUN = 5
"""…and so are so many in a row, however quick (own choice)."""
MANY_BAD, FEW_BAD = 0.3, 0.1
"""Share of the last fifty or so readings: a fault above the first, over below the second (own choice)."""
SHARE_WEIGHT = 0.02
GOOD_RUN, CLEAN_RUN = 3, 20
"""Good readings in a row that end a fault, and that wipe the slate clean (own choice)."""
COINCIDENT_S = 90.0
"""Jumps of two electrodes this close together have one cause (own choice)."""
INTERFERED_S = 6 * HOUR_S
EXCUSED_S = 2 * HOUR_S
"""A water change or a dose explains coincident jumps for this long, either side (own choice)."""

_MAY_BE_SUPPLY = frozenset({"flat", "range", "jump", "none", "fault", "sender", "interference"})
"""Troubles that a dipping supply can cause."""

NAMES = {
    "ph": "pH",
    "air_temperature": "air temperature",
}
"""How a quantity is called where its own word will not do."""


@dataclass(slots=True)
class CalibrationRecord:
    """One calibration as it came out.

    value = offset + gain × raw; for electrodes read in millivolts the zero point in mV and the efficiency.
    """

    id: str
    at_s: float
    accepted: bool
    words: str
    warning: bool = False
    offset: float = 0.0
    gain: float = 1.0
    temp_c: float = 25.0
    slope_percent: float | None = None
    offset_mv: float | None = None


@dataclass(slots=True)
class ProbeState:
    """What is remembered of one probe.  `watched` False tells the caller to ask for findings now."""

    memory: Memory = field(default_factory=Memory)
    at_s: float = 0.0
    """Time of the latest reading that came in order."""
    heard_at_s: float | None = None
    """When it last said anything at all."""
    value: float | None = None
    value_at_s: float | None = None
    plain: float | None = None
    """The last number in order, before calibration."""
    flag: int = MISSING
    why: str = ""
    watched: bool = True
    first_at_s: float | None = None
    asked_at_s: float | None = None
    interval_s: float = 0.0
    intervals: int = 0
    behind: int = 0
    behind_at_s: float = 0.0
    bad_run: int = 0
    bad_since_s: float = 0.0
    good_run: int = 0
    bad_share: float = 0.0
    silent: bool = False
    silent_since_s: float = 0.0
    listened_from_s: float = 0.0
    """Before this nobody listened, so it could not be heard."""
    silent_said_s: float = 0.0
    """When its silence was last said."""
    fault: bool = False
    fault_why: str = ""
    due_told: bool = False
    offset: float = 0.0
    gain: float = 1.0
    calibration_c: float = 25.0
    calibrated_at_s: float | None = None
    calibrations: list[CalibrationRecord] = field(default_factory=list)
    jumps: list[float] = field(default_factory=list)
    """When the last few jumps began, for `note_interference`."""
    interfered_until_s: float | None = None
    dips: int = 0
    """How often the board's supply dipped in the day up to `dipped_at_s`."""
    dipped_at_s: float | None = None


def listen_from(state: ProbeState, at_s: float) -> None:
    """Nobody listened until now; what was heard later than now was stamped by a clock that was wrong."""
    state.listened_from_s = at_s
    state.silent_since_s = min(state.silent_since_s, at_s)
    if state.at_s > at_s:
        state.at_s, state.behind, state.behind_at_s = at_s, 0, 0.0
        state.memory = state.memory.afresh()
        state.first_at_s = None if state.first_at_s is None else min(state.first_at_s, at_s)
    if state.heard_at_s is not None and state.heard_at_s > at_s:
        state.heard_at_s = at_s
    if state.value_at_s is not None and state.value_at_s > at_s:
        state.value_at_s = at_s


def is_faulty(state: ProbeState, at_s: float) -> bool:
    """Whether the bad readings are too many to be chance."""
    lasted_s = at_s - state.bad_since_s
    in_a_row = state.bad_run >= LONG_RUN or (state.bad_run >= QUICK_RUN and lasted_s >= QUICK_S)
    return in_a_row or (state.bad_run > 0 and state.why == "flat") or state.bad_share > MANY_BAD


def name_of(probe: Probe) -> str:
    """The quantity as people write it."""
    return NAMES.get(probe.quantity, probe.quantity)


def span(seconds: float) -> str:
    """A stretch of time in words: minutes, hours or days."""
    if seconds < 5400.0:
        return f"{max(1, round(seconds / 60.0))} minutes"
    if seconds < 2 * DAY_S:
        return f"{round(seconds / HOUR_S)} hours"
    return f"{round(seconds / DAY_S)} days"


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """How long one probe may be silent, and when its next calibration is due."""

    silent_after_s: float
    due_s: float | None
    uncalibrated: bool


def findings(
    probe: Probe, unit: str, state: ProbeState, at_s: float, patience: Patience, units: Units = METRIC
) -> list[Finding]:
    """All that is to be said of a probe at `at_s`; remembers what it said."""
    if state.asked_at_s is None:
        state.asked_at_s = at_s
    if state.interfered_until_s is not None and at_s >= state.interfered_until_s:
        state.interfered_until_s = None
    found = _silent(probe, state, at_s, patience)
    found += _fault(probe, unit, state, at_s, units)
    found += _calibration(probe, state, at_s, patience)
    state.watched = not (state.silent or state.fault)
    return found


def _silent(probe: Probe, state: ProbeState, at_s: float, patience: Patience) -> list[Finding]:
    """Silence; a probe fed by import alone that never spoke is not expected to."""
    since_s = state.heard_at_s
    if since_s is None:
        if probe.driver == "none" or state.asked_at_s is None:
            return []
        since_s = state.asked_at_s
    told = ProbeEvidence(probe=probe.id, quantity=probe.quantity, silent_since_s=since_s)
    if at_s >= max(since_s, state.listened_from_s) + patience.silent_after_s:  # the very sum that `next_wake` gave out
        if not state.silent:
            state.silent, state.silent_since_s = True, since_s
        state.silent_said_s = at_s
        sentence = _silence(probe, state, since_s, at_s)
        return [_finding(probe, "probe_silent", "raise", dataclasses.replace(told, sentence=sentence))]
    # Millivolts without a calibration are no value, but they are heard.
    spoke_s = state.heard_at_s if patience.uncalibrated else state.value_at_s
    if state.silent and (spoke_s is None or spoke_s <= state.silent_since_s):
        return [_finding(probe, "probe_silent", "hold", told)]
    # Heard in the very instant in which its silence was told, the worse word stands: it is said again next time.
    state.silent = state.silent and at_s == state.silent_said_s
    return [_finding(probe, "probe_silent", "clear", told)]


def _fault(probe: Probe, unit: str, state: ProbeState, at_s: float, units: Units) -> list[Finding]:
    """Readings that cannot be true, in a row or too often; or two electrodes that jump together."""
    told = _fault_evidence(probe, state)
    faulty = is_faulty(state, at_s)
    if state.interfered_until_s is not None:
        state.fault, state.fault_why = True, "interference"
    elif not state.silent and faulty:
        state.fault, state.fault_why = True, state.why or state.fault_why
    elif state.fault and state.good_run >= GOOD_RUN and state.bad_share < FEW_BAD and not state.silent:
        state.fault, state.fault_why = False, ""
    if state.fault:
        if state.silent or not (faulty or state.interfered_until_s is not None):
            return [_finding(probe, "probe_fault", "hold", told)]
        told = dataclasses.replace(told, reason=state.fault_why, sentence=trouble(probe, unit, state, at_s, units))
        return [_finding(probe, "probe_fault", "raise", told)]
    says = state.heard_at_s is not None and not state.silent and not state.bad_run
    return [_finding(probe, "probe_fault", "clear" if says else "hold", told)]


def _calibration(probe: Probe, state: ProbeState, at_s: float, patience: Patience) -> list[Finding]:
    """The age of the calibration in force."""
    due_s = patience.due_s
    if due_s is None:
        return []
    told = ProbeEvidence(probe=probe.id, quantity=probe.quantity, due_s=due_s, calibrated_at_s=state.calibrated_at_s)
    if at_s < due_s:
        state.due_told = False
        return [_finding(probe, "calibration_due", "clear", told)]
    state.due_told = True
    sentence = _uncalibrated(probe) if patience.uncalibrated else calibration_age(probe, state, at_s)
    return [_finding(probe, "calibration_due", "raise", dataclasses.replace(told, sentence=sentence))]


def _silence(probe: Probe, state: ProbeState, since_s: float, at_s: float) -> str:
    what = "has said nothing" if state.heard_at_s is not None else "has never been heard"
    return f"the {name_of(probe)} probe {probe.id} {what} for {span(at_s - since_s)}{_supply(state, at_s)}"


def _fault_evidence(probe: Probe, state: ProbeState) -> ProbeEvidence:
    share = round(state.bad_share, 3)
    return ProbeEvidence(probe=probe.id, quantity=probe.quantity, flag=state.flag, bad_share=share)


def present(
    probe: Probe, unit: str, state: ProbeState, at_s: float, patience: Patience, units: Units = METRIC
) -> dict[str, ProbeEvidence]:
    """What there is to say of each of a probe's alarms at `at_s`; changes nothing of what is remembered."""
    since_s = state.silent_since_s if state.silent else state.heard_at_s
    since_s = since_s if since_s is not None else state.asked_at_s
    found = {}
    if since_s is not None:
        found["probe_silent"] = ProbeEvidence(
            probe=probe.id,
            quantity=probe.quantity,
            silent_since_s=since_s,
            sentence=_silence(probe, state, since_s, at_s) if state.silent else "",
        )
    told = _fault_evidence(probe, state)
    if state.fault:
        told = dataclasses.replace(told, reason=state.fault_why, sentence=trouble(probe, unit, state, at_s, units))
    found["probe_fault"] = told
    found["calibration_due"] = ProbeEvidence(
        probe=probe.id,
        quantity=probe.quantity,
        due_s=patience.due_s,
        calibrated_at_s=state.calibrated_at_s,
        sentence=_uncalibrated(probe) if patience.uncalibrated else calibration_age(probe, state, at_s),
    )
    return found


def _uncalibrated(probe: Probe) -> str:
    who = f"the {name_of(probe)} probe {probe.id}"
    return f"{who} gives millivolts and has no calibration, so they cannot be read as {name_of(probe)}"


def calibration_age(probe: Probe, state: ProbeState, at_s: float) -> str:
    """How long ago the calibration in force was done, in one sentence without its full stop."""
    who = f"the {name_of(probe)} probe {probe.id}"
    if state.calibrated_at_s is None:
        return f"{who} has never been calibrated as far as is recorded"
    return f"{who} was last calibrated {span(at_s - state.calibrated_at_s)} ago"


def _supply(state: ProbeState, at_s: float) -> str:
    """What a weak supply adds to a probe's trouble: it is behind much that looks like a bad probe."""
    if state.dipped_at_s is None or not 0.0 <= at_s - state.dipped_at_s <= DAY_S:
        return ""
    often = "once" if state.dips == 1 else f"{state.dips} times"
    return f"; the Pi's supply voltage dipped {often} within a day, which may be why"


def _finding(probe: Probe, alarm: str, says: Says, told: ProbeEvidence) -> Finding:
    return Finding(alarm=alarm, tank=probe.tank or None, says=says, subject=probe.id, evidence=told)


def trouble(probe: Probe, unit: str, state: ProbeState, at_s: float, units: Units = METRIC) -> str:
    """What is wrong with a probe in one plain sentence without its full stop; empty when nothing is."""
    who = f"the {name_of(probe)} probe {probe.id}"
    if state.silent:
        return f"{who} has been silent for {span(at_s - state.silent_since_s)}{_supply(state, at_s)}"
    why = state.fault_why or state.why
    value = state.memory.value
    last = "" if value is None else f" {units.say(value, '' if unit == 'pH' else unit, '.4g')}"
    sentences = {
        "flat": f"{who} has read{last} without the slightest change for {span(at_s - state.memory.flat_from_s)}",
        "range": f"{who} reads values that it cannot measure; look for a broken cable",
        "jump": f"{who} jumps from value to value",
        "none": f"{who} answers but has no value",
        "fault": f"{who} is reported faulty by its own board",
        "sender": f"{who} is reported doubtful by its own board",
        "unit": f"{who} sends a unit that does not fit it",
        "future": f"{who} sends readings stamped in the future; its board's clock is wrong",
        "uncalibrated": f"{who} has no calibration yet",
        "interference": f"{who} jumps together with another electrode: electrical interference is suspected, "
        "from a pump, a heater or an electrode input that is not isolated",
    }
    sentence = sentences.get(why, "")
    return sentence + _supply(state, at_s) if why in _MAY_BE_SUPPLY else sentence


def note_interference(states: Sequence[ProbeState], at_s: float, excused_s: Sequence[float] = ()) -> bool:
    """Mark electrodes of one tank that jump together, twice or more within a day, with nothing done to the water.

    `states` are the tank's electrochemical probes, `excused_s` the times of its water changes and doses.
    Returns whether anything was marked that was not marked before.
    """
    marked = False
    for i, one in enumerate(states):
        for other in states[i + 1 :]:
            shared = sorted(
                t
                for t in one.jumps
                if at_s - DAY_S <= t <= at_s
                and any(abs(t - u) <= COINCIDENT_S for u in other.jumps)
                and not any(abs(t - e) <= EXCUSED_S for e in excused_s)
            )
            if len(shared) < 2:
                continue
            until_s = shared[-1] + INTERFERED_S
            if at_s < until_s and any(state.interfered_until_s != until_s for state in (one, other)):
                marked = True
                for state in (one, other):
                    state.interfered_until_s, state.watched = until_s, False
    return marked
