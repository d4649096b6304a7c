"""What the outside may look at: a frozen picture of the core's state at one moment.

The page, `status`, the hub, the time-series store and the weekly summary read these and nothing deeper.
Pure data; `core.step` makes them.  Times are seconds since 1970 UTC; rates mg/L as NO3 per day.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median_high
from typing import Any, Literal

from rushlight.effects import AlarmStateName, Estimate
from rushlight.settings import Priority, UnitSystem

STANDING = frozenset({"unacknowledged", "acknowledged"})
"""States of an alarm whose cause is there."""
CALLED = {"ph": "pH", "kh": "KH", "gh": "GH"}
"""Substances that people write in another way."""
NOBODY_TOLD = (
    "No phone or e-mail is set up, so no alarm is sent to anybody. In a terminal on the Pi, type sudo rushlight "
    "setup: it asks for either and sends a trial."
)
"""Said wherever somebody asks who hears of alarms and no channel is configured."""
Urgency = Literal["now", "soon", "look", "unknown", "quiet"]
URGENCIES: tuple[Urgency, ...] = ("now", "soon", "look", "unknown", "quiet")
"""The most pressing first."""


def no_kit_for(substances: Sequence[str], *, short: bool = False) -> str:
    """Where a test of what no kit here measures is to be had, in the middle of a sentence; empty for nothing."""
    if not substances:
        return ""
    named = " or ".join(CALLED.get(s, s) for s in substances)
    if short:
        return f"no kit here measures {named}: a shop sells drop tests or tests a sample"
    return f"no kit here measures {named}: a shop sells drop tests for it, and a shop or a laboratory tests a sample"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeView:
    """One probe: its last good value, how old that is, and what is wrong with it in one plain sentence."""

    id: str
    tank: str
    quantity: str
    unit: str
    value: float | None = None
    value_at_s: float | None = None
    heard_at_s: float | None = None
    fresh: bool = False
    flag: int = 9
    trouble: str = ""
    raw: float | None = None
    """What the device itself gave last, in the probe's configured unit: what a calibration asks for."""
    raw_unit: str = ""
    place: str = ""
    """Where it is, in the keeper's words."""
    alone: bool = True
    """False where the tank has another probe of this quantity."""
    carries: str = ""
    """What is worked out from this one and none of the others: `dose`, `nitrate`, or nothing."""

    @property
    def which(self) -> str:
        """What tells it from the tank's others of its quantity: its place, else its id; empty where it is alone."""
        return self.place or ("" if self.alone else self.id)

    @property
    def unit_shown(self) -> str:
        """The unit as a person reads it after the value; a pH is its own unit and gets none."""
        if self.quantity == "nitrate" and self.unit == "mg/L":
            return "mg/L as NO3"
        return "" if self.unit == "pH" else self.unit


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmView:
    """One alarm that is not normal."""

    id: str
    alarm: str
    tank: str | None
    subject: str = ""
    """The probe or channel where one tank can have the alarm several times."""
    occurrence: int
    state: AlarmStateName
    priority: Priority
    since_s: float
    text: str = ""
    first_action: str = ""
    evidence: Mapping[str, Any] = field(default_factory=dict)
    shelved_until_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """One cause's part in the change of the net rate, mg/L as NO3 per day."""

    cause: str
    change: Estimate
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedView:
    """One planned test: when, what, why, whether it has been made, and what of it no kit here measures."""

    at_s: float
    substances: tuple[str, ...]
    why: str
    done: bool = False
    cannot: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """Without its date."""
        told = f"{' and '.join(self.substances)}: {self.why}"
        if self.cannot:
            told += f"; {no_kit_for(self.cannot)}"
        return f"{told} (made)" if self.done else told


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """What is said of a tank at a moment, worked out in the core; every screen and text shows parts of it."""

    headline: str = ""
    """The worst thing, in a few words."""
    worst: Priority | None = None
    """The priority of that thing; None where nothing stands."""
    evidence: tuple[str, ...] = ()
    """The level first, then when it passes its limit where that is told, then each standing alarm as it is now."""
    cause: str = ""
    """Empty where no change is sure."""
    todo: str = ""
    also: tuple[str, ...] = ()
    """What the other standing alarms ask for, the most pressing first."""
    next_test_at_s: float | None = None
    next_test_reason: str = ""
    next_test_reasons: tuple[str, ...] = ()
    """All that asks for a test by the day after that date; the first is `next_test_reason`."""
    next_test_kind: str = ""
    """What kind of test that had best be, as `tank.kits.choice` names them; empty where there is no date."""
    next_test_kind_sentence: str = ""
    """Which kind, and why."""
    next_test_cups: tuple[int, int] | None = None
    """Parts of tank water and of other water for the thinned sample, where that is it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeafView:
    """Light at one plant's leaf: its share of the tank's own, when that was measured, and the dose it makes."""

    place: str
    share: float
    measured_at_s: float
    dose_mol: float | None
    """mol m⁻² d⁻¹ over the last days; None where the tank's own is not known."""
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardView:
    """The light of one picture of a strip in a known solution."""

    kit: str
    substance: str
    signature: tuple[float, ...]
    """Of the chart in it (`science.optics.stripscale`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TankView:
    """One tank."""

    id: str
    title: str
    litres: float
    account: Account = field(default_factory=Account)
    state_sentence: str = ""
    todo_sentence: str = ""
    probes: tuple[ProbeView, ...] = ()
    alarms: tuple[AlarmView, ...] = ()
    nitrate: Estimate | None = None
    net_rate: Estimate | None = None
    supply_rate: Estimate | None = None
    uptake_rate: Estimate | None = None
    kept_up: Estimate | None = None
    days_to_limit: float | None = None
    light_dose_today_mol: float | None = None
    light_week_mol: float | None = None
    """Mean of the last seven days' doses, mol m⁻² d⁻¹."""
    light_need_mol: float | None = None
    """The dose at which uptake would meet supply; None where this tank's own record does not tell."""
    lamp_percent: float | None = None
    due_at_s: float | None = None
    due_reason: str = ""
    overdue: bool = False
    strips_left: float | None = None
    reorder_at_s: float | None = None
    """When to buy the next pack of strips."""
    water_sentences: tuple[str, ...] = ()
    """Ammonia and hardness as far as tests tell."""
    remedy_kind: str = "none"
    """What the planner proposes, as `tank.water.plan` names it."""
    remedy_sentences: tuple[str, ...] = ()
    """The planner's whole proposal; empty where nothing is beyond its limit."""
    planned: tuple[PlannedView, ...] = ()
    """The tests that go with what was done to the tank, by date."""
    growth: Estimate | None = None
    """Relative growth over the last four weeks, natural logarithm a week."""
    growth_sentences: tuple[str, ...] = ()
    """How the plants grow, and whether they have outgrown their light."""
    growth_asked: str = ""
    """Asks for a look at growth beside today's test; empty where none is due.  No message ever says it."""
    leaves: tuple[LeafView, ...] = ()
    """Light where it was measured by hand, the darkest first."""
    causes: tuple[Share, ...] = ()
    causes_sentence: str = ""
    most_fed_g: float | None = None
    """The most that was entered as fed on one day, g at the usual protein; None: nothing was."""
    last_test: Mapping[str, float | str] = field(default_factory=dict)
    last_test_at_s: float | None = None
    last_read: tuple[str, ...] = ()
    """What the last test says by itself where that is more than its pads: by picture, thinned, with a checked kit."""
    kit_sentences: tuple[str, ...] = ()
    """What known solutions showed of the kits, and whether to check them again."""
    standards: tuple[StandardView, ...] = ()
    """The pictures of known solutions that pictures of strips are read by."""

    @property
    def asked_again(self) -> bool:
        """Whether an alarm asks for one more test, so that the next one's date is the latest day for it."""
        return any(a.alarm == "nitrate_high" and a.state in STANDING for a in self.alarms)

    @property
    def urgency(self) -> Urgency:
        """How much the tank asks of a person at this moment: its worst alarm that stands, or a test that is due."""
        standing = {a.priority for a in self.alarms if a.state in STANDING}
        if "high" in standing:
            return "now"
        if "medium" in standing:
            return "soon"
        if standing or self.overdue:
            return "look"
        return "quiet" if self.last_test_at_s is not None else "unknown"

    def measured(self, quantity: str) -> float | None:
        """What the fresh probes of a quantity say together, as the core takes them: the upper median."""
        values = [p.value for p in self.probes if p.quantity == quantity and p.fresh and p.value is not None]
        return median_high(values) if values else None


