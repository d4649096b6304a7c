"""Known solutions: what is in them, and how to make them from what people have.

Owns the arithmetic of weighing, halving and thinning.  Molar masses are the IUPAC/CIAAW abridged standard atomic
weights.  A kitchen scale and a measuring jug are no laboratory: every solution comes with its own error.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from rushlight.science.measuring.units import CA, NO3, H, N, O

K, NA = 39.098, 22.990
"""g/mol, IUPAC/CIAAW abridged standard atomic weights."""
NITRATE_OF_SALT: Mapping[str, float] = {
    "potassium nitrate": NO3 / (K + NO3),
    "sodium nitrate": NO3 / (NA + NO3),
    "calcium nitrate tetrahydrate": 2.0 * NO3 / (CA + 2.0 * NO3 + 4.0 * (2.0 * H + O)),
}
"""Grams of nitrate in a gram of the salt."""
NITROGEN_OF_SALT = N / (K + NO3)
"""Grams of nitrogen in a gram of potassium nitrate, by which a fertiliser's label tells its purity."""
VOLUME_ERROR = 0.02
"""A measuring jug read by eye, one standard deviation as a share (common practice, no source)."""
PURITY_ERROR = 0.01
"""Share by which a salt's purity is unsure, water it has drawn included (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Solution:
    """mg/L of what was asked for, and one standard deviation of it as a share."""

    mg_l: float
    error: float


def purity_by_label(nitrogen_percent: float) -> float:
    """How much of a potassium nitrate fertiliser is potassium nitrate, by its nitrogen: 13.5 % N is 97.4 %."""
    return min(1.0, nitrogen_percent / 100.0 / NITROGEN_OF_SALT)


def dissolved(
    grams: float,
    litres: float,
    salt: str = "potassium nitrate",
    purity: float = 1.0,
    water: float = 0.0,
    scale_g: float = 0.01,
) -> Solution:
    """Nitrate of so many grams of a salt in so many litres of water that holds `water` mg/L of its own.

    `scale_g` is the scale's last digit; a weighing is unsure by that much, and so is the zero before it.

    Raises:
        KeyError: the salt is not known.  ValueError: no grams, no litres, or a purity that is none.
    """
    if not (grams > 0.0 and litres > 0.0 and 0.0 < purity <= 1.0 and water >= 0.0):
        raise ValueError("grams and litres must be above 0, purity from 0 to 1, and water not below 0")
    added = 1000.0 * grams * purity * NITRATE_OF_SALT[salt] / litres
    weighing = scale_g / math.sqrt(12.0) * math.sqrt(2.0) / grams
    share = math.sqrt(weighing**2 + VOLUME_ERROR**2 + PURITY_ERROR**2)
    return Solution(added + water, share * added / (added + water))


def halved(solution: Solution, water: float = 0.0, times: int = 1) -> Solution:
    """The solution after so many halvings with water that holds `water` mg/L of its own: n + a / 2^k."""
    mg_l, error = solution.mg_l, solution.error
    for _ in range(times):
        poured = VOLUME_ERROR * abs(mg_l - water) / 2.0
        sd = math.hypot(error * mg_l / 2.0, poured)
        mg_l = 0.5 * (mg_l + water)
        error = sd / mg_l if mg_l > 0.0 else 0.0
    return Solution(mg_l, error)


def of_tank(sample: float, dilution: float, water: float = 0.0) -> float:
    """What the tank holds, mg/L, where a sample thinned to one part in `dilution` holds `sample`; never below 0."""
    return max(0.0, dilution * sample - (dilution - 1.0) * water)


def of_sample(tank: float, dilution: float, water: float = 0.0) -> float:
    """What a sample holds, mg/L, that is one part of tank water in `dilution`, the rest holding `water`."""
    return (tank + (dilution - 1.0) * water) / dilution
