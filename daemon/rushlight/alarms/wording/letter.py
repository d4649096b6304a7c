"""The texts of messages: what a phone's lock screen shows first, and nothing beyond what a keeper far away needs.

Owns title and body of a message about one alarm or several.  The title is tank and matter in `MOST_TITLE` characters;
the body begins with the deed, then how bad and how sure, then why, then the known trap, as far as `MOST_BODY` goes;
the rest stands behind the link.  A repeat says what is new and how long it stands.  Rules and limits: lock screens
show some 30 characters of a title and 130 of a text (vendors' guides, which differ), the deed first (START's study of
public alerts for the US Department of Homeland Security), one matter a message.  Pure.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from rushlight.alarms.evidence import (
    SITE,
    DisagreementEvidence,
    Evidence,
    LampLoss,
    LateTest,
    LevelEvidence,
    MovingEvidence,
    NitrateEvidence,
    ProbeEvidence,
    WaterTestEvidence,
)
from rushlight.alarms.rows.row import AlarmRow
from rushlight.alarms.wording.brief import BRIEF
from rushlight.alarms.wording.words import percent, sentence
from rushlight.effects import Estimate, Step
from rushlight.localunits import METRIC, Units, number
from rushlight.views import no_kit_for

LEAST_DEED = 25
"""Less than this is half an order: 'no feed' and nothing of what to do with the water (own choice)."""
BY_TEST = ", by the last test"
MOST_TITLE, MOST_DEED, MOST_BODY, MOST_EACH, MOST_ELSEWHERE = 30, 100, 300, 120, 150


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One alarm of a message, as it is at this moment."""

    row: AlarmRow
    place: str
    """The tank's title; empty for the installation itself."""
    subject: str = ""
    evidence: Evidence
    step: Step = "raise"
    since: str = ""
    """Since when it stands, where that is worth saying: `24 April, for 30 days`."""
    before: str = ""
    """What this person was told of it last, by `figure`."""
    cause_before: str = ""
    """The cause that was told then."""
    sits: bool = False
    """It goes to somebody who only feeds the fish."""
    call: str = ""
    units: Units = METRIC


def title(items: Sequence[Item]) -> str:
    """Tank and matter; of several alarms the tanks, and what they have in common, or the first, which presses most."""
    over = " over" if all(i.step == "return" for i in items) else ""
    places = list(dict.fromkeys(i.place for i in items if i.place))
    matters = list(dict.fromkeys(_matter(i.row) for i in items))
    boards = {i.evidence.gateway if isinstance(i.evidence, ProbeEvidence) else "" for i in items}
    if len(items) > 1 and len(boards) == 1 and all(boards):
        matters = ["all probes silent" if boards == {SITE} else "board silent"]
    elif len(items) > 2 and {i.row.name for i in items} == {"probe_silent"}:
        matters = ["probes silent"]
    if len(matters) > 1 and len(places) == 1 and all(isinstance(i.evidence, WaterTestEvidence) for i in items):
        named = ", ".join(m.removesuffix(" high") for m in matters)
        matters = [named] if len(f"{places[0]}: {named}") + len(over) <= MOST_TITLE else matters
    place = places[0] if len(places) == 1 else f"{len(places)} tanks" if places else "Rushlight"
    more = (f"{matters[0]}, {len(items) - 1} more", f"{matters[0]} +{len(items) - 1}", f"{len(items)} matters")
    fits = (m for m in more if len(f"{place}: {m}") + len(over) <= MOST_TITLE)
    what = matters[0] if len(matters) == 1 else next(fits, more[-1])
    if len(places) == 2 and len(": ".join((" + ".join(places), what))) + len(over) <= MOST_TITLE:
        place = " + ".join(places)
    room = MOST_TITLE - len(what) - len(over) - 2
    return cut(f"{cut(place, max(4, room))}: {what}", MOST_TITLE - len(over)) + over


def body(items: Sequence[Item]) -> str:
    """The text of one alarm, or of several with their places, what is alike said once."""
    if len(items) == 1:
        return _one(items[0])
    by_test = all(i.row.by_test and i.step != "return" for i in items)
    if by_test and len({(i.place, deed(i), i.sits) for i in items}) == 1:
        return _one_water(items)
    groups: dict[tuple[str, str, bool], list[Item]] = {}
    for item in items:
        groups.setdefault((item.row.name, deed(item), item.step == "return"), []).append(item)
    return _several(list(groups.values()))


