"""Ammonia, nitrite, carbonate and total hardness: what the tests say, at the probes' present pH and temperature.

Owns the findings `ammonia_high`, `nitrite_high`, `chlorine_high`, `alkalinity_low` and `hardness_high`.  Never decides
when to test, and leaves it to `plan` and `advice` what is to be done to the water.
The answer depends on the facts alone, never on the order in which they arrived.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from rushlight.alarms.evidence import WaterTestEvidence
from rushlight.alarms.finding import Finding, Says
from rushlight.effects import Estimate
from rushlight.entry.kitunits import kit_for
from rushlight.events import Dose, TankEvent, Test, TopOff, WaterChange
from rushlight.localtime import DAY_S
from rushlight.localunits import METRIC, Units
from rushlight.science.chemistry import ammonia, hardness
from rushlight.science.chemistry.remedies import CHLORINE_ACUTE, nitrite_limit
from rushlight.science.inference.interval import strip_span
from rushlight.science.measuring.units import read_reported
from rushlight.settings import Kit, Substance, Tank
from rushlight.tank.kits.reading import READING_ERROR
from rushlight.tank.water import minerals
from rushlight.tank.water.degrees import Hardness, band, evidence_of, hardness_of
from rushlight.tank.water.minerals import MineralFact

KEEP_DAYS = 400.0
FRESH_TEST_DAYS = 14.0
"""An ammonia or nitrite test older than this raises nothing new and clears nothing (own choice)."""
ASSUMED_PH, ASSUMED_C = 7.5, 25.0
"""Where neither probe nor recent test tells; the message says so (own choice)."""
CLEARS_AT = 0.8
"""Share of the limit at which ammonia and nitrite clear (own choice)."""
MARGIN_DH = {"kh": 0.5, "gh": 1.0}  # own choice
SURE, UNSURE = 0.9, 0.5
"""Probability of being past a hardness limit, now or within four weeks, at which its alarm is raised, and cleared (own
choice)."""
UNTESTED_CLEAR = 0.3
"""The chance at which the call for a first test of carbonate hardness is taken back (own choice)."""
UNTESTED_S = 14 * DAY_S
"""So long a new keeper's own tests may take before hardness is asked for (own choice)."""
READING_FLOOR_DH = 0.3  # own choice
EPA_PH = (6.5, 9.0)
"""The pH that the criterion's tables are printed for (from memory)."""


@dataclass(slots=True, kw_only=True)
class Tested:
    """One test's value of ammonia, nitrite or pH, in the canonical unit; bound '<' or '>' at the end of a range."""

    at_s: float
    id: str
    value: float
    bound: str = ""

    def key(self) -> tuple[float, str]:
        """Order by time, then id."""
        return (self.at_s, self.id)


@dataclass(slots=True)
class ChemistryState:
    """What has been tested and done."""

    tested: dict[str, list[Tested]] = field(default_factory=dict)
    """Substance -> values, oldest first."""
    facts: dict[str, list[MineralFact]] = field(default_factory=dict)
    """kh and gh -> facts, oldest first."""
    begun_s: float | None = None
    """When this tank was first heard of; a hardness that was never tested is worked out from then on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChemistryReport:
    """Water chemistry at one moment; None is 'not known'."""

    total_ammonia: float | None = None
    """mg/L, as the test gave it."""
    un_ionised: float | None = None
    """mg/L as NH3.  In ordinary tap water 5 to 10 % too high: the equation knows no salts."""
    un_ionised_percent: float | None = None
    ph: float = ASSUMED_PH
    temp_c: float = ASSUMED_C
    ph_assumed: bool = True
    temp_assumed: bool = True
    ammonia_n_mg_l: float | None = None
    """Total ammonia as nitrogen."""
    chronic_mg_n_l: float | None = None
    acute_mg_n_l: float | None = None
    """US EPA's criteria of 2013 without salmonids at this pH and temperature, mg/L of nitrogen."""
    extrapolated: bool = False
    """The pH lies outside the criterion's printed tables."""
    ammonia_share: float | None = None
    """How much of its limit ammonia has reached: the worse of NH3 against the keeper's and the total against the
    chronic criterion."""
    ammonia_fresh: bool = False
    nitrite_fresh: bool = False
    chlorine_fresh: bool = False
    """Whether the test is recent enough to act on."""
    nitrite: float | None = None
    nitrite_limit: float | None = None
    """mg/L as NO2: the keeper's, or the lower one that holds at so little chloride."""
    chloride: float | None = None
    chlorine: float | None = None
    kh: Hardness | None = None
    gh: Hardness | None = None
    kh_doubted: float | None = None
    """What the last test of carbonate hardness read, °dH, where that was far too low to be believed of one test."""


