"""Light at the leaf and whether the plants have outgrown it: what the watches know of it, put together.

Owns the gathering alone; `tank.growth.outgrown` judges and `tank.growth.spots` has the words.
"""

from __future__ import annotations

from bisect import bisect_left
from statistics import fmean

from rushlight.effects import Estimate
from rushlight.events import LightSpot
from rushlight.localtime import DAY_S
from rushlight.science.chemistry import nitrogen
from rushlight.tank.growth import outgrown, spots, told
from rushlight.tank.growth.spots import LeafLight
from rushlight.tank.growth.watch import GrowthState, GrowthWatch
from rushlight.tank.light import need
from rushlight.tank.light.state import LightState
from rushlight.tank.light.watch import LightWatch
from rushlight.views import LeafView

WELL_COVERED = 0.8  # own choice


def note_spot(light: LightWatch, lit: LightState, growth: GrowthState, event: LightSpot) -> None:
    """A hand reading, beside what the tank's own probe read then."""
    share = spots.share_of(event, probe_then(lit, event.at_s), light.lamp_factor, quantum=light.quantum)
    spots.note(growth.spots, event, share)


def probe_then(lit: LightState, at_s: float) -> float | None:
    """The tank's own light probe at a moment: the mean of what was kept nearby, else its last reading if near."""
    first, last = (bisect_left(lit.times, at_s + side) for side in (-spots.NEAR_S, spots.NEAR_S))
    near = sorted(range(first, last), key=lambda i: abs(lit.times[i] - at_s))[:3]
    if near:
        return fmean(lit.values[i] for i in near)
    return lit.last_value if lit.last_s is not None and abs(lit.last_s - at_s) <= spots.NEAR_S else None


def dose_mol(lit: LightState) -> float | None:
    """Mean daily dose at the tank's probe over the last well-covered days, mol m⁻²."""
    days = [d[1] for d in lit.days[-14:] if d[2] >= WELL_COVERED][-7:]
    return fmean(days) if len(days) >= 3 else None


def table(lit: LightState, growth: GrowthState, at_s: float) -> list[LeafLight]:
    """What light each place gets, the darkest first."""
    return spots.table(growth.spots, at_s, dose_mol(lit), lit.lamp.since_s if lit.work_id else None)


def verdict(
    light: LightWatch, lit: LightState, watch: GrowthWatch, growth: GrowthState, at_s: float
) -> outgrown.Outgrown | None:
    """Have the plants outgrown their light?  None where that is not supported."""
    lamp = light.lamp
    if lamp is None or not growth.spots.spots:
        return None
    percent = lamp.percent(lit.lamp)
    spans = lamp.spans(lit.lamp, at_s - DAY_S, at_s)
    return outgrown.judge(
        outgrown.Seen(
            lamp_percent=None if percent is None else percent.mean,
            light_alarm=lit.lamp.dimming or lit.fouled or lit.undecided,
            growth_slow=growth.slow_s is not None,
            uptake_per_light=need.share_of_usual(lit.need),
            spots=spots.trend(table(lit, growth, at_s)),
            cut_lately=lit.need.cut_s is not None and at_s - lit.need.cut_s < need.CUT_S,
            colder_c=watch.colder_c(growth, at_s),
            dose_mol=dose_mol(lit),
            lamp_hours=sum(b - a for a, b, _ in spans) / 3600.0,
        )
    )


def growth_sentences(
    light: LightWatch,
    lit: LightState,
    watch: GrowthWatch,
    growth: GrowthState,
    at_s: float,
    uptake: Estimate | None = None,
) -> tuple[str, ...]:
    """How the plants grow, and whether they have outgrown their light; nothing where nobody looks.

    `uptake` is the plants', mg/L as NO3 a day.
    """
    said = told.sentences(growth, watch.rate(growth, at_s))
    if said and uptake is not None:
        weekly = 7.0 * watch.tank.litres / nitrogen.NITRATE_PER_NITROGEN
        taken = Estimate(mean=weekly * uptake.mean, low=weekly * uptake.low, high=weekly * uptake.high)
        said += told.nitrogen(growth.bound, taken)
    grown = verdict(light, lit, watch, growth, at_s)
    return (*said, grown.sentence) if grown is not None else said


def views(lit: LightState, growth: GrowthState, at_s: float) -> tuple[LeafView, ...]:
    """The table of light at the leaves."""
    return tuple(
        LeafView(
            place=line.place,
            share=line.share,
            measured_at_s=at_s - line.age_days * DAY_S,
            dose_mol=line.dose_mol,
            sentence=line.sentence,
        )
        for line in table(lit, growth, at_s)
    )
