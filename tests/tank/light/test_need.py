"""How much light the plants need: closed-form cases and the words for them."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from helpers.site import config_of
from rushlight.core.tank import TankCore, TankState
from rushlight.effects import Estimate
from rushlight.events import Test
from rushlight.settings import Lamp, OnHours, Probe, Site, Tank
from rushlight.tank.light import need
from rushlight.tank.light.need import NeedState
from rushlight.tank.light.watch import LightState, LightWatch


def sure(mean: float, share: float = 0.1) -> Estimate:
    return Estimate(mean=mean, low=mean * (1 - share), high=mean * (1 + share))


def assess(
    state: NeedState, dose: float, uptake: Estimate, supply: Estimate, percent: float | None = 100.0, cut: bool = False
):
    kept_up = Estimate(
        mean=uptake.mean / supply.mean, low=uptake.low / supply.mean, high=uptake.high / supply.mean
    )  # What is unsure about the supply is unsure about the uptake in the same way.
    return need.assess(
        state, dose, uptake, supply, kept_up, lamp_ppfd_umol=60.0, lamp_hours=10.0, lamp_percent=percent, cut_lately=cut
    )


def test_the_dose_at_which_uptake_meets_supply():
    """Uptake in proportion to the dose: 2 mol bring 1.0 mg/L a day, 1.5 are supplied, so 3 mol are needed.

    One mol more at 60 µmol m⁻² s⁻¹ is 1e6 / (60 x 3600) = 4.63 h; over the present ten hours it is 27.8 µmol m⁻² s⁻¹.
    """
    need = assess(NeedState(), 2.0, sure(1.0), sure(1.5))
    assert need.need is not None
    # Uptake must become 1.5 times itself and follows light by 0.8: 1 + 0.5 / 0.8 = 1.625 times the dose.
    assert need.need.mean == pytest.approx(3.25)
    assert need.need.low < 3.25 < need.need.high
    assert need.add_mol == pytest.approx(1.25)
    assert need.add_hours == pytest.approx(4.63 * 1.25, abs=0.01)
    assert need.add_umol == pytest.approx(27.8 * 1.25, abs=0.05)
    assert need.low is True
    assert "35 µmol" in need.sentence  # 14.6 hours would be too long a day


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


def history(state: NeedState, per_mol: float, weeks: int = 8, supply: float = 1.2) -> None:
    for week in range(weeks):
        need.note_week(state, week, 2.0, sure(2.0 * per_mol), sure(supply))


def test_plants_that_outgrew_an_unchanged_lamp_are_named():
    state = NeedState()
    history(state, 0.6)
    need = assess(state, 2.0, sure(0.8), sure(1.2), percent=99.0)
    assert need.outgrown
    assert "grown out of it" in need.sentence
    assert "33 %" in need.sentence


def test_a_dimmed_lamp_is_not_called_outgrown():
    state = NeedState()
    history(state, 0.6)
    assert not assess(state, 2.0, sure(0.8), sure(1.2), percent=85.0).outgrown


@pytest.mark.parametrize(("share", "outgrown"), [(0.80, False), (0.72, True)])
def test_a_quarter_less_for_the_same_light_is_outgrown(share, outgrown):
    """The rule of the watch: below three quarters of the tank's own usual uptake per mol."""
    state = NeedState()
    history(state, 0.6)
    assert assess(state, 2.0, sure(1.2 * share), sure(1.2), percent=99.0).outgrown is outgrown


@pytest.mark.parametrize(("weeks", "known"), [(3, False), (4, True)])
def test_the_usual_is_known_from_four_weeks_on(weeks, known):
    state = NeedState()
    history(state, 0.6, weeks=weeks)
    assert (need.share_of_usual(state) is not None) is known
    assert assess(state, 2.0, sure(0.8), sure(1.2), percent=99.0).outgrown is known


@pytest.mark.parametrize(("more_h", "longer"), [(3.8, True), (4.2, False)])
def test_no_lamp_day_beyond_fourteen_hours_is_proposed(more_h, longer):
    """60 µmol m⁻² s⁻¹ bring 0.216 mol in an hour; need = dose (1 + (1 / kept up − 1) / 0.8), here for a dose of 2."""
    supply = 1.0 + 0.216 * more_h * 0.8 / 2.0
    told = assess(NeedState(), 2.0, sure(1.0, 0.02), sure(supply, 0.02))
    assert told.add_hours == pytest.approx(more_h, abs=0.01)
    assert (f"{more_h:.1f} h more of the lamp" in told.sentence) is longer
    assert ("longer hours would not do" in told.sentence) is not longer


def test_more_feed_under_the_same_light_is_no_want_of_light():
    state = NeedState()
    history(state, 0.6, supply=0.8)
    need = assess(state, 2.0, sure(1.2), sure(1.6))
    assert need.low is None
    assert "fed" in need.sentence


def test_a_fallen_dose_is_named_even_when_more_is_fed():
    state = NeedState()
    history(state, 0.6, supply=0.8)
    assert assess(state, 1.2, sure(0.7), sure(1.6)).low is True


def test_plants_cut_lately_are_not_called_short_of_light_nor_outgrown():
    state = NeedState()
    history(state, 0.6)
    need = assess(state, 2.0, sure(0.8), sure(1.2), cut=True)
    assert need.low is None
    assert not need.outgrown
    assert "cut lately" in need.sentence


