"""Manual entries as facts: the entry's words and units become numbers that the filter can use.

Owns the choice of kit, the conversion of units, and the unit of each fact's amount.  Keeps nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from rushlight.events import Dose, Feeding, Harvest, LampWork, Reported, Stocking, TankEvent, Test, TopOff, WaterChange
from rushlight.localtime import local_date
from rushlight.science import nitrogen
from rushlight.science.interval import Span, parse_bound, strip_span
from rushlight.science.units import to_standard
from rushlight.settings import Kit, Tank
from rushlight.tank.ledger import Fact

READING_ERROR = {"strip": 0.22, "drops": 0.15, "lab": 0.03}
"""Reading error where the kit gives none: one standard deviation as a share of the level (common
practice, no source)."""
MOST_MG_L = 1e5
"""A number above this is a slip of the pen, as no tank holds a tenth of a kilogram in a litre; it is cut to this, so
that whatever is worked out from it stays finite, and the filter makes nothing of it."""


def fact_of(event: TankEvent, tank: Tank, kits: Sequence[Kit], zone: ZoneInfo) -> Fact | None:  # noqa: PLR0911
    """What the entry says about nitrate; None if it says nothing.

    Raises:
        ValueError: a test's nitrate value or unit cannot be understood.
    """
    at_s, own = event.at_s, event.id
    match event:
        case Test():
            return _test(event, tank, kits)
        case WaterChange():
            fraction = event.fraction if event.fraction is not None else (event.litres or 0.0) / tank.litres
            source = event.source.get("nitrate", tank.source_water.get("nitrate"))
            return Fact(at_s=at_s, id=own, kind="change", amount=min(1.0, fraction), source=source)
        case TopOff():
            source = event.source.get("nitrate", tank.source_water.get("nitrate"))
            return Fact(at_s=at_s, id=own, kind="inflow", amount=event.litres / tank.litres, source=source)
        case Dose():
            if not event.nitrogen_mg:
                return None
            added = nitrogen.nitrate_mg_l(event.nitrogen_mg / 1000.0, tank.litres)
            return Fact(at_s=at_s, id=own, kind="inflow", amount=1.0, source=added, word="dose")
        case Feeding():
            percent = tank.feed.protein_percent if event.protein_percent is None else event.protein_percent
            grams = nitrogen.feed_nitrogen_g(event.grams, percent)
            return Fact(at_s=at_s, id=own, kind="feeding", amount=grams, word=local_date(at_s, zone))
        case Harvest():
            dry = event.dry_grams or (event.fresh_grams or 0.0) * nitrogen.DRY_PER_FRESH
            return Fact(at_s=at_s, id=own, kind="harvest", amount=dry * nitrogen.TISSUE_NITROGEN_PER_DRY[0])
        case Stocking():
            return Fact(at_s=at_s, id=own, kind="stocking", amount=float(event.change))
        case LampWork():
            return Fact(at_s=at_s, id=own, kind="lamp", word=event.what)
    return None


def kit_for(event: Test, tank: Tank, kits: Sequence[Kit]) -> Kit | None:
    """The kit that the test was made with: the one named, else the tank's, else the first of that method."""
    for wanted in (event.kit, tank.testing.kit):
        for kit in kits:
            if kit.id == wanted and kit.method == event.method:
                return kit
    return next((kit for kit in kits if kit.method == event.method), None)


def nitrate_span(event: Test, tank: Tank, kits: Sequence[Kit]) -> Span | None:
    """What a test says of nitrate, mg/L as NO3: the span between a strip's pads, or one value; None: nothing."""
    reported = event.values.get("nitrate")
    if reported is None:
        return None
    kit = kit_for(event, tank, kits)
    pads = kit.pads.get("nitrate", ()) if kit and event.method == "strip" else ()
    return _span(reported, event.units.get("nitrate", ""), pads)


def _test(event: Test, tank: Tank, kits: Sequence[Kit]) -> Fact | None:
    span, kit = nitrate_span(event, tank, kits), kit_for(event, tank, kits)
    if span is None:
        return None
    error = kit.error_percent / 100.0 if kit and kit.error_percent else READING_ERROR[event.method]
    return Fact(
        at_s=event.at_s, id=event.id, kind="test", amount=error, low=span.low, high=span.high, word=event.method
    )


def _span(reported: Reported, unit: str, pads: Sequence[float]) -> Span:
    """What was read, in mg/L as NO3.  Pads are given in that unit too."""
    if isinstance(reported, str):
        bound = parse_bound(reported)
        if bound.high is None:
            return Span(_mg_l(bound.low, unit), None)
        return Span(0.0, _mg_l(bound.high, unit))
    value = _mg_l(float(reported), unit)
    if pads:
        return strip_span(value, pads)
    return Span(value, value)


def _mg_l(value: float, unit: str) -> float:
    return min(MOST_MG_L, to_standard("nitrate", value, unit))
