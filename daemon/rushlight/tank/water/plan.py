"""The one planner: what to do with a tank's water, worked out from all that is known of it and of the new water.

Owns the choice: plain changes, changes with water matched in hardness, bicarbonate, conditioner, or a test first; how
many litres, in how many steps; and what nitrate, nitrite, ammonia, hardness and pH will be.  The chemistry is
`science.aftermath` and `science.remedies`; the words are `advice`'s.  Pure.

A change that would make ammonia more poisonous than leaving it is never proposed.  The new water is always taken to be
as warm as the tank and free of chlorine: `advice` says so, wherever a change is proposed.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

from rushlight.science.chemistry import aftermath, remedies
from rushlight.science.chemistry.aftermath import Acidity, Aftermath, Moment
from rushlight.science.chemistry.water_change import DAILY_CAP, Contents, mixed
from rushlight.settings import Limits
from rushlight.views import CALLED

Kind = Literal["none", "change", "matched", "bicarbonate", "conditioner", "test first", "impossible"]

URGENT_CAP, URGENT_HOURS, DAILY_HOURS = 0.5, 12.0, 24.0
"""Largest share in one go, and hours between, while fish are being poisoned (common practice, no source)."""
MOST_STEPS = 12  # own choice
INSIDE = 0.8
"""A remedy ends at this share of a limit, where the alarm clears (own choice)."""
WORSE = 1.05
"""A rise by less than this is no rise: a test reads no finer (own choice)."""
KH_ABOVE = 1.0
"""°dH above its limit to which carbonate hardness is brought back (own choice)."""
KH_STEP = 1.0
"""°dH a day by bicarbonate (common practice, no source)."""
PH_STEP = 0.5
"""A change of pH by more than this takes at least a day (FAO Fisheries Technical Paper 589, 7.5)."""
POISONS = ("ammonia", "nitrite")


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One change: share, litres, the water afterwards at the tank's CO2, and ammonia's part if known."""

    fraction: float
    litres: float
    after: Contents
    aftermath: Aftermath | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """What to do.  Fields that do not belong to its kind are empty."""

    kind: Kind
    wrong: tuple[str, ...] = ()
    """What is beyond its limit."""
    before: Contents = field(default_factory=Contents)
    warm_c: float | None = None
    """The tank's temperature where a probe tells it: the new water's."""
    steps: tuple[Step, ...] = ()
    hours_between: float = DAILY_HOURS
    soft_share: float = 0.0
    """Share of distilled or osmosis water in the new water."""
    rise_dh: float = 0.0
    soda_g: float = 0.0
    potash_g: float = 0.0
    """Sodium bicarbonate, or potassium bicarbonate in its place, for `rise_dh`; after all else."""
    soda_days: int = 0
    salt_g: float = 0.0
    """Salt against nitrite, for fish that take chloride by the gill."""
    harm: Aftermath | None = None
    harm_fraction: float = 0.0
    """What the plain change would have done, and of which share."""
    harm_soda: bool = False
    """Raising the hardness at once would do the harm."""
    aired: tuple[Moment, Moment] | None = None
    """The tank as it is, and once its surplus CO2 has been driven out: the price of moving the surface."""
    freed: float = 0.0
    """Ammonia, mg/L as NH4, that treating the chlorine leaves if it is chloramine: in the tank for kind `conditioner`,
    else in the treated tap water, and counted there."""
    freed_then: Moment | None = None
    """The tank with it, for kind `conditioner`; None where its pH is not known."""
    missing: tuple[str, ...] = ()
    """What must be tested before anything is done to the water."""
    done: bool = False
    """Water has been changed since the last test."""
    why: str = ""
    too_rich: tuple[str, float, float] | None = None
    """Why it is impossible: the substance of which the new water holds so much, and the level that was aimed at."""

    @property
    def after(self) -> Contents:
        """The water after the last step."""
        return self.steps[-1].after if self.steps else self.before

    @property
    def litres(self) -> float:
        """All the new water."""
        return sum(s.litres for s in self.steps)


