"""Ammonia, nitrite and hardness of one tank: answers, alarms, and what only coarse strips can say."""

import datetime as dt
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from rushlight.alarms.finding import Finding
from rushlight.effects import Estimate
from rushlight.events import Dose, TankEvent, Test, TopOff, WaterChange
from rushlight.settings import Kit, Tank
from rushlight.tank.water.chemistry import ChemistryState, ChemistryWatch

T0 = dt.datetime(2026, 3, 2, 10, 0, tzinfo=dt.UTC).timestamp()
DAY_S = 86400.0
PADS = {
    "ammonia": (0, 0.5, 1, 3, 6),
    "nitrite": (0, 0.5, 1, 3, 10),
    "kh": (0, 3, 5, 10, 15, 20),
    "gh": (0, 4, 9, 14, 20),
}
STRIP, DROPS = Kit(id="strip", pads=PADS), Kit(id="drops", method="drops")  # type: ignore[arg-type]
FOYER = Tank(id="foyer", litres=140, source_water={"nitrate": 5, "kh": 4, "gh": 7})


def made() -> tuple[ChemistryWatch, ChemistryState]:
    w = ChemistryWatch(FOYER, [STRIP, DROPS])
    return w, w.initial()


def test_event(day: float, method: str = "drops", units: dict[str, str] | None = None, **values: float | str) -> Test:
    return Test(
        at_s=T0 + day * DAY_S,
        id=f"t{day}{method}",
        tank="foyer",
        method=method,
        values=values,
        units=units or {},  # type: ignore[arg-type]
    )


test_event.__test__ = False  # type: ignore[attr-defined]


def says(
    w: ChemistryWatch, s: ChemistryState, day: float, ph: float | None = 7.1, temp_c: float | None = 24.0
) -> dict[str, str]:
    """What there is a test for."""
    return {f.alarm: f.says for f in w.findings(s, T0 + day * DAY_S, ph, temp_c) if by_a_test(f)}


def by_a_test(finding: Finding) -> bool:
    return getattr(finding.evidence, "tested_at_s", None) is not None


def rate(mean: float) -> Estimate:
    return Estimate(mean=mean, low=mean - 0.2, high=mean + 0.2)


def test_the_same_total_is_harmless_at_low_ph_and_not_at_high() -> None:
    w, s = made()
    w.on_fact(s, test_event(0, "strip", ammonia=1.0))
    assert says(w, s, 0, ph=6.8)["ammonia_high"] == "clear"
    assert says(w, s, 0, ph=8.2)["ammonia_high"] == "raise"
    told = w.report(s, T0, 8.0, 25.0)
    # Emerson et al. 1975: 5.366 % un-ionised at pH 8 and 25 °C; NH3/NH4 17.031/18.039.
    assert told.un_ionised == pytest.approx(0.05366 * 17.031 / 18.039, rel=1e-3)
    assert told.un_ionised_percent == pytest.approx(5.366, rel=1e-3)


def test_ammonia_in_nitrogen_is_converted() -> None:
    w, s = made()
    w.on_fact(s, test_event(0, ammonia=1.0, units={"ammonia": "mg/L N"}))
    assert w.report(s, T0, 7.0, 25.0).total_ammonia == pytest.approx(1.287856, rel=1e-6)


def test_without_probes_the_message_says_what_was_assumed() -> None:
    w, s = made()
    w.on_fact(s, test_event(0, ammonia=3.0))
    finding = w.findings(s, T0, None, None)[0]
    assert "pH and temperature assumed" in finding.evidence.record()["sentence"]
    w.on_fact(s, test_event(0.5, "strip", ph=6.5))
    told = w.report(s, T0 + DAY_S, None, 24.0)
    assert (told.ph, told.ph_assumed, told.temp_assumed) == (6.5, False, False)


def test_an_old_test_neither_raises_nor_clears() -> None:
    w, s = made()
    w.on_fact(s, test_event(0, ammonia=3.0, nitrite=0.0))
    assert says(w, s, 15, ph=8.2) == {"ammonia_high": "hold", "nitrite_high": "hold"}


def test_bounds_count_for_what_they_say() -> None:
    w, s = made()
    w.on_fact(s, test_event(0, nitrite=">10", ammonia="<0.1"))
    assert says(w, s, 0) == {"ammonia_high": "clear", "nitrite_high": "raise"}


