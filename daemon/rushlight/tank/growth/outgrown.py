"""Have the plants outgrown their light?  Said when everything speaks for it, and else not.

Owns that verdict and its words: the lamp gives what it gave, growth or uptake per light is down, and so is the light at
the leaves.  A lamp that dims, a dirty probe, plants cut back and cold water each look alike in part, and are named by
others.  Pure: evidence in, verdict out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from rushlight.alarms.evidence import NitrateEvidence
from rushlight.alarms.finding import Finding
from rushlight.science.optics.photometry import daily_light_integral
from rushlight.tank.growth.spots import Trend

AT_ANCHOR = 95.0
"""Percent of its anchor from which on a lamp is as it was (own choice)."""
PER_LIGHT = 0.75
"""Uptake per mol of light below this share of the tank's usual is down (own choice)."""
COLD_C = 2.5
"""So far below its usual temperature water slows plants by a sixth to a fifth (uptake's Q10 1.5 to 2.7)
(own choice)."""
LONGEST_HOURS = 14.0
"""Longer lamp days mainly feed algae (common practice, no source)."""


EXPLAINS = frozenset({"nitrate_rising", "uptake_behind", "growth_slowing", "light_low"})
"""Alarms of which it is a cause."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What bears on it; None is 'not known'."""

    lamp_percent: float | None
    light_alarm: bool
    """A lamp that dims, an undecided loss of light, or a dirty probe."""
    growth_slow: bool
    uptake_per_light: float | None
    """As a share of the tank's usual."""
    spots: Trend | None
    cut_lately: bool
    colder_c: float
    """How far below its usual the water has been for two weeks."""
    dose_mol: float | None
    lamp_hours: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgrown:
    """The verdict: where, and what light is to be added; no `add_hours` where the day would get too long."""

    where: tuple[str, ...]
    add_umol: float | None
    add_hours: float | None
    sentence: str


def judge(seen: Seen) -> Outgrown | None:
    """The plants have outgrown the light; None where that is not supported."""
    if seen.lamp_percent is None or seen.lamp_percent < AT_ANCHOR or seen.light_alarm:
        return None
    if seen.cut_lately or seen.colder_c > COLD_C:
        return None
    behind = seen.uptake_per_light is not None and seen.uptake_per_light < PER_LIGHT
    if not (seen.growth_slow or behind) or seen.spots is None or not seen.spots.down:
        return None
    lines = seen.spots.fallen
    where = tuple(line.place for line in lines)
    lost = math.exp(-seen.spots.change) - 1.0  # of what now comes there
    add_umol = add_hours = None
    if seen.lamp_hours > 0.0:
        if seen.lamp_hours * (1.0 + lost) <= LONGEST_HOURS:
            add_hours = seen.lamp_hours * lost
        if seen.dose_mol is not None and lines:
            missing = max((line.before or 0.0) - line.share for line in lines) * seen.dose_mol
            add_umol = missing / daily_light_integral(1.0, seen.lamp_hours)
    return Outgrown(
        where=where, add_umol=add_umol, add_hours=add_hours, sentence=_sentence(seen.spots, where, add_umol, add_hours)
    )


def _sentence(spots: Trend, where: tuple[str, ...], add_umol: float | None, add_hours: float | None) -> str:
    less = 100.0 * (1.0 - math.exp(spots.change))
    text = f"The lamp is as bright as ever, but the leaves get about {less:.0f} % less of it than they did"
    text += ": they have outgrown it"
    ways = []
    if add_umol is not None:
        ways.append(f"about {add_umol:.0f} µmol m⁻² s⁻¹ more at {' and '.join(where)}")
    if add_hours is not None:
        ways.append(f"{add_hours:.1f} h more of the lamp a day")
    return f"{text}. Thin them, or add {' or '.join(ways)}." if ways else f"{text}. Thin them first."


def join(finding: Finding, verdict: Outgrown | None) -> Finding:
    """The finding with this for its cause, where it is one that weak uptake explains and the verdict stands."""
    if verdict is None or finding.alarm not in EXPLAINS:
        return finding
    cause, _, action = verdict.sentence.partition(". ")
    told = replace(finding.evidence, cause_sentence=f"{cause}.", action_sentence=action)
    if isinstance(told, NitrateEvidence):
        told = replace(told, first_cause="outgrown")
    return replace(finding, evidence=told)
