"""What the planner proposes, in words: the first thing to do, the whole plan line by line, and the figures behind both.

Owns the sentences about changes of water.  Works nothing out: each number is one of the `Remedy`'s.  Wherever a change
is proposed the new water is to be treated against chlorine and as warm as the tank.  Pure.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import replace
from types import MappingProxyType

from rushlight.alarms.evidence import DistressEvidence, MineralEvidence, WaterTestEvidence
from rushlight.alarms.finding import Finding
from rushlight.localunits import METRIC, Units, number
from rushlight.science.chemistry.aftermath import Moment
from rushlight.tank.water.plan import Remedy
from rushlight.views import no_kit_for

CARE = "treated against chlorine and chloramine by the conditioner's label"
LABELS = "Go by the label, and ask a vet or a dealer about your fish: not all bear it."
SOFT = "distilled or osmosis water"
NAMES: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "nitrate": ("nitrate", "mg/L as NO3"),
        "nitrite": ("nitrite", "mg/L as NO2"),
        "ammonia": ("total ammonia", "mg/L as NH4"),
        "kh": ("KH", "°dH"),
        "gh": ("GH", "°dH"),
        "ph": ("pH", ""),
    }
)


_TESTED: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "pH": ("ph",),
        "KH": ("kh",),
        "GH": ("gh",),
        "ammonia": ("ammonia",),
        "nitrite": ("nitrite",),
        "the tap's pH": ("ph",),
        "the tap's KH": ("kh",),
    }
)
"""What the planner finds missing, as substances of a test."""


def asks(made: Remedy) -> tuple[str, ...]:
    """The substances that the plan asks to test, each once."""
    wanted = [s for name in made.missing for s in _TESTED.get(name, ())]
    if made.kind == "conditioner":
        wanted += ["chlorine", "ammonia"]
    if made.kind == "matched":
        wanted.append("ammonia")
    return tuple(dict.fromkeys(wanted))


def action(made: Remedy, units: Units = METRIC) -> str:  # noqa: PLR0911 - one line for each kind
    """The one thing to do with the water, for an alarm; empty where there is none."""
    match made.kind:
        case "conditioner":
            again = "test chlorine and ammonia in an hour"
            return f"dose water conditioner for the whole tank by its label, and {again}; no {_tap()}"
        case "test first" if made.done:
            return f"test {_list(made.missing)} before changing more: water has been changed since the last test"
        case "test first":
            return f"give no feed, and test {_list(made.missing)} before changing any water: it might do harm"
        case "change":
            how = f"{_changes(made, units)} with tap water, treated and {_warm(made, units)}"
            return f"{_if_clear(made)}{how}{_to(made, units)}"
        case "matched":
            how = f"{_changes(made, units)} with {_blend(made)}, treated and {_warm(made, units)}"
            return f"no plain tap water{_would(made, units)}: {how}"
        case "bicarbonate":
            return f"{_if_clear(made)}raise KH by {units.say_change(made.rise_dh, '°dH')} with {_soda(made)}"
        case "impossible":
            return _too_rich(made, units) if made.too_rich else made.why
    return ""


def _too_rich(made: Remedy, units: Units) -> str:
    """Tap water does not do it alone: how far it goes, and with what it does."""
    name, source, target = made.too_rich or ("", 0.0, 0.0)
    title, unit = NAMES[name]
    holds = f"tap water holds {units.say(source, unit)} itself and never brings {title} below that"
    if source <= 0.0 or target <= 0.0:
        return holds
    return f"{holds}: mix it, at most {100.0 * target / source:.0f} %, with {SOFT}"


ADVISED = frozenset({"ammonia_high", "nitrite_high", "alkalinity_low", "hardness_high", "chlorine_high"})
"""Alarms whose first action is the planner's."""
FEED = frozenset({"ammonia_high", "nitrite_high"})
PRICE = 1.5
"""A rise of un-ionised ammonia by driving out CO2 that is worth a sentence (own choice)."""


