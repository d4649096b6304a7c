"""What the watches know of each alarm at a moment: asked whenever something is told, never kept.

Pure: state in, evidence out; looking changes nothing.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from rushlight.alarms.evidence import Ask, Evidence, ToolEvidence
from rushlight.alarms.finding import Finding
from rushlight.alarms.state_machine import OF_PROBES
from rushlight.tank.probes.gateway import told_as_one

if TYPE_CHECKING:
    from rushlight.core.step import Core, SiteState


def ask_at(core: Core, state: SiteState, at_s: float) -> Ask:
    """Gives an alarm's evidence at `at_s` by its id; each tank is asked once, and only if one of its alarms is."""
    tanks: dict[str, dict[tuple[str, str], Evidence]] = {}

    def ask(alarm_id: str) -> Evidence:
        record = state.alarms.alarms.get(alarm_id)
        if record is None:
            return Evidence()
        if record.tank is None:
            told: Evidence = tool_evidence(record.subject, state.conditions.get(alarm_id, {}))
        elif record.alarm in OF_PROBES and record.subject in core.probes:
            told = _of_probe(core, state, at_s, record.alarm, record.subject)
        elif record.tank in core.tanks:
            if record.tank not in tanks:
                standing = core.book.standing(state.alarms, record.tank)
                tanks[record.tank] = core.tanks[record.tank].present(state.tanks[record.tank], at_s, standing)
            told = tanks[record.tank].get((record.alarm, record.subject), Evidence())
        else:
            told = Evidence()
        return dataclasses.replace(told, unstable=True) if record.unstable else told

    return ask


def _of_probe(core: Core, state: SiteState, at_s: float, alarm: str, probe: str) -> Evidence:
    told = core.probes[probe].present(state.probes[probe], at_s).get(alarm)
    if told is None:
        return Evidence()
    if alarm != "probe_silent" or not state.probes[probe].silent:
        return told
    silent = Finding(alarm=alarm, tank=None, says="raise", subject=probe, evidence=told)
    return told_as_one([silent], core.ways, state.probes, at_s, core.zone)[0].evidence


def tool_evidence(subject: str, facts: dict[str, str | float]) -> ToolEvidence:
    """A condition's facts, which come from the journal as plain JSON; what this version does not know is left out."""
    known = {f.name for f in dataclasses.fields(ToolEvidence)} - {"subject"}
    return ToolEvidence(subject=subject, **{k: v for k, v in facts.items() if k in known})  # type: ignore[arg-type]
