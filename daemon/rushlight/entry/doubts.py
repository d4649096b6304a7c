"""What is asked once of somebody who enters a thing that this tank has never seen, and kept as given if confirmed.

Owns the questions.  A slip of the finger is found while the hand is still there; what is meant is never refused.
Imports that come without a hand are not asked.  Pure.
"""

from __future__ import annotations

from rushlight.entry.kitunits import canonical, in_own_units, kit_for
from rushlight.events import Correction, Event, Feeding, Harvest, Stocking, Test, TopOff, WaterChange
from rushlight.localunits import METRIC, Units
from rushlight.science.inference.interval import strip_span
from rushlight.science.measuring.units import from_standard, read_reported
from rushlight.science.optics import stripscale
from rushlight.settings import Config, Kit, Tank
from rushlight.views import SiteView, TankView

FEED_TIMES = 10.0
"""So many times the most that this tank gets in a day is asked about (own choice)."""
FEED_G_PER_L = 0.1
"""The same where no feed is known: several times what any tank is fed in a day (common practice, no source)."""
FISH_PER_L = 1.0  # own choice
HARVEST_G_PER_L = 50.0
"""Fresh plants cut at once; more than a hand can carry from a tank of a hundred litres (own choice)."""
OTHER_LIGHT = (
    "this picture is in another light, or by another camera, than your pictures of the known solutions;"
    " take it again as you took those, and it is read more closely"
)
SAME = 0.02
"""A figure this close to a pad, or to the middle between two, is that one (own choice)."""


def question(  # noqa: PLR0911 - one answer for each kind
    event: Event, config: Config, view: SiteView | None
) -> tuple[str, str] | None:
    """The key in doubt and the question; None where the entry is like what the tank has seen.

    `view` is None where no daemon runs: then only the configuration is gone by.
    """
    inner = event.replacement if isinstance(event, Correction) and event.replacement is not None else event
    tank = next((t for t in config.tank if t.id == getattr(inner, "tank", "")), None)
    if tank is None:
        return None
    seen = next((t for t in view.tanks if t.id == tank.id), None) if view is not None else None
    units = Units(config.site.units)
    water = units.say(tank.litres, "L", "g")
    match inner:
        case Feeding():
            return _feed(inner, tank, seen, units)
        case WaterChange() if inner.litres is not None and inner.litres > tank.litres:
            return "litres", f"{units.say(inner.litres, 'L', 'g')} is more water than the {water} of this tank"
        case TopOff() if inner.litres > tank.litres:
            return "litres", f"{units.say(inner.litres, 'L', 'g')} is more water than the {water} of this tank"
        case Stocking() if abs(inner.change) > FISH_PER_L * tank.litres:
            each = "a litre" if units == METRIC else f"for each {units.say(1.0 / FISH_PER_L, 'L')}"
            return "change", f"{abs(inner.change)} fish in {water} is more than one {each}"
        case Harvest() if (inner.fresh_grams or 10.0 * (inner.dry_grams or 0.0)) > HARVEST_G_PER_L * tank.litres:
            key = "fresh_grams" if inner.fresh_grams is not None else "dry_grams"
            return key, f"{getattr(inner, key):g} g is more than a tank of {water} grows"
        case Test():
            return _pads(inner, tank, config) or _light(inner, tank, config, seen)
    return None


def _feed(event: Feeding, tank: Tank, seen: TankView | None, units: Units) -> tuple[str, str] | None:
    usual = max(tank.feed.grams_per_day, (seen.most_fed_g or 0.0) if seen is not None else 0.0)
    most = FEED_TIMES * usual if usual > 0.0 else FEED_G_PER_L * tank.litres
    if event.grams <= most:
        return None
    if usual <= 0.0:
        return "grams", f"{event.grams:g} g of dry food is a great deal for {units.say(tank.litres, 'L', 'g')}"
    return (
        "grams",
        f"{event.grams:g} g is {event.grams / usual:.0f} times the {usual:.2g} g that this tank gets in a day",
    )


def _pads(event: Test, tank: Tank, config: Config) -> tuple[str, str] | None:
    """A strip's value that no pad has, nor the middle between two of them."""
    told = in_own_units(event, config.tank, config.kit)
    kit = kit_for(told, tank, config.kit)
    if kit is None or told.method != "strip":
        return None
    for name, value in told.values.items():
        pads = canonical([kit])[0].pads.get(name, ())
        if not pads:
            continue
        read = read_reported(name, value, told.units.get(name, "")).value
        borders = [high for pad in pads[:-1] if (high := strip_span(pad, pads).high) is not None]
        if not any(abs(read - p) <= _same(name, p, pads[1] - pads[0]) for p in (*pads, *borders)):
            return name, f"{value} is no pad of this strip ({_list(kit, name, pads)}), nor between two of them"
    return None


def _light(event: Test, tank: Tank, config: Config, seen: TankView | None) -> tuple[str, str] | None:
    """A picture in another light than all those of known solutions of this kit: it can be taken again at once."""
    kit = kit_for(event, tank, config.kit)
    if event.picture is None or kit is None or seen is None:
        return None
    for name, pad in event.picture.pads().items():
        own = stripscale.signature(pad.chart, event.picture.paper.chart)
        lights = [s.signature for s in seen.standards if (s.kit, s.substance) == (kit.id, name)]
        apart = [a for light in lights if (a := stripscale.apart(own, light)) is not None]
        if apart and min(apart) > stripscale.OTHER_LIGHT:
            return "picture", OTHER_LIGHT
    return None


def _same(name: str, pad: float, step: float) -> float:
    """How far a figure may lie from a pad and be that pad, rounded; pH is a scale of steps, not of shares."""
    return 0.06 * step if name == "ph" else SAME * max(pad, step)


def _list(kit: Kit, name: str, pads: tuple[float, ...]) -> str:
    return ", ".join(f"{from_standard(name, p, kit.unit(name)):g}" for p in pads)
