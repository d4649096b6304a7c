"""Manual entries as facts: the entry's words and units become numbers that the filter can use.

Owns the unit of each fact's amount; what a test says is `tank.kits`' matter.  Keeps nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from rushlight.entry.kitunits import canonical, in_own_units
from rushlight.events import Dose, Feeding, Harvest, LampWork, Stocking, TankEvent, Test, TopOff, WaterChange
from rushlight.localtime import local_date
from rushlight.science.chemistry import nitrogen, solutions
from rushlight.science.inference.interval import Span
from rushlight.settings import Kit, Tank
from rushlight.tank.kits.errors import said_of
from rushlight.tank.kits.reading import seen_of
from rushlight.tank.kits.said import Said
from rushlight.tank.ledger import Fact


def fact_of(event: TankEvent, tank: Tank, kits: Sequence[Kit], zone: ZoneInfo) -> Fact | None:  # noqa: PLR0911
    """What the entry says about nitrate; None if it says nothing.

    Raises:
        ValueError: a test's nitrate value or unit cannot be understood.
    """
    at_s, own = event.at_s, event.id
    match event:
        case Test():
            return test_fact(event, _said(event, tank, kits))
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


def nitrate_span(event: Test, tank: Tank, kits: Sequence[Kit]) -> Span | None:
    """What a test says of the tank's nitrate, mg/L as NO3: a strip's span, one value, or a picture's 90 % interval.

    None: nothing.  The kit is taken to read right.
    """
    said = _said(event, tank, kits)
    if said is None:
        return None
    if said.by == "picture" and said.is_point:
        told = said.estimate()
        return Span(told.low, told.high)
    low = solutions.of_tank(said.low, said.dilution, said.source)
    return Span(low, None if said.high is None else solutions.of_tank(said.high, said.dilution, said.source))


def test_fact(event: Test, said: Said | None) -> Fact | None:
    """The fact for what a test says of nitrate; None if it says nothing."""
    if said is None:
        return None
    low = solutions.of_tank(said.low, said.dilution, said.source)
    high = None if said.high is None else solutions.of_tank(said.high, said.dilution, said.source)
    return Fact(
        at_s=event.at_s,
        id=event.id,
        kind="test",
        amount=said.share,
        low=low,
        high=high,
        word=event.method,
        said=said,
    )


def _said(event: Test, tank: Tank, kits: Sequence[Kit]) -> Said | None:
    """What it says of nitrate by a kit of which no check is known."""
    told = in_own_units(event, (tank,), kits)
    found = (s for s in seen_of(told, tank, canonical(kits)) if s.substance == "nitrate")
    return next((said_of(s, (), 0) for s in found), None)
