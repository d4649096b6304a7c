"""What the watches hand to the words: one dataclass for each family of alarms, so that a misspelt fact is a type error.

Owns the facts and how they are written down for programs (`record`).  Never judges them and never puts them in words.
Pure.

**To add facts or a family**: add a field or a frozen dataclass here, derived from `Evidence`, with units in its names
and None for 'not known'; have the watch put it into its `Finding`, which it gives at any moment, whatever it `says`;
if the plain sentence ('title: value against a limit') will not do, add a case to `words.happening`.  Nothing else
needs to know.  Evidence is never kept: alarms and messages ask for it when they tell something, so what is told is
what the watches know at that moment (`core.present`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from rushlight.effects import Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What every family may say in words of its own; all empty where nothing is known but that the alarm stands."""

    sentence: str = ""
    """What is happening, instead of what the words make of the figures."""
    cause_sentence: str | None = None
    """None: the alarm table's usual cause is told; empty: the cause is known to be unknown."""
    action_sentence: str = ""
    """The first thing to do, instead of the alarm table's."""
    deed: str = ""
    """The same as an order of forty-five characters or so, for a locked phone."""
    why: str = ""
    """The cause in a hundred characters or so, for a message."""
    sitter_sentence: str = ""
    """What somebody who only feeds the fish is to do, instead of the alarm table's."""
    trap_sentence: str | None = None
    """What not to do; None: as the alarm table says."""
    asks: tuple[str, ...] = ()
    """Substances that `action_sentence` asks to test; without one, those of the alarm table's row."""
    cannot: tuple[str, ...] = ()
    """What of these no kit here measures."""
    blind: bool = False
    """There is no fresh data: these are the last that were known."""
    unstable: bool = False
    """It has come and gone several times within the hour; the alarm's own memory says so."""

    def record(self) -> dict[str, Any]:
        """Plain JSON of all that is known, by the fields' names."""
        known = {k: v for k, v in dataclasses.asdict(self).items() if v not in (None, "", False, ())}
        if self.cause_sentence == "":
            known["cause_sentence"] = ""
        return {k: dict(v) if isinstance(v, Mapping) else v for k, v in known.items() if k not in _FOR_PHONES}


_FOR_PHONES = ("deed", "why", "asks")


Ask = Callable[[str], Evidence]
"""An alarm's evidence as it is now, by the alarm's id; bare `Evidence` where nothing is known."""


