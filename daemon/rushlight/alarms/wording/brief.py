"""What a locked phone shows of each alarm: its matter in a few characters, and the deed with which the text begins.

Owns these short forms only; the table's rows say the same at length.  A row that is not here is told by its own title
and first action, cut to fit, so that a new alarm needs nothing here until somebody finds better words.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

BRIEF: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "test_overdue": ("test overdue", "Test the water with a strip and enter it."),
        "nitrate_high": ("nitrate high", "Test once more; then change water as planned."),
        "nitrate_rising": ("nitrate rising", "Look at the named cause and undo that first."),
        "uptake_behind": ("plants behind", "More light or less feed: one of the two."),
        "ammonia_high": ("ammonia high", "Stop feeding; treat water as the page shows."),
        "nitrite_high": ("nitrite high", "Stop feeding, then do as the page shows."),
        "growth_slowing": ("growth slower", "Look at the leaves and at the light."),
        "nitrate_low": ("nitrate low", "Feed as agreed; look which leaves are yellow."),
        "fish_in_distress": ("fish in distress", "Test ammonia and nitrite now; is the pump on?"),
        "chlorine_high": ("chlorine", "Treat the water with conditioner now."),
        "lamp_dimming": ("lamp weaker", "Wipe the lamp's cover, unplugged."),
        "lamp_off": ("lamp off time", "Look at the lamp's timer and plug."),
        "light_low": ("too little light", "Lengthen the lamp's hours as the page shows."),
        "light_probe_fouled": ("probe dirty", "Wipe the light probe and enter it."),
        "temperature_high": ("water warm", "Is the heater stuck on? Unplug it if so."),
        "temperature_low": ("water cold", "Look whether the heater has power."),
        "temperature_moving": ("temperature jump", "Look at the heater and what was just done."),
        "ph_high": ("pH high", "Check the pH with a strip first."),
        "ph_low": ("pH low", "Check pH and KH with a strip first."),
        "ph_moving": ("pH moving", "Check pH and KH with a strip."),
        "alkalinity_low": ("KH low", "Test ammonia, then raise KH as the page shows."),
        "hardness_high": ("hardness high", "Top off with softer water."),
        "level_low": ("water level", "Look for water on the floor; touch no plug."),
        "conductivity_high": ("conductivity", "Find out what went into the water."),
        "probes_disagree": ("probes disagree", "Measure by hand beside each of them."),
        "probe_silent": ("probe silent", "Look at the probe's cable and its power."),
        "probe_fault": ("probe fault", "Look at the probe's cable and seat."),
        "calibration_due": ("calibration due", "Calibrate the probe as its page shows."),
        "delivery_failing": ("messages fail", "Run 'rushlight check --send' on the Pi."),
        "storage_low": ("storage", "Make a backup, then free or replace the card."),
        "config_refused": ("configuration", "Correct the configuration file's named line."),
        "clock_untrusted": ("clock", "Look whether the network is up."),
        "strips_low": ("strips low", "Buy test strips this week."),
    }
)
"""Alarm: the matter, sixteen characters or so, and the deed, understood by its forty-fifth character."""
