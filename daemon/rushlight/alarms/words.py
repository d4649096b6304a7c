"""What an alarm says: the happening, the tank, how sure; the simplest cause; the first action; the known trap.

Owns the order and the wording.  Never decides whether to speak.  Facts come from the watches; a fact that is
missing leaves its part of the sentence out, never a gap in it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from types import MappingProxyType
from typing import Any, TypeGuard

from rushlight.alarms.table import AlarmRow
from rushlight.effects import AlarmStateName
from rushlight.implied import ASSUMED

Facts = Mapping[str, Any]


def alarm_text(row: AlarmRow, place: str, facts: Facts, *, unstable: bool = False) -> str:
    """The whole message of a standing alarm.  `place` is the tank's name, empty for the installation itself."""
    return f"{happening_text(row, place, facts, unstable=unstable)} {advice_text(row, facts)}"


def happening_text(row: AlarmRow, place: str, facts: Facts, *, unstable: bool = False) -> str:
    """What is happening, in which tank, how sure."""
    parts = [sentence(f"{place}: {_happening(row, facts)}" if place else _happening(row, facts))]
    if unstable:
        parts.append(
            "It has come and gone several times within the hour, so it is held until it has been steady for an hour."
        )
    if facts.get("blind"):
        parts.append("There is no fresh data at the moment; this is the last that was known.")
    return " ".join(parts)


def advice_text(row: AlarmRow, facts: Facts) -> str:
    """The cause, the first action, the trap."""
    parts = [_cause(row, facts), f"First: {_lower(first_action(row, facts))}"]
    trap = facts.get("trap_sentence", row.trap)
    if trap:
        parts.append(sentence(str(trap)))
    return " ".join(p for p in parts if p)


def change_text(
    row: AlarmRow, place: str, facts: Facts, state: AlarmStateName, *, by: str = "", hours: float | None = None
) -> str:
    """One sentence for a change that asks for nothing."""
    what = f"{place}: {_lower(row.title)}" if place else row.title
    if facts.get("probe"):
        what += f" ({_which(facts)})"
    who = f" by {by}" if by else ""
    match state:
        case "acknowledged":
            return f"{what}. Acknowledged{who}."
        case "returned":
            return f"{what}. Back to normal; not yet acknowledged."
        case "normal":
            return f"{what}. Back to normal."
        case "shelved":
            span = f" for {number(hours)} h" if hours is not None else ""
            return f"{what}. Put aside{span}{who}."
        case "out_of_service":
            return f"{what}. Out of service by configuration; watched, not told."
    return f"{what}."


def title_text(row: AlarmRow, place: str, facts: Facts) -> str:
    """A title that fits a phone's notification."""
    which = _which(facts)
    return ": ".join(p for p in (place, row.title) if p) + (f" ({which})" if which else "")


def _which(facts: Facts) -> str:
    """The probe, with its place, or the channel that this is about; empty where there is but one."""
    return ", ".join(str(w) for w in (facts.get("probe") or facts.get("channel"), facts.get("place")) if w)


def sitter_text(row: AlarmRow, place: str, facts: Facts, call: str) -> str:
    """The same for somebody who only feeds the fish: what is the matter, what to do, whom to call."""
    parts = [sentence(f"{place}: {_happening(row, facts)}" if place else _happening(row, facts)), row.sitter]
    if call:
        parts.append(sentence(f"If in doubt, call {call}"))
    return " ".join(parts)


def first_action(row: AlarmRow, facts: Facts) -> str:
    """The one thing to do first."""
    return sentence(str(facts.get("action_sentence") or row.first_action))


def number(value: float, digits: int = 2) -> str:
    """A number as people write it: so many significant digits, never an exponent, no trailing zeros."""
    if value == 0:
        return "0"
    size = f"{abs(value):.{digits}g}"
    rounded = float(size)
    text = f"{rounded:.0f}" if rounded >= 10 ** (digits - 1) else f"{rounded:.6f}".rstrip("0").rstrip(".")
    return f"−{text}" if value < 0 else text


def sentence(text: str) -> str:
    """The text with a capital at its beginning and a full stop at its end."""
    text = text.strip()
    if not text:
        return ""
    text = text[0].upper() + text[1:]
    return text if text[-1] in ".?:" else text + "."


def _lower(text: str) -> str:
    """Start in the middle of a sentence, unless the first word is a name such as pH."""
    return text if len(text) < 2 or text[1].isupper() else text[0].lower() + text[1:]


