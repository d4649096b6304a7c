"""All that is remembered of one tank's light.  Pure data; `light.watch` changes it."""

from __future__ import annotations

from dataclasses import dataclass, field

from rushlight.tank.light.daylight import DaylightState
from rushlight.tank.light.lamp import LampState
from rushlight.tank.light.need import NeedState
from rushlight.tank.light.switch_times import StepsState

DAYS_MOST = 731
"""Days kept: two years (own choice)."""


@dataclass(slots=True)
class LightState:
    """All that is remembered of one tank's light."""

    last_s: float | None = None
    last_value: float = 0.0
    wake_s: float = 0.0
    value_s: float = 0.0
    """Integral of the readings over the running day, probe's unit times seconds."""
    covered_s: float = 0.0
    from_s: float | None = None
    """Start of the running day, or of the record."""
    bin_from_s: float = 0.0
    bin_time: float = 0.0
    bin_sum: float = 0.0
    bin_n: int = 0
    jump_s: float | None = None
    jump_by: float = 0.0
    """When the light last jumped away from the running average, and by how much."""
    times: list[float] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    lamp: LampState = field(default_factory=LampState)
    lamp_before: LampState | None = None
    """The lamp's state before the last work on it, should that entry be withdrawn."""
    work_id: str = ""
    steps: StepsState = field(default_factory=StepsState)
    daylight: DaylightState = field(default_factory=DaylightState)
    need: NeedState = field(default_factory=NeedState)
    fouled: bool = False
    cleaned_s: float | None = None
    """When the last cleaning was recorded while the light was down, and (below) by how much as a natural log."""
    cleaned_change: float = 0.0
    cleaning: str = ""
    """What that cleaning showed: '' nothing yet, 'helped', 'in vain'."""
    leaning_days: int = 0
    """Days on which daylight was sure that it is the probe."""
    season_s: float | None = None
    """When daylight last did what neither lamp nor probe can explain."""
    undecided: bool = False
    """A loss that daylight seems to share is small still, and more days may tell."""
    told_lamp: bool = False
    """The running loss was put down to the lamp before."""
    share: float | None = None
    """How far daylight followed the lamp's loss: 0 not at all, 1 alike; None unknown."""
    share_sd: float = 0.0
    odds: float | None = None
    """Natural log odds by daylight that the probe lost light, not the lamp; None unknown."""
    trouble: str | None = None
    """'' the lamp is as it should be, 'not_on', 'not_off', None unknown."""
    spans: list[tuple[float, float, float]] = field(default_factory=list)
    """When the lamp should be on around now, and its level; good until `spans_until_s`."""
    spans_until_s: float | None = None
    spans_output: float = 1.0
    """The lamp's output over its anchor that those levels go by."""
    days: list[tuple[int, float, float, float, float | None]] = field(default_factory=list)
    """Day ordinal, dose, coverage, lamp dose (mol m⁻²) and lamp percent; two years at most."""
    since_anchor_mol: float = 0.0
    note: str = ""
    """What was found out about the switching times, in words."""
