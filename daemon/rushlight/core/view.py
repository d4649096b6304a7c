"""Makes the frozen picture of the installation that the outside may look at.  Pure: state in, `SiteView` out."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from collections.abc import Set as AbstractSet

from rushlight.alarms.wording.words import sentence
from rushlight.config.implied import alike, carries
from rushlight.core import account, leaves
from rushlight.core.present import ask_at
from rushlight.core.step import Core, SiteState
from rushlight.core.tank import TankCore, TankState
from rushlight.entry.entered import NAMES
from rushlight.events import Test
from rushlight.localtime import midnight_after
from rushlight.localunits import METRIC, Units
from rushlight.science.chemistry.nitrogen import feed_nitrogen_g
from rushlight.science.measuring.units import read_reported
from rushlight.tank.nitrate.report import NitrateReport
from rushlight.tank.routine import care
from rushlight.tank.water import advice
from rushlight.tank.water.chemistry import ChemistryReport
from rushlight.tank.water.degrees import Hardness, band
from rushlight.views import (
    STANDING,
    Account,
    AlarmView,
    PlannedView,
    ProbeView,
    SiteView,
    StandardView,
    TankView,
    no_kit_for,
)

_LONG_DAYS = 365.0
"""A limit farther off than this is nothing to speak of (own choice)."""
_FIRST = "fish_in_distress"
"""Before all that is as pressing: what helps fish that gasp takes minutes."""
_RANK = {"high": 0, "medium": 1, "low": 2}


def site_view(core: Core, state: SiteState, at_s: float, *, clock_ok: bool = True) -> SiteView:
    """Everything as it stands at `at_s`."""
    ask = ask_at(core, state, at_s)
    alarms = [core.writer.view(a, ask) for a in core.book.views(state.alarms)]
    probes = [_probe(core, k, state, at_s) for k in core.probes]
    return SiteView(
        at_s=at_s,
        name=core.config.site.name,
        timezone=core.config.site.timezone,
        units=core.config.site.units,
        clock_ok=clock_ok,
        tanks=tuple(
            _tank(core, t, state.tanks[k], at_s, [p for p in probes if p.tank == k], [a for a in alarms if a.tank == k])
            for k, t in core.tanks.items()
        ),
        alarms=tuple(a for a in alarms if a.tank is None),
    )


def tank_view(core: Core, state: SiteState, at_s: float, tank: str) -> TankView:
    """One tank as it stands at `at_s`."""
    ask = ask_at(core, state, at_s)
    alarms = [core.writer.view(a, ask) for a in core.book.views(state.alarms) if a.tank == tank]
    return _tank(core, core.tanks[tank], state.tanks[tank], at_s, [], alarms)


def _probe(core: Core, probe_id: str, state: SiteState, at_s: float) -> ProbeView:
    """The probe as its watch sees it, and what sets it apart from the tank's others."""
    watch = core.probes[probe_id]
    alone = len(alike(core.config, watch.probe.tank, watch.probe.quantity)) == 1
    seen = watch.view(state.probes[probe_id], at_s)
    return dataclasses.replace(seen, alone=alone, carries=carries(core.config, watch.probe))


def _tank(
    core: Core,
    tank: TankCore,
    state: TankState,
    at_s: float,
    probes: list[ProbeView],
    alarms: list[AlarmView],
) -> TankView:
    report = tank.nitrate.report(state.nitrate, at_s)
    light = tank.light.report(state.light, at_s)
    alarms.sort(key=lambda a: (a.state not in STANDING, _RANK[a.priority], a.alarm != _FIRST, a.since_s, a.id))
    overdue = state.due_at_s is not None and at_s > state.due_at_s
    last = state.tests[-1] if state.tests else None
    left = tank.supplies.left(state.supplies)
    remedy = tank.remedy(state, at_s, report)
    told = _account(core, tank, state, at_s, report, alarms, overdue=overdue)
    return TankView(
        id=tank.tank.id,
        title=tank.tank.title,
        litres=tank.tank.litres,
        account=told,
        state_sentence=told.evidence[0],
        todo_sentence=told.todo,
        probes=tuple(probes),
        alarms=tuple(alarms),
        nitrate=report.nitrate,
        net_rate=report.net_rate,
        supply_rate=report.supply_rate,
        uptake_rate=report.uptake_rate,
        kept_up=report.kept_up,
        days_to_limit=report.days_to_limit,
        light_dose_today_mol=light.dose_today_mol,
        light_week_mol=light.week_mol,
        light_need_mol=state.light.need.need_mol if state.light.need.low is not None else None,
        lamp_percent=light.lamp_percent.mean if light.lamp_percent else None,
        due_at_s=state.due_at_s,
        due_reason=state.due_reason,
        overdue=overdue,
        strips_left=left,
        reorder_at_s=tank.supplies.reorder_at_s(state.supplies, at_s),
        water_sentences=water_sentences(tank.chemistry_report(state, at_s, report), tank.seen.measures, tank.units),
        remedy_kind=remedy.kind,
        remedy_sentences=tuple(advice.lines(remedy, tank.seen.measures, tank.units)),
        planned=tuple(
            PlannedView(at_s=p.at_s, substances=p.substances, why=p.why, done=p.done, cannot=p.cannot)
            for p in tank.routine.planned(state.routine, at_s)
        ),
        growth=tank.growth.rate(state.growth, at_s),
        growth_sentences=leaves.growth_sentences(
            tank.light, state.light, tank.growth, state.growth, at_s, report.uptake_rate
        ),
        growth_asked=tank.growth.asked(state.growth, at_s),
        leaves=leaves.views(state.light, state.growth, at_s),
        causes=report.causes,
        causes_sentence=told.cause,
        most_fed_g=_most_fed_g(tank, state),
        last_test=tested(last) if last else {},
        last_test_at_s=last.at_s if last else None,
        last_read=_read(tank, state, last.id) if last else (),
        kit_sentences=_kits(tank, state, at_s),
        standards=tuple(
            StandardView(kit=p.seen.kit, substance=p.seen.substance, signature=p.seen.signature)
            for p in state.kits.points
            if p.seen.signature and not p.seen.unread
        ),
    )


