"""What a phone's picture of a test strip comes to: mean colours of a few spots, and nothing else of the picture.

Owns the shape of a test's `picture` and of a standard in a kit check.  Pure data; `events` carries it, the core reads
it.  A colour is the mean over one spot, averaged in linear light and written as sRGB from 0 to 255 with decimals
(IEC 61966-2-1).  Where the phone could see more than sRGB holds, a channel may run a little past either end.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, ClassVar

from annotated_types import Ge, Le, MaxLen, MinLen

from rushlight.settings import NotNegative, Positive, Substance

Channel = Annotated[float, Ge(-128), Le(383)]
"""One channel, sRGB 0 to 255; past the ends what lies outside sRGB, with the same curve mirrored."""
Rgb = tuple[Channel, Channel, Channel]
ChartField = tuple[NotNegative, Rgb]
"""The value printed beside a field of the chart, and the field's colour."""

_CHECKED: dict[str, Any] = {"extra": "forbid"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """Bare paper in the same light: the chart's, beside its fields, and the strip's own."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    chart: Rgb
    strip: Rgb


@dataclass(frozen=True, slots=True, kw_only=True)
class Pad:
    """One pad of the strip, with the fields of the chart that belong to it."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    strip: Rgb
    """The pad."""
    chart: Annotated[tuple[ChartField, ...], MinLen(1), MaxLen(20)]
    paper: Rgb | None = None
    """The strip's paper right beside this pad, as light is uneven along a strip; None: the picture's one figure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """One picture of a strip beside its chart."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    paper: Paper
    nitrate: Pad | None = None
    nitrite: Pad | None = None
    ammonia: Pad | None = None
    ph: Pad | None = None
    kh: Pad | None = None
    gh: Pad | None = None
    chlorine: Pad | None = None

    def pads(self) -> dict[Substance, Pad]:
        """The pads that the picture holds, by substance."""
        held: dict[Substance, Pad | None] = {
            "nitrate": self.nitrate,
            "nitrite": self.nitrite,
            "ammonia": self.ammonia,
            "ph": self.ph,
            "kh": self.kh,
            "gh": self.gh,
            "chlorine": self.chlorine,
        }
        return {name: pad for name, pad in held.items() if pad is not None}


@dataclass(frozen=True, slots=True, kw_only=True)
class Standard:
    """A kit dipped in water of known content: what it held, and what the kit said of it."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    substance: Substance
    value: Positive
    unit: str = ""
    """Of `value`, of `read` and of the chart's fields; empty: the substance's canonical unit."""
    read: float | str | None = None
    """What the eye read: a number, or '>250' and '<5' for what lies outside the kit's range."""
    picture: Picture | None = None
