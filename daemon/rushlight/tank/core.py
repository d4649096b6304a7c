"""One tank: its watches put together, and what they say about it.

Owns the order in which the watches hear of things.  Each watch keeps its own state and knows none of the others;
what one needs from another is handed over here.
"""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass, field

from rushlight.alarms.finding import Finding
from rushlight.effects import Daily, DueChange, Effect
from rushlight.events import LampWork, Sighting, TankEvent, Test
from rushlight.settings import Config, Quantity, Tank
from rushlight.tank.chemistry import ChemistryState, ChemistryWatch
from rushlight.tank.light import LightState, LightWatch
from rushlight.tank.limits import LimitsState, LimitsWatch
from rushlight.tank.nitrate import NitrateState, NitrateWatch
from rushlight.tank.routine import RoutineState, RoutineWatch
from rushlight.tank.supplies import SuppliesState, SuppliesWatch

LIGHT_ALARMS = frozenset({"lamp_dimming", "lamp_off", "light_low", "light_probe_fouled"})
PROBE_ALARMS = frozenset({"probe_fault", "probe_silent"})


@dataclass(slots=True)
class TankState:
    """All that is remembered of one tank."""

    light: LightState
    nitrate: NitrateState
    chemistry: ChemistryState
    routine: RoutineState
    supplies: SuppliesState
    limits: LimitsState
    latest: dict[str, float] = field(default_factory=dict)
    """The last good value of each quantity, canonical units."""
    latest_at_s: dict[str, float] = field(default_factory=dict)
    due_at_s: float | None = None
    due_reason: str = ""
    last_test: Test | None = None