def _account(
    core: Core,
    tank: TankCore,
    state: TankState,
    at_s: float,
    report: NitrateReport,
    alarms: Sequence[AlarmView],
    *,
    overdue: bool,
) -> Account:
    """The tank at this moment in words, with its next test and all its reasons."""
    kind = tank.next_kind(state, at_s, report)
    told = account.of_tank(
        report,
        tank.tank.limits.nitrate,
        alarms,
        overdue=overdue,
        due_today=state.due_at_s is not None and state.due_at_s < midnight_after(at_s, core.zone),
        tested=bool(state.tests),
        without_strips=tank.without_strips(state),
        test_action=kind.action if kind else "",
        cannot=tank.cannot(state.routine.asked_of),
        aid=care.first_aid(state.routine.causes, state.routine.marks, at_s),
        units=tank.units,
    )
    if state.due_at_s is None:
        return told
    reasons = (state.due_reason, *(r for r in state.routine.reasons if r != state.due_reason))
    return dataclasses.replace(
        told,
        next_test_at_s=state.due_at_s,
        next_test_reason=state.due_reason,
        next_test_reasons=reasons,
        next_test_kind=kind.kind if kind else "",
        next_test_kind_sentence=kind.sentence if kind else "",
        next_test_cups=kind.cups if kind else None,
    )


def _read(tank: TankCore, state: TankState, test_id: str) -> tuple[str, ...]:
    """A sentence for each substance that was not just read off a pad, or could not be read at all."""
    found = []
    for seen, said in tank.kits.of(state.kits, test_id):
        name = NAMES.get(seen.substance, seen.substance)
        if seen.why:
            found.append(f"{name} not read from the picture: {seen.why}.")
        if said is not None and (said.by == "picture" or said.dilution > 1.0 or said.low != seen.low):
            told = said.estimate()
            found.append(f"{name} {told.mean:.3g} ({told.low:.3g} to {told.high:.3g}).")
    return tuple(found)


def _kits(tank: TankCore, state: TankState, at_s: float) -> tuple[str, ...]:
    """What known solutions showed of the kits, a sentence each, and whether to check again."""
    asked = tank.kits.to_check(state.kits, at_s)
    return (*(k.sentence for k in tank.kits.known(state.kits, at_s)), *([asked] if asked else []))


def _most_fed_g(tank: TankCore, state: TankState) -> float | None:
    per_g = feed_nitrogen_g(1.0, tank.tank.feed.protein_percent)
    days = state.nitrate.ledger.fed.values()
    return max(days) / per_g if days and per_g > 0.0 else None


def tested(test: Test) -> dict[str, float | str]:
    """What a test read, in canonical units; text where the kit's range ended."""
    found: dict[str, float | str] = {}
    for name, value in test.values.items():
        amount = read_reported(name, value, test.units.get(name, ""))
        found[name] = f"{amount.bound}{amount.value:.4g}" if amount.bound else amount.value
    return found


def water_sentences(water: ChemistryReport, measures: AbstractSet[str], units: Units = METRIC) -> tuple[str, ...]:
    """Ammonia and hardness as far as tests tell, a sentence each; `measures`: what the kits here can test."""
    said: list[str] = []
    if water.total_ammonia == 0.0:
        said.append("The last test showed no ammonia.")
    elif water.un_ionised is not None and water.total_ammonia is not None:
        said.append(
            f"Ammonia in the last test {units.say(water.total_ammonia, 'mg/L as NH4', 'g')} in all. At pH "
            f"{water.ph:.1f} and {units.say(water.temp_c, '°C', '.0f')}, "
            f"{units.say(water.un_ionised, 'mg/L as NH3', '.2g')} of it are un-ionised, the form that harms fish."
        )
    for name, hardness in (("KH", water.kh), ("GH", water.gh)):
        if hardness is not None:
            said.append(_hardness(name, hardness, units, measures))
        elif name == "KH":
            said.append(f"KH was never tested, and nothing is known of the source water's. {_untested(name, measures)}")
    return tuple(said)


def _untested(name: str, measures: AbstractSet[str]) -> str:
    return "Add it to the next test." if name.lower() in measures else sentence(no_kit_for([name.lower()]))


def _hardness(name: str, h: Hardness, units: Units, measures: AbstractSet[str]) -> str:
    if not h.tests:
        told = f"{name} was never tested; by source water, feed and changes {band(h, units)}."
        return f"{told} {_untested(name, measures)}"
    level = f"{name} {band(h, units)}"
    if h.days_to_limit is None or h.days_to_limit > _LONG_DAYS:
        return f"{level}."
    return (
        f"{level}, past its limit in about {h.days_to_limit:.0f} days."
        if h.days_to_limit
        else f"{level}, past its limit."
    )