class ChemistryWatch:
    """Settings of one tank's chemistry; what it remembers is in a `ChemistryState`."""

    def __init__(self, tank: Tank, kits: Sequence[Kit], units: Units = METRIC) -> None:
        self.tank, self._units = tank, units
        self.kits = tuple(kits)
        started = tank.started
        self._started_s = None if started is None else dt.datetime.combine(started, dt.time(), dt.UTC).timestamp()

    def initial(self) -> ChemistryState:
        """Nothing known yet."""
        return ChemistryState()

    # -- facts ---------------------------------------------------------------------------------------------

    def on_fact(self, state: ChemistryState, event: TankEvent) -> None:
        """A manual entry, possibly late; one with a known id replaces the old one.

        Raises:
            ValueError: a test's value or unit cannot be understood; nothing has been changed then.
        """
        tested = self._tested(event) if isinstance(event, Test) else {}
        found = {name: self._mineral(event, name) for name in ("kh", "gh")}
        self.void(state, event.id)
        self.heard(state, event.at_s)
        for substance, value in tested.items():
            values = sorted([*state.tested.get(substance, []), value], key=Tested.key)
            state.tested[substance] = [t for t in values if t.at_s > values[-1].at_s - KEEP_DAYS * DAY_S]
        for name, fact in found.items():
            if fact is not None:
                facts = sorted([*state.facts.get(name, []), fact], key=MineralFact.key)
                state.facts[name] = [f for f in facts if f.at_s > facts[-1].at_s - KEEP_DAYS * DAY_S]

    def heard(self, state: ChemistryState, at_s: float) -> None:
        """The tank is known of since `at_s`, if not longer."""
        if state.begun_s is None or at_s < state.begun_s:
            state.begun_s = at_s

    def void(self, state: ChemistryState, event_id: str) -> None:
        """That entry never was."""
        if not event_id:
            return
        for tests in state.tested.values():
            tests[:] = [t for t in tests if t.id != event_id]
        for facts in state.facts.values():
            facts[:] = [f for f in facts if f.id != event_id]

    def _tested(self, event: Test) -> dict[str, Tested]:
        out: dict[str, Tested] = {}
        names: tuple[Substance, ...] = ("ammonia", "nitrite", "ph", "chlorine", "chloride")
        for name in names:
            if name in event.values:
                amount = read_reported(name, event.values[name], event.units.get(name, ""))
                out[name] = Tested(at_s=event.at_s, id=event.id, value=amount.value, bound=amount.bound)
        return out

    def _mineral(self, event: TankEvent, name: Substance) -> MineralFact | None:
        """What the entry says about one hardness; None if nothing."""
        litres, at_s, own = self.tank.litres, event.at_s, event.id
        match event:
            case Test() if name in event.values:
                return self._hardness_test(event, name)
            case WaterChange():
                fraction = event.fraction if event.fraction is not None else (event.litres or 0.0) / litres
                source = event.source.get(name, self.tank.source_water.get(name))
                return MineralFact(at_s=at_s, id=own, kind="change", amount=min(1.0, fraction), source=source)
            case TopOff():
                source = event.source.get(name, self.tank.source_water.get(name))
                if source is None:
                    return None
                rise = hardness.top_off_rise(source, event.litres, litres)
                return MineralFact(at_s=at_s, id=own, kind="rise", amount=rise, regular=True)
            case Dose():
                mg_caco3 = event.kh_mg_caco3 if name == "kh" else event.gh_mg_caco3
                rise = hardness.dose_rise(mg_caco3, litres)
                return MineralFact(at_s=at_s, id=own, kind="rise", amount=rise) if rise else None
        return None

    def _hardness_test(self, event: Test, name: Substance) -> MineralFact:
        """A pad stands for the interval around it, taken as its middle with the interval's own deviation."""
        amount = read_reported(name, event.values[name], event.units.get(name, ""))
        kit = kit_for(event, self.tank, self.kits)
        error = kit.error_percent / 100.0 if kit and kit.error_percent else READING_ERROR[event.method]
        pads = kit.pads.get(name, ()) if kit and event.method == "strip" else ()
        value, width = amount.value, 0.0
        if amount.bound == "<":
            value, width = amount.value / 2.0, amount.value
        elif amount.bound == ">":
            value, width = 1.25 * amount.value, 0.5 * amount.value
        elif pads:
            span = strip_span(amount.value, pads)
            high = 1.3 * amount.value if span.high is None else span.high
            value, width = (span.low + high) / 2.0, high - span.low
        sd = math.sqrt((error * value) ** 2 + READING_FLOOR_DH**2 + width**2 / 12.0)
        return MineralFact(at_s=event.at_s, id=event.id, kind="test", amount=value, sd=sd)

    # -- answers -------------------------------------------------------------------------------------------

    def report(
        self,
        state: ChemistryState,
        at_s: float,
        ph: float | None,
        temp_c: float | None,
        supply_rate: Estimate | None = None,
        net_rate: Estimate | None = None,
    ) -> ChemistryReport:
        """Everything at `at_s`: pH and temperature (°C) as the probes have them, rates in mg/L as NO3 per day."""
        used_ph, ph_assumed = self._ph(state, at_s, ph)
        used_c = ASSUMED_C if temp_c is None else temp_c
        total = _latest(state.tested.get("ammonia", ()), at_s)
        nitrite, chlorine = (_latest(state.tested.get(name, ()), at_s) for name in ("nitrite", "chlorine"))
        chloride = self._chloride(state, at_s)
        share = ammonia.un_ionised_share(used_ph, used_c)
        spent = kh_rate(supply_rate, net_rate)
        as_n = None if total is None else ammonia.as_nitrogen(_middle(total))
        chronic = ammonia.chronic_criterion(used_ph, used_c)
        known = None if total is None else ammonia.un_ionised(_middle(total), used_ph, used_c)
        limits = self.tank.limits
        return ChemistryReport(
            ammonia_fresh=_fresh(total, at_s),
            nitrite_fresh=_fresh(nitrite, at_s),
            chlorine_fresh=_fresh(chlorine, at_s),
            ammonia_n_mg_l=as_n,
            chronic_mg_n_l=chronic,
            acute_mg_n_l=ammonia.acute_criterion(used_ph, used_c, salmonids=False),
            extrapolated=not EPA_PH[0] <= used_ph <= EPA_PH[1],
            ammonia_share=None if known is None or as_n is None else max(known / limits.ammonia, as_n / chronic),
            nitrite_limit=limits.nitrite if chloride is None else min(limits.nitrite, nitrite_limit(chloride)),
            chloride=chloride,
            chlorine=None if chlorine is None else 0.0 if chlorine.bound == "<" else chlorine.value,
            total_ammonia=None if total is None else _middle(total),
            un_ionised=known,
            un_ionised_percent=None if total is None else 100.0 * share,
            ph=used_ph,
            temp_c=used_c,
            ph_assumed=ph_assumed,
            temp_assumed=temp_c is None,
            nitrite=None if nitrite is None else _middle(nitrite),
            kh=self._kh(state, at_s, spent if net_rate is not None else kh_rate_untested(supply_rate)),
            kh_doubted=self.kh_doubted(state, at_s),
            gh=hardness_of(state.facts.get("gh", ()), at_s, 0.0, self.tank.limits.gh_high, falling=False),
        )

    def findings(
        self,
        state: ChemistryState,
        at_s: float,
        ph: float | None,
        temp_c: float | None,
        supply_rate: Estimate | None = None,
        net_rate: Estimate | None = None,
    ) -> list[Finding]:
        """The word on each of the four alarms; arguments as `report`."""
        told = self.report(state, at_s, ph, temp_c, supply_rate, net_rate)
        found = [
            *self._ammonia(state, at_s, told),
            *self._nitrite(state, at_s, told),
            self._chlorine(state, at_s, told),
        ]
        found.append(
            self._never_tested("alkalinity_low") if told.kh is None else self._alkalinity(state, at_s, told.kh)
        )
        found.append(self._never_tested("hardness_high") if told.gh is None else self._hard(told.gh))
        return found

    def _never_tested(self, alarm: str) -> Finding:
        """Where no test is known, the alarm can only stand on one that was taken back."""
        return Finding(alarm=alarm, tank=self.tank.id, says="clear")

    def _ph(self, state: ChemistryState, at_s: float, probe: float | None) -> tuple[float, bool]:
        if probe is not None:
            return probe, False
        tested = _latest(state.tested.get("ph", ()), at_s)
        if tested is not None and at_s - tested.at_s <= FRESH_TEST_DAYS * DAY_S:
            return tested.value, False
        return ASSUMED_PH, True

    def _ammonia(self, state: ChemistryState, at_s: float, told: ChemistryReport) -> list[Finding]:
        test = _latest(state.tested.get("ammonia", ()), at_s)
        if test is None or told.un_ionised is None or told.total_ammonia is None:
            return [self._never_tested("ammonia_high")]
        limit = self.tank.limits.ammonia
        share = told.ammonia_share or 0.0
        says = _level_says(share, 1.0, at_s - test.at_s)
        assumed = [w for w, is_so in (("pH", told.ph_assumed), ("temperature", told.temp_assumed)) if is_so]
        more_than = "more than " if test.bound == ">" else ""
        units = self._units
        water = f"at pH {told.ph:.1f} and {units.say(told.temp_c, '°C', '.0f')}"
        total = f"{more_than}{units.say(told.total_ammonia, 'mg/L as NH4', 'g')}"
        water += f", {' and '.join(assumed)} assumed," if assumed else ""
        as_n, chronic = told.ammonia_n_mg_l or 0.0, told.chronic_mg_n_l or math.inf
        if as_n / chronic > told.un_ionised / limit:
            far = f", extrapolated beyond pH {EPA_PH[0]:g} to {EPA_PH[1]:g}" if told.extrapolated else ""
            sentence = (
                f"total ammonia {total} {water} is {as_n / chronic:.1f} times what fish bear for weeks "
                f"(US EPA 2013{far})"
            )
        else:
            value, passed = units.beside(told.un_ionised, limit, "mg/L as NH3", ".2g")
            sentence = (
                f"un-ionised ammonia {more_than}about {value} {units.word('mg/L as NH3')} against a "
                f"limit of {passed} (total {total.removeprefix(more_than)} {water.rstrip(',')}; salts in the water "
                "make it 5–10 % less)"
            )
        evidence = WaterTestEvidence(
            quantity="ammonia",
            value=told.un_ionised,
            unit="mg/L as NH3",
            limit=limit,
            total_mg_l=told.total_ammonia,
            total_mg_n_l=round(as_n, 3),
            ph=told.ph,
            temp_c=told.temp_c,
            tested_at_s=test.at_s,
            epa_chronic_mg_n_l=round(chronic, 2),
            epa_acute_mg_n_l=round(told.acute_mg_n_l or 0.0, 1),
            epa_extrapolated=told.extrapolated,
            share_of_limit=round(share, 3),
            sentence=sentence,
        )
        return [Finding(alarm="ammonia_high", tank=self.tank.id, says=says, tested_s=test.at_s, evidence=evidence)]

    def _nitrite(self, state: ChemistryState, at_s: float, told: ChemistryReport) -> list[Finding]:
        test = _latest(state.tested.get("nitrite", ()), at_s)
        if test is None or told.nitrite is None:
            return [self._never_tested("nitrite_high")]
        limit = told.nitrite_limit or self.tank.limits.nitrite
        evidence = WaterTestEvidence(
            quantity="nitrite",
            value=told.nitrite,
            unit="mg/L as NO2",
            limit=round(limit, 3),
            chloride_mg_l=told.chloride,
            tested_at_s=test.at_s,
        )
        says = _level_says(told.nitrite, limit, at_s - test.at_s)
        return [Finding(alarm="nitrite_high", tank=self.tank.id, says=says, tested_s=test.at_s, evidence=evidence)]

    def _chlorine(self, state: ChemistryState, at_s: float, told: ChemistryReport) -> Finding:
        """Any colour on the pad is more than fish bear: no kit shows as little as the criterion."""
        test = _latest(state.tested.get("chlorine", ()), at_s)
        if test is None or told.chlorine is None:
            return self._never_tested("chlorine_high")
        limit = self.tank.limits.chlorine
        level = self._units.say(told.chlorine, "mg/L", "g")
        times = f", {told.chlorine / limit:.0f} times what fish bear for an hour (US EPA 1984)"
        evidence = WaterTestEvidence(
            quantity="chlorine",
            value=told.chlorine,
            unit="mg/L",
            limit=limit,
            tested_at_s=test.at_s,
            sentence=f"chlorine {level}{times if limit == CHLORINE_ACUTE else ''}",
        )
        says = _level_says(told.chlorine, limit, at_s - test.at_s)
        return Finding(alarm="chlorine_high", tank=self.tank.id, says=says, tested_s=test.at_s, evidence=evidence)

    def _chloride(self, state: ChemistryState, at_s: float) -> float | None:
        """The last test's, else the source water's: nothing in a tank takes chloride up."""
        tested = _latest(state.tested.get("chloride", ()), at_s)
        return self.tank.source_water.get("chloride") if tested is None else tested.value

    def _kh(self, state: ChemistryState, at_s: float, spent: float) -> Hardness | None:
        facts, limit = state.facts.get("kh", ()), self.tank.limits.kh_low
        source, prior = self.tank.source_water.get("kh"), None
        if source is not None and state.begun_s is not None:
            prior = minerals.untested(source, -spent, state.begun_s, self._started_s)
        return hardness_of(facts, at_s, spent, limit, falling=True, prior=prior)

    def kh_doubted(self, state: ChemistryState, at_s: float) -> float | None:
        """What the last test of carbonate hardness read, °dH, where it is below the limit and did not carry the day.

        One strip may be a pad off; a hardness that is gone kills all the same, so it is to be tested again.
        """
        belief = minerals.believe(state.facts.get("kh", ()), at_s, 0.0)
        read = None if belief is None or belief.doubted >= 0 else belief.doubted_dh
        return read if read is not None and read < self.tank.limits.kh_low else None

    def _alkalinity(self, state: ChemistryState, at_s: float, kh: Hardness) -> Finding:
        limit = self.tank.limits.kh_low
        if kh.tests == 0:
            return self._forecast(kh, limit, patient=at_s - (state.begun_s or at_s) < UNTESTED_S)
        return self._mineral_finding("alkalinity_low", kh, limit, "carbonate hardness", "falling")

    def _hard(self, gh: Hardness) -> Finding:
        return self._mineral_finding("hardness_high", gh, self.tank.limits.gh_high, "total hardness", "rising")

    def _forecast(self, kh: Hardness, limit: float, *, patient: bool) -> Finding:
        """Before any test: once it is likelier than not that it runs out within four weeks, a test is asked for."""
        chance = max(kh.chance_now, kh.chance_in_four_weeks)
        says: Says = "clear" if chance < UNTESTED_CLEAR else "hold" if patient or chance <= UNSURE else "raise"
        sentence = f"carbonate hardness was never tested; by source water, feed and changes {band(kh, self._units)}"
        if kh.rate < 0 and kh.days_to_limit is not None:
            when = f"in about {kh.days_to_limit:.0f} days" if kh.days_to_limit >= 1 else "by now"
            sentence += f", falling by {-kh.rate:.2g} a day, at its limit of {limit:g} {when}"
        evidence = evidence_of(kh, "carbonate hardness", limit, sentence)
        evidence = replace(evidence, action_sentence="Test KH: nobody has yet, and the pH hangs on it", asks=("kh",))
        return Finding(alarm="alkalinity_low", tank=self.tank.id, says=says, evidence=evidence)

    def _mineral_finding(self, alarm: str, told: Hardness, limit: float, name: str, way: str) -> Finding:
        worst = max(told.chance_now, told.chance_in_four_weeks)
        says: Says = "raise" if worst > SURE else "clear" if worst < UNSURE else "hold"
        sentence = f"{name} {band(told, self._units)}"
        if told.chance_now > SURE:
            sentence += f", past its limit of {limit:g}"
        elif told.days_to_limit is not None:
            days = round(told.days_to_limit)
            when = "any day now" if days < 1 else "in about a day" if days == 1 else f"in about {days} days"
            sentence += f" and {way}, at its limit of {limit:g} {when}"
        evidence = evidence_of(told, name, limit, sentence)
        return Finding(alarm=alarm, tank=self.tank.id, says=says, evidence=evidence)


