"""A probe that was heard and falls silent is missed within its patience, also on the very first day."""

from __future__ import annotations

import pytest

from helpers.site import config_of
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.events import Reading

T0 = 1_790_000_000.0
TEXT = """
[site]
timezone = "Europe/Dublin"
[[tank]]
id = "foyer"
litres = 140
[[kit]]
id = "strip"
pads = {{ nitrate = [0, 10, 25] }}
[[probe]]
id = "foyer-temperature"
tank = "foyer"
quantity = "temperature"
driver = "{driver}"
every_seconds = 10
silent_seconds = 60
"""


@pytest.mark.parametrize("driver", ["none", "simulated"])
@pytest.mark.parametrize("heard", [1, 30])
def test_a_silence_on_the_first_day_is_noticed_in_time(driver: str, heard: int) -> None:
    core = Core(config_of(TEXT.format(driver=driver)))
    timeline = Timeline(core, core.initial())
    for n in range(heard):
        timeline.feed(Reading(at_s=T0 + 10 * n, probe="foyer-temperature", value=24.0 + n % 3 / 10))
    last_s = T0 + 10 * (heard - 1)
    timeline.advance(last_s + 59)
    assert not timeline.state.probes["foyer-temperature"].silent
    timeline.advance(last_s + 61)
    assert timeline.state.probes["foyer-temperature"].silent


MILLIVOLTS = """
[site]
timezone = "Europe/Dublin"
[[tank]]
id = "foyer"
litres = 140
[[kit]]
id = "strip"
pads = { nitrate = [0, 10, 25] }
[[probe]]
id = "foyer-ph"
tank = "foyer"
quantity = "ph"
unit = "mV"
driver = "simulated"
every_seconds = 10
[[probe]]
id = "foyer-temperature"
tank = "foyer"
quantity = "temperature"
"""


def test_millivolts_without_a_calibration_are_heard() -> None:
    """A board that is plugged in half an hour after the start: silent until then, and not for ever."""
    core = Core(config_of(MILLIVOLTS))
    timeline = Timeline(core, core.initial())
    timeline.feed(Reading(at_s=T0, probe="foyer-temperature", value=24.0))
    timeline.advance(T0 + 1800)
    assert timeline.state.probes["foyer-ph"].silent
    for n in range(60):
        timeline.feed(Reading(at_s=T0 + 1800 + 10 * n, probe="foyer-ph", value=-12.5 + n % 3 / 10))
    timeline.advance(T0 + 2400)
    view = core.probes["foyer-ph"].view(timeline.state.probes["foyer-ph"], T0 + 2400)
    assert view.trouble == "the pH probe foyer-ph has no calibration yet"
    assert (view.value, view.raw, view.raw_unit) == (None, pytest.approx(-12.3), "mV")
    states = {a.id: a.state for a in core.book.views(timeline.state.alarms)}
    assert states.get("foyer.probe_silent.foyer-ph", "normal") in {"normal", "returned"}
