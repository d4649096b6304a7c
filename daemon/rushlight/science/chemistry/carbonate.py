"""Carbonate chemistry of fresh water: CO2 from pH and carbonate hardness, and the pH of mixed waters.

Owns the equilibrium constants and the activity correction.  Never claims more than it can: the relation fails where
humic acids, phosphate or other bases carry part of the alkalinity, and 0.1 pH is 26 % of CO2.

Source of the constants: Plummer L.N., Busenberg E. (1982), Geochim. Cosmochim. Acta 46:1011-1040.  Activities by
the Davies equation with A = 0.509 at 25 °C (Davies 1962), the ionic strength taken as that of a bicarbonate water of
the same alkalinity unless given.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from rushlight.science.chemistry import ammonia as ammonium
from rushlight.science.measuring.units import MEQ_PER_DH

KELVIN = 273.15
CO2_MG_PER_MMOL = 44.009
"""C 12.011, O 15.999."""
AIR_PPM = 420.0
"""Carbon dioxide in outdoor air, parts per million of the dry air's volume; in a room there is more
(of the 2020s, from memory)."""


def pk1(temp_c: float) -> float:
    """First dissociation of carbonic acid (all dissolved CO2), −log10 K1.  Source: Plummer & Busenberg 1982."""
    t = temp_c + KELVIN
    return 356.3094 + 0.06091964 * t - 21834.37 / t - 126.8339 * math.log10(t) + 1684915.0 / t**2


def pk2(temp_c: float) -> float:
    """Second dissociation of carbonic acid, −log10 K2.  Source: Plummer & Busenberg 1982."""
    t = temp_c + KELVIN
    return 107.8871 + 0.03252849 * t - 5151.79 / t - 38.92561 * math.log10(t) + 563713.9 / t**2


def pk_henry(temp_c: float) -> float:
    """Solubility of CO2, −log10 K_H in mol L⁻¹ atm⁻¹.  Source: Plummer & Busenberg 1982."""
    t = temp_c + KELVIN
    return -(108.3865 + 0.01985076 * t - 6919.53 / t - 40.45154 * math.log10(t) + 669365.0 / t**2)


def pkw(temp_c: float) -> float:
    """Ion product of water, −log10 Kw, 0 to 60 °C.  Source: Harned & Owen 1958, as in Stumm & Morgan."""
    t = temp_c + KELVIN
    return 4470.99 / t - 6.0875 + 0.01706 * t


def log_activity(ionic_mol_l: float, charge: int) -> float:
    """The log10 of an activity coefficient by Davies' equation.  Source: Davies 1962."""
    root = math.sqrt(ionic_mol_l)
    return -0.509 * charge**2 * (root / (1.0 + root) - 0.3 * ionic_mol_l)


@dataclass(frozen=True, slots=True)
class Water:
    """A water by what mixing conserves: alkalinity, total inorganic carbon and total ammonia, mol/L; temperature, °C.

    Ammonia is a base as weak as bicarbonate: at little hardness and much ammonia it holds the pH by a tenth lower.
    """

    alkalinity: float
    carbon: float
    temp_c: float
    ammonia: float = 0.0


def _shares(ph: float, temp_c: float, ionic_mol_l: float) -> tuple[float, float, float]:
    """HCO3 and CO3 per CO2, and hydroxide less hydrogen ion in mol/L; concentrations at an activity pH."""
    g1, g2 = log_activity(ionic_mol_l, 1), log_activity(ionic_mol_l, 2)
    bicarbonate = 10.0 ** (ph - pk1(temp_c) - g1)
    carbonate = 10.0 ** (2.0 * ph - pk1(temp_c) - pk2(temp_c) - g2)
    return bicarbonate, carbonate, 10.0 ** (ph - pkw(temp_c) - g1) - 10.0 ** (-ph - g1)


def water(
    ph: float, kh_dh: float, temp_c: float, ionic_mol_l: float | None = None, ammonia_mol_l: float = 0.0
) -> Water:
    """A water from pH, carbonate hardness in °dH, temperature in °C and total ammonia in mol/L.

    Raises:
        ValueError: at this pH so little alkalinity cannot be carbonate.
    """
    alkalinity = kh_dh * MEQ_PER_DH / 1000.0
    bicarbonate, carbonate, strong = _shares(ph, temp_c, alkalinity if ionic_mol_l is None else ionic_mol_l)
    strong += ammonia_mol_l * ammonia_share(ph, temp_c, alkalinity if ionic_mol_l is None else ionic_mol_l)
    co2 = (alkalinity - strong) / (bicarbonate + 2.0 * carbonate)
    if co2 <= 0:
        raise ValueError(f"pH {ph:g} at {kh_dh:g} °dH is not a carbonate water")
    return Water(alkalinity, co2 * (1.0 + bicarbonate + carbonate), temp_c, ammonia_mol_l)