def advise(finding: Finding, made: Remedy, units: Units = METRIC) -> Finding:
    """The finding with the planner's first action and figures."""
    told = finding.evidence
    if isinstance(told, DistressEvidence):
        return replace(finding, evidence=_first_aid(told, made, units))
    if isinstance(told, WaterTestEvidence) and finding.alarm in FEED and made.kind == "none":
        return finding if finding.says == "clear" else replace(finding, evidence=_test_again(told))
    text = action(made, units)
    if finding.alarm not in ADVISED or not text or told.action_sentence:
        return finding
    if finding.alarm in FEED and made.kind != "test first":
        text = f"no feed; {text}"
    if isinstance(told, WaterTestEvidence | MineralEvidence):
        told = replace(told, action_sentence=text, deed=deed(made, units), plan=figures(made), asks=asks(made))
    return replace(finding, evidence=told)


def _test_again(told: WaterTestEvidence) -> WaterTestEvidence:
    """The alarm stands until a fresh test is well inside its limit, and there is nothing fresh to change water by."""
    share = told.share_of_limit
    if share is None:
        share = (told.value or 0.0) / (told.limit or 1.0)
    why = (
        "the last test asks for no change of water" if share <= 1.0 else "the last test is too old to plan a change by"
    )
    text = f"no feed; test {told.quantity} again: {why}"
    return replace(told, action_sentence=text, deed=f"No feed; test {told.quantity} again.", asks=(told.quantity,))


def deed(made: Remedy, units: Units = METRIC) -> str:
    """The same as a locked phone shows it: short, and never an order that does harm when only its beginning is read."""
    litres = units.say(made.steps[0].litres, "L", ".0f") if made.steps else ""
    match made.kind:
        case "conditioner":
            feed = "No feed; water" if {"ammonia", "nitrite"} & set(made.wrong) else "Water"
            return f"{feed} conditioner for the whole tank, by its label; test in an hour."
        case "matched":
            return f"No tap water, no feed: {litres} of matched water, as the page shows."
        case "change":
            times = f", {len(made.steps)} times" if len(made.steps) > 1 else ""
            tested = f"Test {_list(made.missing)}; then change" if made.missing else "Change"
            if {"ammonia", "nitrite"} & set(made.wrong):
                tested = f"No feed; {tested[:1].lower()}{tested[1:]}"
            return f"{tested} {litres}{times}, treated and as warm as the tank."
        case "bicarbonate":
            return "Test ammonia; if there is none, raise KH as the page shows."
        case "test first":
            return f"No feed, no water yet: test {_list(made.missing)}."
    return ""


def _first_aid(told: DistressEvidence, made: Remedy, units: Units) -> DistressEvidence:
    """Three steps for gasping or dying fish; moving the surface has a price where there is ammonia."""
    text = "1. make the surface move, see that the pump runs; 2. no food; 3. test ammonia and nitrite now"
    told = replace(told, asks=("ammonia", "nitrite"))
    if made.aired is None or made.aired[1].nh3 <= PRICE * made.aired[0].nh3:
        return replace(told, action_sentence=text)
    was, then = made.aired
    price = f"{_nh3(was)} to {_nh3(then)} {units.word('mg/L')}"
    text += f". The air has a price: un-ionised ammonia goes from {price} as CO2 leaves"
    return replace(told, action_sentence=text, nh3_now_mg_l=round(was.nh3, 4), nh3_aired_mg_l=round(then.nh3, 4))


