"""One tank: its watches put together, and what they say about it.

Owns the order in which the watches hear of things.  Each watch keeps its own state and knows none of the others;
what one needs from another is handed over here.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from statistics import median_high

from rushlight.alarms.evidence import Evidence, LateTest
from rushlight.alarms.finding import Finding
from rushlight.alarms.table import TABLE
from rushlight.config.implied import alike, carrier
from rushlight.core import leaves
from rushlight.effects import Daily, DueChange, Effect, Estimate
from rushlight.events import Dose, Harvest, KitCheck, LampWork, LightSpot, Pack, TankEvent, Test, WaterChange
from rushlight.localtime import DAY_S
from rushlight.localunits import Units
from rushlight.settings import Config, Tank
from rushlight.tank.growth import outgrown
from rushlight.tank.growth.watch import GrowthState, GrowthWatch
from rushlight.tank.kits import next_kind
from rushlight.tank.kits.choice import Option
from rushlight.tank.kits.next_kind import NextKind
from rushlight.tank.kits.said import Said
from rushlight.tank.kits.watch import KitsState, KitsWatch
from rushlight.tank.light.watch import LightState, LightWatch
from rushlight.tank.nitrate import causes, explanation, light_meaning
from rushlight.tank.nitrate.report import NitrateReport
from rushlight.tank.nitrate.watch import NitrateState, NitrateWatch
from rushlight.tank.probes.agreement import AgreementState, AgreementWatch
from rushlight.tank.probes.drifts import DriftsState, DriftsWatch
from rushlight.tank.probes.limits import LimitsState, LimitsWatch
from rushlight.tank.routine.next_test import RoutineState, RoutineWatch
from rushlight.tank.routine.supplies import SuppliesState, SuppliesWatch
from rushlight.tank.water import advice
from rushlight.tank.water import plan as planner
from rushlight.tank.water.case import case_of
from rushlight.tank.water.chemistry import ChemistryReport, ChemistryState, ChemistryWatch
from rushlight.tank.water.seen import SeenState, SeenWatch

GOOD = 1
AT_HAND_DAYS = 1.0
"""A test that is due within so many days is as good as due (own choice)."""
FRESH_S = 6 * 3600.0
"""A probe's value older than this no longer says what the water is like (own choice)."""


FEW_TESTS = 3  # own choice
FAR_OUT, FAR_OUT_MG_L = 1.5, 5.0
"""A reading fits nothing when its interval begins this far beyond the end of the estimate's (own choice: a strip beside
the neighbouring pad is never that far out)."""
_ASK_FOR_CHANGE = {
    "ammonia_high": ("ammonia", "ammonia"),
    "nitrite_high": ("nitrite", "nitrite"),
    "nitrate_high": ("nitrate", "nitrate"),
    "alkalinity_low": ("kh", "KH"),
}
"""Alarms of a test whose first action is a change of water."""


@dataclass(slots=True)
class TankState:
    """All that is remembered of one tank."""

    light: LightState
    nitrate: NitrateState
    chemistry: ChemistryState
    routine: RoutineState
    supplies: SuppliesState
    limits: LimitsState
    drifts: DriftsState
    agreement: AgreementState
    kits: KitsState
    seen: SeenState
    growth: GrowthState
    latest: dict[str, tuple[float, float]] = field(default_factory=dict)
    """The last good value of each probe, in its quantity's canonical unit, and when it was taken."""
    warm_sum: float = 0.0
    warm_n: int = 0
    """The day's good temperatures so far, °C, over all of the tank's probes."""
    due_at_s: float | None = None
    due_reason: str = ""
    disturbed_s: list[float] = field(default_factory=list)
    """When the water was last changed or dosed: electrodes may jump together then."""
    last_said: tuple[float, float, float] | None = None
    """When nitrate was last tested, and the central 90 % of what that test alone said, mg/L."""
    changed: list[tuple[float, str]] = field(default_factory=list)
    """When the water was last changed, and by which entry."""
    tests: list[Test] = field(default_factory=list)
    """The last few, newest last, for people to look at."""


def _kit_id(tank: Tank, config: Config) -> str:
    return tank.testing.kit or config.kit[0].id


