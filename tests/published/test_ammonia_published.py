"""Un-ionised ammonia and the US criteria against published values.

Percentages: Emerson K., Russo R.C., Lund R.E., Thurston R.V. (1975), J. Fish. Res. Board Can. 32:2379-2383, evaluated;
independent: PHREEQC (run here).  Criteria: US EPA (2013), EPA-822-R-13-001, headline figures as reported for its
notice 78 FR 52192: acute 17 and chronic 1.9 mg TAN/L at pH 7 and 20 °C.
"""

import pytest

from rushlight.science.chemistry import ammonia

PKA = {0: 10.0844, 5: 9.9047, 10: 9.7314, 15: 9.5641, 20: 9.4025, 25: 9.2464, 30: 9.0954}
PERCENT = {
    0: (0.008233, 0.02603, 0.08227, 0.2597, 0.8167, 2.538, 7.607, 20.66, 45.16),
    5: (0.01245, 0.03936, 0.1244, 0.3922, 1.23, 3.789, 11.07, 28.25, 55.46),
    10: (0.01856, 0.05866, 0.1853, 0.5835, 1.822, 5.544, 15.65, 36.98, 64.99),
    15: (0.02727, 0.0862, 0.2721, 0.8553, 2.656, 7.942, 21.43, 46.31, 73.18),
    20: (0.03956, 0.125, 0.3942, 1.236, 3.807, 11.12, 28.36, 55.59, 79.83),
    25: (0.05667, 0.179, 0.5639, 1.762, 5.366, 15.21, 36.19, 64.2, 85.01),
    30: (0.08022, 0.2532, 0.7965, 2.476, 7.432, 20.25, 44.53, 71.74, 88.92),
}
PHS = (6.0, 6.5, 7.0, 7.5, 8.0, 8.5, 9.0, 9.5, 10.0)
CRITERIA = {  # pH -> (acute, chronic) at 7, 14, 20, 25, 30 °C; evaluated from the criteria document's formulas
    6.5: ((32.6, 4.92), (32.6, 3.13), (22.7, 2.13), (15.0, 1.54), (9.9, 1.12)),
    7.0: ((24.1, 4.36), (24.1, 2.78), (16.8, 1.89), (11.1, 1.37), (7.32, 0.99)),
    7.5: ((13.3, 3.22), (13.3, 2.05), (9.24, 1.39), (6.1, 1.01), (4.03, 0.731)),
    8.0: ((5.62, 1.8), (5.62, 1.14), (3.9, 0.777), (2.58, 0.563), (1.7, 0.408)),
    8.5: ((2.14, 0.804), (2.14, 0.512), (1.49, 0.348), (0.983, 0.252), (0.649, 0.183)),
    9.0: ((0.885, 0.359), (0.885, 0.229), (0.615, 0.155), (0.406, 0.112), (0.268, 0.0815)),
}


@pytest.mark.parametrize("temp_c", PKA)
def test_pka(temp_c: int) -> None:
    assert ammonia.pka(temp_c) == pytest.approx(PKA[temp_c], abs=1e-4)


@pytest.mark.parametrize("temp_c", PERCENT)
def test_percent_un_ionised(temp_c: int) -> None:
    for ph, percent in zip(PHS, PERCENT[temp_c], strict=True):
        assert 100 * ammonia.un_ionised_share(ph, temp_c) == pytest.approx(percent, rel=2e-3)


@pytest.fixture(scope="module")
def phreeqc():  # type: ignore[no-untyped-def]
    from phreeqpython import PhreeqPython

    return PhreeqPython()


def _phreeqc_share(phreeqc, ph: float, temp_c: float, salt_mmol: float) -> float:  # type: ignore[no-untyped-def]
    water = {"pH": ph, "temp": temp_c, "units": "mmol/kgw", "Amm": 0.001}
    if salt_mmol:
        water |= {"Na": salt_mmol, "Cl": salt_mmol}
    moles = phreeqc.add_solution(water).species_moles
    return moles["Amm"] / (moles["Amm"] + moles["AmmH+"])


@pytest.mark.parametrize("temp_c", [5, 15, 25, 30])
@pytest.mark.parametrize("ph", [6.5, 7.5, 8.5])
def test_against_phreeqc_without_salt(phreeqc, ph: float, temp_c: float) -> None:  # type: ignore[no-untyped-def]
    assert ammonia.un_ionised_share(ph, temp_c) == pytest.approx(_phreeqc_share(phreeqc, ph, temp_c, 0.0), rel=0.006)


def test_the_stated_salt_error_is_what_phreeqc_gives(phreeqc) -> None:  # type: ignore[no-untyped-def]
    plain = ammonia.un_ionised_share(8.0, 25.0)
    lower = [1.0 - _phreeqc_share(phreeqc, 8.0, 25.0, salt) / plain for salt in (2.0, 10.0)]
    assert lower == pytest.approx(list(ammonia.SALT_LOWERS), abs=0.01)


@pytest.mark.parametrize("ph", CRITERIA)
def test_criteria_table(ph: float) -> None:
    for temp_c, (acute, chronic) in zip((7, 14, 20, 25, 30), CRITERIA[ph], strict=True):
        assert ammonia.acute_criterion(ph, temp_c) == pytest.approx(acute, rel=6e-3)
        assert ammonia.chronic_criterion(ph, temp_c) == pytest.approx(chronic, rel=6e-3)


@pytest.mark.parametrize(
    ("temp_c", "ph", "acute"), [(10, 7.0, 37.645), (10, 8.0, 8.7696), (25, 7.0, 11.073), (25, 8.0, 2.5796)]
)
def test_acute_criterion_without_salmonids(temp_c: float, ph: float, acute: float) -> None:
    """EPA-822-R-13-001 (2013), formula evaluated elsewhere; at 10 °C the warm-water ceiling of 51.93 holds."""
    assert ammonia.acute_criterion(ph, temp_c, salmonids=False) == pytest.approx(acute, rel=5e-4)


def test_criteria_headline_figures() -> None:
    assert round(ammonia.acute_criterion(7.0, 20.0)) == 17
    chronic = round(ammonia.chronic_criterion(7.0, 20.0), 1)
    assert chronic == 1.9
    assert round(2.5 * chronic + 1e-9, 1) == 4.8  # the document rounds first, then takes 2.5 times for four days


def test_total_and_un_ionised_are_inverse_and_weigh_as_their_molecules() -> None:
    # 1 mg/L of NH4 is 1/18.039 mmol/L, NH3 17.031 g/mol (IUPAC/CIAAW weights).
    share = ammonia.un_ionised_share(8.0, 25.0)
    assert ammonia.un_ionised(1.0, 8.0, 25.0) == pytest.approx(share * 17.031 / 18.039, rel=1e-9)
    assert ammonia.total_for(ammonia.un_ionised(2.5, 7.3, 22.0), 7.3, 22.0) == pytest.approx(2.5)
    assert ammonia.as_nitrogen(1.287856) == pytest.approx(1.0, rel=1e-6)
