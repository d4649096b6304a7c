"""What a day's light says about the plants: whether so much of it is lost that they may have begun to fade.

Owns the comparison of the week's light with that which the plants know, season and weather allowed for.
"""

from __future__ import annotations

import datetime as dt

from rushlight.science.optics import sun
from rushlight.tank.nitrate.balance import Balance

LIGHT_MEMORY_DAYS = 60.0
WEATHER = 0.35
"""So much of the light through a window a dull week may lack, or autumn where the season is not known (no source)."""


def see_light(
    balance: Balance,
    dose_mol: float,
    lamp_percent: float | None,
    window_mol: float | None = None,
    outdoors: float = 0.0,
) -> None:
    """A day's light, the part of it that came through a window (None: perhaps all), and what the season had to give.

    A lamp that has lost output, or far less light than usual for the season, makes fading likelier.
    """
    window = dose_mol if window_mol is None else min(dose_mol, window_mol)
    if balance.usual_light is None:
        balance.usual_light = balance.recent_light = dose_mol
        balance.usual_window = window
        balance.usual_outdoors = balance.recent_outdoors = outdoors
    balance.usual_light += (dose_mol - balance.usual_light) / LIGHT_MEMORY_DAYS
    balance.usual_window += (window - balance.usual_window) / LIGHT_MEMORY_DAYS
    balance.usual_outdoors += (outdoors - balance.usual_outdoors) / LIGHT_MEMORY_DAYS
    balance.recent_light += (dose_mol - balance.recent_light) / 7.0
    balance.recent_outdoors += (outdoors - balance.recent_outdoors) / 7.0
    # A lamp's own output is free of season and weather.
    lost = 1.0 - lamp_percent / 100.0 if lamp_percent is not None else _light_lost(balance)
    balance.dimmed = min(1.0, max(0.0, (lost - 0.03) / 0.12))


def _light_lost(balance: Balance) -> float:
    """The share of the light that is missing from what the season and a dull week would leave of the usual."""
    usual = balance.usual_light or 0.0
    if usual <= 0.0:
        return 0.0
    share = min(1.0, balance.usual_window / usual)
    season = balance.recent_outdoors / balance.usual_outdoors if balance.usual_outdoors > 0.0 else 1.0
    due = 1.0 - share + share * min(1.0, season)
    return 1.0 - balance.recent_light / (usual * due) - WEATHER * share if due > 0.0 else 0.0


def outdoors_mj(latitude: float | None, date: str) -> float:
    """What the season has to give on a local date, MJ m⁻² above the air; 0 where the latitude is not known."""
    if latitude is None or not date:
        return 0.0
    return sun.extraterrestrial_mj_m2(latitude, dt.date.fromisoformat(date).timetuple().tm_yday)
