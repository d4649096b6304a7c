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
