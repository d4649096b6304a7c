"""How much light this tank's plants need, from the tank's own record.

Owns the weekly record of dose, uptake and supply, the uptake that one mol of light brings, and the dose at which
uptake would meet supply.  Uses no table of plants: what a canopy takes up per mol is learned from the tank.  How far
uptake follows the dose is `science.plants.response`'s one figure.

Never estimates uptake or supply itself; both come from the nitrate watch, with their intervals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from rushlight.effects import Estimate
from rushlight.localtime import DAY_S
from rushlight.science.inference.robust import median
from rushlight.science.optics.photometry import daily_light_integral
from rushlight.science.plants.response import REGROWTH_DAYS, light_for

WEEKS_MOST = 104
FEWEST_WEEKS = 4
SURE = 0.6
"""A share kept up whose 90 % interval is wider than this share of its mean to either side is not used (own choice)."""
STILL_SURE = 0.9
"""The same for a verdict that stands: the interval widens from one test to the next, and a verdict that came and went
with it would say nothing (own choice)."""
OUTGROWN = 0.75
"""Uptake per mol below this share of the tank's own usual, at an unchanged lamp, is called outgrown (own choice)."""
UNCHANGED, FED_MORE = 0.9, 1.15
"""Shares of the tank's own usual: a dose above the first has not fallen, a supply above the second has risen
(own choice)."""
NEW_LAMP_S = 56 * DAY_S
"""So long, eight weekly tests, until it shows what plants take up under a lamp that was changed (own choice: after four
weeks of a strip's pads what was taken up under the old lamp is still part of the estimate)."""
CUT_S = math.log(2.0) * REGROWTH_DAYS * DAY_S
"""Until half of what a harvest took has grown back, uptake is not judged by the light (own choice)."""
LONGEST_HOURS = 14.0
"""Longer lamp days mainly feed algae (common practice, no source)."""


@dataclass(slots=True)
class NeedState:
    """The tank's record: week number, daily dose in mol m⁻², uptake and supply in mg/L as NO3 per day."""

    weeks: list[tuple[int, float, float, float]] = field(default_factory=list)
    cut_s: float | None = None
    """When plants were last harvested."""
    lamp_s: float | None = None
    """When the lamp was last replaced, added, moved or given other hours."""
    low: bool | None = None
    """Whether the week's dose is below what is needed; None when that is not known."""
    need_mol: float | None = None
    dose_mol: float | None = None
    sentence: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LightNeed:
    """What the record says.  Doses are mol m⁻² d⁻¹; uptake per mol is mg/L as NO3 per mol m⁻²."""

    dose_mol: float | None = None
    need: Estimate | None = None
    uptake_per_mol: float | None = None
    usual_uptake_per_mol: float | None = None
    add_mol: float = 0.0
    add_hours: float | None = None
    """Hours of lamp light to add at its present output."""
    add_umol: float | None = None
    """µmol m⁻² s⁻¹ to add over the present hours instead."""
    outgrown: bool = False
    low: bool | None = None
    sentence: str


NEW_LAMP = "The lamp was changed: what the plants make of it shows after some tests."


def refused(state: NeedState, why: str) -> LightNeed:
    """Nothing can be said, and why."""
    state.low, state.sentence = None, why
    return LightNeed(sentence=why)


def other_lamp(state: NeedState, at_s: float) -> None:
    """The lamp is another one from `at_s` on: what was too little was the light before."""
    state.lamp_s, state.low, state.sentence = at_s, False, NEW_LAMP


def note_week(state: NeedState, week: int, dose_mol: float, uptake: Estimate, supply: Estimate) -> None:
    """Keep this week's figures; the last call of a week stands."""
    if uptake.mean <= 0.0 or dose_mol <= 0.0:
        return
    state.weeks = [w for w in state.weeks if w[0] != week][-(WEEKS_MOST - 1) :]
    state.weeks.append((week, dose_mol, uptake.mean, supply.mean))


def sure(kept_up: Estimate, bound: float = SURE) -> bool:
    """Whether the share of the supply that plants take up is known well enough, within `bound` of it, to go by."""
    return kept_up.low > 0.0 and max(kept_up.high - kept_up.mean, kept_up.mean - kept_up.low) <= bound * kept_up.mean