def _one(item: Item) -> str:
    if item.step == "return":
        return _fitted([f"Over: {_lower(item.row.title)}.", _now(item)])
    if item.sits and _for_sitter(item):
        call = sentence(f"If in doubt, call {item.call}") if item.call else ""
        return _fitted([_for_sitter(item), state(item), call, _standing(item)])
    if item.step == "raise":
        return _fitted([deed(item), _elsewhere(item), state(item), _standing(item), why(item), trap(item)])
    return _fitted([deed(item), _elsewhere(item), state(item), _standing(item), _news(item)])


def _several(groups: Sequence[Sequence[Item]]) -> str:
    """What to do and how bad it is, of each; then, the first before the others, why and since when, as room is left."""
    placed = len({i.place for group in groups for i in group}) > 1
    asked = [i for group in groups for i in group if i.step != "return" and not (i.sits and _for_sitter(i))]
    elsewhere = _elsewhere(*asked)
    most = MOST_BODY - (len(elsewhere) + 1 if elsewhere else 0)
    orders = _orders(groups)
    parts = [_group(g, act, placed=placed) for g, act in zip(groups, orders, strict=True)]
    if len(" ".join(parts)) > most:
        parts = [_group(g, act, placed=placed, brief=True) for g, act in zip(groups, orders, strict=True)]
    for n, item in ((n, group[0]) for n, group in enumerate(groups) if len(group) == 1 and group[0].step != "return"):
        because = sentence(item.evidence.why) if item.step == "raise" and not item.sits else ""
        for text in (because, _standing(item)):
            longer = [*parts[:n], f"{parts[n]} {text}", *parts[n + 1 :]] if text else parts
            parts = longer if len(" ".join(longer)) <= most else parts
    return f"{_fitted(parts, last='More on the page.', most=most)} {elsewhere}".rstrip()


def _orders(groups: Sequence[Sequence[Item]]) -> list[str]:
    """What to do about each; an order that another of the same tank holds is given once, in full, at the first."""
    where = [{i.place for i in group} for group in groups]
    acts = [(_for_sitter(g[0]) if g[0].sits else "") or deed(g[0]) if g[0].step != "return" else "" for g in groups]
    given: list[str] = []
    for act, place in zip(acts, where, strict=True):
        alike = [a for a, other in zip(acts, where, strict=True) if act and other == place and act.rstrip(".") in a]
        full = max(alike, key=len, default="")
        said = any(g == full and other == place for g, other in zip(given, where, strict=False))
        given.append("" if said else full)
    return given


def _elsewhere(*items: Item) -> str:
    """Where a test is to be had that the deeds ask for and no kit here makes."""
    cannot = tuple(dict.fromkeys(s for i in items for s in i.evidence.cannot))
    return cut(" ".join(sentence(no_kit_for(cannot, short=True)).split()), MOST_ELSEWHERE)


def _one_water(items: Sequence[Item]) -> str:
    """Several alarms of one tank that one deed answers: the deed, how bad each is, the traps; the title names it."""
    first = items[0]
    act = max(map(_for_sitter, items), key=len) if first.sits else ""
    elsewhere = "" if act else _elsewhere(*items)
    states = [state(i).removesuffix(f"{BY_TEST}.").rstrip(".") for i in items]
    by = BY_TEST if any(state(i).endswith(f"{BY_TEST}.") for i in items) else ""
    call = sentence(f"If in doubt, call {first.call}") if first.sits and first.call else ""
    since = next((_standing(i) for i in items if i.since), "")
    traps = () if act else dict.fromkeys(trap(i) for i in items if i.step == "raise")
    return _fitted([act or deed(first), elsewhere, ". ".join(dict.fromkeys(states)) + f"{by}.", call, since, *traps])


def _group(group: Sequence[Item], act: str, *, placed: bool, brief: bool = False) -> str:
    """The order and how it is; `placed`: the tanks by name, as the title tells them not; `brief`: the level alone."""
    first = group[0]
    names = ", ".join(dict.fromkeys(i.place for i in group if i.place)) if placed else ""
    if first.step == "return":
        return f"Over: {f'{names}: ' if names else ''}{_matter(first.row)}."
    states = [sentence(s.partition(";")[0].rstrip(".")) if brief else s for s in dict.fromkeys(map(state, group))]
    if len(states) > 1 and len({i.place for i in group}) == len(group) and all(i.place for i in group):
        each = " ".join(f"{i.place}: {_lower(s)}" for i, s in zip(group, map(state, group), strict=True))
        if len(each) <= MOST_EACH:  # one order for all of them, and how it is with each
            return f"{act} {each}".strip()
    if first.row.name == "probe_silent" and len(group) > 2 and len(states) > 1:
        act = "Look for the power first: several boards may be without power."
    told = states[0] if len(states) == 1 else f"{len(group)} of them{_first_since(group)}."
    return f"{f'{names}: ' if names else ''}{f'{act} {told}'.strip()}"