def live(core: TankCore, state: TankState, days: range, rise_mg_l_d: float, level: float):
    """Days as the core lives them: five-minute light under a lamp, a laboratory's nitrate every fourth day.

    Nitrate rises by what the plants leave of the supply, so a rise of 0 means that they keep up.
    """
    zone = ZoneInfo("Europe/Dublin")
    words: list[tuple[int, str, str]] = []
    for n in days:
        day = dt.date(2026, 1, 5) + dt.timedelta(days=n)
        from_s, to_s = (dt.datetime.combine(d, dt.time(), zone).timestamp() for d in (day, day + dt.timedelta(days=1)))
        for k in range(round((to_s - from_s) / 300.0)):
            at_s = from_s + 300.0 * k
            lit = 8 <= dt.datetime.fromtimestamp(at_s, zone).hour < 18
            core.on_value(state, at_s, "foyer-light", "light", 5000.0 if lit else 2.0, 1)
        level += rise_mg_l_d
        if n % 4 == 0:
            test = Test(at_s=from_s + 43200.0, tank="foyer", method="lab", values={"nitrate": level}, id=f"t{n}")
            core.on_fact(state, test)
        core.close_day(state, day.isoformat(), from_s, to_s)
        found = next(f for f in core.assess(state, to_s, frozenset())[0] if f.alarm == "light_low")
        words.append((n, found.says, str(found.evidence.record().get("sentence", ""))))
    return words, level


@pytest.mark.slow
def test_through_the_core_plants_outgrow_an_unchanged_lamp():
    """Two months in balance, then uptake falls by about a third under the same lamp: `light_low`, and why."""
    config = config_of()
    core = TankCore(config.tank[0], config)
    state = core.initial()
    calm, level = live(core, state, range(60), 0.0, 15.0)
    assert "raise" not in [says for _, says, _ in calm]
    report = core.light.report(state.light, state.light.last_s or 0.0)
    assert "uptake meets supply" in report.need_sentence
    behind, _ = live(core, state, range(60, 92), 0.45, level)
    first = next((n, text) for n, says, text in behind if says == "raise")
    assert 64 <= first[0] <= 82
    assert "to keep up with the feed" in first[1]
    assert {says for n, says, _ in behind if n >= first[0]} == {"raise"}  # it does not come and go between tests
    assert "grown out of it" in behind[-1][2]
    assert "at its anchor" in behind[-1][2]
    assert core.light.report(state.light, state.light.last_s or 0.0).need_sentence == behind[-1][2]


def test_the_record_is_bounded_and_one_week_counts_once():
    state = NeedState()
    for n in range(500):
        need.note_week(state, n // 2, 2.0, sure(1.0), sure(1.0))
    assert len(state.weeks) <= need.WEEKS_MOST
    assert len({w[0] for w in state.weeks}) == len(state.weeks)


def test_the_watch_raises_light_low_from_its_own_days():
    lamp = Lamp(hours=(OnHours("08:00", "18:00"),))
    watch = LightWatch(Tank(id="foyer", litres=140, lamp=lamp), Site(), Probe(id="p", tank="foyer", quantity="light"))
    state = LightState(days=[(739000 + n, 2.0, 1.0, 1.8, 100.0) for n in range(7)], from_s=1.7e9)
    assert watch.light_needed(state, None, sure(1.5), None).low is None
    assert watch.light_needed(state, sure(1.0), sure(1.5), sure(1.0 / 1.5)).low is True
    finding = next(f for f in watch.findings(state, 1.7e9) if f.alarm == "light_low")
    assert finding.says == "raise"
    assert finding.evidence.record()["need_mol_m2_d"] == pytest.approx(3.25)
    state.days = state.days[:3]
    assert watch.light_needed(state, sure(1.0), sure(1.5), sure(1.0 / 1.5)).low is None


@pytest.mark.parametrize(
    ("kept_up", "kept"),
    [
        (Estimate(mean=0.9, low=0.7, high=1.1), True),
        (Estimate(mean=0.45, low=0.15, high=0.75), True),
        (Estimate(mean=0.9, low=0.2, high=1.6), False),
    ],
)
def test_a_week_is_kept_where_uptake_is_well_known_or_surely_behind(kept_up: Estimate, kept: bool) -> None:
    """An interval of so many tenths is wide beside a small mean: the weeks of a deep fall must not be the ones left out."""
    watch = LightWatch(Tank(id="foyer", litres=140), Site(), Probe(id="p", tank="foyer", quantity="light"))
    state = LightState(days=[(739000 + n, 2.0, 1.0, 1.8, 100.0) for n in range(7)], from_s=1.7e9)
    watch.light_needed(state, sure(0.5), sure(1.1), kept_up)
    assert bool(state.need.weeks) == kept


@pytest.mark.parametrize(("days", "low"), [(30, False), (55, False), (57, True)])
def test_of_another_lamp_nothing_is_said_for_eight_weeks(days: int, low: bool) -> None:
    """After four of them what was taken up under the old lamp still told of too little light under the new one."""
    lamp = Lamp(hours=(OnHours("08:00", "18:00"),))
    watch = LightWatch(Tank(id="foyer", litres=140, lamp=lamp), Site(), Probe(id="p", tank="foyer", quantity="light"))
    state = LightState(days=[(739000 + n, 2.0, 1.0, 1.8, 100.0) for n in range(7)], from_s=1.7e9)
    need.other_lamp(state.need, 1.7e9 - days * 86400.0)
    watch.light_needed(state, sure(1.0), sure(1.5), sure(1.0 / 1.5))
    assert state.need.low is low
