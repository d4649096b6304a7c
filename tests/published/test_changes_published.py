"""What a water change makes of ammonia, against PHREEQC; what remedies weigh, against molar masses and sources.

The oracle is PHREEQC (Parkhurst & Appelo 2013) with the vitens database, through phreeqpython: real minerals, ion pairs
and activities, none of which the product's own model has.  Waters hold calcium and magnesium by their GH (4:1), sodium,
sulfate and chloride to balance.
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from rushlight.science.chemistry import aftermath, ammonia, carbonate, remedies
from rushlight.science.chemistry.aftermath import Acidity, Moment, after_bicarbonate, after_change, least_kh
from rushlight.science.measuring.units import MEQ_PER_DH, MMOL_PER_DH, NH3, NH4_PER_N

Case = tuple[tuple[float, float, float, float], tuple[float, float, float], float, float]
"""Tank: pH, KH, GH, total ammonia mg N/L; new water: pH, KH, GH; share changed; °C."""
CASES: dict[str, Case] = {
    "nought of hardness, much ammonia": ((6.4, 0.056, 2, 4.659), (8.0, 4, 8), 1 / 3, 25),
    "the same, a tenth": ((6.4, 0.056, 2, 4.659), (8.0, 4, 8), 0.1, 25),
    "the same, softer tap": ((6.4, 0.056, 2, 4.659), (8.0, 1, 4), 1 / 3, 25),
    "much CO2, hard tap": ((6.8, 4, 8, 1.0), (7.6, 12, 16), 0.5, 25),
    "lime-treated tap": ((7.0, 2, 4, 1.0), (9.2, 2, 3), 0.3, 24),
    "tap like the tank": ((7.6, 6, 8, 1.0), (7.6, 6, 8), 0.5, 25),
    "softer tap": ((7.8, 8, 12, 1.0), (6.8, 2, 3), 0.5, 25),
    "matched water": ((6.4, 0.056, 2, 4.659), (6.4, 0.056, 2), 1 / 3, 25),
    "cooler, hard tap": ((7.0, 2, 5, 1.0), (7.6, 6, 10), 0.25, 20),
}
PH_BAND, NH3_LOW, NH3_HIGH = 0.06, 0.92, 1.16
"""The error that `science.aftermath` states of itself."""


@pytest.fixture(scope="module")
def phreeqc() -> Any:
    from phreeqpython import PhreeqPython

    return PhreeqPython()


def solution(phreeqc: Any, ph: float, kh: float, gh: float, n_mg_l: float, temp_c: float) -> Any:
    """A water by its pH and alkalinity; GH beyond KH is sulfate, KH beyond GH sodium."""
    alk, hard, n = kh * MEQ_PER_DH, gh * MMOL_PER_DH, n_mg_l / 14.007
    water = {"pH": ph, "temp": temp_c, "units": "mmol/kgw", "Alkalinity": alk, "Ca": 0.8 * hard, "Mg": 0.2 * hard}
    surplus = 2 * hard + n - alk
    water |= {"Cl": surplus} if surplus > 0 else {"Na": -surplus}
    return phreeqc.add_solution(water | ({"Amm": n} if n else {}))


def seen(water: Any) -> tuple[float, float]:
    """pH and un-ionised ammonia, mg/L as NH3."""
    return water.pH, water.species_moles.get("Amm", 0.0) * 1000.0 * NH3


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_the_three_states_after_a_change_are_those_of_phreeqc(phreeqc: Any, case: Case) -> None:
    (ph, kh, gh, n), tap, share, temp_c = case
    ours = after_change(
        Acidity(ph=ph, kh=kh, temp_c=temp_c, ammonia=n * NH4_PER_N),
        Acidity(ph=tap[0], kh=tap[1], temp_c=temp_c),
        share,
    )
    tank, new = solution(phreeqc, ph, kh, gh, n, temp_c), solution(phreeqc, *tap, 0.0, temp_c)
    co2 = tank.si("CO2(g)")
    mixture = {tank: 1.0 - share, new: share}
    air = math.log10(carbonate.AIR_PPM * 1e-6)
    theirs = {
        "before": tank,
        "at_once": phreeqc.mix_solutions(mixture),
        "own_co2": phreeqc.mix_solutions(mixture).equalize(["CO2(g)"], [co2]),
        "aired": phreeqc.mix_solutions(mixture).equalize(["CO2(g)"], [air]),
        "unchanged_aired": tank.copy().equalize(["CO2(g)"], [air]),
    }
    for name, water in theirs.items():
        state: Moment = getattr(ours, name)
        ph_seen, nh3_seen = seen(water)
        assert abs(state.ph - ph_seen) <= PH_BAND, (name, state.ph, ph_seen)
        assert NH3_LOW <= state.nh3 / nh3_seen <= NH3_HIGH, (name, state.nh3, nh3_seen)


def test_bicarbonate_in_water_full_of_ammonia(phreeqc: Any) -> None:
    """One °dH into soft, sour water: thirteen times the poison at once, more later."""
    tank = solution(phreeqc, 6.4, 0.056, 2, 4.659, 25)
    before, co2 = seen(tank)[1], tank.si("CO2(g)")
    at_once = tank.copy().add("NaHCO3", MEQ_PER_DH, "mmol")
    later = at_once.copy().equalize(["CO2(g)"], [co2])
    ours = after_bicarbonate(Acidity(ph=6.4, kh=0.056, temp_c=25, ammonia=4.659 * NH4_PER_N), 1.0)
    for state, water in ((ours.at_once, at_once), (ours.own_co2, later)):
        assert state.ph == pytest.approx(seen(water)[0], abs=PH_BAND)
        assert state.nh3 == pytest.approx(seen(water)[1], rel=0.12)
    assert seen(at_once)[1] / before > 12.0
    assert ours.ratio() > 12.0


def test_co2_in_balance_with_air_and_the_ceiling_of_ph(phreeqc: Any) -> None:
    for kh in (0.056, 1.4, 2, 4, 8):
        water = solution(phreeqc, 7.0, kh, kh, 0.0, 25).equalize(["CO2(g)"], [math.log10(420e-6)])
        assert carbonate.ph_at_co2(carbonate.co2_in_air(25), kh, 25) == pytest.approx(water.pH, abs=0.07)
    # What a test of nought means: no less than air's CO2 holds, so that a model of it can be made at all.
    assert least_kh(6.4, 25.0) == pytest.approx(0.05, abs=0.01)
    assert carbonate.co2_mg_l(7.0, least_kh(7.0, 25.0), 25.0) == pytest.approx(carbonate.co2_in_air(25.0), rel=0.02)


@pytest.mark.parametrize(
    ("ph", "temp_c", "chronic", "acute"),
    [
        (6.5, 25, 1.542, 14.98),
        (6.8, 25, 1.456, 12.88),
        (7.6, 24, 0.9809, 5.677),
        (8.2, 25, 0.4148, 1.757),
        (6.4, 25, 1.561, None),
    ],
)
def test_total_ammonia_against_the_criterion(ph: float, temp_c: float, chronic: float, acute: float | None) -> None:
    """EPA-822-R-13-001 (2013), formulas evaluated elsewhere, no salmonids; pH 6.4 is below the printed tables."""
    assert ammonia.chronic_criterion(ph, temp_c) == pytest.approx(chronic, rel=0.002)
    if acute is not None:
        assert ammonia.acute_criterion(ph, temp_c, salmonids=False) == pytest.approx(acute, rel=0.002)
    state = aftermath.moment(ph, 4.0, 2.0 * chronic * NH4_PER_N, temp_c)
    assert state.chronic == pytest.approx(2.0, rel=0.002)


def test_what_remedies_weigh() -> None:
    """Molar masses: NaHCO3 84.006, KHCO3 100.114; one °dH is 0.356652 meq/L."""
    assert remedies.bicarbonate_g(1.0, 100.0) == pytest.approx(2.9961, rel=1e-3)
    assert remedies.bicarbonate_g(1.0, 100.0, potassium=True) == pytest.approx(3.5706, rel=1e-3)
    assert remedies.salt_g(3.0, 20.0, 100.0) == pytest.approx(1.6485, rel=1e-3)
    assert remedies.salt_g(10.0, 20.0, 100.0) == pytest.approx(13.188, rel=1e-3)
    assert remedies.salt_g(1.0, 2.0, 60.0) == pytest.approx(0.79126, rel=1e-3)
    assert remedies.salt_g(1.0, 50.0, 60.0) == 0.0
    assert remedies.soft_share(1.0, 8.0) == 0.875
    assert remedies.soft_share(4.0, 2.0) == 0.0
    assert remedies.changes_for(4.659, 0.5, 0.0, 1 / 3) == 6  # ceil(ln(0.5/4.659) / ln(2/3))


def test_nitrite_by_chloride() -> None:
    """British Columbia's 30-day means, mg NO2-N/L at chloride <2, 2-4, 4-6, 6-8, 8-10, >10 mg/L; 3.284 mg NO2 a mg N."""
    steps = {1.0: 0.02, 3.0: 0.04, 5.0: 0.06, 7.0: 0.08, 9.0: 0.10, 11.0: 0.20}
    for chloride, nitrogen in steps.items():
        assert remedies.nitrite_limit(chloride) == pytest.approx(nitrogen * 3.2845, rel=1e-3)