def _clauses(text: str) -> str:
    """As many whole clauses as there is room for; the first one always, cut where it has to be."""
    out = ""
    for clause in re.split(r"(?<=[;.]) ", text):
        longer = f"{out} {clause}".strip()
        if len(longer) > MOST_DEED and len(out) >= LEAST_DEED:
            break
        out = longer
    return cut(out.rstrip(";. "), MOST_DEED)


def _for_sitter(item: Item) -> str:
    return sentence(item.evidence.sitter_sentence) or item.row.sitter


def _first_since(group: Sequence[Item]) -> str:
    since = next((i.since for i in group if i.since), "")
    return f", the first since {since}" if since else ""


def _matter(row: AlarmRow) -> str:
    return BRIEF[row.name][0] if row.name in BRIEF else cut(_lower(row.title), 18)


def deed(item: Item) -> str:
    """The one thing to do first, as an order."""
    told = item.evidence
    if told.deed:
        return told.deed
    long = sentence(told.action_sentence)
    if long:
        return sentence(_clauses(long))
    return BRIEF[item.row.name][1] if item.row.name in BRIEF else cut(item.row.first_action, MOST_DEED)


def state(item: Item) -> str:
    """How bad, and how sure; the value with its unit and its range once."""
    told, units = item.evidence, item.units
    match told:
        case NitrateEvidence(nitrate_mg_l=Estimate() as level):
            text = _nitrate(item.row.name, told, level, units)
        case LampLoss(lamp_percent=float() as mean, lamp_percent_low=float() as low, lamp_percent_high=float() as high):
            what = "The light probe reads" if item.row.name == "light_probe_fouled" else "The lamp gives"
            text = f"{what} {mean:.0f} % ({low:.0f} to {high:.0f}) of what it was"
        case MovingEvidence(value=float() as change):
            text = f"{_quantity(told)} {'rising' if change > 0 else 'falling'} by "
            text += units.say_change(abs(change), told.unit)
        case WaterTestEvidence(total_mg_l=float() as total) if _total_decides(told):
            times = (told.total_mg_n_l or 0.0) / (told.epa_chronic_mg_n_l or 1.0)
            text = f"Total ammonia {units.say(total, 'mg/L as NH4')}, {times:.1f} times what fish bear for weeks"
            text += BY_TEST
        case WaterTestEvidence(value=float() as value):
            name = "Poisonous ammonia" if told.quantity == "ammonia" else told.quantity.capitalize()
            said, limit = units.beside(value, told.limit or 0.0, told.unit, 2)
            text = f"{name} {said} {units.word(told.unit)}, limit {limit}{BY_TEST}"
        case LevelEvidence(value=float() as value) if not told.sentence:
            which = f" ({told.probe})" if told.probe else ""
            text = f"{_quantity(told)}{which} {_against(value, told, units)}"
        case ProbeEvidence(gateway=str() as gateway) if gateway:
            dark = f"probably no power since {told.dark_since}: " if told.dark_since else ""
            text = f"{dark}{gateway} is silent" + ("" if gateway == SITE else ", with all its probes")
        case LateTest():
            text = told.sentence or item.row.title
        case _:
            text = told.sentence.partition(";")[0] or item.row.title
    blind = " No fresh data: this is the last that was known." if told.blind else ""
    return cut(sentence(text), 150) + blind


def _total_decides(told: WaterTestEvidence) -> bool:
    """Whether ammonia's total is further beyond the criterion than its poisonous part is beyond the limit."""
    if told.total_mg_n_l is None or not told.epa_chronic_mg_n_l or told.value is None or not told.limit:
        return False
    return told.total_mg_n_l / told.epa_chronic_mg_n_l > told.value / told.limit


