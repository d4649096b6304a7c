"""Several probes of one quantity in one water: whether they agree as well as probes of their kind can.

Owns `probes_disagree` and the error that each kind of probe is allowed.  Never says which of them is right, and never
leaves one out: each is held against the limits for itself.  Light is not compared, as two places have two lights, nor
level, as each probe has a zero of its own.

Compared are means over `SLOT_S`, so that two probes polled at different moments are not told apart by a passing swirl.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

from rushlight.alarms.evidence import DisagreementEvidence, Evidence
from rushlight.alarms.finding import Finding, Says
from rushlight.localunits import METRIC, Units
from rushlight.settings import Probe
from rushlight.tank.probes.health import name_of

SLOT_S = 600.0
LEAST_FRESH_S = 1800.0
"""A probe's mean counts for at least so long; three of its own intervals where that is longer (own choice)."""
CLEAR = 0.6
"""They agree again when they differ by no more than this share of the allowed difference (own choice)."""


@dataclass(frozen=True, slots=True)
class Allowed:
    """How far two sound probes may lie apart: `plain` in the canonical unit, and a `share` of the larger value."""

    plain: float
    share: float = 0.0
    unit: str = ""


ALLOWED: Mapping[str, Allowed] = MappingProxyType(
    {
        "temperature": Allowed(2.0, unit="°C"),
        "ph": Allowed(0.4),
        "conductivity": Allowed(30.0, 0.15, "µS/cm"),
        "nitrate": Allowed(5.0, 0.4, "mg/L as NO3"),
    }
)
"""Temperature: the common 1-wire sensor is good to ±0.5 °C (its data sheet), two of them to 1 °C, and the water beside
the heater is another degree warmer (common practice, no source).  Nitrate: 20 % for each electrode, which is what US
EPA method 9210A allows.  pH and conductivity: common practice, no source."""


@dataclass(slots=True)
class Mean:
    """One probe's running mean, and the last one that is whole."""

    end_s: float = 0.0
    total: float = 0.0
    n: int = 0
    value: float | None = None
    value_at_s: float = 0.0


@dataclass(slots=True)
class AgreementState:
    """By probe."""

    means: dict[str, Mean] = field(default_factory=dict)


class AgreementWatch:
    """One tank's probes, those of one quantity held against each other; `probes` are the tank's."""

    def __init__(self, tank: str, probes: Sequence[Probe], units: Units = METRIC) -> None:
        self.tank, self._units = tank, units
        kinds = [p.quantity for p in probes]
        self._probes = {p.id: p for p in probes if p.quantity in ALLOWED and kinds.count(p.quantity) > 1}

    def initial(self) -> AgreementState:
        """Nothing measured yet."""
        return AgreementState(means={p: Mean() for p in self._probes})

    def on_value(self, state: AgreementState, at_s: float, probe: str, value: float) -> Sequence[Finding]:
        """One good value in the canonical unit; a finding each time that the probe's mean is whole."""
        mean = state.means.get(probe)
        if mean is None:
            return ()
        if at_s < mean.end_s and mean.end_s - at_s <= SLOT_S:
            mean.total, mean.n = mean.total + value, mean.n + 1
            return ()
        if mean.n:
            mean.value, mean.value_at_s = mean.total / mean.n, min(mean.end_s, at_s)
        mean.end_s, mean.total, mean.n = (at_s // SLOT_S + 1.0) * SLOT_S, value, 1
        return self._compare(state, at_s, self._probes[probe])

    def _compare(self, state: AgreementState, at_s: float, one: Probe) -> list[Finding]:
        seen = []
        for p in self._probes.values():
            mean = state.means[p.id]
            fresh_s = max(LEAST_FRESH_S, SLOT_S + 3 * p.every_seconds)
            if p.quantity == one.quantity and mean.value is not None and at_s - mean.value_at_s <= fresh_s:
                seen.append((mean.value, p))
        if len(seen) < 2:
            return []
        (low, lower), (high, higher) = min(seen, key=_value), max(seen, key=_value)
        allowed = ALLOWED[one.quantity]
        most = max(allowed.plain, allowed.share * high)
        apart = high - low
        says: Says = "raise" if apart > most else "clear" if apart <= CLEAR * most else "hold"
        told = DisagreementEvidence(
            quantity=one.quantity,
            value=round(apart, 3),
            limit=round(most, 3),
            unit=allowed.unit,
            values={p.id: round(v, 3) for v, p in seen},
            sentence=_sentence(one, ((low, lower), (high, higher)), most, self._units),
        )
        return [Finding(alarm="probes_disagree", tank=self.tank, says=says, subject=one.quantity, evidence=told)]

    def present(self, state: AgreementState, at_s: float) -> dict[tuple[str, str], Evidence]:
        """What there is to say at `at_s`, by alarm and subject; nothing of a quantity whose means are old."""
        found = (f for p in self._probes.values() for f in self._compare(state, at_s, p))
        return {(f.alarm, f.subject): f.evidence for f in found}


def _value(seen: tuple[float, Probe]) -> float:
    return seen[0]


def _sentence(one: Probe, ends: Sequence[tuple[float, Probe]], most: float, units: Units) -> str:
    digits = 2 if one.quantity == "ph" else 1 if one.quantity == "temperature" else 0
    unit, spec = ALLOWED[one.quantity].unit, f".{digits}f"
    (low, lower), (high, higher) = ends
    return (
        f"the {name_of(one)} probes differ by {units.say_change(high - low, unit, spec)}, more than the "
        f"{units.say_change(most, unit, spec)} that two sound ones may: {lower.title} reads "
        f"{units.say(low, unit, spec)}, {higher.title} {units.say(high, unit, spec)}"
    )