def test_when_a_small_change_makes_it_worse() -> None:
    """The closed form's slope at no change is k'/k - 2; PHREEQC gives 1.107 for a quarter of KH 6 into KH 2."""
    assert not remedies.small_change_raises_nh3(2.0, 4.0)
    assert remedies.small_change_raises_nh3(2.0, 6.0)
    tank = Acidity(ph=7.0, kh=2.0, temp_c=25.0, ammonia=NH4_PER_N)
    quarter = after_change(tank, Acidity(ph=7.6, kh=6.0, temp_c=25.0), 0.25)
    assert quarter.own_co2.nh3 / quarter.before.nh3 == pytest.approx(1.107, rel=0.03)


@pytest.mark.parametrize(("chlorine", "nitrogen"), [(2.0, 0.39509), (3.0, 0.59263)])
def test_ammonia_that_is_left_of_chloramine(chlorine: float, nitrogen: float) -> None:
    """One N for each Cl2 that monochloramine stands for, 14.007 / 70.906 by weight: stoichiometry, worked elsewhere."""
    assert remedies.chloramine_ammonia(chlorine) == pytest.approx(nitrogen * NH4_PER_N, rel=1e-3)


def test_chlorine_criteria() -> None:
    """US EPA 1984, 19 and 11 µg/L; a third of untreated water with 1 mg/L is 17.5 times the acute one."""
    assert (remedies.CHLORINE_ACUTE, remedies.CHLORINE_CHRONIC) == (0.019, 0.011)
    # Below what killed half of each: Daphnia 28, rainbow trout 61, stickleback 710 µg/L (behind the criterion), chinook
    # salmon by monochloramine 144 µg/L in 96 h (Farrell et al. 2001).
    assert min(28, 61, 710, 144) > 1000 * remedies.CHLORINE_ACUTE
    assert pytest.approx(17.54, rel=1e-3) == 1.0 / 3.0 / remedies.CHLORINE_ACUTE
