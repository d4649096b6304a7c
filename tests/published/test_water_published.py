"""Stoichiometry, hardness, carbonate equilibrium and mass balances against atomic weights, handbooks and PHREEQC."""

import pytest

from rushlight.science.chemistry import carbonate, hardness
from rushlight.science.chemistry.nitrogen import after_water_change
from rushlight.science.chemistry.water_change import Contents, plan
from rushlight.science.measuring.units import MEQ_PER_DH


def test_alkalinity_and_oxygen_of_nitrification() -> None:
    # NH4+ + 2 O2 -> NO3- + 2 H+ + H2O with IUPAC/CIAAW weights; textbooks print 7.14 and 4.57 (US EPA nitrogen manuals).
    assert pytest.approx(7.14543, abs=1e-4) == hardness.CACO3_PER_N_NITRIFIED
    assert round(hardness.CACO3_PER_N_NITRIFIED, 2) in (7.14, 7.15)
    assert (
        6.3 <= hardness.CACO3_PER_N_NITRIFIED <= 7.4
    )  # observed, US EPA (1975) Process Design Manual for Nitrogen Control
    assert pytest.approx(4.56886, abs=1e-4) == hardness.OXYGEN_PER_N_NITRIFIED


def test_hardness_lost_and_given_back() -> None:
    assert pytest.approx(0.0904409, abs=1e-6) == hardness.DKH_PER_NITRATE_FORMED
    assert pytest.approx(0.40035, abs=1e-4) == hardness.DKH_PER_NITRATE_FORMED * 4.426644
    # Charge balance: one equivalent per mole taken up, 3.57 g CaCO3/g N, as for denitrification.
    assert hardness.kh_rate(1.0, 1.0) * 4.426644 * 17.84796 == pytest.approx(-3.5727, abs=1e-3)


def test_feed_costs_hardness() -> None:
    # 1 g of feed with 45 % protein (N = protein / 6.25) holds 72 mg N; all nitrified in 100 L.
    nitrate = 72.0 / 100.0 * 4.426644
    assert -hardness.kh_rate(nitrate, 0.0) == pytest.approx(0.288, abs=5e-4)


def test_evaporation_mass_balance() -> None:
    assert hardness.top_off_rise(8.0, 3.0, 60.0) == pytest.approx(0.4)
    settled = hardness.settled_before_change(8.0, 3.0 / 60.0, 0.2)
    assert settled == pytest.approx(10.0)
    level = 8.0
    for _ in range(400):
        level = after_water_change(level + 0.4, 0.2, 8.0)
    assert (level, level + 0.4) == (pytest.approx(9.6), pytest.approx(settled))


CONSTANTS = {  # Plummer & Busenberg (1982), Geochim. Cosmochim. Acta 46:1011-1040, evaluated
    0: (1.1084, 6.5786, 10.6286),
    5: (1.1921, 6.5163, 10.5544),
    10: (1.2694, 6.4633, 10.4879),
    15: (1.3408, 6.4188, 10.4284),
    20: (1.4069, 6.3819, 10.3756),
    25: (1.4679, 6.3519, 10.3289),
    30: (1.5244, 6.3281, 10.2879),
}


# Hamer & Wu (1972), J. Phys. Chem. Ref. Data 1:1047, as tabled in the CRC Handbook, 92nd ed., 5-106: mean activity
# coefficients at 25 °C by mol/kg of AgNO3, CsCl and CsF, all 1:1; hardly apart while waters are fresh.
ACTIVITIES = {
    0.001: (0.964, 0.965, 0.965),
    0.002: (0.950, 0.951, 0.952),
    0.005: (0.924, 0.925, 0.929),
    0.010: (0.896, 0.898, 0.905),
}


@pytest.mark.parametrize("molal", ACTIVITIES)
def test_activities_lie_among_measured_salts(molal: float) -> None:
    ours = 10 ** carbonate.log_activity(molal, 1)
    assert min(ACTIVITIES[molal]) - 0.001 <= ours <= max(ACTIVITIES[molal]) + 0.001
    assert carbonate.log_activity(molal, 2) == pytest.approx(4 * carbonate.log_activity(molal, 1))