def nothing_known(_alarm_id: str) -> Evidence:
    """For who has no watches to ask."""
    return Evidence()


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseShare:
    """One cause's part in the change of the net rate, mg/L as NO3 per day, mean and central 90 %."""

    cause: str
    mean: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NitrateEvidence(Evidence):
    """`nitrate_high`, `nitrate_rising`, `uptake_behind`, `nitrate_low`.  Levels as NO3; chances 0 to 1."""

    limit_mg_l: float
    tests: int = 0
    nitrate_mg_l: Estimate | None = None
    net_rate_mg_l_day: Estimate | None = None
    supply_mg_l_day: Estimate | None = None
    kept_up_share: Estimate | None = None
    chance_now: float | None = None
    chance_28_days: float | None = None
    days_to_limit: float | None = None
    cause: str = ""
    """The split of the change, in words."""
    first_cause: str = ""
    causes: tuple[CauseShare, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LateTest(Evidence):
    """`test_overdue`."""

    due_at_s: float
    late_days: float
    last_test_at_s: float | None = None
    reason: str = ""
    test_kind: str = ""
    """What kind of test tells most, as `tank.kits.choice` names them."""
    strips_left: float | None = None
    """Where there is none to test with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LampLoss(Evidence):
    """`lamp_dimming`, `light_probe_fouled`.  Percent of what the lamp gave when it was anchored."""

    days: float = 0.0
    since: str = ""
    anchor: str = ""
    """Local dates."""
    daylight_share: float | None = None
    daylight_share_sd: float | None = None
    lamp_percent: float | None = None
    lamp_percent_low: float | None = None
    lamp_percent_high: float | None = None
    loss_percent: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LampOff(Evidence):
    """`lamp_off`: `what` is `not_on` or `not_off`."""

    what: str = ""
    light_now: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LightNeeded(Evidence):
    """`light_low`."""

    dose_mol_m2_d: float | None = None
    need_mol_m2_d: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowthEvidence(Evidence):
    """`growth_slowing`: relative growth, natural logarithm a week, now and had it gone on as in the past."""

    growth_per_week: Estimate | None = None
    before_per_week: float | None = None
    share_of_before: float | None = None
    since: str = ""
    """A local date."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelEvidence(Evidence):
    """A value against a limit: temperature, pH, level, conductivity."""

    quantity: str = ""
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    limit_assumed: bool = False
    """The keeper gave none: it is the usual one."""
    before: float | None = None
    """What it fell or rose from, where that is what it is about."""
    probe: str = ""
    """Which of several probes of its kind says so, and where it is."""
    place: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DisagreementEvidence(LevelEvidence):
    """`probes_disagree`: `value` is how far they lie apart, `values` what each of them reads, by its id."""

    values: dict[str, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MovingEvidence(LevelEvidence):
    """`temperature_moving`, `ph_moving`: `value` is the change in an hour, with its sign."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterTestEvidence(LevelEvidence):
    """`ammonia_high`, `nitrite_high`, `chlorine_high`: what a test said."""

    tested_at_s: float | None = None
    total_mg_l: float | None = None
    total_mg_n_l: float | None = None
    ph: float | None = None
    temp_c: float | None = None
    epa_chronic_mg_n_l: float | None = None
    epa_acute_mg_n_l: float | None = None
    epa_extrapolated: bool = False
    """The pH lies outside the tables for which the criterion was printed."""
    share_of_limit: float | None = None
    """The worse of un-ionised ammonia against the keeper's limit and the total against the chronic criterion."""
    chloride_mg_l: float | None = None
    plan: Mapping[str, float | str] | None = None
    """The planner's figures (`tank.water.advice.figures`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MineralEvidence(LevelEvidence):
    """`alkalinity_low`, `hardness_high`: degrees of hardness; chances 0 to 1."""

    low: float | None = None
    high: float | None = None
    rate_per_day: float | None = None
    days_to_limit: float | None = None
    chance_now: float | None = None
    chance_in_four_weeks: float | None = None
    tested_at_s: float | None = None
    plan: Mapping[str, float | str] | None = None
    """The planner's figures."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DistressEvidence(Evidence):
    """`fish_in_distress`: what was seen last and how often; un-ionised ammonia now, and with all surplus CO2 gone."""

    seen: str = ""
    seen_at_s: float | None = None
    times: int = 0
    nh3_now_mg_l: float | None = None
    nh3_aired_mg_l: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WantEvidence(Evidence):
    """`nitrate_low`: since when no test found nitrate, in how many tests, and how often leaves were yellow."""

    nought_since_s: float | None = None
    nought_weeks: float | None = None
    tests: int = 0
    sightings: int = 0


SITE = "every probe here"
"""The widest gateway of all: what silences every probe at once is mostly the power."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeEvidence(Evidence):
    """`probe_silent`, `probe_fault`, `calibration_due`, and what else is about one probe."""

    probe: str
    place: str = ""
    quantity: str = ""
    silent_since_s: float | None = None
    gateway: str = ""
    """The board, bus or broker behind which all probes fell silent together."""
    dark_since: str = ""
    """Since when, in local time as people say it; empty where it has never been heard."""
    flag: int | None = None
    bad_share: float | None = None
    reason: str = ""
    due_s: float | None = None
    calibrated_at_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StripsEvidence(Evidence):
    """`strips_low`."""

    strips_left: float | None = None
    strips_for_two_weeks: float | None = None
    shelf_ends_s: float | None = None
    reorder_at_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolEvidence(Evidence):
    """`delivery_failing`, `storage_low`, `clock_untrusted`: what the daemon found out about itself."""

    subject: str = ""
    channel: str = ""
    days: float | None = None
    step_s: float | None = None
