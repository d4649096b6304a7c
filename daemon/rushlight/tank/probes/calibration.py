"""What a calibration comes to before it is stored: the one rule for page, command line and hub.

Pure.  The core judges again, by the calibrations before it, and keeps what was stored of old.
"""

from __future__ import annotations

from rushlight.events import Calibration
from rushlight.localunits import METRIC, Units
from rushlight.science.measuring.electrode import Verdict
from rushlight.science.measuring.units import from_standard, standard_unit
from rushlight.settings import Probe
from rushlight.tank.probes.watch import ProbeWatch

COLDEST_C, WARMEST_C = 0.0, 40.0
"""Standards are used at the temperature of a room or a tank (own choice)."""


def read_otherwise(probe: Probe, units: Units) -> bool:
    """Whether people here read and type what this probe measures in another unit than the record's."""
    unit = standard_unit(probe.quantity, probe.unit)
    return units.word(unit) != unit and probe.quantity in ("temperature", "air_temperature", "level")


def raw_of(probe: Probe, value: float) -> float:
    """What the device itself gave for a value in the record's unit."""
    return from_standard(probe.quantity, value, probe.unit) if probe.unit else value


def come_to(probe: Probe, entry: Calibration, units: Units = METRIC) -> Verdict:
    """The verdict on a calibration of that probe, as if it were the first."""
    for point in entry.points:
        if not COLDEST_C <= point.temperature_c <= WARMEST_C:
            at, low = units.say(point.temperature_c, "°C", "g"), units.figure(COLDEST_C, "°C", "g")
            return Verdict(False, f"refused: a standard at {at}; between {low} and {units.say(WARMEST_C, '°C', 'g')}")
    watch = ProbeWatch(probe)
    return watch.on_calibration(watch.initial(), entry)
