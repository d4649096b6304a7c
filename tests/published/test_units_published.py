"""Conversion factors worked out from the IUPAC/CIAAW abridged standard atomic weights and the degree's definition.

N 14.007, O 15.999, H 1.008, Ca 40.078, C 12.011, Mg 24.305; one German degree is 10 mg CaO per litre.
"""

import pytest

from rushlight.science.measuring import units
from rushlight.science.measuring.units import from_standard, to_standard


@pytest.mark.parametrize(
    ("ours", "published", "tolerance"),
    [
        (units.NO3_PER_N, 4.426644, 1e-5),
        (units.NO2_PER_N, 3.284429, 1e-5),
        (units.NH4_PER_N, 1.287856, 1e-5),
        (units.NH3 / units.N, 1.215892, 1e-5),
        (units.CACO3_PER_DH, 17.84796, 1e-3),
        (units.MMOL_PER_DH, 0.1783262, 1e-5),
        (units.MEQ_PER_DH, 0.3566525, 1e-5),
        (units.CACO3 / units.CA, 2.49728, 1e-4),
        (units.CACO3 / 24.305, 4.11792, 1e-4),
    ],
)
def test_mass_ratios(ours: float, published: float, tolerance: float) -> None:
    assert ours == pytest.approx(published, abs=tolerance)


def test_the_drinking_water_limits_of_two_systems() -> None:
    # US EPA: 10 mg/L NO3-N (40 CFR 141.62); 50 mg/L as NO3 is printed as 11.3 mg/L as N.
    assert to_standard("nitrate", 10.0, "mg/L NO3-N") == pytest.approx(44.27, abs=0.005)
    assert from_standard("nitrate", 50.0, "mg/L NO3-N") == pytest.approx(11.2952, abs=0.005)
