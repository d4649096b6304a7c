"""The colour equations against the standards' figures and a colour library of others."""

from __future__ import annotations

import numpy as np
import pytest

from helpers.later import Later
from rushlight.science.optics import colour

library = Later("colour")


@pytest.mark.parametrize(
    ("code", "light"),
    [(10, 0.00303527), (11, 0.00334654), (50, 0.03189603), (128, 0.2158605), (200, 0.57758044), (0, 0), (255, 1)],
)
def test_srgb_codes_become_the_light_of_iec_61966_2_1(code: float, light: float) -> None:
    """The equation of IEC 61966-2-1:1999 worked out apart, to eight places."""
    assert colour.linear(code) == pytest.approx(light, rel=2e-6, abs=1e-12)
    assert colour.linear(-code) == pytest.approx(-light, rel=2e-6, abs=1e-12)


def test_every_code_agrees_with_the_library_and_comes_back() -> None:
    """colour-science, eotf_sRGB."""
    codes = np.arange(256)
    theirs = library.models.eotf_sRGB(codes / 255.0)
    ours = [colour.linear(float(c)) for c in codes]
    assert np.allclose(ours, theirs, atol=1e-9)
    assert np.allclose([colour.encoded(v) for v in ours], codes, atol=0.02)


@pytest.mark.parametrize(
    ("codes", "lab"),
    [
        ((255, 0, 0), (53.233, 80.111, 67.224)),
        ((231, 84, 128), (56.966, 60.254, 6.500)),
        ((250, 220, 228), (90.373, 11.650, -0.101)),
        ((128, 128, 128), (53.585, 0.0, 0.0)),
    ],
)
def test_srgb_to_cielab(codes: colour.Triple, lab: colour.Triple) -> None:
    """CIELAB D65 2° of colour-science; libraries differ by 0.02 with how they round the white."""
    assert colour.lab(colour.xyz(colour.linear_rgb(codes))) == pytest.approx(lab, abs=0.03)
    theirs = library.XYZ_to_Lab(library.sRGB_to_XYZ(np.array(codes) / 255.0))
    assert colour.lab(colour.xyz(colour.linear_rgb(codes))) == pytest.approx(theirs, abs=0.03)


def test_xyz_to_cielab_as_cie_15_has_it() -> None:
    """The example of the library's own documents: XYZ 0.2065 0.1220 0.0514 under D65 is Lab 41.5279 52.6386 26.9232."""
    white = (0.95045593, 1.0, 1.08905775)  # xy 0.3127 0.3290
    at = (0.20654008, 0.12197225, 0.05136952)
    assert colour.lab(at, white) == pytest.approx((41.52787529, 52.63858304, 26.92317922), abs=1e-5)


@pytest.mark.parametrize("at", [(0.001, 0.001, 0.001), (0.3, 0.2, 0.1), (0.008, 0.0088, 0.009)])
def test_dark_colours_take_the_straight_part_of_cielab(at: colour.Triple) -> None:
    """colour-science, XYZ_to_Lab, on both sides of (6/29)³."""
    white = (0.95045593, 1.0, 1.08905775)
    assert colour.lab(at, white) == pytest.approx(library.XYZ_to_Lab(np.array(at), (0.3127, 0.3290)), abs=2e-3)


def test_the_difference_of_1976() -> None:
    """colour-science, delta_E_CIE1976."""
    a, b = (50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485)
    assert colour.difference(a, b) == pytest.approx(float(library.difference.delta_E_CIE1976(a, b)), abs=1e-9)


def test_paper_beside_a_spot_takes_light_and_shading_out() -> None:
    """A half-lit spot on half-lit paper has the reflectance of the fully lit; densities are logarithms to ten."""
    full = colour.reflectance((0.4, 0.1, 0.2), (0.8, 0.8, 0.8))
    half = colour.reflectance((0.2, 0.05, 0.1), (0.4, 0.4, 0.4))
    assert full == pytest.approx((0.5, 0.125, 0.25))
    assert half == pytest.approx(full)
    assert colour.density((0.1, 1.0, 0.01)) == pytest.approx((1.0, 0.0, 2.0))
    with pytest.raises(ValueError, match="no light"):
        colour.reflectance((0.1, 0.1, 0.1), (0.0, 0.5, 0.5))


@pytest.mark.parametrize("balance", [(1.0, 1.0, 1.0), (1.2, 1.0, 0.85), (0.8, 1.0, 1.3)])
def test_a_phones_white_balance_comes_out_of_a_pads_colour(balance: tuple[float, float, float]) -> None:
    """A sensor sees pad and paper, balances, and makes its channels vivid by a matrix whose rows sum to one: whatever
    the balance, the pad is what the matrix makes of the sensor's own ratio of the two (von Kries 1902, in the sensor's
    channels).  A division of the vivid channels is off by up to a tenth here."""
    own = colour.VIVID
    matrix = own * np.eye(3) + (1.0 - own) / 3.0
    pad, paper = np.array([0.62, 0.35, 0.55]), np.array([0.85, 0.86, 0.80])
    seen = [tuple(matrix @ (np.array(balance) * light)) for light in (pad, paper)]
    assert colour.balanced(*seen) == pytest.approx(matrix @ (pad / paper), rel=1e-9)
    if len(set(balance)) > 1:
        assert colour.reflectance(*seen) != pytest.approx(matrix @ (pad / paper), rel=0.02)


def test_where_paper_is_grey_nothing_is_to_be_balanced() -> None:
    """Then it is the channel's own ratio."""
    assert colour.balanced((0.5, 0.2, 0.4), (0.8, 0.8, 0.8)) == pytest.approx((0.625, 0.25, 0.5))