def test_nitrite_against_its_limit_with_a_margin() -> None:
    w, s = made()
    for day, value, word in ((0, 1.0, "raise"), (1, 0.5, "hold"), (2, 0.3, "clear")):
        w.on_fact(s, test_event(day, nitrite=value))
        assert says(w, s, day)["nitrite_high"] == word


def test_what_was_never_tested_raises_nothing_and_what_was_taken_back_clears() -> None:
    w, s = made()
    everything = dict.fromkeys(
        ("ammonia_high", "nitrite_high", "chlorine_high", "alkalinity_low", "hardness_high"), "clear"
    )
    assert {f.alarm: f.says for f in w.findings(s, T0, 7.0, 24.0)} == everything
    w.on_fact(s, test_event(0, nitrate=20.0))
    assert {f.alarm: f.says for f in w.findings(s, T0, 7.0, 24.0)} == everything
    wrong = test_event(0, nitrite=3.0, kh=0.5)
    w.on_fact(s, wrong)
    assert says(w, s, 0) == {"nitrite_high": "raise", "alkalinity_low": "raise"}
    w.void(s, wrong.id)
    assert {f.alarm: f.says for f in w.findings(s, T0, 7.0, 24.0)} == everything


def test_nitrification_spends_hardness_at_the_stoichiometric_rate() -> None:
    w, s = made()
    w.on_fact(s, test_event(0, kh=6.0))
    told = w.report(s, T0 + 10 * DAY_S, 7.1, 24.0, rate(1.33), rate(1.33))
    # 0.0904 °dH per mg/L of nitrate formed, nothing taken up.
    assert told.kh is not None
    assert told.kh.level.mean == pytest.approx(6.0 - 10 * 1.33 * 0.0904409, abs=1e-3)
    taken = w.report(s, T0 + 10 * DAY_S, 7.1, 24.0, rate(1.33), rate(0.0))
    assert taken.kh is not None
    assert 6.0 - taken.kh.level.mean == pytest.approx((6.0 - told.kh.level.mean) / 2, rel=1e-6)


def test_topping_off_builds_up_total_hardness_and_water_changes_bring_it_back() -> None:
    w, s = made()
    w.on_fact(s, test_event(0, gh=7.0))
    for week in range(1, 5):
        w.on_fact(s, TopOff(at_s=T0 + week * 7 * DAY_S, id=f"o{week}", tank="foyer", litres=10))
    told = w.report(s, T0 + 28 * DAY_S, 7.1, 24.0)
    assert told.gh is not None
    assert told.gh.level.mean == pytest.approx(7.0 + 4 * 7.0 * 10 / 140, rel=1e-6)
    w.on_fact(s, WaterChange(at_s=T0 + 28.5 * DAY_S, id="c", tank="foyer", litres=70))
    told = w.report(s, T0 + 28.5 * DAY_S, 7.1, 24.0)
    assert told.gh is not None
    assert told.gh.level.mean == pytest.approx((9.0 + 7.0) / 2, rel=1e-6)


def test_a_dose_of_hardness_counts() -> None:
    w, s = made()
    w.on_fact(s, test_event(0, kh=3.0))
    w.on_fact(s, Dose(at_s=T0 + 60, id="d", tank="foyer", what="bicarbonate", kh_mg_caco3=17.848 * 140))
    told = w.report(s, T0 + 120, 7.1, 24.0)
    assert told.kh is not None
    assert told.kh.level.mean == pytest.approx(4.0, abs=1e-3)


def test_hardness_gone_is_told_and_its_return_clears() -> None:
    w, s = made()
    w.on_fact(s, test_event(0, kh=1.0))
    assert says(w, s, 0)["alkalinity_low"] == "raise"
    w.on_fact(s, WaterChange(at_s=T0 + 600, id="c", tank="foyer", fraction=0.5))
    w.on_fact(s, WaterChange(at_s=T0 + DAY_S, id="d", tank="foyer", fraction=0.5))
    w.on_fact(s, test_event(1.1, kh=3.4))
    assert says(w, s, 1.1)["alkalinity_low"] == "clear"


