"""What the core asks the world to do or to know.  Pure data; the core returns these and does none of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal

from rushlight.settings import Priority

AlarmStateName = Literal["unacknowledged", "acknowledged", "returned", "normal", "shelved", "out_of_service"]
"""The states of IEC 62682 / ANSI-ISA-18.2 as this program names them."""
Step = Literal["raise", "repeat", "reminder", "return"]
"""As what an alarm is told.  A reminder is of what somebody has acknowledged before."""
STEPS: tuple[Step, ...] = ("raise", "repeat", "reminder", "return")
"""The most pressing first."""
Purpose = Literal["alarm", "summary", "check"]
"""What a message is for: an alarm, the weekly summary, or the proof that a channel works."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A value that is not known exactly: its mean and its central 90 % interval."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What every effect has: the moment it belongs to, seconds since 1970 UTC, and the tank, if one."""

    kind: ClassVar[str] = ""
    at_s: float
    tank: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmChange(Effect):
    """An alarm went to another state (or its priority climbed).

    `id` names the alarm for good (`foyer.probe_silent.foyer-ph`); `occurrence` counts its risings, so
    (`id`, `occurrence`) is the identity of one episode.
    """

    kind: ClassVar[str] = "alarm"
    alarm: str
    id: str
    subject: str = ""
    """The probe or channel where one tank can have the alarm several times; not kept in the journal."""
    occurrence: int
    state: AlarmStateName
    priority: Priority
    text: str = ""
    evidence: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class DueChange(Effect):
    """The next test's date moved."""

    kind: ClassVar[str] = "due"
    due_at_s: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Daily(Effect):
    """One tank's day, closed at local midnight.  Rates are mg/L as NO3 per day; None is 'not known'."""

    kind: ClassVar[str] = "daily"
    date: str
    light_dose_mol: float | None = None
    light_coverage: float | None = None
    lamp_dose_mol: float | None = None
    lamp_percent: float | None = None
    nitrate: Estimate | None = None
    net_rate: Estimate | None = None
    supply_rate: Estimate | None = None
    uptake_rate: Estimate | None = None
    kept_up: Estimate | None = None
    days_to_limit: float | None = None
    chance_28_days: float | None = None
    """Probability, 0 to 1, that nitrate passes its limit within four weeks."""
    growth_per_week: Estimate | None = None
    """Relative growth rate of the plants, natural logarithm per week, as of the last four weeks."""


@dataclass(frozen=True, slots=True)
class Told:
    """One rise of one alarm, as a message tells of it."""

    alarm: str
    """The alarm's id."""
    occurrence: int
    step: Step
    since_s: float = 0.0
    """When it rose or last asked again; 0 where that is not known any more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TestRead(Effect):
    """What one test alone says of one substance, in the canonical unit: mean and central 90 % interval.

    None where it says nothing; `why` is then the reason, or that for which a picture was passed over for the eye.
    """

    __test__: ClassVar[bool] = False  # not a test class, whatever pytest thinks of the name
    kind: ClassVar[str] = "test_read"
    id: str
    substance: str
    mean: float | None
    low: float | None
    high: float | None
    by: Literal["pads", "number", "picture"]
    why: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Message(Effect):
    """Something to tell a person: one row of the outbox per channel.

    `key` is the message's identity for ever: sent twice by accident, it is recognisably the same message.  It is an
    opaque name; what the message is about stands in `purpose` and `alarms`.
    `not_before_s` is when quiet hours or an escalation delay let it out.  `supersedes` names keys that need
    not go out any more once this one has been put in the outbox.
    """

    kind: ClassVar[str] = "message"
    key: str
    channel: str
    contact: str = ""
    priority: Priority = "medium"
    title: str = ""
    body: str = ""
    purpose: Purpose = "alarm"
    alarms: tuple[Told, ...] = ()
    """Empty for what is about no alarm."""
    not_before_s: float = 0.0
    supersedes: tuple[str, ...] = ()

    @property
    def step(self) -> Step | None:
        """The most pressing step of its alarms; None for what is about no alarm."""
        return leading_step(self.alarms)


def leading_step(alarms: tuple[Told, ...]) -> Step | None:
    """The most pressing step of these, in the order of `STEPS`; None of none."""
    return min((t.step for t in alarms), key=STEPS.index, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark(Effect):
    """Something for the log: a person asked for what cannot be done, and no harm came of it."""

    kind: ClassVar[str] = "remark"
    text: str