def assess(
    state: NeedState,
    dose_mol: float,
    uptake: Estimate,
    supply: Estimate,
    kept_up: Estimate,
    *,
    lamp_ppfd_umol: float | None,
    lamp_hours: float,
    lamp_percent: float | None,
    cut_lately: bool = False,
) -> LightNeed:
    """What this tank's plants need against what they got this week, in words and numbers.

    `dose_mol` is the mean of the week's well-covered days; `kept_up` is uptake over supply, whose interval is far
    narrower than theirs, because what is unsure about the supply is unsure about the uptake in the same way;
    `lamp_ppfd_umol` and `lamp_hours` are the lamp's present part; `cut_lately` says that plants were harvested.
    """
    if not sure(kept_up, SURE if state.low is None else STILL_SURE):
        return refused(state, "How much the plants take up is not yet known well enough to say what light they need.")
    if kept_up.high < 1.0 and (why := _not_for_want_of_light(state.weeks, dose_mol, supply.mean, cut_lately)):
        return refused(state, why)
    per_mol = uptake.mean / dose_mol
    usual = _usual(state.weeks)
    mean, low_mol, high_mol = (dose_mol * light_for(1.0 / k) for k in (kept_up.mean, kept_up.high, kept_up.low))
    need = Estimate(mean=mean, low=low_mol, high=high_mol)
    add = max(0.0, need.mean - dose_mol)
    # Behind for certain, not just by the estimate's own error; and clear only with a tenth to spare.
    behind = kept_up.high < 1.0 and need.mean > 1.1 * dose_mol
    low = behind if state.low is not True else not (kept_up.mean >= 1.0 or dose_mol >= 1.1 * need.mean)
    at_anchor = lamp_percent is None or lamp_percent >= 95.0
    outgrown = bool(low and at_anchor and usual is not None and per_mol < OUTGROWN * usual)
    hours = umol = None
    if add > 0.0 and lamp_ppfd_umol:
        hours = add / daily_light_integral(lamp_ppfd_umol, 1.0)
    if add > 0.0 and lamp_hours > 0.0:
        umol = add / daily_light_integral(1.0, lamp_hours)
    less = 100.0 * (1.0 - per_mol / usual) if outgrown and usual else None
    words = _words(dose_mol, need, low, less_percent=less, hours=hours, umol=umol, lamp_hours=lamp_hours)
    state.low, state.need_mol, state.dose_mol, state.sentence = low, need.mean, dose_mol, words
    return LightNeed(
        dose_mol=dose_mol,
        need=need,
        uptake_per_mol=per_mol,
        usual_uptake_per_mol=usual,
        add_mol=add,
        add_hours=hours,
        add_umol=umol,
        outgrown=outgrown,
        low=low,
        sentence=words,
    )


def _usual(weeks: Sequence[tuple[int, float, float, float]]) -> float | None:
    """Uptake per mol in the better half of the record, so that a decline does not drag its own yardstick down."""
    if len(weeks) < FEWEST_WEEKS:
        return None
    per_mol = sorted((u / d for _, d, u, _ in weeks), reverse=True)
    return median(per_mol[: max(2, len(per_mol) // 2)])


def share_of_usual(state: NeedState) -> float | None:
    """The last week's uptake per mol of light as a share of the tank's own usual; None before that is known."""
    usual = _usual(state.weeks)
    if usual is None or usual <= 0.0:
        return None
    _, dose, uptake, _ = state.weeks[-1]
    return uptake / dose / usual


def _not_for_want_of_light(
    weeks: Sequence[tuple[int, float, float, float]], dose_mol: float, supply: float, cut_lately: bool
) -> str:
    """The simpler reason why uptake is behind under as much light as ever, in words; '' where there is none."""
    if len(weeks) < FEWEST_WEEKS or dose_mol < UNCHANGED * median([w[1] for w in weeks]):
        return ""
    if supply > FED_MORE * median([w[3] for w in weeks]):
        return "More is fed than usual under the same light, so what light would be needed is not asked first."
    if cut_lately:
        return "The plants were cut lately; what light they need will show when they have grown back."
    return ""


def _words(
    dose: float,
    need: Estimate,
    low: bool,
    *,
    less_percent: float | None,
    hours: float | None,
    umol: float | None,
    lamp_hours: float,
) -> str:
    got = f"The plants got {dose:.2g} mol/m² of light a day this week"
    if not low:
        return f"{got}; uptake meets supply at about {need.mean:.2g} (90 %: {need.low:.2g} to {need.high:.2g})."
    text = f"{got} and need about {need.mean:.2g} (90 %: {need.low:.2g} to {need.high:.2g}) to keep up with the feed."
    if less_percent is not None:
        text += (
            f" The lamp is at its anchor, but one mol of light now brings {less_percent:.0f} % less uptake than it"
            " used to. Measure the light at their leaves: it shows whether they have grown out of it."
        )
    if hours is not None and lamp_hours + hours <= LONGEST_HOURS:
        text += f" {hours:.1f} h more of the lamp a day would bring it."
    elif umol is not None:
        text += f" About {umol:.0f} µmol m⁻² s⁻¹ more over the present hours would bring it; longer hours would not do."
    return text
