"""From a test's entry to what was seen, before anything is known of its kit.

Owns the choice of kit, the conversion of units and the error that a reading has by itself.  Keeps nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import get_args

from rushlight.colours import Pad, Picture
from rushlight.entry.kitunits import kit_for
from rushlight.events import Reported, Test
from rushlight.science.inference.interval import Span, strip_span
from rushlight.science.measuring.units import read_reported, to_standard
from rushlight.science.optics import stripscale
from rushlight.science.optics.stripscale import Placed, Scale, UnreadableError
from rushlight.settings import Kit, Substance, Tank
from rushlight.tank.kits.said import By

READING_ERROR = {"strip": 0.22, "drops": 0.15, "lab": 0.03}
"""Reading error where the kit gives none: one standard deviation as a share of the level (common practice, no
source)."""
READING_FLOOR = {"strip": 1.0, "drops": 0.5, "lab": 0.2}
"""The part of a nitrate test's reading error that does not shrink with the level, mg/L (common practice, no source)."""
FLOOR_DH = 0.3
"""The same of a hardness, °dH (common practice, no source)."""
PH_ERROR = {"strip": 0.25, "drops": 0.15, "lab": 0.05}
"""A pH is a logarithm: its error does not go by share (common practice, no source)."""
MOST = 1e5
"""A number above this is a slip of the pen, as no tank holds a tenth of a kilogram in a litre; it is cut to this, so
that whatever is worked out from it stays finite (own choice)."""
THINNED_PH = "a thinned sample says nothing of the tank's pH"


@dataclass(slots=True, kw_only=True)
class Seen:
    """What one test showed of one substance, in the canonical unit, as read: nothing is put right yet."""

    at_s: float
    id: str
    substance: Substance
    kit: str
    device: str
    by: By
    low: float = 0.0
    high: float | None = None
    """A span's ends, None open above, equal ends a point; of a picture not believed `unread` is true and they say
    nothing."""
    share: float = 0.0
    floor: float = 0.0
    shift: float | None = None
    """Of the scale on which the kit's error is reckoned; None: straight."""
    noise: float = 0.0
    """A picture's own error on that scale, from its colours alone."""
    leverage: float = 0.0
    densities: tuple[float, ...] = ()
    fields: tuple[float, ...] = ()
    signature: tuple[float, ...] = ()
    """Of the pad, and of its chart's fields, in this picture: see `stripscale.Placed`."""
    dilution: float = 1.0
    source: float = 0.0
    why: str = ""
    unread: bool = False

    @property
    def scale(self) -> Scale:
        """Where the kit's error is reckoned."""
        return Scale(self.shift)


def measurable(kits: Sequence[Kit]) -> frozenset[str]:
    """What can be tested here: the pads of all kits, and every substance where a kit names none."""
    named = {str(name) for kit in kits for name in kit.pads}
    return frozenset(named | set(get_args(Substance)) if any(not kit.pads for kit in kits) else named)


def seen_of(event: Test, tank: Tank, kits: Sequence[Kit]) -> Iterator[Seen]:
    """One for each substance that the test has a value or a pad of.

    Raises:
        ValueError: a value or unit cannot be understood.
    """
    kit = kit_for(event, tank, kits)
    pads = event.picture.pads() if event.picture is not None else {}
    for name in sorted({*event.values, *pads}):
        unit, reported = event.units.get(name, ""), event.values.get(name)
        seen = Seen(
            at_s=event.at_s,
            id=event.id,
            substance=name,
            kit=kit.id if kit is not None else event.kit,
            device=event.device,
            by="picture",
            dilution=event.dilution,
            source=event.dilution_source.get(name, 0.0),
        )
        why = ""
        if name == "ph" and event.dilution > 1.0:
            seen.why, seen.unread = THINNED_PH, True
            yield seen
            continue
        if event.picture is not None and name in pads:
            try:
                by_picture(seen, event.picture, pads[name], unit)
                yield seen
                continue
            except UnreadableError as e:
                why = str(e)
        if reported is None:
            seen.unread = True
        else:
            by_eye(seen, reported, unit, kit, event.method)
        seen.why = why
        yield seen


def by_eye(seen: Seen, reported: Reported, unit: str, kit: Kit | None, method: str) -> None:
    """Fill in what was read as a pad or a number, with the kit's own error."""
    name = seen.substance
    pads = kit.pads.get(name, ()) if kit is not None and method == "strip" else ()
    span = span_of(name, reported, unit, pads)
    seen.by = "pads" if pads else "number"
    seen.low, seen.high = span.low, span.high
    seen.share = kit.error_percent / 100.0 if kit is not None and kit.error_percent else READING_ERROR[method]
    seen.floor = _floor(name, method, pads)
    seen.shift = stripscale.scale_of(name, pads or (4.0 * seen.floor,)).shift
    if name == "ph":
        seen.share = 0.0


def by_picture(seen: Seen, picture: Picture, pad: Pad, unit: str) -> None:
    """Fill in what the picture shows.

    Raises:
        UnreadableError: its colours say nothing.
    """
    chart = [(to_standard(seen.substance, value, unit), colour) for value, colour in pad.chart]
    paper = pad.paper or picture.paper.strip
    scale, placed = stripscale.place(pad.strip, paper, chart, picture.paper.chart, seen.substance)
    value = scale.back(placed.place)
    seen.low, seen.high = value, None if placed.beyond else value
    seen.shift, seen.noise, seen.leverage = scale.shift, placed.sd, _leverage(placed)
    seen.densities, seen.fields, seen.signature = placed.densities, placed.fields, placed.signature


def _leverage(placed: Placed) -> float:
    """At least a little, as a chart may be off where its first field is but paper; and no more than a scale is long."""
    return min(max(placed.leverage, 0.3), 6.0)


def span_of(name: Substance, reported: Reported, unit: str, pads: Sequence[float]) -> Span:
    """What was read, in the canonical unit, in which the pads are too.

    Raises:
        ValueError: it cannot be understood.
    """
    amount = read_reported(name, reported, unit)
    value = min(MOST, amount.value)
    if amount.bound:
        return Span(value, None) if amount.bound == ">" else Span(0.0, value)
    return strip_span(value, pads) if pads else Span(value, value)


def _floor(name: str, method: str, pads: Sequence[float]) -> float:
    if name == "ph":
        return PH_ERROR[method]
    if name == "nitrate":
        return READING_FLOOR[method]
    if name in {"kh", "gh"}:
        return FLOOR_DH
    return 0.1 * min((p for p in pads if p > 0.0), default=0.25)