@dataclass(frozen=True, slots=True, kw_only=True)
class OutletView:
    """One way by which news leaves the house, and how it is doing, in one plain sentence."""

    name: str
    title: str
    well: bool
    sentence: str
    state: Literal["", "never tried", "failed", "account in order", "delivered"] = ""
    """Of a channel to people, how far it is proven; empty for all else."""
    at_s: float | None = None
    """When that was found, Unix seconds."""
    confirmed_at_s: float | None = None
    """When a person last said that a trial message was there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unfinished:
    """One thing that nobody has done yet, before the installation is proven."""

    kind: Literal["channel", "confirm", "probe", "calibration", "test", "pack", "water"]
    what: str
    sentence: str
    tank: str = ""
    subject: str = ""
    """The channel or the probe."""
    ready: bool = False
    """Of `confirm`: a trial has gone out, so that a person can say that it is there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteView:
    """The installation."""

    at_s: float
    name: str
    timezone: str
    units: UnitSystem = "metric"
    """What people at the site read."""
    clock_ok: bool = True
    tanks: tuple[TankView, ...] = ()
    alarms: tuple[AlarmView, ...] = ()
    """Those that belong to no tank."""
    outlets: tuple[OutletView, ...] = ()
    """How news leaves the house, as the running daemon knows it."""
    unfinished: tuple[Unfinished, ...] = ()
    """What is still to be done before the installation is proven, as the running daemon knows it."""
    storage: str = ""
    """What is wrong with the disk and what is held in memory only, at this moment; '' while all is written."""

    @property
    def headline(self) -> str:
        """The whole in a few words, the most pressing first; quiet only where a noise would be heard."""
        states = {a.state for a in (*self.alarms, *(a for t in self.tanks for a in t.alarms))}
        if "unacknowledged" in states or any(t.overdue for t in self.tanks):
            return "Something needs you"
        if "acknowledged" in states:
            return "In hand, not over yet"
        if any(t.last_test_at_s is None for t in self.tanks):
            return "A first test is needed"
        if any(o.name == "none" for o in self.outlets):
            return "No alarm now, but none could reach you"
        return "All quiet; something is over" if "returned" in states else "All quiet"
