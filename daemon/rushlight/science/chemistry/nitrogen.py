"""Nitrogen from feed to nitrate, and water mixed with water.

Owns the factors and the mass balances.  Concentrations are mg/L as NO3 unless a name says otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

NITRATE_PER_NITROGEN = 62.004 / 14.007
"""mg NO3 per mg N: the ratio of molar masses (IUPAC standard atomic weights, N 14.007, O 15.999)."""

PROTEIN_PER_NITROGEN = 6.25
"""g crude protein per g N: protein is taken to be 16 % nitrogen (Jones 1931, USDA Circular 183)."""

SHARE_MEAN = 0.70
SHARE_SD = 0.15
"""Share of the feed's nitrogen that ends as nitrate in the water, before this tank has taught better.

Fish of five species retained 12.0 to 44.1 % of their feed's nitrogen (Summerfelt & Penne 2007, Int. J.
Recirculating Aquaculture 8:43-64), so 56 to 88 % left them; uneaten feed mineralises too, sludge takes some out.
"""

TISSUE_NITROGEN_PER_DRY = (0.02, 0.008)
"""g N per g dry plant mass, mean and standard deviation.  Nitrate-grown wetland plants held 0.98-1.28 % (Choudhury et
al. 2024, doi 10.1007/s11270-024-07275-2), wetland plants in general 0.1-4.2 %; a wide prior."""

DRY_PER_FRESH = 0.12
"""g dry per g fresh mass of soft waterside leaves (common practice, no source)."""


def feed_nitrogen_g(grams: float, protein_percent: float) -> float:
    """Nitrogen in so many grams of feed, g."""
    return grams * protein_percent / 100.0 / PROTEIN_PER_NITROGEN


def nitrate_mg_l(nitrogen_g: float, litres: float) -> float:
    """What so much nitrogen makes as nitrate in so much water, mg/L as NO3.

    Raises:
        ValueError: `litres` is not positive.
    """
    if litres <= 0.0:
        raise ValueError("litres must be positive")
    return 1000.0 * nitrogen_g * NITRATE_PER_NITROGEN / litres


def after_water_change(level: float, fraction: float, source: float) -> float:
    """Concentration after replacing `fraction` of the water by source water."""
    return level * (1.0 - fraction) + source * fraction


def fraction_for(level: float, target: float, source: float) -> float:
    """Fraction to replace so that `level` becomes `target`; 0 if it is there already.

    Raises:
        ValueError: the source water is not below the target.
    """
    if level <= target:
        return 0.0
    if source >= target:
        raise ValueError(f"source water at {source:g} mg/L cannot bring the tank below {target:g} mg/L")
    return (level - target) / (level - source)


def decay(days: float, time_constant_days: float) -> tuple[float, float]:
    """e^(−t/τ) and its integral τ (1 − e^(−t/τ)), days, for a rate that dies away."""
    left = math.exp(-days / time_constant_days)
    return left, time_constant_days * (1.0 - left)


def ratio_nodes(mean: float, sd: float) -> Iterator[tuple[float, float]]:
    """Seven weighted values that stand for N(mean, sd²): Gauss-Hermite nodes (Abramowitz & Stegun, table 25.10)."""
    for x, w in _HERMITE_7:
        yield w / math.sqrt(math.pi), mean + math.sqrt(2.0) * sd * x
        if x:
            yield w / math.sqrt(math.pi), mean - math.sqrt(2.0) * sd * x


_HERMITE_7 = (
    (0.0, 0.8102646175568073),
    (0.8162878828589647, 0.4256072526101278),
    (1.6735516287674714, 0.05451558281912703),
    (2.6519613568352335, 0.0009717812450995192),
)