@dataclass(frozen=True, slots=True)
class Case:
    """One tank in need: what it holds, what the tap holds, and where its limits are."""

    tank: Contents
    source: Contents
    litres: float
    limits: Limits
    kh_low: float | None = None
    """The lower end of what KH may be; harm is judged there too."""
    kh_untested: float | None = None
    """The same of a KH that nobody tested, by source water, feed and changes."""
    kh_doubted: float | None = None
    """A last test of KH, °dH, that was far below what is believed: till it is repeated either may be so."""
    ph_assumed: bool = False
    """No probe and no test tells the pH; nothing that hangs on it is proposed."""
    temp_assumed: bool = False
    """No probe tells the temperature; nobody is told to make new water so warm."""

    def nitrite_limit(self) -> float:
        """mg/L as NO2 at this chloride; the keeper's where chloride is not known."""
        if self.tank.chloride is None:
            return self.limits.nitrite
        return min(self.limits.nitrite, remedies.nitrite_limit(self.tank.chloride))

    def acidity(self, tank: Contents | None = None, kh: float | None = None) -> Acidity | None:
        """The tank's, or another state of it; None where pH, KH or temperature is not known."""
        return _acidity(tank or self.tank, kh)


def remedy(case: Case) -> Remedy:
    """The one thing to do with the water; kind `none` where nothing is beyond its limit."""
    wrong = _wrong(case)
    if not wrong:
        return Remedy(kind="none", before=case.tank, aired=price_of_air(case.tank))
    if "chlorine" in wrong:
        return _treat(case, wrong)
    brought = remedies.chloramine_ammonia(case.source.chlorine or 0.0) if case.source.ammonia is None else 0.0
    if brought:
        case = dataclasses.replace(case, source=dataclasses.replace(case.source, ammonia=brought))
    made = _harden(case) if wrong == ("kh",) else _dilute(case, wrong)
    salt_g = 0.0
    if "nitrite" in wrong and case.tank.nitrite is not None and case.tank.chloride is not None:
        salt_g = remedies.salt_g(case.tank.nitrite, case.tank.chloride, case.litres)
    made = dataclasses.replace(made, wrong=wrong, before=case.tank, salt_g=salt_g, aired=price_of_air(case.tank))
    made = dataclasses.replace(made, warm_c=None if case.temp_assumed else case.tank.temp_c)
    return dataclasses.replace(made, freed=brought) if made.steps else made


def as_done(made: Remedy) -> Remedy:
    """The same once water has been changed since the last test: what that test found is to be tested again first.

    Nitrate is reckoned on through a change, and conditioner against chlorine cannot wait: these stay.
    """
    again = tuple(CALLED.get(w, w) for w in made.wrong if w in ("ammonia", "nitrite", "kh", "gh"))
    if made.kind in ("none", "conditioner") or not again:
        return made
    return Remedy(kind="test first", wrong=made.wrong, before=made.before, missing=again, aired=made.aired, done=True)


def _treat(case: Case, wrong: tuple[str, ...]) -> Remedy:
    """Conditioner for the whole tank, and the ammonia that it leaves if the chlorine is chloramine."""
    tank = case.tank
    freed, then = remedies.chloramine_ammonia(tank.chlorine or 0.0), None
    if tank.ph is not None and tank.temp_c is not None and not case.ph_assumed:
        then = aftermath.moment(tank.ph, tank.kh or 0.0, (tank.ammonia or 0.0) + freed, tank.temp_c)
    return Remedy(kind="conditioner", wrong=wrong, before=tank, freed=freed, freed_then=then)


def price_of_air(tank: Contents) -> tuple[Moment, Moment] | None:
    """The tank as it is and with all CO2 beyond the air's gone; None where ammonia or acidity is not known, or none."""
    sour = _acidity(tank)
    if sour is None or not sour.ammonia:
        return None
    try:
        left = aftermath.after_change(sour, dataclasses.replace(sour), 0.0)
    except ValueError:
        return None
    return left.before, left.unchanged_aired


def _wrong(case: Case) -> tuple[str, ...]:
    tank, limits = case.tank, case.limits
    over = {
        "chlorine": tank.chlorine is not None and tank.chlorine > limits.chlorine,
        "ammonia": tank.ammonia is not None and _poisonous(case, tank, 1.0),
        "nitrite": tank.nitrite is not None and tank.nitrite > case.nitrite_limit(),
        "nitrate": tank.nitrate is not None and tank.nitrate > limits.nitrate,
        "gh": tank.gh is not None and tank.gh > limits.gh_high,
        "kh": tank.kh is not None and tank.kh < limits.kh_low,
    }
    return tuple(name for name, is_so in over.items() if is_so)