def lines(made: Remedy, measures: AbstractSet[str], units: Units = METRIC) -> list[str]:
    """The whole plan, a sentence each; `measures` is what the kits here can test."""
    if made.kind == "none":
        return []
    cannot = no_kit_for([s for s in asks(made) if s not in measures])
    said = [f"{text[:1].upper()}{text[1:]}." for text in (action(made, units), cannot) if text]
    said += _chloramine(made, units)
    if made.steps:
        said.append(f"New water: {CARE}, {_warm(made, units)}.")
        said += list(_afterwards(made, units))
    if made.kind == "matched":
        said.append("Give no feed meanwhile, and test ammonia after each change.")
        if made.rise_dh:
            rise = units.say_change(made.rise_dh, "°dH")
            said.append(f"Only once none is left: raise KH by {rise} with {_soda(made)}.")
    if made.rise_dh:
        said.append(f"In place of sodium bicarbonate: {number(made.potash_g, 3)} g of potassium bicarbonate. {LABELS}")
    if made.salt_g:
        said.append(
            f"Chloride keeps nitrite out of the gills of many fish: {number(made.salt_g, 3)} g of salt without "
            f"additives, once, besides the changes. Plants and snails may mind. {LABELS}"
        )
    if made.aired is not None and made.aired[1].nh3 > PRICE * made.aired[0].nh3:
        was, then = made.aired
        said.append(
            f"Moving the surface drives out CO2: un-ionised ammonia then goes from {_nh3(was)} to {_nh3(then)} "
            f"{units.word('mg/L')}, pH {was.ph:.1f} to {then.ph:.1f}. Fish that gasp need the air all the same."
        )
    return said


def _chloramine(made: Remedy, units: Units) -> list[str]:
    """What treating the chlorine leaves, where it is chloramine: conditioner takes the chlorine and frees ammonia."""
    if made.freed <= 0.0:
        return []
    amount = f"{units.say(made.freed, 'mg/L as NH4')} of ammonia"
    if made.kind != "conditioner":
        soft = " where none of it is distilled" if made.soft_share > 0 else ""
        brings = f"the treated water brings up to {amount}{soft}"
        return [f"If the tap's chlorine is chloramine, {brings}; it is counted in what follows."]
    then, start = made.freed_then, f"If it is chloramine, the conditioner frees up to {amount}"
    if then is None:
        return [f"{start}. How poisonous that is hangs on the pH: test it too."]
    how = (
        f"{then.chronic:.1f} times what fish bear for weeks" if then.chronic > 1.0 else "less than fish bear for weeks"
    )
    free = units.say(then.nh3, "mg/L as NH3")
    return [f"{start}: un-ionised {free} at pH {then.ph:.1f}, the total {how} (US EPA 2013)."]


def figures(made: Remedy) -> dict[str, float | str]:
    """What the sentences rest on, flat and plain, for programs."""
    found: dict[str, float | str] = {"plan": made.kind, "plan_missing": ", ".join(made.missing)}
    if made.steps:
        found |= {"plan_changes": len(made.steps), "plan_litres_each": round(made.steps[0].litres, 1)}
        found |= {"plan_share_each": round(made.steps[0].fraction, 4), "plan_hours_between": made.hours_between}
        found |= {"plan_soft_share": round(made.soft_share, 3)}
        for name in NAMES:
            value = getattr(made.after, name)
            if value is not None:
                found[f"plan_{name}_after"] = round(value, 3)
        known = [s.aftermath for s in made.steps if s.aftermath is not None]
        if known:
            found["plan_nh3_worst_mg_l"] = round(max(max(a.at_once.nh3, a.own_co2.nh3) for a in known), 4)
            found["plan_nh3_aired_mg_l"] = round(max(a.aired.nh3 for a in known), 4)
    if made.freed:
        found["chloramine_ammonia_mg_l"] = round(made.freed, 3)
    if made.harm is not None:
        found |= {"harm_nh3_before_mg_l": round(made.harm.before.nh3, 4), "harm_share": round(made.harm_fraction, 4)}
        found |= {"harm_nh3_at_once_mg_l": round(made.harm.at_once.nh3, 4)}
        found |= {"harm_nh3_own_co2_mg_l": round(made.harm.own_co2.nh3, 4)}
        found |= {"harm_nh3_aired_mg_l": round(made.harm.aired.nh3, 4)}
    if made.rise_dh:
        found |= {"bicarbonate_g": round(made.soda_g, 1), "kh_rise_dh": round(made.rise_dh, 2)}
    if made.salt_g:
        found["salt_g"] = round(made.salt_g, 1)
    return {k: v for k, v in found.items() if v != ""}


