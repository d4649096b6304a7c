"""What a water change or a dose of bicarbonate makes of a tank's ammonia: at once, at the tank's own CO2, gassed off.

Owns the three states and their comparison with doing nothing.  Decides nothing.  Fresh water only.

A change thins the ammonia and, with harder water, raises the pH; the poisonous share rises tenfold with each unit of
pH, so a small change with water of more than twice the tank's carbonate hardness makes matters worse.  CO2 moves within
hours: no single one of the three states is always the worst.  No change is shown at the same CO2, or the loss of CO2
would be blamed on the change.

Error: against PHREEQC, over tanks of pH 6.4 to 8.6, KH 0.05 to 12 °dH and up to 5 mg N/L, pH within 0.06 and un-ionised
ammonia from 8 % too low to 16 % too high (tests/published/test_changes_published.py), most of it towards too high where
all CO2 is gone; a test's own error is larger than that.
"""

from __future__ import annotations

from dataclasses import dataclass

from rushlight.science.chemistry import ammonia, carbonate
from rushlight.science.measuring.units import MEQ_PER_DH, NH3_PER_NH4, NH4

LEAST_KH = 0.02
"""°dH; a kit's nought is not none (own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Acidity:
    """What decides over ammonia in one water: pH, KH °dH, total ammonia mg/L weighed as NH4, temperature °C."""

    ph: float
    kh: float
    temp_c: float
    ammonia: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """One state of the water: pH, un-ionised ammonia mg/L as NH3, the total as a share of EPA's chronic criterion."""

    ph: float
    nh3: float
    chronic: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Aftermath:
    """The tank before, and after in three states; `unchanged_aired` is the tank left alone, gassed off."""

    before: Moment
    at_once: Moment
    own_co2: Moment
    aired: Moment
    unchanged_aired: Moment
    kh: float
    """°dH afterwards."""

    def ratio(self) -> float:
        """By how much un-ionised ammonia rises at worst, compared with no change at the same CO2."""
        here = max(self.before.nh3, 1e-9)
        aired = self.aired.nh3 / max(self.unchanged_aired.nh3, 1e-9)
        return max(self.at_once.nh3 / here, self.own_co2.nh3 / here, aired)

    def worst(self) -> Moment:
        """The state with most un-ionised ammonia."""
        return max((self.at_once, self.own_co2, self.aired), key=lambda m: m.nh3)


def least_kh(ph: float, temp_c: float, total: float = 0.0) -> float:
    """The KH, °dH, below which a water of this pH would hold less CO2 than air gives it: what a test of 0 means."""
    low, high = LEAST_KH, 30.0
    co2 = carbonate.co2_in_air(temp_c)
    if carbonate.ph_at_co2(co2, low, temp_c, _mol(total)) >= ph:
        return low
    while high - low > 1e-4:
        middle = 0.5 * (low + high)
        if carbonate.ph_at_co2(co2, middle, temp_c, _mol(total)) < ph:
            low = middle
        else:
            high = middle
    return high


def after_change(tank: Acidity, source: Acidity, fraction: float) -> Aftermath:
    """The tank after `fraction` of it was replaced.

    Raises:
        ValueError: pH and KH of one of the waters cannot go together.
    """
    one = carbonate.water(tank.ph, tank.kh, tank.temp_c, ammonia_mol_l=_mol(tank.ammonia))
    other = carbonate.water(source.ph, source.kh, source.temp_c, ammonia_mol_l=_mol(source.ammonia))
    return _after(tank, one, carbonate.mix(one, other, fraction))


def after_bicarbonate(tank: Acidity, rise_dh: float) -> Aftermath:
    """The tank after so many °dH of bicarbonate, which brings its own carbon.

    Raises:
        ValueError: the tank's pH and KH cannot go together.
    """
    one = carbonate.water(tank.ph, tank.kh, tank.temp_c, ammonia_mol_l=_mol(tank.ammonia))
    more = rise_dh * MEQ_PER_DH / 1000.0
    return _after(tank, one, carbonate.Water(one.alkalinity + more, one.carbon + more, one.temp_c, one.ammonia))


def moment(ph: float, kh: float, total: float, temp_c: float) -> Moment:
    """One state from pH, KH °dH, total ammonia (mg/L weighed as NH4) and temperature in °C."""
    chronic = ammonia.as_nitrogen(total) / ammonia.chronic_criterion(ph, temp_c)
    share = carbonate.ammonia_share(ph, temp_c, max(0.0, kh) * MEQ_PER_DH / 1000.0)
    return Moment(ph=ph, nh3=total * NH3_PER_NH4 * share, chronic=chronic)


def _after(tank: Acidity, one: carbonate.Water, mixed: carbonate.Water) -> Aftermath:
    co2, air = carbonate.co2_of(one, tank.ph), carbonate.co2_in_air(mixed.temp_c)
    total, kh, temp_c = mixed.ammonia * 1000.0 * NH4, mixed.alkalinity * 1000.0 / MEQ_PER_DH, mixed.temp_c

    def at(co2: float) -> Moment:
        return moment(carbonate.ph_at_co2(co2, kh, temp_c, mixed.ammonia), kh, total, temp_c)

    alone = carbonate.ph_at_co2(carbonate.co2_in_air(tank.temp_c), tank.kh, tank.temp_c, one.ammonia)
    return Aftermath(
        before=moment(tank.ph, tank.kh, tank.ammonia, tank.temp_c),
        at_once=moment(carbonate.ph_of(mixed), kh, total, temp_c),
        own_co2=at(co2),
        aired=at(air),
        unchanged_aired=moment(alone, tank.kh, tank.ammonia, tank.temp_c),
        kh=kh,
    )


def _mol(total_mg_l: float) -> float:
    return total_mg_l / NH4 / 1000.0