def kh_rate(supply_rate: Estimate | None, net_rate: Estimate | None) -> float:
    """°dH per day that nitrification, net of uptake, adds (mostly negative); 0 where the rates are not known."""
    if supply_rate is None or net_rate is None:
        return 0.0
    return hardness.kh_rate(supply_rate.mean, max(0.0, supply_rate.mean - net_rate.mean))


def kh_rate_untested(supply_rate: Estimate | None) -> float:
    """The same while no nitrate test tells what plants take up: halfway between none and all of it; 0 without feed."""
    return 0.0 if supply_rate is None else hardness.kh_rate(supply_rate.mean, 0.5 * supply_rate.mean)


def _latest(tested: Sequence[Tested], at_s: float) -> Tested | None:
    for value in reversed(tested):
        if value.at_s <= at_s:
            return value
    return None


def _fresh(test: Tested | None, at_s: float) -> bool:
    return test is not None and at_s - test.at_s <= FRESH_TEST_DAYS * DAY_S


def _middle(test: Tested) -> float:
    """A test's value; below a kit's range, half of where it begins."""
    return test.value / 2.0 if test.bound == "<" else test.value


def _level_says(value: float, limit: float, age_s: float) -> Says:
    if age_s > FRESH_TEST_DAYS * DAY_S:
        return "hold"
    return "raise" if value > limit else "clear" if value <= CLEARS_AT * limit else "hold"
