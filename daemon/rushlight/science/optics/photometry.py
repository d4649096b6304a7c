"""Photometry: lux to photosynthetic photons, the daily light integral, and how lamps age.

Owns the named spectra and their factors.  Never guesses a spectrum: an unknown name is an error that lists the
known ones.

PPFD is the photosynthetic photon flux density, µmol m⁻² s⁻¹ over 400-700 nm.  For a spectral irradiance E(λ)

    PPFD per lux = Σ E(λ) λ / (h c N_A)  /  (683 Σ E(λ) V(λ))

so the factor belongs to a spectrum, not to a probe.  The factors below are those of CIE illuminants of the same kind
(CIE 15:2018, with V(λ) of CIE 1924); Thimijan & Heins 1983 (HortScience 18:818-822) give measured ones within 5 %.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

DAYLIGHT = 0.0180
"""µmol m⁻² s⁻¹ per lx: CIE D65 0.01802, D55 0.01781, D75 0.01832."""

SPECTRA: Mapping[str, float] = MappingProxyType(
    {
        "white_led": 0.0144,  # phosphor LEDs: median of CIE LED-B1 to LED-B5, 0.0140 to 0.0149
        "warm_white_led": 0.0148,  # CIE LED-B1 (2733 K) 0.01491, LED-B2 (2998 K) 0.01473
        "neutral_white_led": 0.0143,  # CIE LED-B3 (4103 K) 0.01434
        "cool_white_led": 0.0142,  # CIE LED-B4 (5109 K) 0.01396, LED-B5 (6598 K) 0.01441
        "violet_pumped_led": 0.0183,  # CIE LED-V1 0.01884, LED-V2 0.01768
        "rgb_led": 0.0165,  # CIE LED-RGB1
        "fluorescent": 0.0131,  # cool white: CIE FL2 0.01308; tri-phosphor FL11 0.01315
        "broadband_fluorescent": 0.0165,  # CIE FL7 0.01651, FL8 0.01683
        "metal_halide": 0.0146,  # CIE HP3 0.01430, HP4 0.01490
        "high_pressure_sodium": 0.0116,  # CIE HP1
        "incandescent": 0.0199,  # CIE A
        "daylight": DAYLIGHT,
    }
)
"""µmol m⁻² s⁻¹ per lx.  Red-and-blue lamps are left out on purpose: lux says next to nothing about them (single
colours span 0.0075 at 530 nm to 0.145 at 450 nm), so their keeper must give a measured `umol_per_lux`."""


def umol_per_lux(spectrum: str, own_factor: float | None = None) -> float:
    """The factor of a named spectrum, or the keeper's own, µmol m⁻² s⁻¹ per lx.

    Raises:
        ValueError: the spectrum is not in the table and no factor was given.
    """
    if own_factor is not None:
        return own_factor
    try:
        return SPECTRA[spectrum]
    except KeyError:
        known = ", ".join(SPECTRA)
        raise ValueError(f"spectrum {spectrum!r} is not known; give umol_per_lux, or one of {known}") from None


def daily_light_integral(ppfd_umol: float, hours: float) -> float:
    """Photons in mol m⁻² from a steady PPFD in µmol m⁻² s⁻¹ over some hours: PPFD x 3600 x h x 1e-6."""
    return ppfd_umol * 3600.0 * hours * 1e-6


def mol(umol_seconds: float) -> float:
    """An integral of PPFD over time, µmol m⁻², in mol m⁻²."""
    return umol_seconds * 1e-6


def lumen_maintenance(hours: float, decay_per_h: float, start: float = 1.0) -> float:
    """Share of the first output left after so many burning hours: start x exp(-decay x hours).

    The model of IES TM-21 for LEDs; the standard lets nobody extrapolate beyond six times the test's duration.
    """
    return start * math.exp(-decay_per_h * hours)


def hours_to_maintenance(share: float, decay_per_h: float, start: float = 1.0) -> float:
    """Burning hours until `share` of the first output is left (L70 for 0.7), by IES TM-21: ln(start/share)/decay."""
    return math.log(start / share) / decay_per_h