def first_raised(method: str, seed: int) -> int:
    """The day on which a fall from 6 °dH by 0.06 a day, past 2 on day 67, is first told; weekly tests."""
    rng = random.Random(seed)
    w, s = made()
    for day in range(0, 120, 7):
        true = max(0.0, 6.0 - 0.06 * day)
        value = (
            _pad(true * (1 + rng.gauss(0, 0.22)), PADS["kh"]) if method == "strip" else true * (1 + rng.gauss(0, 0.10))
        )
        w.on_fact(s, test_event(day, method, kh=round(max(0.0, value), 2)))
        found = {f.alarm: f.says for f in w.findings(s, T0 + day * DAY_S, 7.1, 24.0, rate(1.3), rate(0.0))}
        if found["alkalinity_low"] == "raise":
            return day
    return 999


def test_a_real_fall_is_forecast_from_drop_tests_and_not_missed_from_strips() -> None:
    drops = sorted(first_raised("drops", seed) for seed in range(12))
    strips = sorted(first_raised("strip", seed) for seed in range(12))
    assert drops[-1] < 67
    assert drops[6] <= 56
    assert strips[-1] <= 91
    assert strips[6] <= 70


def test_a_steady_tank_is_left_in_peace_for_a_year() -> None:
    raised = 0
    for seed in range(12):
        rng = random.Random(100 + seed)
        w, s = made()
        for day in range(0, 365, 7):
            w.on_fact(
                s,
                test_event(
                    day,
                    "strip",
                    kh=_pad(4.5 * (1 + rng.gauss(0, 0.22)), PADS["kh"]),
                    gh=_pad(9.0 * (1 + rng.gauss(0, 0.22)), PADS["gh"]),
                ),
            )
            found = w.findings(s, T0 + day * DAY_S, 7.1, 24.0, rate(0.8), rate(0.0))
            raised += any(f.says == "raise" for f in found)
    assert raised == 0


def test_one_strip_read_a_pad_off_raises_nothing() -> None:
    w, s = made()
    for day in range(0, 56, 7):
        w.on_fact(s, test_event(day, "strip", kh=5.0))
    w.on_fact(s, test_event(56, "strip", kh=0.0))
    assert says(w, s, 56)["alkalinity_low"] != "raise"
    for day in (57, 58, 59):
        w.on_fact(s, test_event(day, "strip", kh=0.0))
    assert says(w, s, 59)["alkalinity_low"] == "raise"


def test_days_to_the_limit() -> None:
    w, s = made()
    w.on_fact(s, test_event(0, "drops", kh=4.0))
    told = w.report(s, T0, 7.1, 24.0, rate(1.33), rate(0.0))
    assert told.kh is not None
    assert told.kh.days_to_limit == pytest.approx(2.0 / (1.33 * 0.0904409 / 2), abs=1.5)
    assert w.report(s, T0, 7.1, 24.0, rate(0.0), rate(0.0)).kh.days_to_limit is None  # type: ignore[union-attr]


def test_an_ambiguous_unit_changes_nothing() -> None:
    w, s = made()
    w.on_fact(s, test_event(0, kh=4.0))
    before = TypeAdapter(ChemistryState).dump_json(s)
    with pytest.raises(ValueError, match="two ways"):
        w.on_fact(s, test_event(0, kh=200.0, ammonia=0.2, units={"kh": "mg/L"}))
    assert TypeAdapter(ChemistryState).dump_json(s) == before


FACTS: list[TankEvent] = [
    test_event(0, kh=5.0, gh=8.0, ammonia=0.5),
    WaterChange(at_s=T0 + 3 * DAY_S, id="w1", tank="foyer", fraction=0.2),
    TopOff(at_s=T0 + 5 * DAY_S, id="o1", tank="foyer", litres=4),
    test_event(7, "strip", kh=5.0, gh=9.0, nitrite=0.5),
    TopOff(at_s=T0 + 9 * DAY_S, id="o2", tank="foyer", litres=4),
    Dose(at_s=T0 + 10 * DAY_S, id="d1", tank="foyer", what="bicarbonate", kh_mg_caco3=800),
    test_event(14, "strip", kh=3.0, gh=9.0, ph=7.0),
]


@given(st.permutations(range(len(FACTS))), st.sets(st.integers(0, len(FACTS) - 1)))
def test_order_corrections_and_json_do_not_matter(order: list[int], twice: set[int]) -> None:
    w, one = made()
    for fact in FACTS:
        w.on_fact(one, fact)
    _, other = made()
    for i in order:
        w.on_fact(other, FACTS[i])
    for i in twice:
        w.void(other, FACTS[i].id)
        w.on_fact(other, FACTS[i])
    assert one == other
    adapter = TypeAdapter(ChemistryState)
    assert adapter.validate_json(adapter.dump_json(other)) == one
    for fact in FACTS:
        w.void(one, fact.id)
    assert not any(by_a_test(f) for f in w.findings(one, T0 + 20 * DAY_S, 7.0, 24.0))