def _poisonous(case: Case, water: Contents, share: float) -> bool:
    """Whether ammonia passes this share of its limit, as NH3 or by the criterion for the total."""
    if water.ammonia is None or water.ph is None or water.temp_c is None:
        return False
    now = aftermath.moment(water.ph, water.kh or 0.0, water.ammonia, water.temp_c)
    return now.nh3 > share * case.limits.ammonia or now.chronic > share


# ---------------------------------------------------------------------- thinning


def _dilute(case: Case, wrong: tuple[str, ...]) -> Remedy:
    """Changes of water against what is too much."""
    urgent = bool(set(wrong) & set(POISONS))
    cap, hours = (URGENT_CAP, URGENT_HOURS) if urgent else (DAILY_CAP, DAILY_HOURS)
    missing = _unjudged(case)
    if missing:
        return Remedy(kind="test first", missing=missing)
    try:
        steps = _series(case, case.source, wrong, cap)
    except _TooRichError as e:
        return Remedy(kind="impossible", too_rich=e.found)
    except ValueError as e:
        return Remedy(kind="impossible", why=str(e))
    harm = next((s for s in steps if _harmful(case, s)), None) or _harm_at_low_kh(case, steps)
    if harm is None:
        return Remedy(kind="change", steps=steps, hours_between=hours, missing=_hidden(case, wrong))
    return _matched(case, wrong, harm, hours)


class _TooRichError(ValueError):
    """The new water holds so much of a substance that no amount of it reaches the target."""

    def __init__(self, name: str, source: float, target: float) -> None:
        super().__init__(name)
        self.found = (name, source, target)


def _hidden(case: Case, wrong: tuple[str, ...]) -> tuple[str, ...]:
    """Ammonia, where neither it nor KH was tested and tap water might make it worse: a change waits for that test.

    Nitrite says that ammonia may be about; else what the hardness is reckoned to be at least has to say so.
    """
    tap, least = case.source.kh, case.kh_untested
    if case.tank.ammonia is not None or case.tank.kh is not None or tap == 0.0:
        return ()
    harder = tap is not None and least is not None and remedies.small_change_raises_nh3(least, tap)
    return ("ammonia",) if harder or "nitrite" in wrong else ()


def _unjudged(case: Case) -> tuple[str, ...]:
    """What keeps us from knowing whether plain tap water would do harm; empty where all is known or it cannot."""
    tank, source = case.tank, case.source
    if tank.ammonia == 0.0:
        return ()
    if tank.ammonia is None:
        least = min((k for k in (tank.kh, case.kh_doubted) if k is not None), default=None)
        harder = source.kh is not None and least is not None and remedies.small_change_raises_nh3(least, source.kh)
        return ("ammonia",) if harder else ()
    names = (
        ("pH", None if case.ph_assumed else tank.ph),
        ("KH", tank.kh if case.kh_doubted is None else None),
        ("the tap's pH", source.ph),
        ("the tap's KH", source.kh),
    )
    return tuple(name for name, known in names if known is None)


def _matched(case: Case, wrong: tuple[str, ...], harm: Step, hours: float) -> Remedy:
    """The same with water of the tank's own hardness, so that the pH stays where it is; hardness only afterwards."""
    tank, source = case.tank, case.source
    soft = remedies.soft_share(tank.kh or 0.0, source.kh or 0.0)
    new = mixed(source, Contents(nitrate=0.0, nitrite=0.0, ammonia=0.0, kh=0.0, gh=0.0), soft)
    new = dataclasses.replace(new, kh=tank.kh, ph=tank.ph, temp_c=tank.temp_c)
    dilute = [w for w in wrong if w != "kh"]
    try:
        steps = _series(case, new, tuple(dilute) or ("ammonia",), URGENT_CAP)
    except _TooRichError as e:
        return Remedy(kind="impossible", too_rich=e.found, harm=harm.aftermath, harm_fraction=harm.fraction)
    except ValueError as e:
        return Remedy(kind="impossible", why=str(e), harm=harm.aftermath, harm_fraction=harm.fraction)
    made = Remedy(
        kind="matched",
        steps=steps,
        hours_between=hours,
        soft_share=soft,
        harm=harm.aftermath,
        harm_fraction=harm.fraction,
    )
    return _with_soda(made, case)


