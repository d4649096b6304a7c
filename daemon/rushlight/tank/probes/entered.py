"""What a calibration comes to before it is stored: the one rule for page, command line and hub.

Pure.  The core judges again, by the calibrations before it, and keeps what was stored of old.
"""

from __future__ import annotations

from rushlight.events import Calibration
from rushlight.localunits import METRIC, Units
from rushlight.science.measuring.electrode import Verdict
from rushlight.settings import Probe
from rushlight.tank.probes.watch import ProbeWatch

COLDEST_C, WARMEST_C = 0.0, 40.0
"""Standards are used at the temperature of a room or a tank."""


def come_to(probe: Probe, entry: Calibration, units: Units = METRIC) -> Verdict:
    """The verdict on a calibration of that probe, as if it were the first."""
    for point in entry.points:
        if not COLDEST_C <= point.temperature_c <= WARMEST_C:
            at, low = units.say(point.temperature_c, "°C", "g"), units.figure(COLDEST_C, "°C", "g")
            return Verdict(False, f"refused: a standard at {at}; between {low} and {units.say(WARMEST_C, '°C', 'g')}")
    watch = ProbeWatch(probe)
    return watch.on_calibration(watch.initial(), entry)