def co2_of(whole: Water, ph: float) -> float:
    """Dissolved CO2, mg/L, of a water whose pH is known."""
    bicarbonate, carbonate, _ = _shares(ph, whole.temp_c, max(0.0, whole.alkalinity))
    return whole.carbon / (1.0 + bicarbonate + carbonate) * 1000.0 * CO2_MG_PER_MMOL


def co2_in_air(temp_c: float, ppm: float = AIR_PPM) -> float:
    """CO2 that water in balance with air holds, mg/L, by Henry's law.  Constant: Plummer & Busenberg 1982."""
    return float(10.0 ** -pk_henry(temp_c) * ppm * 1e-6 * 1000.0 * CO2_MG_PER_MMOL)


def ammonia_share(ph: float, temp_c: float, ionic_mol_l: float) -> float:
    """Share of total ammonia that is un-ionised, in a water of some salt.

    Source: Emerson et al. 1975, with the activity of the ammonium ion by Davies' equation.
    """
    return float(1.0 / (1.0 + 10.0 ** (ammonium.pka(temp_c) - ph - log_activity(ionic_mol_l, 1))))


def co2_mg_l(ph: float, kh_dh: float, temp_c: float, ionic_mol_l: float | None = None) -> float:
    """Dissolved CO2, mg/L, from pH, carbonate hardness in °dH and temperature in °C.

    Raises:
        ValueError: as `water`.
    """
    mixed = water(ph, kh_dh, temp_c, ionic_mol_l)
    ionic = mixed.alkalinity if ionic_mol_l is None else ionic_mol_l
    bicarbonate, carbonate, _ = _shares(ph, temp_c, ionic)
    return mixed.carbon / (1.0 + bicarbonate + carbonate) * 1000.0 * CO2_MG_PER_MMOL


def ph_of(mixed: Water, ionic_mol_l: float | None = None) -> float:
    """The pH of a water, by halving; between 2 and 12.

    Raises:
        ValueError: no pH in that range fits.
    """
    ionic = max(0.0, mixed.alkalinity) if ionic_mol_l is None else ionic_mol_l

    def surplus(ph: float) -> float:
        bicarbonate, carbonate, strong = _shares(ph, mixed.temp_c, ionic)
        held = mixed.carbon * (bicarbonate + 2.0 * carbonate) / (1.0 + bicarbonate + carbonate)
        held += mixed.ammonia * ammonia_share(ph, mixed.temp_c, ionic)
        return held + strong - mixed.alkalinity

    return _halve(surplus)


def ph_at_co2(co2: float, kh_dh: float, temp_c: float, ammonia_mol_l: float = 0.0) -> float:
    """The pH at which so much CO2 (mg/L), carbonate hardness (°dH) and total ammonia (mol/L) are in balance.

    Raises:
        ValueError: no pH between 2 and 12 fits.
    """
    alkalinity, free = kh_dh * MEQ_PER_DH / 1000.0, co2 / CO2_MG_PER_MMOL / 1000.0

    def surplus(ph: float) -> float:
        bicarbonate, carbonate, strong = _shares(ph, temp_c, alkalinity)
        held = free * (bicarbonate + 2.0 * carbonate) + ammonia_mol_l * ammonia_share(ph, temp_c, alkalinity)
        return held + strong - alkalinity

    return _halve(surplus)


def _halve(surplus: Callable[[float], float]) -> float:
    low, high = 2.0, 12.0
    if surplus(low) > 0 or surplus(high) < 0:
        raise ValueError("no pH between 2 and 12 fits this water")
    while high - low > 1e-7:
        middle = 0.5 * (low + high)
        if surplus(middle) > 0:
            high = middle
        else:
            low = middle
    return 0.5 * (low + high)


def mix(tank: Water, source: Water, fraction: float) -> Water:
    """The water after `fraction` of the tank has been replaced; alkalinity, carbon and heat are conserved."""
    keep = 1.0 - fraction
    return Water(
        keep * tank.alkalinity + fraction * source.alkalinity,
        keep * tank.carbon + fraction * source.carbon,
        keep * tank.temp_c + fraction * source.temp_c,
        keep * tank.ammonia + fraction * source.ammonia,
    )