def _cause(row: AlarmRow, facts: Facts) -> str:
    for key in ("cause_sentence", "cause"):
        if key in facts:
            return sentence(str(facts[key] or ""))
    return sentence(f"Usual cause: {_lower(row.cause)}")


def _happening(row: AlarmRow, facts: Facts) -> str:
    if facts.get("sentence"):
        return str(facts["sentence"])
    special = _HAPPENING.get(row.name)
    return special(facts) if special else _plain(row, facts)


def _plain(row: AlarmRow, facts: Facts) -> str:
    """The title, with value and limit where they are known."""
    text = _lower(row.title)
    which = _which(facts)
    if which:
        text += f" ({which})"
    unit = f" {facts['unit']}" if facts.get("unit") else ""
    if _is_number(facts.get("value")):
        text += f": {number(facts['value'], 3)}{unit}"
        if _is_number(facts.get("limit")):
            text += f" against a limit of {number(facts['limit'], 3)}{unit}"
            text += f" ({ASSUMED})" if facts.get("limit_assumed") else ""
    return text


def _is_number(value: Any) -> TypeGuard[float]:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _nitrate_high(facts: Facts) -> str:
    text = f"nitrate {_band(facts, 'nitrate_mg_l', 'mg/L') or 'is'}"
    text += f", above its limit{_of(facts, 'limit_mg_l', 'mg/L')}"
    return text + _chance(facts, "chance_now")


def _nitrate_rising(facts: Facts) -> str:
    text = f"nitrate {_band(facts, 'nitrate_mg_l', 'mg/L') or 'is'}"
    rate = facts.get("net_rate_mg_l_day")
    text += (
        f", rising by {number(rate['mean'])} mg/L a day"
        if isinstance(rate, Mapping) and rate["mean"] > 0
        else " and rising"
    )
    text += (
        f"; it passes its limit{_of(facts, 'limit_mg_l', 'mg/L')} within four weeks{_chance(facts, 'chance_28_days')}"
    )
    days = facts.get("days_to_limit")
    return text + (f", even odds in about {number(days)} days" if _is_number(days) and days > 0 else "")


def _uptake_behind(facts: Facts) -> str:
    share = facts.get("kept_up_share")
    if not isinstance(share, Mapping):
        return "for two weeks the plants have taken up less than the feed supplies"
    mean, low, high = (100 * share[k] for k in ("mean", "low", "high"))
    return (
        f"for two weeks the plants have taken up about {mean:.0f} % of what the feed supplies"
        f" (90 %: {max(0.0, low):.0f} to {high:.0f} %)"
    )


def _moving(name: str, facts: Facts) -> str:
    """A rate: the sign says which way."""
    if not _is_number(facts.get("value")):
        return f"{name} is moving fast"
    way = "rising" if facts["value"] > 0 else "falling"
    name = f"{name} ({_which(facts)})" if _which(facts) else name
    text = f"{name} is {way} by {number(abs(facts['value']))} {facts.get('unit', '')}".rstrip()
    return text + (f", against a limit of {number(abs(facts['limit']))}" if _is_number(facts.get("limit")) else "")


def _band(facts: Facts, key: str, unit: str) -> str:
    """`about 34 mg/L (90 %: 25 to 44)`, or nothing."""
    value = facts.get(key)
    if not isinstance(value, Mapping):
        return ""
    low, high = number(max(0.0, value["low"])), number(value["high"])
    return f"about {number(value['mean'])} {unit} (90 %: {low} to {high})"


def _of(facts: Facts, key: str, unit: str) -> str:
    return f" of {number(facts[key], 3)} {unit}" if _is_number(facts.get(key)) else ""


def _chance(facts: Facts, key: str) -> str:
    """A chance in whole percent, never quite none or certain."""
    chance = facts.get(key)
    if not _is_number(chance):
        return ""
    percent = min(99.0, max(1.0, 100.0 * float(chance)))
    return f" with a chance of {percent:.0f} %"


_HAPPENING: Mapping[str, Callable[[Facts], str]] = MappingProxyType(
    {
        "nitrate_high": _nitrate_high,
        "nitrate_rising": _nitrate_rising,
        "uptake_behind": _uptake_behind,
        "temperature_moving": partial(_moving, "the water's temperature"),
        "ph_moving": partial(_moving, "pH"),
    }
)
"""Alarms whose happening needs more than title, value and limit."""
