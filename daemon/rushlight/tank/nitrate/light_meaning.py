"""What a lamp that gives less means for nitrate, in words beside the lamp's alarm, weeks before a strip can show it.

Owns the sentence.  The figures are the belief's: how far this tank's uptake follows its light, and where nitrate goes.
"""

from __future__ import annotations

import dataclasses

from rushlight.alarms.evidence import LampLoss
from rushlight.alarms.finding import Finding
from rushlight.effects import Estimate
from rushlight.localunits import METRIC, Units
from rushlight.tank.nitrate.balance import LIGHT, Balance, known
from rushlight.tank.nitrate.kinds import scale

LEAST = 0.03
"""A smaller share of the light less than usual is not worth a sentence (own choice)."""
_Z90 = 1.6448536269514722


def less_percent(balance: Balance) -> tuple[float, Estimate] | None:
    """By how many per cent plants get less light than they are used to, and take up less for it; None: not less."""
    more = balance.driven[0] / scale(balance.usual)
    if more > -LEAST:
        return None
    mean, sd = known(balance, LIGHT)
    low, middle, high = (100.0 * -more * max(0.0, mean + z * sd) for z in (-_Z90, 0.0, _Z90))
    return -100.0 * more, Estimate(mean=middle, low=low, high=high)


def sentence(less: tuple[float, Estimate], now: Estimate, later: Estimate, units: Units = METRIC) -> str:
    """What that does, and where nitrate stands in four weeks, mg/L as NO3."""
    light, uptake = less
    level, then, low, high = (units.figure(x, "mg/L", ".0f") for x in (now.mean, later.mean, later.low, later.high))
    return (
        f"The plants get {light:.0f} % less light than they are used to, and as far as tests tell take up about "
        f"{uptake.mean:.0f} % (90 %: {uptake.low:.0f} to {uptake.high:.0f}) less for it; as things go, nitrate is at "
        f"{level} now and at about {then} {units.word('mg/L')} ({low} to {high}) in four weeks."
    )


def join(finding: Finding, told: str) -> Finding:
    """The lamp's alarm with that sentence after its own; any other is left as it is."""
    if finding.alarm != "lamp_dimming" or not told or not isinstance(finding.evidence, LampLoss):
        return finding
    cause = finding.evidence.cause_sentence
    if not cause:
        return finding
    return dataclasses.replace(
        finding, evidence=dataclasses.replace(finding.evidence, cause_sentence=f"{cause} {told}")
    )