@pytest.mark.parametrize("temp_c", CONSTANTS)
def test_carbonate_constants(temp_c: int) -> None:
    ours = (carbonate.pk_henry(temp_c), carbonate.pk1(temp_c), carbonate.pk2(temp_c))
    assert ours == pytest.approx(CONSTANTS[temp_c], abs=2e-4)


CO2 = {  # (°C, °dH) -> mg/L at pH 6.4, 6.8, 7.0, 7.4, 7.8: PHREEQC in NaHCO3 water / PyCO2SYS fresh-water option
    (15, 2): ((31.82, 32.85), (12.66, 13.07), (7.99, 8.24), (3.17, 3.28), (1.26, 1.30)),
    (15, 8): ((123.67, 131.37), (49.21, 52.28), (31.04, 32.98), (12.34, 13.11), (4.89, 5.21)),
    (20, 4): ((57.73, 60.26), (22.97, 23.98), (14.49, 15.12), (5.76, 6.01), (2.28, 2.38)),
    (25, 2): ((27.26, 28.08), (10.85, 11.17), (6.84, 7.04), (2.72, 2.80), (1.08, 1.11)),
    (25, 8): ((105.92, 112.28), (42.14, 44.68), (26.58, 28.18), (10.56, 11.20), (4.18, 4.44)),
    (28, 4): ((52.02, 54.21), (20.70, 21.57), (13.05, 13.60), (5.19, 5.41), (2.06, 2.14)),
}


@pytest.mark.parametrize("water", CO2)
def test_co2_with_and_without_activities(water: tuple[int, int]) -> None:
    temp_c, kh = water
    for ph, (active, plain) in zip((6.4, 6.8, 7.0, 7.4, 7.8), CO2[water], strict=True):
        assert carbonate.co2_mg_l(ph, kh, temp_c) == pytest.approx(active, rel=0.01)
        assert carbonate.co2_mg_l(ph, kh, temp_c, 0.0) == pytest.approx(plain, rel=0.01)


def test_co2_in_balance_with_air() -> None:
    # 420 ppm at 25 °C and one atmosphere.
    assert 10 ** -carbonate.pk_henry(25.0) * 420e-6 * carbonate.CO2_MG_PER_MMOL * 1000 == pytest.approx(0.629, abs=2e-3)


@pytest.mark.parametrize(
    ("one", "other", "fraction"),
    [
        ((6.8, 3.0, 25.0), (7.6, 6.0, 15.0), 0.4),
        ((6.5, 2.0, 24.0), (8.1, 8.0, 24.0), 0.25),
        ((7.4, 5.0, 20.0), (7.0, 1.0, 28.0), 0.5),
    ],
)
def test_ph_of_mixed_waters_against_phreeqc(
    one: tuple[float, float, float], other: tuple[float, float, float], fraction: float
) -> None:
    from phreeqpython import PhreeqPython

    phreeqc = PhreeqPython()

    def solution(ph: float, kh: float, temp_c: float):  # type: ignore[no-untyped-def]
        meq = kh * MEQ_PER_DH
        return phreeqc.add_solution({"pH": ph, "temp": temp_c, "units": "mmol/kgw", "Alkalinity": meq, "Na": meq})

    mixture = phreeqc.mix_solutions({solution(*one): 1 - fraction, solution(*other): fraction})
    ours = carbonate.mix(carbonate.water(*one), carbonate.water(*other), fraction)
    assert carbonate.ph_of(ours) == pytest.approx(mixture.pH, abs=0.01)


def test_water_change_mass_balances() -> None:
    assert after_water_change(80.0, 0.5, 10.0) == 45.0
    one = plan(Contents(nitrate=80.0), Contents(nitrate=10.0), 100.0, 40.0, daily_cap=1.0)
    assert one.changes[0].fraction == pytest.approx(0.571428571, abs=1e-6)
    four = plan(Contents(nitrate=100.0), Contents(nitrate=0.0), 100.0, 31.640625, daily_cap=0.25)
    assert [c.fraction for c in four.changes] == pytest.approx([0.25] * 4)  # (1 - 0.25)^4
    level = 0.0
    for _ in range(200):
        level = after_water_change(level + 10.0, 0.25, 0.0)
    assert (level, level + 10.0) == (pytest.approx(30.0), pytest.approx(40.0))  # dose / fraction