def test_intervals_widen_with_silence() -> None:
    w, s = made()
    for day in (0, 7, 14):
        w.on_fact(s, test_event(day, kh=5.0))
    widths = []
    for day in (14, 28, 60, 120):
        told = w.report(s, T0 + day * DAY_S, 7.1, 24.0)
        assert told.kh is not None
        widths.append(told.kh.level.high - told.kh.level.low)
    assert widths == sorted(widths)
    assert widths[-1] > 2 * widths[0]


def _pad(value: float, pads: tuple[float, ...]) -> float:
    return min(pads, key=lambda p: abs(p - value))


def test_an_ammonia_test_counts_for_two_weeks_to_the_day() -> None:
    w, s = made()
    w.on_fact(s, test_event(0, ammonia=3.0, nitrite=3.0))
    assert says(w, s, 13.9, ph=8.2) == {"ammonia_high": "raise", "nitrite_high": "raise"}
    assert says(w, s, 14.1, ph=8.2) == {"ammonia_high": "hold", "nitrite_high": "hold"}
    assert w.report(s, T0 + 13.9 * DAY_S, 7.0, 24.0).ammonia_fresh
    assert not w.report(s, T0 + 14.1 * DAY_S, 7.0, 24.0).ammonia_fresh


def test_what_is_assumed_without_probes_is_told_and_used() -> None:
    w, s = made()
    w.on_fact(s, test_event(0, ammonia=3.0))
    told = w.report(s, T0, None, None)
    assert (told.ph, told.temp_c) == (7.5, 25.0)
    assert "at pH 7.5 and 25 °C, pH and temperature assumed" in w.findings(s, T0, None, None)[0].evidence.sentence


@pytest.mark.parametrize(("nitrite", "said"), [(0.51, "raise"), (0.5, "hold"), (0.41, "hold"), (0.4, "clear")])
def test_a_poison_clears_at_four_fifths_of_its_limit(nitrite: float, said: str) -> None:
    w, s = made()
    w.on_fact(s, test_event(0, nitrite=nitrite))
    assert says(w, s, 0)["nitrite_high"] == said


@pytest.mark.parametrize(("ph", "outside"), [(6.49, True), (6.51, False), (8.99, False), (9.01, True)])
def test_a_criterion_outside_its_tables_is_called_extrapolated(ph: float, outside: bool) -> None:
    w, s = made()
    w.on_fact(s, test_event(0, ammonia=3.0))
    assert w.report(s, T0, ph, 24.0).extrapolated is outside


@pytest.mark.parametrize(("kh", "said"), [(1.2, "raise"), (1.95, "hold"), (2.7, "clear")])
def test_hardness_is_told_when_surely_past_its_limit_and_cleared_when_likely_above(kh: float, said: str) -> None:
    """Against a limit of 2 °dH, read with a laboratory's 3 % and at least 0.3 °dH: sure from 2 - 1.28 · 0.3."""
    w, s = made()
    w.on_fact(s, test_event(0, "lab", kh=kh))
    assert says(w, s, 0)["alkalinity_low"] == said
    edge = 2.0 - 1.2816 * 0.3
    for level, expected in ((edge - 0.04, "raise"), (edge + 0.04, "hold")):
        w, s = made()
        w.on_fact(s, test_event(0, "lab", kh=level))
        assert says(w, s, 0)["alkalinity_low"] == expected, level


def test_a_hardness_that_was_never_tested_is_asked_for_after_two_weeks() -> None:
    """Source 4 °dH, long ago: anywhere from none to 4, so below 2 with even odds; more feed makes it likelier."""
    w, s = made()
    w.on_fact(s, test_event(0, nitrate=20.0))
    spent = rate(2.0)

    def said(day: float) -> str:
        found = w.findings(s, T0 + day * DAY_S, 7.0, 24.0, spent, None)
        return next(f.says for f in found if f.alarm == "alkalinity_low")

    assert (said(13.9), said(14.1)) == ("hold", "raise")
