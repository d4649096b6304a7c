"""Plans water changes: the fraction, or the equal daily fractions, that bring nitrate to a target.

Owns the plan and what it does to hardness, temperature and pH.  Never proposes what cannot be reached: it says why.
The mass balances are those of `nitrogen`, the mixing of carbonate waters that of `carbonate`.

pH is an estimate from carbonate equilibrium alone.  Just after a change it is the pH of the mixture; by the next day
the tank's own carbon dioxide has come back, and the new hardness sets the pH.  Humic acids, phosphate or a running CO2
supply make both uncertain; where pH, KH or temperature of either water is not known, so is the result.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from rushlight.science.chemistry import carbonate
from rushlight.science.chemistry.nitrogen import after_water_change, fraction_for

DAILY_CAP = 0.3
"""Largest fraction a day that is proposed (common practice, no source)."""
LONGEST_SERIES = 60
QUICK_C, QUICK_KH, QUICK_PH = 2.0, 2.0, 0.4
"""Change in one go of temperature (°C), KH (°dH) and pH that deserves a caution (common practice, no source)."""


class ImpossibleError(ValueError):
    """The target cannot be reached; the message says why and what would help."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """What is known of a water; None is not known.

    mg/L: nitrate as NO3, nitrite as NO2, ammonia in all weighed as NH4, chlorine, chloride; hardness °dH; pH; °C.
    """

    nitrate: float | None = None
    kh: float | None = None
    gh: float | None = None
    ph: float | None = None
    temp_c: float | None = None
    nitrite: float | None = None
    ammonia: float | None = None
    chlorine: float | None = None
    chloride: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change: on which day (0 is the first), how much, and the tank just after it."""

    day: int
    fraction: float
    litres: float
    after: Contents


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The changes, the tank afterwards, its pH a day later, and what to mind."""

    changes: tuple[Change, ...]
    after: Contents
    ph_settled: float | None
    cautions: tuple[str, ...] = ()

    @property
    def litres(self) -> float:
        """All the new water, L."""
        return sum(c.litres for c in self.changes)


Say = Callable[[float, str, str], str]
"""Writes a value, its unit, by a format specification."""


def as_recorded(value: float, unit: str, spec: str) -> str:
    """A value in the unit in which it is worked out."""
    return f"{format(value, spec)} {unit}".rstrip()


def plan(
    tank: Contents,
    source: Contents,
    litres: float,
    target: float,
    *,
    daily_cap: float = DAILY_CAP,
    net_rate: float = 0.0,
    say: Say = as_recorded,
) -> Plan:
    """The fewest equal daily changes, none above `daily_cap`, after which nitrate is at `target`.

    `net_rate`: by how much nitrate rises a day by itself, mg/L as NO3.  `say` writes a value for whoever reads it.

    Raises:
        ImpossibleError: the source water, the cap or the daily rise forbid the target.
        ValueError: a nitrate level is not known, or volume or cap make no sense.
    """
    if tank.nitrate is None:
        raise ValueError("the tank's nitrate is not known; test it first")
    if source.nitrate is None:
        raise ValueError("the source water's nitrate is not known; test it, or set it under source_water")
    if litres <= 0 or not 0 < daily_cap <= 1:
        raise ValueError("litres must be above 0, and the daily cap between 0 and 1")
    level = tank.nitrate
    if level <= target:
        return Plan(changes=(), after=tank, ph_settled=tank.ph)
    if source.nitrate >= target:
        raise ImpossibleError(
            f"the source water holds {say(source.nitrate, 'mg/L', 'g')} of nitrate (as NO3), the target is {target:g}: "
            "no amount of it gets there. Use water with less nitrate, or choose a higher target."
        )
    number, fraction = _series(level, target, source.nitrate, daily_cap, net_rate, say)
    return _carry_out(tank, source, litres, (number, fraction), net_rate, say)


def _series(level: float, target: float, source: float, cap: float, rise: float, say: Say) -> tuple[int, float]:
    """How many changes and of which fraction."""
    number = 1
    while _after_series(level, source, cap, number, rise) > target * (1 + 1e-12):
        number += 1
        if number > LONGEST_SERIES:
            low = _after_series(level, source, cap, LONGEST_SERIES, rise)
            raise ImpossibleError(
                f"changes of {100 * cap:.0f} % a day leave nitrate at {say(low, 'mg/L as NO3', '.0f')}, because it "
                f"rises by {say(rise, 'mg/L a day', '.1f')} meanwhile. Allow larger changes, or find the cause of the "
                "rise first."
            )
    if number == 1:
        return 1, fraction_for(level, target, source)
    low_f, high_f = 0.0, cap
    while high_f - low_f > 1e-13:
        middle = 0.5 * (low_f + high_f)
        if _after_series(level, source, middle, number, rise) > target:
            low_f = middle
        else:
            high_f = middle
    return number, high_f


def _after_series(level: float, source: float, fraction: float, number: int, rise: float) -> float:
    for day in range(number):
        level = after_water_change(level + (rise if day else 0.0), fraction, source)
    return level


def _carry_out(
    tank: Contents, source: Contents, litres: float, series: tuple[int, float], rise: float, say: Say
) -> Plan:
    number, fraction = series
    changes: list[Change] = []
    cautions: list[str] = []
    now = tank
    for day in range(number):
        before = now if not day else _overnight(now, tank, rise)
        now = mixed(before, source, fraction)
        changes.append(Change(day=day, fraction=fraction, litres=fraction * litres, after=now))
        cautions += [c for c in _cautions(before, now, say) if c not in cautions]
    settled = _settled_ph(tank, now)
    if settled is None:
        cautions.append("pH afterwards is not known: it needs pH, KH and temperature of both waters")
    return Plan(changes=tuple(changes), after=now, ph_settled=settled, cautions=tuple(cautions))


def mixed(tank: Contents, source: Contents, fraction: float) -> Contents:
    """The tank just after a change of `fraction`."""

    def mix(a: float | None, b: float | None) -> float | None:
        return None if a is None or b is None else after_water_change(a, fraction, b)

    return Contents(
        nitrate=mix(tank.nitrate, source.nitrate),
        kh=mix(tank.kh, source.kh),
        gh=mix(tank.gh, source.gh),
        ph=_mixed_ph(tank, source, fraction),
        temp_c=mix(tank.temp_c, source.temp_c),
        **{k: mix(getattr(tank, k), getattr(source, k)) for k in ("nitrite", "ammonia", "chlorine", "chloride")},
    )


def _water(known: Contents) -> carbonate.Water | None:
    if known.ph is None or known.kh is None or known.temp_c is None:
        return None
    try:
        return carbonate.water(known.ph, known.kh, known.temp_c)
    except ValueError:
        return None


def _mixed_ph(tank: Contents, source: Contents, fraction: float) -> float | None:
    one, other = _water(tank), _water(source)
    if one is None or other is None:
        return None
    try:
        return carbonate.ph_of(carbonate.mix(one, other, fraction))
    except ValueError:
        return None


def _settled_ph(tank: Contents, after: Contents) -> float | None:
    """The pH when the tank's own CO2 is back, at the new hardness and the old temperature."""
    if tank.ph is None or not tank.kh or tank.temp_c is None or not after.kh:
        return None
    try:
        co2 = carbonate.co2_mg_l(tank.ph, tank.kh, tank.temp_c)
        return carbonate.ph_at_co2(co2, after.kh, tank.temp_c)
    except ValueError:
        return None


def _overnight(after: Contents, tank: Contents, rise: float) -> Contents:
    """A day later: warm again, the tank's CO2 back, nitrate risen."""
    nitrate = None if after.nitrate is None else after.nitrate + rise
    return replace(after, nitrate=nitrate, ph=_settled_ph(tank, after), temp_c=tank.temp_c)


def _cautions(before: Contents, after: Contents, say: Say) -> list[str]:
    """What changes too much in one go."""
    found = []
    for name, unit, limit, a, b in (
        ("temperature", "°C", QUICK_C, before.temp_c, after.temp_c),
        ("KH", "°dH", QUICK_KH, before.kh, after.kh),
        ("pH", "", QUICK_PH, before.ph, after.ph),
    ):
        if a is not None and b is not None and abs(b - a) > limit:
            was, then = say(a, unit, ".1f").partition(" ")[0], say(b, unit, ".1f")
            found.append(f"{name} moves from {was} to {then} in one go; change less at a time, or adjust the water")
    return found
