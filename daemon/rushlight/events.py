"""What happened: the one vocabulary that everything inside the daemon speaks.

Owns the event classes of the event-line format; `eventlines` turns them to text and back.  Pure data.

`at_s` is when it was done and `received_s` when the daemon learned of it, both in seconds since 1970 UTC;
they are equal unless a person entered something late.  `id` is unique in a journal.  A `Tick` is time
passing with nothing else to say; the runner makes it, no journal holds it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Any, ClassVar, Literal

from annotated_types import Ge, Gt, Le, MaxLen, MinLen

from rushlight.colours import Picture, Standard
from rushlight.settings import Fraction, NotNegative, OnHours, Positive, Substance

Quality = Literal[1, 2, 3, 4, 9]
"""QARTOD flags: 1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing."""

Reported = float | str
"""A test's value: a number, or '>250' and '<5' for what lies outside the kit's range."""

_CHECKED: dict[str, Any] = {"extra": "forbid"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """What every event has."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    kind: ClassVar[str] = ""
    at_s: float
    received_s: float = 0.0
    """0 means 'the same as at_s'."""
    id: str = ""

    @property
    def arrived_s(self) -> float:
        """When the daemon learned of it."""
        return self.received_s or self.at_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick(Event):
    """Time has come to `at_s`."""

    kind: ClassVar[str] = "tick"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading(Event):
    """A probe said something: `value` as the device gave it, before calibration; None is 'it has none'."""

    kind: ClassVar[str] = "reading"
    probe: str
    value: float | None
    unit: str = ""
    quality: Quality | None = None
    """The driver's or the sender's verdict; None leaves the judgement to the core."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TankEvent(Event):
    """Something a person did to, or saw in, one tank."""

    tank: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Test(TankEvent):
    """A strip, drop or laboratory test.  Units default to mg/L as NO3, NO2 and NH3+NH4, and °dH.

    `values` and a picture's chart are in `units`; what a thinned sample held is said as it was read, not multiplied.
    """

    __test__: ClassVar[bool] = False  # not a test class, whatever pytest thinks of the name
    kind: ClassVar[str] = "test"
    method: Literal["strip", "drops", "lab"]
    values: dict[Substance, Reported] = field(default_factory=dict)
    """May be empty where there is a picture; then, what the eye read of the same strip."""
    units: dict[Substance, str] = field(default_factory=dict)
    kit: str = ""
    dilution: Annotated[float, Ge(1), Le(1000)] = 1.0
    """The sample was one part of tank water in so many."""
    dilution_source: dict[Substance, NotNegative] = field(default_factory=dict)
    """What the water held that it was thinned with, in canonical units; what is not named it held none of."""
    device: str = ""
    """The phone that took the picture."""
    picture: Picture | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Feeding(TankEvent):
    """Feed given, in grams."""

    kind: ClassVar[str] = "feeding"
    grams: NotNegative
    protein_percent: Annotated[float, Ge(0), Le(100)] | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterChange(TankEvent):
    """Part of the water replaced: a `fraction` of it or so many `litres`; exactly one of the two."""

    kind: ClassVar[str] = "water_change"
    fraction: Fraction | None = None
    litres: Positive | None = None
    source: dict[Substance, NotNegative] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if (self.fraction is None) == (self.litres is None):
            raise ValueError("give either fraction or litres")


@dataclass(frozen=True, slots=True, kw_only=True)
class TopOff(TankEvent):
    """Evaporated water made good."""

    kind: ClassVar[str] = "top_off"
    litres: Positive
    source: dict[Substance, NotNegative] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Harvest(TankEvent):
    """Plant mass taken out, fresh or dry, in grams; exactly one of the two."""

    kind: ClassVar[str] = "harvest"
    fresh_grams: Positive | None = None
    dry_grams: Positive | None = None
    plant: str = ""

    def __post_init__(self) -> None:
        if (self.fresh_grams is None) == (self.dry_grams is None):
            raise ValueError("give either fresh_grams or dry_grams")


_HEX = frozenset("0123456789abcdef")
Share = Annotated[float, Ge(0), Le(1)]
Length = Annotated[float, Gt(0), Le(2000)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth(TankEvent):
    """What was seen of the growth of one plant, or of the tank's plants where none is named; any of these.

    Harvests are entries of their own: what was cut off is reckoned as grown.
    """

    kind: ClassVar[str] = "growth"
    plant: Annotated[str, MaxLen(80)] = ""
    new_leaves: Annotated[float, Ge(0), Le(10_000)] | None = None
    """Unfolded since the last look that counted leaves."""
    longest_cm: Length | None = None
    """The longest shoot."""
    height_cm: Length | None = None
    cover: Share | None = None
    """The share of a picture, always taken from one place, that is leaf."""
    picture: Annotated[str, MaxLen(64)] = ""
    """The name of a kept picture: the SHA-256 of its bytes, in hexadecimal."""

    def __post_init__(self) -> None:
        seen = (self.new_leaves, self.longest_cm, self.height_cm, self.cover, self.picture or None)
        if all(part is None for part in seen):
            raise ValueError("give at least one of new_leaves, longest_cm, height_cm, cover and picture")
        if self.picture and (len(self.picture) != 64 or not _HEX.issuperset(self.picture)):
            raise ValueError("picture: expected the 64 hexadecimal digits of a kept picture's SHA-256")


@dataclass(frozen=True, slots=True, kw_only=True)
class LightSpot(TankEvent):
    """Light measured by hand at one plant's leaf: a figure at that moment, beside the tank's own light probe."""

    kind: ClassVar[str] = "light_spot"
    place: Annotated[str, MinLen(1), MaxLen(80)]
    """The plant, or where in the tank."""
    value: Annotated[float, Ge(0), Le(1e6)]
    unit: Annotated[str, MaxLen(40)] = ""
    """lx where it is left out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dose(TankEvent):
    """Something added on purpose, with what is known of its content."""

    kind: ClassVar[str] = "dose"
    what: Annotated[str, MinLen(1)]
    nitrogen_mg: NotNegative = 0.0
    kh_mg_caco3: NotNegative = 0.0
    gh_mg_caco3: NotNegative = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stocking(TankEvent):
    """Fish added (positive) or gone (negative)."""

    kind: ClassVar[str] = "stocking"
    change: int
    species: str = ""
    grams: NotNegative | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LampWork(TankEvent):
    """Work on the lamp.  Everything but `cleaned` starts a new light baseline."""

    kind: ClassVar[str] = "lamp"
    what: Literal["replaced", "added", "removed", "moved", "cleaned", "schedule"]
    hours: tuple[OnHours, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Treatment(TankEvent):
    """A remedy against illness or pests given to fish or water, for so many days from `at_s` on."""

    kind: ClassVar[str] = "treatment"
    what: Annotated[str, MinLen(1), MaxLen(200)]
    days: Annotated[float, Gt(0), Le(90)] | None = None
    """None: one dose, or nobody said."""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterWork(TankEvent):
    """Work on the filter: the bacteria that turn ammonia into nitrate live there."""

    kind: ClassVar[str] = "filter"
    what: Literal["cleaned", "replaced", "stopped", "started"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage(TankEvent):
    """So many minutes without power, ending at `at_s`."""

    kind: ClassVar[str] = "outage"
    minutes: Annotated[float, Gt(0), Le(60 * 24 * 30)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pack(TankEvent):
    """A pack of test strips opened for this tank, or its strips counted again: what was left before counts no more."""

    kind: ClassVar[str] = "pack"
    strips: Positive


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting(TankEvent):
    """Something seen."""

    kind: ClassVar[str] = "sighting"
    what: Literal["algae", "yellow_leaves", "new_growth", "gasping", "dead_fish", "cloudy", "smell"]
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Absence(TankEvent):
    """Nobody is there to test the water: from `at`, for so many days."""

    kind: ClassVar[str] = "absence"
    days: Annotated[float, Gt(0), Le(366)]
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Note(TankEvent):
    """Free words."""

    kind: ClassVar[str] = "note"
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationPoint:
    """One standard: its true `value`, what the probe gave (`raw`), at `temperature_c`."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    value: float
    raw: float
    temperature_c: float = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration(Event):
    """A probe put into known standards."""

    kind: ClassVar[str] = "calibration"
    probe: str
    points: Annotated[tuple[CalibrationPoint, ...], MinLen(1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class KitCheck(Event):
    """A kit dipped in known solutions: what each held and what the kit said of it, by eye or by picture."""

    kind: ClassVar[str] = "kit_check"
    kit: Annotated[str, MinLen(1)]
    standards: Annotated[tuple[Standard, ...], MinLen(1), MaxLen(50)]
    pack: str = ""
    """What tells this pack from the one before, such as its lot number; empty: the one that is open."""
    device: str = ""
    """The phone that took the pictures."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledge(Event):
    """A person has seen the alarm with this id."""

    kind: ClassVar[str] = "acknowledge"
    alarm: str
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelve(Event):
    """A person puts the alarm aside for some hours; 0 hours takes it back off the shelf."""

    kind: ClassVar[str] = "shelve"
    alarm: str
    by: str
    hours: Annotated[float, Ge(0), Le(24 * 60)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction(Event):
    """The event with id `of` is void, or is replaced by another that keeps its id."""

    kind: ClassVar[str] = "correction"
    of: str
    void: bool = False
    replacement: Event | None = None


KINDS: dict[str, type[Event]] = {
    c.kind: c
    for c in (
        *(Reading, Test, Feeding, WaterChange, TopOff, Harvest, Dose, Stocking, LampWork, Sighting, Calibration),
        *(Acknowledge, Shelve, Correction, Note, Pack, KitCheck, Treatment, FilterWork, Outage, Absence),
        *(Growth, LightSpot),
    )
}


ConditionName = Literal["delivery_failing", "storage_low", "clock_untrusted", "config_refused"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition(Event):
    """What the daemon found out about itself: its disk, its clock, its channels.

    Kept in the journal so that a restart knows it, never exported: it is about this machine, not the tanks.
    `subject` is the channel, where one alarm can stand several times.
    """

    kind: ClassVar[str] = "condition"
    alarm: ConditionName
    says: Literal["raise", "clear"]
    subject: str = ""
    facts: dict[str, str | float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply(Event):
    """The board's supply voltage fell below its limit `dips` times since the last such event, by the kernel's bit.

    Kept in the journal and never exported, as a condition is: it explains what ails a probe, and is about this board.
    """

    kind: ClassVar[str] = "supply"
    dips: Annotated[int, Ge(1)] = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Started(Event):
    """The daemon began anew; of the time before, ticks had been made up to `reached_s`, Unix seconds, 0 for none.

    Kept in the journal and never exported: what time alone would have brought while nobody watched is not made up
    afterwards, and whoever makes the state from the journal again must know from when on that was.
    """

    kind: ClassVar[str] = "started"
    reached_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Untold(Event):
    """After a start, or a channel's recovery, the outbox showed that nobody heard of these alarms (ids) that stand.

    Kept in the journal and never exported, as a condition is: whom the daemon could reach is about this machine.
    """

    kind: ClassVar[str] = "untold"
    alarms: Annotated[tuple[str, ...], MinLen(1)]


INTERNAL_KINDS: dict[str, type[Event]] = {c.kind: c for c in (Condition, Supply, Started, Untold)}
"""Kinds that a journal may hold and an event file may not."""
