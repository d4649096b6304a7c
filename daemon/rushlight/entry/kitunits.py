"""A kit's own units: what its pads and its readings are given in where a test does not say.

Owns the choice of the kit that a test was made with, and the two steps that make all of it canonical: an entry is
given its kit's units where it has none of its own, and pads are taken into the canonical unit.  Both may be done twice
without harm.  A box says 'NO3-N' or 'NO3' in small print, and the one is 4.4 times the other.  Pure.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TypeVar

from rushlight.events import Correction, Event, KitCheck, Test
from rushlight.science.measuring.units import to_standard
from rushlight.settings import Kit, Tank

AnyEvent = TypeVar("AnyEvent", bound=Event)


def kit_for(event: Test, tank: Tank | None, kits: Sequence[Kit]) -> Kit | None:
    """The kit that the test was made with: the one named, else the tank's, else the first of that method."""
    for wanted in (event.kit, tank.testing.kit if tank is not None else ""):
        for kit in kits:
            if kit.id == wanted and kit.method == event.method:
                return kit
    return next((kit for kit in kits if kit.method == event.method), None)


def canonical(kits: Sequence[Kit]) -> tuple[Kit, ...]:
    """The kits with every pad in the canonical unit, and no units of their own any more.

    Raises:
        ValueError: a unit is none of its substance's.
    """
    return tuple(
        dataclasses.replace(
            kit,
            pads={s: tuple(to_standard(s, v, kit.unit(s)) for v in pads) for s, pads in kit.pads.items()},
            units={},
        )
        if kit.units
        else kit
        for kit in kits
    )


def in_own_units(event: AnyEvent, tanks: Sequence[Tank], kits: Sequence[Kit]) -> AnyEvent:
    """The entry with the unit of each value that the kit gives in a unit of its own; any other event as it is."""
    match event:
        case Test():
            tank = next((t for t in tanks if t.id == event.tank), None)
            kit = kit_for(event, tank, kits)
            if kit is None or not kit.units:
                return event
            named = {*event.values, *(event.picture.pads() if event.picture is not None else ())}
            own = {s: unit for s, unit in kit.units.items() if s in named}
            return dataclasses.replace(event, units={**own, **event.units})
        case KitCheck():
            own_kit = next((k for k in kits if k.id == event.kit), None)
            if own_kit is None or not own_kit.units:
                return event
            standards = tuple(
                s if s.unit else dataclasses.replace(s, unit=own_kit.unit(s.substance)) for s in event.standards
            )
            return dataclasses.replace(event, standards=standards)
        case Correction() if event.replacement is not None:
            return dataclasses.replace(event, replacement=in_own_units(event.replacement, tanks, kits))
    return event
