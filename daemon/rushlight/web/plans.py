"""What the planner says to a tank as it stands: its remedy, or the change of water that brings nitrate to a target.

Owns the choice of target.  The arithmetic is `science.chemistry.water_change`; the remedy is the core's, and where that
is no plain change of water, none is proposed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rushlight.alarms.wording.words import capital
from rushlight.localunits import METRIC, Units
from rushlight.science.chemistry.water_change import Contents, Plan, plan
from rushlight.settings import Tank
from rushlight.views import TankView


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A plan, or why there is none; `target` in mg/L as NO3."""

    target: float
    plan: Plan | None = None
    words: Sequence[str] = ()


def water_change(tank: Tank, view: TankView, target: float | None = None, units: Units = METRIC) -> Suggestion:
    """The change that brings nitrate to `target` (by default half the limit, or a little above the source water)."""
    if view.remedy_kind != "none" and (target is None or view.remedy_kind != "change"):
        goal = target if target is not None else 0.5 * tank.limits.nitrate
        return Suggestion(goal, words=view.remedy_sentences)
    source_nitrate = tank.source_water.get("nitrate", 0.0)
    goal = target if target is not None else max(0.5 * tank.limits.nitrate, source_nitrate + 5.0)
    source = Contents(**{k: tank.source_water.get(k) for k in ("nitrate", "kh", "gh", "ph")})
    rise = max(0.0, view.net_rate.mean) if view.net_rate else 0.0
    try:
        made = plan(contents(view), source, tank.litres, goal, net_rate=rise, say=units.say)
    except ValueError as e:
        return Suggestion(goal, words=(f"{capital(str(e))}.",))
    return Suggestion(goal, made)


def contents(view: TankView) -> Contents:
    """What is known of a tank's water: the estimate, fresh probes, and the last test where no probe tells."""
    tested = {k: v for k, v in view.last_test.items() if isinstance(v, float)}
    ph = view.measured("ph")
    return Contents(
        nitrate=None if view.nitrate is None else view.nitrate.mean,
        kh=tested.get("kh"),
        gh=tested.get("gh"),
        ph=ph if ph is not None else tested.get("ph"),
        temp_c=view.measured("temperature"),
    )
