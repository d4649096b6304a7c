"""Carbonate and total hardness: what nitrification spends, what plants give back, what topping off builds up.

Owns the stoichiometry, in °dH per mg/L of nitrate, and the mass balances of evaporation.  Remembers nothing.

Nitrification of one mole of ammonium sets two moles of acid free: NH4+ + 2 O2 → NO3− + 2 H+ + H2O, 7.14 g of CaCO3
per g of nitrogen (US EPA, Process Design Manual for Nitrogen Control, 1975: 6.3–7.4 observed).  A plant that takes a
nitrate ion up gives one equivalent back (charge balance), as denitrification does: 3.57 g CaCO3 per g of nitrogen.
"""

from __future__ import annotations

from rushlight.science.measuring.units import CACO3, CACO3_PER_DH, NO3, N, O

CACO3_PER_N_NITRIFIED = CACO3 / N
"""g CaCO3 of alkalinity used per g of nitrogen nitrified: two equivalents a mole."""
OXYGEN_PER_N_NITRIFIED = 4 * O / N
"""g O2 per g of nitrogen nitrified, without the growth of cells."""
DKH_PER_NITRATE_FORMED = CACO3 / NO3 / CACO3_PER_DH
"""°dH used per mg/L of nitrate formed."""
DKH_PER_NITRATE_TAKEN_UP = DKH_PER_NITRATE_FORMED / 2.0
"""°dH returned per mg/L of nitrate taken up or denitrified."""


def kh_rate(formed: float, taken_up: float) -> float:
    """Change of carbonate hardness, °dH per day, from nitrate formed and taken up, mg/L as NO3 per day."""
    return DKH_PER_NITRATE_TAKEN_UP * taken_up - DKH_PER_NITRATE_FORMED * formed


def top_off_rise(source_dh: float, litres: float, tank_litres: float) -> float:
    """Hardness, °dH, that topping off evaporated water brings in: the water leaves, its salts stay.

    Raises:
        ValueError: the tank holds nothing.
    """
    if tank_litres <= 0:
        raise ValueError("the tank's volume must be above 0 L")
    return source_dh * litres / tank_litres


def dose_rise(mg_caco3: float, tank_litres: float) -> float:
    """Hardness, °dH, from a dose given in mg of CaCO3.

    Raises:
        ValueError: the tank holds nothing.
    """
    if tank_litres <= 0:
        raise ValueError("the tank's volume must be above 0 L")
    return mg_caco3 / tank_litres / CACO3_PER_DH


def settled_before_change(source: float, evaporated_share: float, fraction: float) -> float:
    """Level at which topping off and regular water changes with the same water come to rest, just before a change.

    `evaporated_share` of the volume evaporates between changes of `fraction`.  Source: mass balance.

    Raises:
        ValueError: no water is ever changed, so nothing comes to rest.
    """
    if fraction <= 0:
        raise ValueError("without water changes the salts build up without end")
    return source * (1.0 + evaporated_share / fraction)
