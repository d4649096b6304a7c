"""An electrode that runs away between its calibrations: what is learned of it, and what it may not do to the warnings.

The judge is Nernst's law: 59.16 mV a decade at 25 °C, so 30 mV are a factor of 10^(30/59.16) = 3.21.
"""

from __future__ import annotations

import copy
import random
from collections.abc import Callable

import pytest

from rushlight.events import Test
from rushlight.settings import Feed, Kit, Limits, Tank
from rushlight.tank.nitrate.electrode import MV, UNKNOWN, Wander, calibrated, seen
from rushlight.tank.nitrate.report import NitrateReport
from rushlight.tank.nitrate.watch import NitrateState, NitrateWatch

DAY_S = 86_400.0
START_S = 1_767_225_600.0
STRIP = Kit(id="strip", method="strip", pads={"nitrate": (0.0, 10.0, 25.0, 50.0, 100.0, 250.0)})
TANK = Tank(id="foyer", litres=100.0, feed=Feed(grams_per_day=0.5, protein_percent=45.0), limits=Limits(nitrate=50.0))
MONTH_OF_A_MV_A_DAY = 10 ** (30 / 59.16)


def after(factors: list[float]) -> Wander:
    """What is known after calibrations a month apart, before each of which the electrode was off by such a factor."""
    wander = seen(calibrated(UNKNOWN, None), 0.0, 20.0, 20.0)
    for factor in factors:
        wander = seen(wander, 0.0, 20.0 * factor, 20.0)
        wander = seen(calibrated(wander, 30.0), 0.0, 20.0, 20.0)
    return wander


def test_a_drift_one_way_is_learned_over_calibrations() -> None:
    wander = after([MONTH_OF_A_MV_A_DAY] * 3)
    mean, variance = wander.way
    assert mean / MV == pytest.approx(1.0, abs=0.05)
    assert variance < 0.05 * UNKNOWN.way[1]


def test_a_drift_to_and_fro_is_no_direction_but_a_doubt() -> None:
    up = MONTH_OF_A_MV_A_DAY
    wander = after([up, 1 / up, up, 1 / up])
    assert abs(wander.way[0] / MV) < 0.1
    assert wander.walk > 5.0 * UNKNOWN.walk


def test_a_change_of_water_at_the_calibration_is_no_drift() -> None:
    wander = seen(calibrated(UNKNOWN, None), 0.0, 40.0, 40.0)
    wander = seen(calibrated(wander, 30.0), 0.0, 20.0, 20.0)
    assert wander.way[0] == pytest.approx(0.0, abs=1e-12)


class Life:
    """A tank of a given course, with strips each week and an electrode, calibrated every 30 days, that runs away."""

    def __init__(self, mv_a_day: float) -> None:
        self.watch = NitrateWatch(TANK, (STRIP,), "UTC", has_electrode=True)
        self.state: NitrateState = self.watch.initial()
        self.mv_a_day, self.rng, self.warned = mv_a_day, random.Random(20), list[int]()
        self.asked: list[int] = []

    def day(self, n: int, true: float, *, strip: bool) -> NitrateReport:
        """One day of it, and what is known at its end."""
        at_s = START_S + n * DAY_S
        if n % 30 == 0:
            self.watch.on_calibration(self.state, at_s + DAY_S / 2 - 600.0)
        for quarter in range(4):
            age = (n + quarter / 4.0 - 0.5) % 30.0 if n or quarter > 1 else 0.0
            off = self.mv_a_day * age + self.rng.gauss(0.0, 0.3)
            self.watch.on_electrode(self.state, at_s + quarter * DAY_S / 4 + 60.0, true * 10 ** (off / 59.16))
        if strip:
            pad = min(STRIP.pads["nitrate"], key=lambda p: abs(p - true))
            values = {"nitrate": pad}
            test = Test(at_s=at_s + 0.8 * DAY_S, id=f"t{n}", tank="foyer", method="strip", kit="strip", values=values)
            self.watch.on_fact(self.state, test)
        end_s = at_s + DAY_S
        self.watch.close_day(self.state, None, "", end_s)
        if any(f.says == "raise" and f.alarm != "uptake_behind" for f in self.watch.findings(self.state, end_s)):
            self.warned.append(n)
        report = self.watch.report(self.state, end_s)
        if report.asks_again:
            self.asked.append(n)
        return report