def figure(item: Item) -> str:
    """The one figure by which it is seen whether anything is new; empty where there is none."""
    match item.evidence:
        case NitrateEvidence(nitrate_mg_l=Estimate() as level):
            return item.units.say(level.mean, "mg/L")
        case LampLoss(lamp_percent=float() as mean):
            return f"{mean:.0f} %"
        case MovingEvidence(value=float() as value) | DisagreementEvidence(value=float() as value) as told:
            return item.units.say_change(value, told.unit, 3)
        case LevelEvidence(value=float() as value) as told:
            return item.units.say(value, told.unit, 3)
    return ""


def cause(item: Item) -> str:
    """The name of the cause that is told; empty where none is judged."""
    return item.evidence.first_cause if isinstance(item.evidence, NitrateEvidence) else ""


def why(item: Item) -> str:
    """The simplest cause."""
    told = item.evidence
    if told.why:
        return sentence(told.why)
    if told.cause_sentence is not None:
        return sentence(told.cause_sentence)
    return sentence(f"Usual cause: {_lower(item.row.cause)}")


def trap(item: Item) -> str:
    """What not to do."""
    return sentence(item.row.trap if item.evidence.trap_sentence is None else item.evidence.trap_sentence)


def cut(text: str, most: int) -> str:
    """The text, ended at a word where it is longer than `most` characters."""
    if len(text) <= most:
        return text
    short = text[: most - 1]
    return (short[: short.rfind(" ")] if " " in short[most // 2 :] else short).rstrip(" ,;:(") + "…"


def _fitted(parts: Sequence[str], last: str = "", most: int = MOST_BODY) -> str:
    """As many of the parts, in order, as there is room for; the first one always."""
    out = ""
    for n, part in enumerate(p for p in (" ".join(p.split()) for p in parts) if p):
        longer = f"{out} {part}".strip()
        if len(longer) <= most:
            out = longer
        elif n == 0:
            return cut(longer, most)
        elif last and len(f"{out} {last}") <= most:
            return f"{out} {last}"
    return out


def _against(value: float, told: LevelEvidence, units: Units) -> str:
    """`21.3 °C, limit 21`."""
    if told.limit is None:
        return units.say(value, told.unit, 3)
    said, limit = units.beside(value, told.limit, told.unit)
    return f"{said} {units.word(told.unit)}".rstrip() + f", limit {limit}"


def _nitrate(name: str, told: NitrateEvidence, level: Estimate, units: Units) -> str:
    limit = number(told.limit_mg_l, 3)
    text = (
        f"Nitrate about {units.say(level.mean, 'mg/L as NO3')} ({number(max(0.0, level.low))} to {number(level.high)})"
    )
    if name == "uptake_behind" and told.kept_up_share is not None:
        share = told.kept_up_share
        low, high = max(0.0, 100 * share.low), 100 * share.high
        return f"Plants take up about {100 * share.mean:.0f} % of what the feed supplies ({low:.0f} to {high:.0f})"
    rate = told.net_rate_mg_l_day
    way = "" if rate is None else ", rising" if rate.low > 0 else ", falling" if rate.high < 0 else ""
    text += f"{way}, limit {limit}"
    if level.mean > told.limit_mg_l or told.chance_28_days is None:
        return text if told.chance_now is None else f"{text}; {percent(told.chance_now)} sure it is above"
    return f"{text}; {percent(told.chance_28_days)} chance to pass it in 4 weeks"


def _quantity(told: LevelEvidence) -> str:
    names = {"ph": "pH", "temperature": "Water", "": "Value"}
    return names.get(told.quantity, told.quantity.capitalize())


def _now(item: Item) -> str:
    match item.evidence:
        case MovingEvidence():
            return ""
        case LevelEvidence(value=float()) if not item.evidence.blind:
            return f"Now {figure(item)}."
    return ""


def _standing(item: Item) -> str:
    return f"Standing since {item.since}." if item.since else ""


def _news(item: Item) -> str:
    """What has changed since this was told last."""
    now, named = figure(item), cause(item)
    parts = []
    if item.before and now and item.before != now and now in state(item):
        parts.append(f"Told last at {item.before}.")
    if named == "level":
        if item.cause_before not in ("", "level"):
            parts.append("It does not clearly rise any more.")
    elif named and named != item.cause_before:
        because = _lower(why(item).removeprefix("Simplest cause: "))
        parts.append(f"Changed cause: {because}" if item.cause_before else why(item))
    return " ".join(parts)


def _lower(text: str) -> str:
    return text if len(text) < 2 or text[1].isupper() else text[0].lower() + text[1:]
