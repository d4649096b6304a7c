"""From what the watches know of a tank to the planner's `Case`: tank, tap and limits.

Owns which knowledge is fresh enough to plan by.  Pure.
"""

from __future__ import annotations

from rushlight.science.chemistry.water_change import Contents
from rushlight.settings import Tank
from rushlight.tank.water.chemistry import ChemistryReport
from rushlight.tank.water.plan import Case


def case_of(tank: Tank, told: ChemistryReport, nitrate: float | None, *, temp_c: float | None) -> Case:
    """The case of a tank: the chemistry's report, nitrate mg/L as NO3 and the water's temperature where known."""
    kh = told.kh if told.kh is not None and told.kh.tests else None
    holds = Contents(
        nitrate=nitrate,
        nitrite=told.nitrite if told.nitrite_fresh else None,
        ammonia=told.total_ammonia if told.ammonia_fresh else None,
        kh=None if kh is None else kh.level.mean,
        gh=None if told.gh is None else told.gh.level.mean,
        ph=told.ph,
        temp_c=told.temp_c if temp_c is None else temp_c,
        chlorine=told.chlorine if told.chlorine_fresh else None,
        chloride=told.chloride,
    )
    return Case(
        holds,
        tap_of(tank),
        tank.litres,
        tank.limits,
        kh_low=None if kh is None else kh.level.low,
        kh_untested=told.kh.level.low if told.kh is not None and not told.kh.tests else None,
        kh_doubted=told.kh_doubted,
        ph_assumed=told.ph_assumed,
        temp_assumed=temp_c is None and told.temp_assumed,
    )


def tap_of(tank: Tank) -> Contents:
    """The source water as the keeper gave it, as warm as the tank, which is to be seen to."""
    given = tank.source_water
    return Contents(
        nitrate=given.get("nitrate"),
        nitrite=given.get("nitrite"),
        ammonia=given.get("ammonia"),
        kh=given.get("kh"),
        gh=given.get("gh"),
        ph=given.get("ph"),
        chlorine=given.get("chlorine"),
        chloride=given.get("chloride"),
    )
