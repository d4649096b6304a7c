"""The configuration as the rest of the program sees it: frozen, typed, with every default written here.

Owns names, units and defaults.  Never reads a file (that is `config`), never imports a library beyond the
markers of `annotated_types`, so the core may depend on it.  The docstring under a field is its documentation.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Annotated, Any, ClassVar, Literal

from annotated_types import Ge, Gt, Le, MinLen

Fraction = Annotated[float, Ge(0), Le(1)]
Positive = Annotated[float, Gt(0)]
NotNegative = Annotated[float, Ge(0)]
Count = Annotated[int, Ge(0)]
Name = Annotated[str, MinLen(1)]
ClockTime = str
"""Local wall time as HH:MM, 00:00 to 24:00."""

Quantity = Literal["temperature", "ph", "light", "nitrate", "conductivity", "level", "air_temperature", "humidity"]
Substance = Literal["nitrate", "nitrite", "ammonia", "ph", "kh", "gh", "chlorine"]
Priority = Literal["low", "medium", "high"]

_CHECKED: dict[str, Any] = {"extra": "forbid", "arbitrary_types_allowed": True}


@dataclass(frozen=True, slots=True)
class Band:
    """A low and a high limit; either may be left out."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Site:
    """Where the Pi stands."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    name: str = "rushlight"
    timezone: str = "UTC"
    latitude: Annotated[float, Ge(-90), Le(90)] | None = None
    longitude: Annotated[float, Ge(-180), Le(180)] | None = None


@dataclass(frozen=True, slots=True)
class Feed:
    """What the fish get on a day without a feeding entry."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    grams_per_day: NotNegative = 0.0
    protein_percent: Annotated[float, Ge(0), Le(100)] = 42.0


@dataclass(frozen=True, slots=True)
class OnHours:
    """One stretch of lamp time; `off` before `on` runs past midnight."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    on: ClockTime
    off: ClockTime


@dataclass(frozen=True, slots=True)
class Lamp:
    """The lamp over the plants."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    spectrum: str = "white_led"
    umol_per_lux: Positive | None = None
    """Overrides `spectrum`; µmol m⁻² s⁻¹ per lx."""
    hours: tuple[OnHours, ...] = ()
    """Empty: learned from the light probe."""
    smallest_loss_percent: Annotated[float, Ge(1), Le(50)] = 5.0
    """The smallest loss of lamp output worth acting on."""


@dataclass(frozen=True, slots=True)
class Testing:
    """How often a person tests, and with which kit."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    shortest_days: Positive = 2.0
    longest_days: Positive = 10.0
    kit: str = ""
    """Empty: the first kit."""
    strips: NotNegative | None = None
    """Strips in the open pack; a half counts 0.5.  None: not counted."""
    opened_on: dt.date | None = None
    shelf_days: Positive = 180.0
    """Days that an opened pack stays good; the maker's leaflet overrides this (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Where alarms begin.  The keeper sets them; the defaults are common practice, no source, unless said."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    nitrate: Positive = 40.0
    """mg/L as NO3."""
    nitrite: Positive = 0.5
    """mg/L as NO2."""
    ammonia: Positive = 0.02
    """Un-ionised, mg/L as NH3."""
    temperature: Band = field(default_factory=Band)
    """°C."""
    ph: Band = field(default_factory=Band)
    kh_low: NotNegative = 2.0
    """°dH."""
    gh_high: Positive = 20.0
    """°dH."""


@dataclass(frozen=True, slots=True)
class Tank:
    """One tank."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    id: Name
    litres: Positive
    """Water, without gravel and wood."""
    name: str = ""
    started: dt.date | None = None
    source_water: dict[Substance, NotNegative] = field(default_factory=dict)
    """mg/L, °dH, pH; what is not given is not known."""
    feed: Feed = field(default_factory=Feed)
    lamp: Lamp | None = None
    testing: Testing = field(default_factory=Testing)
    limits: Limits = field(default_factory=Limits)

    @property
    def title(self) -> str:
        """The name that people read."""
        return self.name or self.id


@dataclass(frozen=True, slots=True)
class Kit:
    """A test kit: what it measures and how finely."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    id: Name
    method: Literal["strip", "drops", "lab"] = "strip"
    pads: dict[Substance, tuple[NotNegative, ...]] = field(default_factory=dict)
    """The values printed beside the pads, rising; needed for strips."""
    error_percent: Annotated[float, Gt(0), Le(200)] | None = None
    """Reading error, one standard deviation.  None: 22 for strips, 10 for drops, 3 for a laboratory."""


@dataclass(frozen=True, slots=True)
class Probe:
    """One probe.  Keys beyond these are the driver's own and land in `options`."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    id: Name
    tank: str
    quantity: Quantity
    driver: str = "none"
    unit: str = ""
    """Empty: the quantity's own unit."""
    every_seconds: Annotated[float, Ge(1), Le(3600)] = 60.0
    silent_seconds: Positive | None = None
    """Silence after which `probe_silent` is raised.  None: three times `every_seconds`, at least 300 s."""
    range: Band = field(default_factory=Band)
    """What the probe can measure at all.  None: the quantity's own range."""
    calibrate_days: Positive | None = None
    """Age at which a calibration is due.  None: 30 for pH, 7 for nitrate, never for others (common practice)."""
    options: Any = None
    """An instance of the driver's own Options class."""


@dataclass(frozen=True, slots=True)
class Config:
    """Everything, as checked by `config.load`."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    site: Site
    tank: Annotated[tuple[Tank, ...], MinLen(1)]
    kit: Annotated[tuple[Kit, ...], MinLen(1)]
    probe: tuple[Probe, ...] = ()