def _series(case: Case, new: Contents, wrong: tuple[str, ...], cap: float) -> tuple[Step, ...]:
    """The fewest equal changes, none above `cap`, after which all that was too much is inside its limit.

    Raises:
        _TooRichError: the new water holds too much of something itself.
        ValueError: too many changes would be needed.
    """
    goals = dict(_goals(case, new, wrong))
    for name, (_, target, source) in goals.items():
        if source >= target:
            raise _TooRichError(name, source, target)
    for number in range(1, MOST_STEPS + 1):
        needed = max((_fraction(*g, number) for g in goals.values()), default=0.0)
        for fraction in (needed, cap) if 0.0 < needed <= cap + 1e-9 else ():
            steps = tuple(_carry_out(case, new, fraction, number))
            if "ammonia" not in wrong or not _poisonous(case, steps[-1].after, INSIDE + 1e-6):
                return steps
    raise ValueError(f"{MOST_STEPS} changes of {100 * cap:.0f} % do not get there")


def _goals(case: Case, new: Contents, wrong: tuple[str, ...]) -> Iterator[tuple[str, tuple[float, float, float]]]:
    """Level, target and the new water's level of each substance that is to be thinned."""
    tank, limits = case.tank, case.limits
    if "nitrite" in wrong and tank.nitrite is not None:
        yield "nitrite", (tank.nitrite, INSIDE * case.nitrite_limit(), new.nitrite or 0.0)
    if "nitrate" in wrong and tank.nitrate is not None:
        known = new.nitrate if new.nitrate is not None else 0.0
        yield "nitrate", (tank.nitrate, max(0.5 * limits.nitrate, min(known + 5.0, INSIDE * limits.nitrate)), known)
    if "gh" in wrong and tank.gh is not None and new.gh is not None:
        yield "gh", (tank.gh, limits.gh_high - 1.0, new.gh)
    if "ammonia" in wrong and tank.ammonia is not None and tank.ph is not None and tank.temp_c is not None:
        now = aftermath.moment(tank.ph, tank.kh or 0.0, tank.ammonia, tank.temp_c)
        over = max(now.nh3 / case.limits.ammonia, now.chronic, _over_hardened(case))
        yield "ammonia", (tank.ammonia, INSIDE * tank.ammonia / max(over, 1.0), new.ammonia or 0.0)


def _over_hardened(case: Case) -> float:
    """By how much ammonia would pass its limit once the hardness is back; 0 where it need not come back."""
    sour = case.acidity()
    if sour is None or "kh" not in _wrong(case):
        return 0.0
    try:
        raised = aftermath.after_bicarbonate(sour, _rise(case))
    except ValueError:
        return 0.0
    return max(max(m.nh3 / case.limits.ammonia, m.chronic) for m in (raised.at_once, raised.own_co2, raised.aired))


def _fraction(level: float, target: float, source: float, number: int) -> float:
    """The share of each of so many equal changes; 0 if it is there already."""
    if level <= target:
        return 0.0
    return float(1.0 - ((target - source) / (level - source)) ** (1.0 / number))


def _carry_out(case: Case, new: Contents, fraction: float, number: int) -> Iterator[Step]:
    now = case.tank
    for _ in range(number):
        known = _aftermath(now, new, fraction)
        after = mixed(now, _unpolluted(new), fraction)
        ph = known.own_co2.ph if known is not None else now.ph if new.kh is not None and new.kh == now.kh else None
        now = dataclasses.replace(after, ph=ph, temp_c=now.temp_c)
        yield Step(fraction=fraction, litres=fraction * case.litres, after=now, aftermath=known)


def _unpolluted(new: Contents) -> Contents:
    """Drinking water holds no ammonia or nitrite to speak of, unless the keeper says otherwise."""
    return dataclasses.replace(new, nitrite=new.nitrite or 0.0, ammonia=new.ammonia or 0.0)


