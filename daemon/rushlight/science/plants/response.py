"""How uptake answers to light, temperature and cutting back: one figure each, for whoever works with it.

Owns the figures and their doubt.  Knows no tank.
"""

from __future__ import annotations

import math

LIGHT_RESPONSE = (0.8, 0.25)
"""How far uptake follows lasting light: 1 is in proportion, as below saturation; mean and standard deviation (own
choice: a canopy is partly saturated, and no source has a figure for foliage plants).  The slope is each tank's own."""
LIGHT_FELT = (0.5, 0.3)
"""The same of light that comes and goes over weeks, where a tank's own tests have not yet told: anything from none, as
above saturation, to in proportion is as likely (own choice, no source)."""
REGROWTH_DAYS = 60.0
"""What a cut took is made good as e^(−t/this): half of it after six weeks.  Own choice, no source; it is the one
figure for regrowth, wherever it is asked for."""
UPTAKE_Q10 = (1.0, 1.5, 2.7)
"""Uptake of nitrate at ten degrees more, over that at the temperature: least, middle, most.  1.5 to 2.7 in rape between
3 and 25 °C (Macduff, Hopper & Wild 1987, J. Exp. Bot. 38:42-52); over a fortnight total uptake was flat above 13 °C in
the same work, hence 1 as the least, and the middle near it as lasting uptake follows growth."""
WARMTH_FELT = (math.log(UPTAKE_Q10[1]), math.log(UPTAKE_Q10[2] / UPTAKE_Q10[0]) / (2.0 * 1.645))
"""The logarithm of the same as a normal, mean and standard deviation: least and most are its central 90 %."""
NITRIFICATION_PER_C = 0.04275
"""Rise of a biofilm's nitrification per °C at 20 °C where ammonia is what limits it, as in a tank (Zhu & Chen 2002,
Aquacultural Engineering 26:221-237): 4.275 %."""


def uptake_left(from_c: float, to_c: float, log_q10: float) -> float:
    """Uptake at `to_c` over that at `from_c`, °C, other things equal, by the logarithm of its Q10."""
    return math.exp(log_q10 * (to_c - from_c) / 10.0)


def nitrification_left(from_c: float, to_c: float) -> float:
    """A biofilm's nitrification at `to_c` over that at `from_c`, °C.

    Compound, which is what the source's percentage per degree comes to over some degrees.
    """
    return math.exp((to_c - from_c) * math.log1p(NITRIFICATION_PER_C))


def grown_back(days: float) -> float:
    """The share of a cut that is made good after so many days."""
    return -math.expm1(-max(0.0, days) / REGROWTH_DAYS)


def light_for(times: float) -> float:
    """By how much the dose must change, as a factor, for uptake to become `times` itself; never below nought."""
    return max(0.0, 1.0 + (times - 1.0) / LIGHT_RESPONSE[0])
