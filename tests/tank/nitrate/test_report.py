"""Whether what is known asks for a warning, for a test, or for nothing."""

import dataclasses
import math

import pytest

from rushlight.events import Test, WaterChange
from rushlight.localtime import DAY_S
from rushlight.settings import Feed, Kit, Tank
from rushlight.tank.nitrate.report import NitrateReport, rising
from rushlight.tank.nitrate.watch import NitrateWatch

KIT = Kit(id="strip", pads={"nitrate": (0, 10, 25, 50, 100, 250)})
TANK = Tank(id="foyer", litres=140, feed=Feed(grams_per_day=0.9, protein_percent=42))
STEP_S = 6 * 3600.0
MV = math.log(10.0) / 59.16
"""Natural logarithm of concentration per millivolt: Nernst's slope at 25 °C is 59.16 mV a decade."""


def likely(**more):
    return NitrateReport(
        at_s=0.0, chances=(0.1,) + (0.6,) * 28, chance_later=0.7, chance_unsettled=0.7, n_tests=9, **more
    )


def test_an_electrode_alone_asks_for_a_test_and_a_test_warns():
    assert rising(likely()) == "raise"
    assert not likely().asks_again
    assert rising(likely(by_electrode=True)) == "hold"
    assert likely(by_electrode=True).asks_again
    few = dataclasses.replace(likely(by_electrode=True), n_tests=2)
    assert rising(few) == "hold"
    assert not few.asks_again
    calm = NitrateReport(at_s=0.0, chances=(0.0,) * 29, n_tests=9, by_electrode=True)
    assert rising(calm) == "clear"
    assert not calm.asks_again


def test_silence_alone_warns_of_nothing_and_ends_no_warning():
    late_s = 100 * DAY_S
    for days, says in ((7.0, "raise"), (41.0, "raise"), (43.0, "hold"), (400.0, "hold")):
        told = dataclasses.replace(likely(), at_s=late_s, last_test_at_s=late_s - days * DAY_S)
        assert rising(told) == says, days


def test_water_that_was_just_changed_warns_of_nothing_until_a_test_has_seen_it():
    assert rising(likely(renewed=0.25)) == "raise"
    assert rising(likely(renewed=0.35)) == "hold"
    small = {"chances": (0.05,) + (0.28,) * 28, "chance_later": 0.4}
    assert rising(dataclasses.replace(likely(renewed=0.25), **small)) == "hold"
    assert rising(dataclasses.replace(likely(renewed=0.35), **small)) == "clear", "it would not be given now"
    watch = NitrateWatch(TANK, (KIT,), "UTC", has_electrode=False)
    state, shares = watch.initial(), []
    strip = {"tank": "foyer", "method": "strip", "values": {"nitrate": 25}}
    for day, fraction in ((1, None), (2, 0.2), (3, 0.2), (4, None), (5, 0.2)):
        event = Test(at_s=day * DAY_S, id=f"e{day}", **strip)
        if fraction is not None:
            event = WaterChange(at_s=day * DAY_S, id=f"e{day}", tank="foyer", fraction=fraction)
        watch.on_fact(state, event)
        shares.append(watch.report(state, day * DAY_S + 60.0).renewed)
    assert shares == pytest.approx([0.0, 0.2, 0.36, 0.0, 0.2])


def test_an_electrode_that_drifts_between_two_strips_warns_of_nothing_and_asks_for_one():
    """A settled tank at 20 mg/L; after eight weeks its electrode runs away by 3 mV a day, upwards."""
    watch = NitrateWatch(TANK, (KIT,), "UTC", has_electrode=True)
    state = watch.initial()
    said, asked = set(), False
    for quarter in range(4 * 76):
        at_s = quarter * STEP_S
        if quarter % 28 == 2 and quarter < 4 * 57:
            watch.on_fact(
                state, Test(at_s=at_s, id=f"t{quarter}", tank="foyer", method="strip", values={"nitrate": 25})
            )
        drifted = max(0.0, quarter / 4.0 - 56.0) * 3.0
        watch.on_electrode(state, at_s + 60.0, 20.0 * math.exp(MV * drifted))
        if quarter % 4 == 0 and quarter:
            watch.close_day(state, None, "", at_s)
            if quarter / 4 > 58:
                report = watch.report(state, at_s)
                said |= {f.says for f in watch.findings(state, at_s) if f.alarm == "nitrate_rising"}
                asked |= report.asks_again
    assert "raise" not in said
    assert asked
    assert watch.report(state, 76 * DAY_S).by_electrode


def test_a_settled_tank_that_nobody_tests_for_a_year_raises_nothing_and_is_not_held_for_lost():
    """Sixteen weekly strips of one pad, then none; it was once told as 210 mg/L, and high with 89 %."""
    watch = NitrateWatch(TANK, (KIT,), "UTC", has_electrode=False)
    state, said = watch.initial(), set()
    for day in range(16 * 7 + 365):
        at_s = day * DAY_S
        if day % 7 == 2 and day < 16 * 7:
            watch.on_fact(state, Test(at_s=at_s, id=f"t{day}", tank="foyer", method="strip", values={"nitrate": 10}))
        watch.close_day(state, None, "", at_s + DAY_S)
        if day % 14 == 0:
            said |= {f.says for f in watch.findings(state, at_s + DAY_S) if f.alarm != "uptake_behind"}
    report = watch.report(state, (16 * 7 + 365) * DAY_S)
    assert "raise" not in said
    assert report.chances[-1] < 0.7
    assert report.nitrate is not None
    assert report.nitrate.mean < 80.0
    assert report.nitrate.low < 10.0