def _acidity(water: Contents, kh: float | None = None) -> Acidity | None:
    """None where pH, KH or temperature is not known; a hardness of nought is the least that the pH allows."""
    hard = water.kh if kh is None else kh
    if water.ph is None or hard is None or water.temp_c is None:
        return None
    least = aftermath.least_kh(water.ph, water.temp_c, water.ammonia or 0.0) if hard < 1.0 else 0.0
    return Acidity(ph=water.ph, kh=max(hard, least), temp_c=water.temp_c, ammonia=water.ammonia or 0.0)


def _aftermath(tank: Contents, new: Contents, fraction: float, kh: float | None = None) -> Aftermath | None:
    one, other = _acidity(tank, kh), _acidity(dataclasses.replace(new, temp_c=tank.temp_c))
    if one is None or other is None:
        return None
    try:
        return aftermath.after_change(one, other, fraction)
    except ValueError:
        return None


def _worse(case: Case, known: Aftermath) -> bool:
    """Whether fish would be worse off than if nothing were done, and badly enough to matter."""
    pairs = ((known.at_once, known.before), (known.own_co2, known.before), (known.aired, known.unchanged_aired))
    return any(
        (after.nh3 > WORSE * before.nh3 and after.nh3 > INSIDE * case.limits.ammonia)
        or (after.chronic > WORSE * before.chronic and after.chronic > INSIDE)
        for after, before in pairs
    )


def _harmful(case: Case, step: Step) -> bool:
    return step.aftermath is not None and _worse(case, step.aftermath)


def _harm_at_low_kh(case: Case, steps: tuple[Step, ...]) -> Step | None:
    """The first change, if it would do harm at the lower end of what KH may be."""
    if case.kh_low is None or not steps:
        return None
    known = _aftermath(case.tank, case.source, steps[0].fraction, case.kh_low)
    return dataclasses.replace(steps[0], aftermath=known) if known is not None and _worse(case, known) else None


# ---------------------------------------------------------------------- hardening


def _rise(case: Case) -> float:
    return max(0.0, case.limits.kh_low + KH_ABOVE - (case.tank.kh or 0.0))


def _with_soda(made: Remedy, case: Case) -> Remedy:
    """The remedy and the bicarbonate that brings KH back after it, where that is too low."""
    if case.tank.kh is None or case.tank.kh >= case.limits.kh_low:
        return made
    rise = _rise(case)
    return dataclasses.replace(
        made,
        rise_dh=rise,
        soda_g=remedies.bicarbonate_g(rise, case.litres),
        potash_g=remedies.bicarbonate_g(rise, case.litres, potassium=True),
        soda_days=math.ceil(rise / KH_STEP - 1e-9),
    )


def _harden(case: Case) -> Remedy:
    """Carbonate hardness is too low and nothing else: tap water where it is hard enough, bicarbonate where it is not.

    Any ammonia comes first: hardness raises the pH, and with it the poisonous share.
    """
    sour, missing = case.acidity(), () if case.tank.ammonia is not None else ("ammonia",)
    if sour is not None and sour.ammonia:
        raised = aftermath.after_bicarbonate(sour, _rise(case))
        if _worse(case, raised):
            harm = Step(fraction=0.0, litres=0.0, after=case.tank, aftermath=raised)
            return dataclasses.replace(_matched(case, ("ammonia",), harm, URGENT_HOURS), harm_soda=True)
    goal, kh, tap = case.limits.kh_low + KH_ABOVE, case.tank.kh or 0.0, case.source.kh
    share = (goal - kh) / (tap - kh) if tap is not None and tap > goal else math.inf
    if share > URGENT_CAP:
        return _with_soda(Remedy(kind="bicarbonate", missing=missing), case)
    for number in range(1, MOST_STEPS + 1):
        fraction = 1.0 - (1.0 - share) ** (1.0 / number)
        steps = tuple(_carry_out(case, case.source, fraction, number))
        phs = [case.tank.ph, *(s.after.ph for s in steps)]
        jumps = [b - a for a, b in pairwise(phs) if a is not None and b is not None]
        if fraction <= DAILY_CAP and max(jumps, default=0.0) <= PH_STEP:
            break
    return Remedy(kind="change", steps=steps, missing=missing)
