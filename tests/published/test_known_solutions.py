"""Standards and thinned samples against stoichiometry worked out apart, and the eye against published strip studies."""

from __future__ import annotations

import math

import pytest

from rushlight.science.chemistry import solutions
from rushlight.science.inference.interval import shifted_log


@pytest.mark.parametrize(
    ("salt", "share"),
    [("potassium nitrate", 0.61328), ("sodium nitrate", 0.72951), ("calcium nitrate tetrahydrate", 0.52513)],
)
def test_nitrate_in_a_salt(salt: str, share: float) -> None:
    """NO3 62.0045 by KNO3 101.1032, NaNO3 84.9947 and Ca(NO3)2·4H2O 236.149, from CIAAW abridged atomic weights."""
    assert solutions.NITRATE_OF_SALT[salt] == pytest.approx(share, abs=2e-5)


@pytest.mark.parametrize(("mg_l", "mg_salt"), [(10, 16.31), (25, 40.76), (50, 81.53), (100, 163.06), (1000, 1631)])
def test_potassium_nitrate_for_a_litre(mg_l: float, mg_salt: float) -> None:
    """Stoichiometry, to the figures that a scale shows."""
    assert solutions.dissolved(mg_salt / 1000.0, 1.0).mg_l == pytest.approx(mg_l, rel=5e-4)


def test_the_kitchen_recipe_and_its_halvings() -> None:
    """0.5 g in 5 L is 61.3 mg/L; with tap water of 8 mg/L throughout 69.3, then 38.7, 23.3, 15.7."""
    assert solutions.dissolved(0.5, 5.0).mg_l == pytest.approx(61.3, abs=0.05)
    first = solutions.dissolved(0.5, 5.0, water=8.0)
    made = [solutions.halved(first, 8.0, k).mg_l for k in range(4)]
    assert made == pytest.approx([69.3, 38.7, 23.3, 15.7], abs=0.05)


def test_a_coarse_scale_spoils_a_small_weighing() -> None:
    """Half a gram on a scale that shows a hundredth is good to 2 or 3 %, on one that shows a tenth to no better than 8."""
    assert solutions.dissolved(0.5, 5.0, scale_g=0.01).error == pytest.approx(0.0235, abs=0.003)
    assert solutions.dissolved(0.5, 5.0, scale_g=0.1).error > 0.08
    assert solutions.dissolved(5.0, 5.0, scale_g=0.1).error < 0.03


def test_purity_by_the_label() -> None:
    """13.5 % of nitrogen: 14.007 in 101.103 is 13.854 %, so 97.4 % of it is potassium nitrate."""
    assert solutions.purity_by_label(13.5) == pytest.approx(0.974, abs=5e-4)


@pytest.mark.parametrize(
    ("sample", "other", "water", "border"),
    [
        *((1, 1, 0.0, 75.0), (1, 1, 5.0, 70.0), (2, 1, 0.0, 56.25), (2, 1, 5.0, 53.75), (3, 1, 0.0, 50.0)),
        (3, 1, 5.0, 48.33),
    ],
)
def test_where_a_thinned_sample_meets_the_border_of_25_and_50(
    sample: float, other: float, water: float, border: float
) -> None:
    """f·b − (f−1)·n with b = 37.5 mg/L, the arithmetic middle."""
    f = (sample + other) / sample
    assert solutions.of_tank(37.5, f, water) == pytest.approx(border, abs=0.01)
    assert solutions.of_sample(border, f, water) == pytest.approx(37.5, abs=0.01)


def test_a_recipe_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        solutions.dissolved(0.0, 5.0)
    with pytest.raises(KeyError):
        solutions.dissolved(1.0, 5.0, "table salt")


def test_the_density_of_a_shifted_logarithm_is_scipys() -> None:
    """scipy.stats.norm of ln(x + shift), times the derivative 1 / (x + shift); it holds all of its mass above −shift."""
    from scipy.integrate import quad
    from scipy.stats import norm

    seen = shifted_log(40.0, 0.15, 5.0)
    for c in (0.0, 25.0, 40.0, 80.0):
        expected = norm.pdf(math.log(45.0), loc=math.log(c + 5.0), scale=0.15) / 45.0
        assert seen(c) == pytest.approx(expected, rel=1e-12)
    mass, _ = quad(lambda x: shifted_log(x, 0.15, 5.0)(30.0), -4.999, 200.0)
    assert mass == pytest.approx(1.0, abs=1e-6)


def test_kriging_is_a_gaussian_process_with_a_fixed_kernel() -> None:
    """numpy's own linear algebra: mean k·K⁻¹y, variance k** − k·K⁻¹k (Rasmussen and Williams 2006, 2.23 and 2.24)."""
    import numpy as np

    from rushlight.science.inference import kriging

    at = np.array([2.0, 3.0, 3.5, 4.4])
    kernel = lambda a, b: 0.04 + 0.09 * math.exp(-0.5 * (a - b) ** 2)  # noqa: E731
    known = np.array([[kernel(a, b) for b in at] for a in at]) + np.diag([0.01, 0.02, 0.01, 0.03])
    to = np.array([kernel(a, 3.2) for a in at])
    seen = np.array([0.1, -0.2, 0.05, 0.3])
    mean, sd = kriging.estimate(known.tolist(), seen.tolist(), to.tolist(), kernel(3.2, 3.2))
    assert mean == pytest.approx(float(to @ np.linalg.solve(known, seen)), rel=1e-9)
    assert sd**2 == pytest.approx(kernel(3.2, 3.2) - float(to @ np.linalg.solve(known, to)), rel=1e-9)
    assert kriging.estimate([], [], [], 0.04) == (0.0, 0.2)
    with pytest.raises(ValueError, match="covariance"):
        kriging.estimate([[1.0, 2.0], [2.0, 1.0]], [0.0, 0.0], [0.0, 0.0], 1.0)


def test_what_studies_found_of_strips_lies_within_what_is_expected_of_a_kit_nobody_checked() -> None:
    """Strips read 12 % high on the mean in Troyanos et al. 2009, and below the laboratory in 81 % of the samples of
    Nielsen et al. 2008: a kit may err either way, by no more than the spread that is expected of it beforehand.

    Of Nielsen's 81 % only the sign is used: with readings that scatter by 22 % (no source) a kit that is low by its
    scatter times Φ⁻¹(0.81) = 0.88, that is by 19 %, would be below in so many.
    """
    from scipy.stats import norm

    from rushlight.tank.kits import errors
    from rushlight.tank.kits.reading import READING_ERROR

    spread = math.hypot(errors.EYE_KIT, errors.EYE_PACK)
    low = READING_ERROR["strip"] * norm.ppf(0.81)
    assert abs(math.log(1.12)) < spread
    assert 0.5 * spread < low < 1.645 * spread
