"""Ammonia: how much of the total is in the poisonous form, and the criteria for natural waters.

Owns the equilibrium and its caveat.  Total ammonia comes in mg/L as NH3+NH4, weighed as NH4, the unit of `units`.

Emerson's equation knows nothing of dissolved salts.  With the 2 to 10 mmol/L of ordinary tap water the true share is
some 5 to 10 % (relative) lower (PHREEQC), so the plain equation errs to the safe side.  Fresh water only.
"""

from __future__ import annotations

from rushlight.science.measuring.units import NH3_PER_NH4, NH4_PER_N

PKA_OFFSET, PKA_PER_INVERSE_K = 0.09018, 2729.92
KELVIN = 273.15
SALT_LOWERS = (0.05, 0.10)
"""By how much, relatively, the un-ionised share is lower at 2 and at 10 mmol/L of salt, pH 8, 25 °C (PHREEQC)."""


def pka(temp_c: float) -> float:
    """The pKa of ammonium, for 0 to 50 °C and no salt.

    Source: Emerson K., Russo R.C., Lund R.E., Thurston R.V. (1975), J. Fish. Res. Board Can. 32:2379-2383.
    """
    return PKA_OFFSET + PKA_PER_INVERSE_K / (temp_c + KELVIN)


def un_ionised_share(ph: float, temp_c: float) -> float:
    """Share of total ammonia (in moles) that is un-ionised, 0 to 1.

    Source: Emerson et al. 1975.
    """
    return float(1.0 / (1.0 + 10.0 ** (pka(temp_c) - ph)))


def un_ionised(total_mg_l: float, ph: float, temp_c: float) -> float:
    """Un-ionised ammonia, mg/L as NH3, from total ammonia in mg/L (weighed as NH4).

    Source: Emerson et al. 1975.
    """
    return total_mg_l * NH3_PER_NH4 * un_ionised_share(ph, temp_c)


def total_for(un_ionised_mg_l: float, ph: float, temp_c: float) -> float:
    """Total ammonia, mg/L (weighed as NH4), that holds so much un-ionised ammonia, mg/L as NH3."""
    return un_ionised_mg_l / (NH3_PER_NH4 * un_ionised_share(ph, temp_c))


def as_nitrogen(total_mg_l: float) -> float:
    """Total ammonia, mg/L weighed as NH4, in mg/L of nitrogen."""
    return total_mg_l / NH4_PER_N


def acute_criterion(ph: float, temp_c: float, *, salmonids: bool = True) -> float:
    """One-hour mean of total ammonia not to be passed in natural fresh waters, mg/L of nitrogen.

    Source: US EPA (2013) Aquatic Life Ambient Water Quality Criteria for Ammonia – Freshwater, EPA-822-R-13-001.
    It protects mussels and young salmonids; it is no target for a tank.
    """
    low, high = 1.0 + 10.0 ** (7.204 - ph), 1.0 + 10.0 ** (ph - 7.204)
    by_ph = 0.7249 * (0.0114 / low + 1.6181 / high)
    by_temperature = 23.12 * 10.0 ** (0.036 * (20.0 - temp_c))
    if not salmonids:
        return float(by_ph * min(51.93, by_temperature))
    return float(min(0.275 / low + 39.0 / high, by_ph * by_temperature))


def chronic_criterion(ph: float, temp_c: float) -> float:
    """Thirty-day mean of total ammonia not to be passed in natural fresh waters, mg/L of nitrogen.

    Source: as `acute_criterion`.
    """
    low, high = 1.0 + 10.0 ** (7.688 - ph), 1.0 + 10.0 ** (ph - 7.688)
    by_ph = 0.8876 * (0.0278 / low + 1.1994 / high)
    return float(by_ph * 2.126 * 10.0 ** (0.028 * (20.0 - max(temp_c, 7.0))))