def _changes(made: Remedy, units: Units) -> str:
    step, n = made.steps[0], len(made.steps)
    amount = f"{units.say(step.litres, 'L')} ({100 * step.fraction:.0f} %)"
    if n == 1:
        return f"change {amount}"
    gap = f"{made.hours_between:.0f} hours apart" if made.hours_between < 24 else "one a day"
    return f"change {amount} {n} times, {gap},"


def _to(made: Remedy, units: Units) -> str:
    """What it comes to, of what was wrong."""
    parts = []
    for name in made.wrong:
        was, then = getattr(made.before, name), getattr(made.after, name)
        if was is not None and then is not None:
            title, unit = NAMES[name]
            parts.append(f"{title} {units.figure(was, unit)} to {units.say(then, unit)}")
    return f": {', '.join(parts)}" if parts else ""


def _afterwards(made: Remedy, units: Units) -> Iterator[str]:
    """The water after each change, and ammonia's three states at their worst."""
    last = made.after
    known = [
        f"{NAMES[k][0]} {units.say(v, NAMES[k][1])}" for k in NAMES if k != "ph" and (v := getattr(last, k)) is not None
    ]
    if known:
        yield f"Afterwards: {', '.join(known)}."
    after = made.steps[0].aftermath
    if after is None:
        if made.kind == "change":
            yield "What it does to pH and ammonia is not known: that needs pH, KH and temperature of both waters."
        return
    now, then, later = (f"{state.ph:.1f}" for state in (after.before, after.at_once, after.own_co2))
    ph = f"pH {now} now, {then} straight after the first change, {later} once the tank's CO2 is as before"
    if now == then == later:
        ph = f"pH stays at {now} through the first change"
    stirred = f"Stirring the surface drives CO2 out: with none to spare, pH would be {after.aired.ph:.1f}."
    yield f"{ph}, give or take 0.1. {stirred}"
    if after.before.nh3 > 0:
        yield (
            f"Un-ionised ammonia {_nh3(after.before)} {units.word('mg/L')} now, {_nh3(after.at_once)} straight after, "
            f"{_nh3(after.own_co2)} once the CO2 is as before. With no CO2 to spare {_nh3(after.aired)}, "
            f"and {_nh3(after.unchanged_aired)} if no water is changed."
        )
    if abs(after.own_co2.ph - after.before.ph) > 0.5:
        yield "That is a large step of pH for one day: take it more slowly if the fish can wait."


def _would(made: Remedy, units: Units) -> str:
    if made.harm is None:
        return ""
    was, then = _nh3(made.harm.before), f"{_nh3(made.harm.worst())} {units.word('mg/L')}"
    if made.harm_soda:
        return f" and no bicarbonate yet, it would lift un-ionised ammonia from {was} to {then}"
    return f", {100 * made.harm_fraction:.0f} % of it would lift un-ionised ammonia from {was} to {then}"


def _blend(made: Remedy) -> str:
    if made.soft_share >= 0.95:
        return f"{SOFT} brought to the tank's own hardness with a little tap water"
    return (
        f"{100 * made.soft_share:.0f} % {SOFT}, the rest tap water"
        if made.soft_share > 0
        else "water of the tank's own KH"
    )


def _soda(made: Remedy) -> str:
    each = f", {made.soda_days} days running, a part each day" if made.soda_days > 1 else ""
    return f"{number(made.soda_g, 3)} g of sodium bicarbonate{each}"


def _if_clear(made: Remedy) -> str:
    return f"test {_list(made.missing)} first; if there is none, " if made.missing else ""


def _warm(made: Remedy, units: Units) -> str:
    warm_c = made.warm_c
    return "as warm as the tank" if warm_c is None else f"as warm as the tank, {units.say(warm_c, '°C', '.0f')}"


def _tap() -> str:
    return "untreated tap water"


def _nh3(state: Moment) -> str:
    return number(state.nh3)


def _list(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