@pytest.fixture(scope="module")
def settled() -> Life:
    """Three calibrations' worth of a settled tank beside an electrode that gains a millivolt a day."""
    life = Life(1.0)
    for n in range(95):
        life.day(n, 25.0, strip=n % 7 == 0)
    return life


def test_an_electrode_that_runs_away_warns_of_nothing(settled: Life) -> None:
    assert settled.warned == []
    assert settled.state.now is not None
    assert settled.state.now.wander.way[0] / MV == pytest.approx(1.0, abs=0.15)


def test_what_was_read_before_a_calibration_is_not_taken_for_what_was_read_after() -> None:
    life = Life(1.0)
    for n in range(30):
        life.day(n, 25.0, strip=n % 7 == 0)
    before = life.watch.report(life.state, START_S + 30 * DAY_S).nitrate
    life.day(30, 25.0, strip=False)
    report = life.watch.report(life.state, START_S + 31 * DAY_S).nitrate
    assert before is not None and report is not None
    assert report.mean < before.mean + 5.0
    assert report.low < 25.0 < report.high


def test_a_fast_rise_that_only_the_electrode_sees_asks_for_a_test_and_the_test_warns() -> None:
    life = Life(0.0)
    for n in range(95):
        life.day(n, 20.0, strip=n % 7 == 0)
    life.asked.clear()
    for n in range(95, 109):
        if life.day(n, 20.0 + 2.0 * (n - 94), strip=False).asks_again:
            break
    assert life.asked and life.asked[0] - 94 < 15, "asked before the limit of 50 is passed"
    assert not life.warned
    for later in range(life.asked[0] + 1, life.asked[0] + 3):
        life.day(later, 20.0 + 2.0 * (later - 94), strip=True)
    assert life.warned


def test_a_drift_not_yet_known_is_doubt_and_no_rise() -> None:
    life = Life(1.0)
    for n in range(29):
        report = life.day(n, 25.0, strip=n == 0)
    assert report.nitrate is not None
    assert report.nitrate.low < 25.0
    assert life.asked == []


def test_a_drift_once_known_is_taken_off(settled: Life) -> None:
    life = copy.deepcopy(settled)
    for n in range(95, 120):
        report = life.day(n, 25.0, strip=False)
    assert report.nitrate is not None
    assert report.nitrate.mean == pytest.approx(25.0, rel=0.2)
    assert life.asked == []


def read_for(days: int, mv_per_root_day: float, level: Callable[[float], float], seed: int) -> Wander:
    """What is known of an electrode without any calibration, read every six hours with 0.3 mV of noise."""
    dice, off_mv, wander = random.Random(seed), 0.0, UNKNOWN
    for quarter in range(4 * days):
        off_mv += dice.gauss(0.0, mv_per_root_day / 2.0)
        true = level(quarter / 4.0)
        seen_now = true * 10.0 ** ((off_mv + dice.gauss(0.0, 0.3)) / 59.16)
        wander = seen(wander, quarter * DAY_S / 4.0, seen_now, true)
    return wander


@pytest.mark.parametrize("seed", range(6))
def test_an_electrode_that_wanders_widely_shows_it_within_weeks(seed: int) -> None:
    wander = read_for(28, 3.0, lambda _: 20.0, seed)
    assert wander.walk / MV**2 == pytest.approx(9.0, rel=0.75)
    assert wander.walk > 2.2 * UNKNOWN.walk


@pytest.mark.parametrize(
    "level",
    [lambda _: 20.0, lambda day: 20.0 * 1.08**day, lambda day: 40.0 if day < 10.0 else 20.0],
    ids=["steady", "plants have died", "half of the water changed"],
)
def test_water_that_rises_or_is_changed_is_not_taken_for_wandering(level: Callable[[float], float]) -> None:
    assert read_for(21, 0.3, level, 1).walk < 1.6 * UNKNOWN.walk


def test_a_hole_in_the_readings_is_no_bend() -> None:
    wander = UNKNOWN
    for day in (0, 1, 2, 9, 10, 30, 31):
        wander = seen(wander, day * DAY_S, 20.0 if day < 5 else 35.0 if day < 20 else 15.0, 20.0)
    assert wander.walk == UNKNOWN.walk