class TankCore:
    """One tank's watches."""

    def __init__(self, tank: Tank, config: Config) -> None:
        self.tank = tank
        probes = [p for p in config.probe if p.tank == tank.id]
        self._of = {q: [p.id for p in probes if p.quantity == q] for q in {str(p.quantity) for p in probes}}
        light, electrode = (carrier(alike(config, tank.id, q)) for q in ("light", "nitrate"))
        self._carriers = {p.id for p in (light, electrode) if p is not None}
        self.light = LightWatch(tank, config.site, light)
        site, self.units = config.site, Units(config.site.units)
        units = self.units
        self.nitrate = NitrateWatch(tank, config.kit, site.timezone, electrode is not None, site.latitude, units)
        self.chemistry = ChemistryWatch(tank, config.kit, units)
        quiet = (config.contacts.quiet_from, config.contacts.quiet_until)
        self.routine = RoutineWatch(tank, config.kit, site.timezone, quiet, units)
        self.supplies = SuppliesWatch(tank, config.kit)
        self.limits = LimitsWatch(tank, probes)
        self.drifts = DriftsWatch(tank, probes, units)
        self.agreement = AgreementWatch(tank.id, probes, units)
        self.kits = KitsWatch(tank, config.kit, units)
        kit = _kit_id(tank, config)
        self._checks_take_strips = next(t.id for t in config.tank if _kit_id(t, config) == kit) == tank.id
        self.seen = SeenWatch(tank, config.kit)
        self.growth = GrowthWatch(tank, config.site.timezone)

    def initial(self) -> TankState:
        """Nothing known yet."""
        return TankState(
            light=self.light.initial(),
            nitrate=self.nitrate.initial(),
            chemistry=self.chemistry.initial(),
            routine=self.routine.initial(),
            supplies=self.supplies.initial(),
            limits=self.limits.initial(),
            drifts=self.drifts.initial(),
            agreement=self.agreement.initial(),
            kits=self.kits.initial(),
            seen=self.seen.initial(),
            growth=self.growth.initial(),
        )

    def on_value(
        self, state: TankState, at_s: float, probe: str, quantity: str, value: float | None, flag: int
    ) -> Sequence[Finding]:
        """One reading, calibrated and flagged; only good and unjudged ones say anything about the water.

        Dose and nitrate estimate have one probe each; the tank's others of that quantity never touch them.
        """
        if quantity == "light" and probe in self._carriers:
            self.light.on_reading(state.light, at_s, value, flag)
        if value is None or flag != GOOD:
            return ()
        state.latest[probe] = (value, at_s)
        if quantity == "temperature":
            state.warm_sum, state.warm_n = state.warm_sum + value, state.warm_n + 1
        if quantity == "nitrate" and probe in self._carriers:
            self.nitrate.on_electrode(state.nitrate, at_s, value)
        found = self.limits.on_value(state.limits, at_s, probe, value)
        if probe in state.drifts.courses:
            found = self.drifts.on_value(state.drifts, at_s, probe, value)
        if probe in state.agreement.means:
            found = [*found, *self.agreement.on_value(state.agreement, at_s, probe, value)]
        return found

    def on_calibration(self, state: TankState, probe: str, at_s: float, event_id: str) -> None:
        """One of the tank's probes was calibrated."""
        if probe in self._carriers and probe in self._of.get("nitrate", ()):
            self.nitrate.on_calibration(state.nitrate, at_s, event_id)

    def on_fact(self, state: TankState, event: TankEvent) -> None:
        """Something a person did or saw, possibly late, possibly a second version of it."""
        misfit = False
        self.kits.on_fact(state.kits, event)
        self.supplies.on_fact(state.supplies, event)
        if isinstance(event, Test):
            said = self.kits.of(state.kits, event.id)
            nitrate = next((told for seen, told in said if seen.substance == "nitrate"), None)
            misfit = nitrate is not None and self._fits_nothing(state, event.at_s, nitrate)
            self.nitrate.on_test(state.nitrate, event, nitrate)
            event = self.kits.as_read(state.kits, event)
        else:
            self.nitrate.on_fact(state.nitrate, event)
        if isinstance(event, Pack):
            self._read_anew(state)
        self.chemistry.on_fact(state.chemistry, event)
        self.routine.on_fact(state.routine, event)
        self.seen.on_fact(state.seen, event)
        self._ask_again(state, event, misfit=misfit)
        self.drifts.on_fact(state.drifts, event)
        if (slowed := self.growth.on_fact(state.growth, event)) is not None:
            self.nitrate.on_growth(state.nitrate, *slowed)
        if isinstance(event, LightSpot):
            leaves.note_spot(self.light, state.light, state.growth, event)
        if isinstance(event, LampWork):
            self.light.on_lamp(state.light, event)
        if isinstance(event, Harvest):
            self.light.on_harvest(state.light, event)
        if isinstance(event, WaterChange):
            others = [c for c in state.changed if c[1] != event.id]
            state.changed = sorted([*others, (event.at_s, event.id)])[-20:]
        if isinstance(event, WaterChange | Dose):
            state.disturbed_s = [*state.disturbed_s, event.at_s][-20:]
        if isinstance(event, Test):
            kept = [t for t in state.tests if t.id != event.id] + [event]
            state.tests = sorted(kept, key=lambda t: (t.at_s, t.id))[-12:]

    def _ask_again(self, state: TankState, event: TankEvent, *, misfit: bool) -> None:
        """Where one reading is not believed, it is asked for again at once."""
        if misfit:
            self.routine.on_misfit(state.routine, event.at_s, event.id)
        hardness = isinstance(event, Test) and "kh" in event.values
        if hardness and self.chemistry.kh_doubted(state.chemistry, event.at_s) is not None:
            self.routine.on_misfit(state.routine, event.at_s, event.id, "kh")

    def on_check(self, state: TankState, event: KitCheck) -> None:
        """A kit was dipped in known solutions: what its pack has read says something else from now on."""
        self.kits.on_check(state.kits, event)
        if self._checks_take_strips:
            self.supplies.on_check(state.supplies, event)
        self._read_anew(state)

    def _read_anew(self, state: TankState) -> None:
        self.nitrate.read_anew(state.nitrate, self.kits.all_said(state.kits, "nitrate"))

    def _fits_nothing(self, state: TankState, at_s: float, said: Said) -> bool:
        """Whether a reading lies far outside what was believed, and is not the second that says the same.

        Compared are central 90 % intervals: of the estimate before the test, and of what this test alone says.
        """
        before = self.nitrate.report(state.nitrate, at_s)
        told, last = said.estimate(), state.last_said
        if last is not None and at_s < last[0]:
            return False
        state.last_said = (at_s, told.low, told.high)
        if before.nitrate is None or before.n_tests < FEW_TESTS:
            return False
        if last is not None and told.low <= last[2] and last[1] <= told.high:
            return False
        above = told.low > FAR_OUT * before.nitrate.high + FAR_OUT_MG_L
        return above or told.high * FAR_OUT + FAR_OUT_MG_L < before.nitrate.low

    def void(self, state: TankState, event_id: str) -> None:
        """That event never was."""
        checked = self.kits.void(state.kits, event_id)
        self.nitrate.void(state.nitrate, event_id)
        self.chemistry.void(state.chemistry, event_id)
        self.routine.void(state.routine, event_id)
        self.seen.void(state.seen, event_id)
        self.supplies.void(state.supplies, event_id)
        self.light.void(state.light, event_id)
        self.growth.void(state.growth, event_id)
        state.tests = [t for t in state.tests if t.id != event_id]
        state.changed = [c for c in state.changed if c[1] != event_id]
        if checked:
            self._read_anew(state)

    def close_day(self, state: TankState, date: str, from_s: float, to_s: float) -> Daily:
        """Local midnight: the day's light is added up, the estimate carried on, and both told."""
        day = self.light.close_day(state.light, date, from_s, to_s)
        water_c = state.warm_sum / state.warm_n if state.warm_n else None
        state.warm_sum, state.warm_n = 0.0, 0
        self.nitrate.close_day(state.nitrate, day, date, to_s, water_c)
        self.chemistry.heard(state.chemistry, from_s)
        well = day.coverage is not None and day.coverage >= leaves.WELL_COVERED
        self.growth.note_day(state.growth, to_s, day.dose_mol if well else None, water_c)
        report = self.nitrate.report(state.nitrate, to_s)
        self.light.light_needed(state.light, report.uptake_rate, report.supply_rate, report.kept_up)
        return Daily(
            at_s=to_s,
            tank=self.tank.id,
            date=date,
            light_dose_mol=day.dose_mol,
            light_coverage=day.coverage,
            lamp_dose_mol=day.lamp_dose_mol,
            lamp_percent=day.lamp_percent,
            nitrate=report.nitrate,
            net_rate=report.net_rate,
            supply_rate=report.supply_rate,
            uptake_rate=report.uptake_rate,
            kept_up=report.kept_up,
            days_to_limit=report.days_to_limit,
            chance_28_days=report.chances[-1] if report.chances else None,
            growth_per_week=self.growth.rate(state.growth, to_s),
        )

    def assess(self, state: TankState, at_s: float, pressing: AbstractSet[str]) -> tuple[list[Finding], list[Effect]]:
        """Everything that does not change with every reading: findings, and the next test's date if it moved.

        `pressing` names the tank's alarms that stand at the moment.
        """
        self.nitrate.name_cause(state.nitrate, at_s)
        report = self.nitrate.report(state.nitrate, at_s)
        found = self.light.findings(state.light, at_s)
        found += self._nitrate(state, at_s, report, pressing)
        found += self._growth(state, at_s)
        found += self._water(state, at_s, report)
        found += self.supplies.findings(state.supplies, at_s)
        effects = self.date_test(state, at_s, pressing)
        found += self._late(state, at_s)
        return found, effects

    def date_test(self, state: TankState, at_s: float, pressing: AbstractSet[str]) -> list[Effect]:
        """The next test's date if it moved; `pressing` names the tank's alarms that stand at this moment."""
        report = self.nitrate.report(state.nitrate, at_s)
        due_at_s, reason = self.routine.due(
            state.routine,
            at_s,
            report.chance_within,
            pressing,
            surprised=report.asks_again,
            unproven=self._unproven(state, at_s, report, pressing),
        )
        state.due_reason = reason
        if due_at_s == state.due_at_s:
            return []
        state.due_at_s = due_at_s
        kind = self.next_kind(state, at_s, report)
        told = reason if kind is None else f"{reason}. {kind.sentence}"
        return [DueChange(at_s=at_s, tank=self.tank.id, due_at_s=due_at_s, reason=told)]

    def _unproven(self, state: TankState, at_s: float, report: NitrateReport, standing: AbstractSet[str]) -> bool:
        """Whether a standing alarm asks for nitrate to be tested again, as one test is all that it rests on."""
        if not standing & explanation.AGAIN_IF_ONE:
            return False
        return explanation.because(self._evidence(state, at_s, report, standing)).cause == "one test"

    def next_kind(self, state: TankState, at_s: float, report: NitrateReport) -> NextKind | None:
        """What kind of test the next one had best be, as it will stand on its date; None where there is no date."""
        if state.due_at_s is None:
            return None
        kits, left = self.kits.own_first, self.supplies.left(state.supplies)
        if state.routine.asked_of:
            return next_kind.of_others(state.routine.asked_of, kits, left, self.routine.measures)
        if self.routine.misfit(state.routine, at_s):
            return next_kind.again(kits, left)
        days = max(0.0, (state.due_at_s - at_s) / DAY_S)
        then = self.nitrate.expected(state.nitrate, at_s, days)
        if report.nitrate is None or then is None:
            return next_kind.first(kits, left)
        now, then_best = (self.best_test(state, at_s, report, n) for n in (report.nitrate, then))
        limit = self.units.say(self.tank.limits.nitrate, "mg/L as NO3", "g")
        return next_kind.of_nitrate(now, then_best, limit, kits, left, at_hand=days < AT_HAND_DAYS)

    def best_test(self, state: TankState, at_s: float, report: NitrateReport, nitrate: Estimate) -> Option:
        """What kind of test would tell most while nitrate is believed to be so, and why."""
        left_open = self.routine.left_open(state.routine, at_s, report.chance_within(0.0))
        return self.kits.best_test(state.kits, nitrate, self.supplies.left(state.supplies), left_open=left_open)

    def without_strips(self, state: TankState) -> bool:
        """Whether this tank is tested with strips and none is left."""
        return self.routine.without_strips(self.supplies.left(state.supplies))

    def _late(self, state: TankState, at_s: float) -> list[Finding]:
        return self.routine.findings(state.routine, at_s, self.supplies.left(state.supplies))

    def on_tick(self, state: TankState, at_s: float) -> list[Finding]:
        """What time alone changed: the lamp did not come on, the test is late."""
        found: list[Finding] = []
        if state.light.last_s is not None and state.light.wake_s <= at_s:
            found += self.light.findings(state.light, at_s)
        # These two know only when they are next due, not whether that has just come, so they are always asked.
        found += self._late(state, at_s) + self.supplies.findings(state.supplies, at_s)
        if self.seen.distress(state.seen, at_s) is None:
            found += self.seen.findings(state.seen, at_s)[:1]
        return found

    def _nitrate(
        self, state: TankState, at_s: float, report: NitrateReport, standing: AbstractSet[str]
    ) -> list[Finding]:
        """The nitrate alarms, each with the cause that all of the tank's watches together support."""
        found = self.nitrate.findings(state.nitrate, at_s)
        seen = self._evidence(state, at_s, report, standing)
        grown = leaves.verdict(self.light, state.light, self.growth, state.growth, at_s)
        return [outgrown.join(explanation.explain(f, seen), grown) for f in found]

    def _evidence(
        self, state: TankState, at_s: float, report: NitrateReport, standing: AbstractSet[str]
    ) -> explanation.Evidence:
        """What there is to explain nitrate by."""
        now, lamp = state.nitrate.now, self.light.lamp
        percent = lamp.percent(state.light.lamp) if lamp is not None else None
        # An alarm stands for a while after its matter: what is over by its own watch explains nothing any more.
        over = {f.alarm for f in self.light.present(state.light, at_s) if f.says == "clear"}
        return explanation.Evidence(
            causes=report.causes,
            sentence=report.causes_sentence,
            tests_since_quiet=causes.evidence_tests(state.nitrate.ledger, now) if now is not None else 0,
            standing=standing - over,
            lamp_percent=percent.mean if percent is not None else None,
            rising=report.net_rate is not None and report.net_rate.low > 0.0,
        )

    def _growth(self, state: TankState, at_s: float) -> list[Finding]:
        """The word on growth, and what light at the leaves has to do with it."""
        grown = leaves.verdict(self.light, state.light, self.growth, state.growth, at_s)
        return [outgrown.join(f, grown) for f in self.growth.findings(state.growth, at_s)]

    def present(self, state: TankState, at_s: float, standing: AbstractSet[str]) -> dict[tuple[str, str], Evidence]:
        """What there is to say of each of this tank's alarms at `at_s`, by name and subject; changes nothing."""
        report = self.nitrate.report(state.nitrate, at_s)
        remedy = self.remedy(state, at_s, report)
        dimmer = self.nitrate.light_sentence(state.nitrate, at_s) if "lamp_dimming" in standing else ""
        found = [
            *(light_meaning.join(f, dimmer) for f in self.light.present(state.light, at_s)),
            *self._nitrate(state, at_s, report, standing),
            *(advice.advise(f, remedy, self.units) for f in self._water(state, at_s, report)),
            *self._growth(state, at_s),
            *self.supplies.findings(state.supplies, at_s),
            *(self._by_kind(state, at_s, report, f) for f in self._late(state, at_s)),
        ]
        again = self.next_kind(state, at_s, report) if self.routine.misfit(state.routine, at_s) else None
        if again is not None:
            found = [explanation.repeated(f, again.action, again.deed) for f in found]
        found = [self._as_done(state, at_s, f) for f in found]
        return {
            **{(f.alarm, f.subject): self._by_kits(f.alarm, f.evidence) for f in found},
            **self._of_values(state, at_s),
        }

    def _of_values(self, state: TankState, at_s: float) -> dict[tuple[str, str], Evidence]:
        """What there is to say of what the probes read."""
        told = {
            **self.limits.present(state.limits, state.latest, at_s),
            **self.drifts.present(state.drifts, state.latest, at_s),
            **self.agreement.present(state.agreement, at_s),
        }
        return {k: self._by_kits(k[0], e) for k, e in told.items()}

    def _by_kind(self, state: TankState, at_s: float, report: NitrateReport, finding: Finding) -> Finding:
        """A late test with the kind that it had best be; what is asked of a person says so too."""
        kind, told = self.next_kind(state, at_s, report), finding.evidence
        if kind is None or not isinstance(told, LateTest) or told.action_sentence:
            return finding
        told = dataclasses.replace(
            told, test_kind=kind.kind, action_sentence=kind.action, deed=kind.deed, sitter_sentence=kind.sitter
        )
        return dataclasses.replace(finding, evidence=told)

    def _as_done(self, state: TankState, at_s: float, finding: Finding) -> Finding:
        """Where the water was changed since the last test, another test is asked for and no change."""
        if finding.alarm not in _ASK_FOR_CHANGE or not self._changed_since_test(state, at_s):
            return finding
        substance, name = _ASK_FOR_CHANGE[finding.alarm]
        told = dataclasses.replace(
            finding.evidence,
            action_sentence=f"Test {name}: the water has been changed since the last test.",
            deed=f"Test {name}: water was changed since.",
            asks=(substance,),
        )
        return dataclasses.replace(finding, evidence=told)

    @staticmethod
    def _changed_since_test(state: TankState, at_s: float) -> bool:
        changed_s = max((s for s, _ in state.changed if s <= at_s), default=None)
        tested_s = max((t.at_s for t in state.tests if t.at_s <= at_s), default=None)
        return changed_s is not None and tested_s is not None and changed_s > tested_s

    def _by_kits(self, alarm: str, told: Evidence) -> Evidence:
        """With what it asks to test and no kit here measures."""
        asks = told.asks if told.action_sentence else TABLE[alarm].asks
        cannot = self.cannot(asks)
        return dataclasses.replace(told, cannot=cannot) if cannot else told

    def cannot(self, asked: Sequence[str]) -> tuple[str, ...]:
        """What of these substances no kit here measures."""
        return tuple(s for s in asked if s not in self.seen.measures)

    def _water(self, state: TankState, at_s: float, report: NitrateReport) -> list[Finding]:
        """Chemistry, fish and leaves."""
        ph, temp_c = self.fresh(state, "ph", at_s), self.fresh(state, "temperature", at_s)
        found = self.chemistry.findings(state.chemistry, at_s, ph, temp_c, report.supply_rate, report.net_rate)
        return found + self.seen.findings(state.seen, at_s)

    def remedy(self, state: TankState, at_s: float, report: NitrateReport) -> planner.Remedy:
        """What is to be done with the water as it stands at `at_s`."""
        told = self.chemistry_report(state, at_s, report)
        unsure = report.nitrate is None or self.routine.misfit(state.routine, at_s)
        nitrate = None if unsure or report.nitrate is None else report.nitrate.mean
        made = planner.remedy(case_of(self.tank, told, nitrate, temp_c=self.fresh(state, "temperature", at_s)))
        return planner.as_done(made) if self._changed_since_test(state, at_s) else made

    def chemistry_report(self, state: TankState, at_s: float, report: NitrateReport) -> ChemistryReport:
        """The water's chemistry by the probes' present values and the present rates."""
        ph, temp_c = self.fresh(state, "ph", at_s), self.fresh(state, "temperature", at_s)
        return self.chemistry.report(state.chemistry, at_s, ph, temp_c, report.supply_rate, report.net_rate)

    def fresh(self, state: TankState, quantity: str, at_s: float) -> float | None:
        """What the tank's probes of a quantity say together, as far as they are recent.

        The median; of an even number the upper one of the middle two, as warmer and more alkaline water makes ammonia
        more poisonous.
        """
        seen = (state.latest.get(p, (0.0, float("-inf"))) for p in self._of.get(quantity, ()))
        values = [value for value, value_at_s in seen if at_s - value_at_s <= FRESH_S]
        return median_high(values) if values else None

    def next_wake(self, state: TankState, at_s: float) -> list[float]:
        """Moments after `at_s` at which this tank should be looked at though nothing happened."""
        wakes = [
            self.light.next_wake(state.light, at_s),
            self.routine.next_wake(state.routine, at_s),
            self.supplies.next_wake(state.supplies, at_s),
            self.seen.next_wake(state.seen, at_s),
        ]
        return [w for w in wakes if w is not None]
