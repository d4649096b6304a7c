"""What helps against what: bicarbonate for hardness, chloride against nitrite, conditioner against chlorine.

Owns the amounts and the published limits.  Proposes nothing; `tank.water.plan` does.  Every amount of a salt is
stoichiometry; whether fish, snails and plants bear it is for the label, a vet and local rules.
"""

from __future__ import annotations

import math

from rushlight.science.measuring.units import MEQ_PER_DH, NH4_PER_N, NO2_PER_N, C, H, N, O

NA, K, CL = 22.990, 39.098, 35.45
"""g/mol, IUPAC/CIAAW abridged standard atomic weights."""
NAHCO3, KHCO3, NACL = NA + H + C + 3 * O, K + H + C + 3 * O, NA + CL

CHLORINE_ACUTE, CHLORINE_CHRONIC = 0.019, 0.011
"""Total residual chlorine, mg/L, one-hour and four-day mean in fresh water.  US EPA 1984, EPA 440/5-84-030."""

NITROGEN_PER_CHLORAMINE = N / (2.0 * CL)
"""mg N freed per mg of monochloramine as Cl2 when a conditioner takes its chlorine: one N for each Cl2 that it stands
for (NH2Cl + 2 H+ + 2 e- -> NH4+ + Cl-, and Cl2 + 2 e- -> 2 Cl-).  Source: stoichiometry."""

NITRITE_STEPS = ((2.0, 0.02), (4.0, 0.04), (6.0, 0.06), (8.0, 0.08), (10.0, 0.10), (math.inf, 0.20))
"""Chloride, mg/L, below which a 30-day mean of nitrite, mg/L of nitrogen, is not to be passed. British Columbia's
water quality guidelines for aquatic life. Nitrite enters by the gill's chloride pump, so chloride keeps it out of
most fish; not of all: sunfish and basses gain nothing (Tomasso 1986, Aquat. Toxicol. 8:129-137)."""
CHLORIDE_PER_NITRITE = 10.0
"""By weight, mg Cl per mg NO2: practice in catfish ponds.  Carp were safe at 1.98 and dying at 0.165 (Kroupova et al.
2006, Vet. Med. 51:423-431)."""
CHLORIDE_CHRONIC = 120.0
"""mg/L of chloride that fresh-water life bears for long (Canadian guideline); EPA has 230, British Columbia 150."""


def bicarbonate_g(rise_dh: float, litres: float, *, potassium: bool = False) -> float:
    """Sodium (or potassium) bicarbonate, g, for so many °dH of carbonate hardness.  Source: stoichiometry."""
    return rise_dh * MEQ_PER_DH * litres * (KHCO3 if potassium else NAHCO3) / 1000.0


def nitrite_limit(chloride_mg_l: float) -> float:
    """Nitrite, mg/L as NO2, that fish bear for weeks at this chloride.  Source: `NITRITE_STEPS`."""
    return next(n for below, n in NITRITE_STEPS if chloride_mg_l < below) * NO2_PER_N


def salt_g(nitrite_mg_l: float, chloride_mg_l: float, litres: float) -> float:
    """Table salt without additives, g, that brings chloride to ten times nitrite (as NO2) by weight; 0 if it is."""
    short = max(0.0, CHLORIDE_PER_NITRITE * nitrite_mg_l - chloride_mg_l)
    return short * litres / 1000.0 * NACL / CL


def chloramine_ammonia(chlorine_mg_l: float) -> float:
    """Total ammonia, mg/L as NH4, that a conditioner leaves of so much chlorine (as Cl2) if all of it is chloramine."""
    return chlorine_mg_l * NITROGEN_PER_CHLORAMINE * NH4_PER_N


def soft_share(tank_dh: float, source_dh: float) -> float:
    """Share of distilled or osmosis water in the new water so that its hardness is the tank's; 0 if none is needed."""
    return max(0.0, 1.0 - tank_dh / source_dh) if source_dh > 0 else 0.0


def small_change_raises_nh3(tank_dh: float, source_dh: float) -> bool:
    """Whether any small change with ammonia-free water raises un-ionised ammonia, at the tank's CO2 and below pH 8.3.

    Source: NH3 goes as total ammonia times hardness at a given CO2, (1 − x)((1 − x) k + x k') / k, whose slope at none
    is k'/k − 2.
    """
    return source_dh > 2.0 * tank_dh


def changes_for(level: float, target: float, source: float, fraction: float) -> int:
    """How many changes of `fraction` bring `level` to `target`.

    Raises:
        ValueError: the source water is not below the target.
    """
    if level <= target:
        return 0
    if source >= target:
        raise ValueError(f"source water at {source:g} cannot bring the tank below {target:g}")
    return math.ceil(math.log((target - source) / (level - source)) / math.log(1.0 - fraction) - 1e-9)
