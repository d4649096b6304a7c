"""Every trouble of a probe as one plain sentence, through the whole core: page, status and summary read the same."""

from __future__ import annotations

import random

import pytest

from helpers.site import CONFIG, config_of
from rushlight import events
from rushlight.core.step import Core, SiteState
from rushlight.core.timeline import Timeline
from rushlight.core.view import site_view
from rushlight.events import Calibration, CalibrationPoint, Event, Reading, Supply, WaterChange
from rushlight.service import snapshots

T0, DAY_S = 1_770_000_000.0, 86400.0
WITH_NITRATE = CONFIG + '\n[[probe]]\nid = "foyer-nitrate"\ntank = "foyer"\nquantity = "nitrate"\nevery_seconds = 60\n'
STEPS = (200, 350, 500)
"""Minutes at which both electrodes step: a pump that goes on."""


class House:
    """The core with time, and the probes' sentences."""

    def __init__(self, text: str = WITH_NITRATE) -> None:
        self.core = Core(config_of(text))
        self.time = Timeline(self.core, self.core.initial())
        self.at_s = T0

    def feed(self, event: Event) -> list[object]:
        self.at_s = max(self.at_s, event.arrived_s)
        return list(self.time.feed(event))

    @property
    def state(self) -> SiteState:
        return self.time.state

    def said(self, probe: str, at_s: float | None = None) -> str:
        view = site_view(self.core, self.state, at_s or self.at_s)
        return next(p.trouble for t in view.tanks for p in t.probes if p.id == probe)

    def standing(self) -> dict[str, str]:
        view = site_view(self.core, self.state, self.at_s)
        return {a.id: a.text for t in view.tanks for a in t.alarms if a.state == "unacknowledged"}


def two_electrodes(house: House, *, together: bool = True, minutes: int = 620) -> None:
    """Both electrodes in one water; at `STEPS` pH steps, and nitrate twenty seconds later or half an hour later."""
    rng = random.Random(2)
    for m in range(minutes):
        late = 0 if together else 30
        ph, nitrate = 7.1 + (m in STEPS), 20.0 + 40.0 * (m - late in STEPS)
        house.feed(Reading(at_s=T0 + 60 * m, probe="foyer-ph", value=round(rng.gauss(ph, 0.01), 3)))
        house.feed(Reading(at_s=T0 + 60 * m + 20, probe="foyer-nitrate", value=round(rng.gauss(nitrate, 0.3), 2)))
        house.feed(Reading(at_s=T0 + 60 * m + 30, probe="foyer-temperature", value=round(rng.gauss(24.0, 0.03), 2)))


def test_two_electrodes_that_step_together_are_told_as_interference() -> None:
    house = House()
    two_electrodes(house)
    for probe in ("foyer-ph", "foyer-nitrate"):
        assert "electrical interference is suspected" in house.said(probe)
        assert "interference" in house.standing()[f"foyer.probe_fault.{probe}"]
    assert house.said("foyer-temperature") == ""
    assert "foyer.probe_fault.foyer-temperature" not in house.standing()
    again = snapshots.load(snapshots.dump(house.state))
    assert again == house.state


def test_steps_at_different_times_are_no_interference() -> None:
    house = House()
    two_electrodes(house, together=False)
    assert not [a for a in house.standing() if "probe_fault" in a]
    assert house.said("foyer-ph") == house.said("foyer-nitrate") == ""


def test_a_water_change_explains_steps() -> None:
    house = House()
    for m in STEPS:
        house.feed(WaterChange(at_s=T0 + 60 * m, received_s=T0, id=f"w{m}", tank="foyer", fraction=0.3))
    two_electrodes(house)
    assert house.said("foyer-ph") == house.said("foyer-nitrate") == ""


def test_one_electrode_alone_never_shows_interference() -> None:
    house = House(CONFIG)
    rng = random.Random(2)
    for m in range(620):
        house.feed(Reading(at_s=T0 + 60 * m, probe="foyer-ph", value=round(rng.gauss(7.1 + (m in STEPS), 0.01), 3)))
    assert "interference" not in house.said("foyer-ph")


def test_a_weak_supply_is_said_with_the_trouble_that_it_may_cause_and_with_no_other() -> None:
    house = House()
    house.feed(Supply(at_s=T0, id="s1", dips=3))
    for m in range(10):
        house.feed(Reading(at_s=T0 + 60 * m, probe="foyer-ph", value=7.1 + m % 3 * 0.01))
    house.feed(Supply(at_s=T0 + 590, id="s2", dips=11))
    assert house.said("foyer-ph") == "", "a dip that did no harm is no probe's trouble"
    for m in range(10, 60):
        house.feed(Reading(at_s=T0 + 60 * m, probe="foyer-ph", value=None))
    assert house.said("foyer-ph") == (
        "the pH probe foyer-ph answers but has no value; "
        "the Pi's supply voltage dipped 14 times within a day, which may be why"
    )
    [text] = [t for a, t in house.standing().items() if a == "foyer.probe_fault.foyer-ph"]
    assert "supply voltage dipped 14 times" in text
    assert "supply" not in house.said("foyer-ph", T0 + 3 * DAY_S), "long past"


def test_dips_are_counted_over_a_day_and_remembered_within_bounds() -> None:
    house = House()
    for n in range(2000):
        house.feed(Supply(at_s=T0 + 60 * n, id=f"s{n}"))
    assert len(house.state.dips) <= 300
    house.feed(Supply(at_s=T0 + 60 * 2000 + 2 * DAY_S, id="last"))
    assert house.state.probes["foyer-ph"].dips == 1
    assert snapshots.load(snapshots.dump(house.state)) == house.state


def test_an_old_calibration_is_the_sentence_of_a_probe_that_is_well_otherwise() -> None:
    house = House()
    points = tuple(CalibrationPoint(value=v, raw=v, temperature_c=25.0) for v in (6.865, 4.005))
    house.feed(Calibration(at_s=T0, id="c", probe="foyer-ph", points=points))
    for days in range(45):
        house.feed(Reading(at_s=T0 + DAY_S * days + 60, probe="foyer-ph", value=7.1 + days % 3 * 0.01))
        told = house.said("foyer-ph")
        # 30 days for a pH electrode: common practice, no source.
        assert bool(told) == (days >= 30), (days, told)
    assert told == "the pH probe foyer-ph was last calibrated 44 days ago; its values may be off until it is calibrated"


@pytest.mark.parametrize("kind", events.INTERNAL_KINDS)
def test_what_is_about_this_machine_is_no_line_of_an_event_file(kind: str) -> None:
    assert kind not in events.KINDS
