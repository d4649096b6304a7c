"""How much light the plants need: closed-form cases and the words for them."""

from __future__ import annotations

import pytest

from rushlight.effects import Estimate
from rushlight.settings import Lamp, OnHours, Probe, Site, Tank
from rushlight.tank import lightneed
from rushlight.tank.light import LightState, LightWatch
from rushlight.tank.lightneed import NeedState


def sure(mean: float, share: float = 0.1) -> Estimate:
    return Estimate(mean=mean, low=mean * (1 - share), high=mean * (1 + share))


def assess(state: NeedState, dose: float, uptake: Estimate, supply: Estimate, percent: float | None = 100.0):
    return lightneed.assess(state, dose, uptake, supply, lamp_ppfd_umol=60.0, lamp_hours=10.0, lamp_percent=percent)


def test_the_dose_at_which_uptake_meets_supply():
    """Uptake in proportion to the dose: 2 mol bring 1.0 mg/L a day, 1.5 are supplied, so 3 mol are needed.

    One mol more at 60 µmol m⁻² s⁻¹ is 1e6 / (60 x 3600) = 4.63 h; over the present ten hours it is 27.8 µmol m⁻² s⁻¹.
    """
    need = assess(NeedState(), 2.0, sure(1.0), sure(1.5))
    assert need.need is not None
    assert need.need.mean == pytest.approx(3.0)
    assert need.need.low < 3.0 < need.need.high
    assert need.add_mol == pytest.approx(1.0)
    assert need.add_hours == pytest.approx(4.63, abs=0.01)
    assert need.add_umol == pytest.approx(27.8, abs=0.05)
    assert need.low is True
    assert "28 µmol" in need.sentence  # 14.6 hours would be too long a day


def test_hours_are_named_when_the_day_has_room():
    assert "h more of the lamp" in assess(NeedState(), 2.0, sure(1.0), sure(1.25)).sentence


def test_enough_light_is_not_low_and_asks_for_nothing():
    need = assess(NeedState(), 2.0, sure(1.2), sure(1.0))
    assert need.low is False
    assert need.add_mol == 0.0
    assert need.add_hours is None


def test_an_unsure_uptake_says_nothing():
    need = assess(NeedState(), 2.0, Estimate(mean=1.0, low=0.2, high=2.0), sure(1.5))
    assert need.low is None
    assert "not yet known" in need.sentence


def test_low_needs_certainty_and_clears_with_room_to_spare():
    state = NeedState()
    assert assess(state, 2.0, sure(1.0), sure(1.05)).low is False  # within the estimate's own error
    assert assess(state, 2.0, sure(1.0), sure(1.5)).low is True
    assert assess(state, 2.0, sure(1.0), sure(1.05)).low is True  # not yet made up
    assert assess(state, 2.0, sure(1.2), sure(1.15)).low is False


def history(state: NeedState, per_mol: float, weeks: int = 8) -> None:
    for week in range(weeks):
        lightneed.note_week(state, week, 2.0, sure(2.0 * per_mol), sure(1.0))


def test_plants_that_outgrew_an_unchanged_lamp_are_named():
    state = NeedState()
    history(state, 0.6)
    need = assess(state, 2.0, sure(0.8), sure(1.2), percent=99.0)
    assert need.outgrown
    assert "outgrown" in need.sentence
    assert "33 %" in need.sentence


def test_a_dimmed_lamp_is_not_called_outgrown():
    state = NeedState()
    history(state, 0.6)
    assert not assess(state, 2.0, sure(0.8), sure(1.2), percent=85.0).outgrown


def test_the_record_is_bounded_and_one_week_counts_once():
    state = NeedState()
    for n in range(500):
        lightneed.note_week(state, n // 2, 2.0, sure(1.0), sure(1.0))
    assert len(state.weeks) <= lightneed.WEEKS_MOST
    assert len({w[0] for w in state.weeks}) == len(state.weeks)


def test_the_watch_raises_light_low_from_its_own_days():
    lamp = Lamp(hours=(OnHours("08:00", "18:00"),))
    watch = LightWatch(Tank(id="foyer", litres=140, lamp=lamp), Site(), Probe(id="p", tank="foyer", quantity="light"))
    state = LightState(days=[(739000 + n, 2.0, 1.0, 1.8, 100.0) for n in range(7)], from_s=1.7e9)
    assert watch.light_needed(state, None, sure(1.5)).low is None
    assert watch.light_needed(state, sure(1.0), sure(1.5)).low is True
    finding = next(f for f in watch.findings(state, 1.7e9) if f.alarm == "light_low")
    assert finding.says == "raise"
    assert finding.facts["need_mol_m2_d"] == pytest.approx(3.0)
    state.days = state.days[:3]
    assert watch.light_needed(state, sure(1.0), sure(1.5)).low is None
