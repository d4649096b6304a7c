"""Growth in words: the rate of the tank and of each plant, as people can picture it."""

from __future__ import annotations

import math

from rushlight.effects import Estimate
from rushlight.tank.growth.watch import GrowthState


def sentences(state: GrowthState, rate: Estimate | None) -> tuple[str, ...]:
    """The tank's rate, then the plants' where there are several; nothing where it is not known."""
    if rate is None:
        return ()
    said = [f"The plants grew by {percent(rate)} a week over the last four weeks, what was cut counted as grown."]
    if state.share is not None:
        said.append(f"That is about {100 * state.share:.0f} % of their own pace before, under like light.")
    named = {plant: own for plant, own in state.rates.items() if plant}
    if len(state.rates) > 1:
        said += [f"{plant[0].upper()}{plant[1:]}: {percent(own)} a week." for plant, own in sorted(named.items())]
    return tuple(said)


def nitrogen(bound: Estimate | None, uptake: Estimate | None) -> tuple[str, ...]:
    """Nitrogen in a week's growth beside what the plants took up in it, mg; nothing where one is not known."""
    if bound is None or uptake is None or uptake.mean <= 0.0:
        return ()
    said = (
        f"What grew in a week holds about {_mg(bound)} mg of nitrogen, going by the weight of what was cut; "
        f"the plants took up about {_mg(uptake)} mg."
    )
    if uptake.low > bound.high:
        more = "Growth alone does not account for that: more grew than was seen, or part of it left another way."
    elif bound.low > uptake.high:
        more = "Growth holds more than that: more is fed than was entered, or the cuttings were weighed wet."
    else:
        more = "The two agree, as far as either is known."
    return (f"{said} {more}",)


def _mg(value: Estimate) -> str:
    mean, low, high = (float(f"{max(0.0, v):.2g}") for v in (value.mean, value.low, value.high))
    return f"{mean:g} (90 %: {low:g} to {high:g})"


def percent(rate: Estimate) -> str:
    """A relative rate as percent a week, with its interval: 100 (exp r − 1)."""
    mean, low, high = (100.0 * math.expm1(r) for r in (rate.mean, rate.low, rate.high))
    return f"about {_whole(mean)} % (90 %: {_whole(low)} to {_whole(high)} %)"


def _whole(value: float) -> str:
    return f"{value:.0f}".replace("-0", "0").replace("-", "\N{MINUS SIGN}")
