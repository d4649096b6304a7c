"""What an alarm says: the happening, the tank, how sure; the simplest cause; the first action; the known trap.

Owns the order and the wording.  Never decides whether to speak.  Facts come from the watches; a fact that is
missing leaves its part of the sentence out, never a gap in it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from rushlight.alarms.table import AlarmRow
from rushlight.effects import AlarmStateName

Facts = Mapping[str, Any]


def alarm_text(row: AlarmRow, place: str, facts: Facts, *, unstable: bool = False) -> str:
    """The whole message of a standing alarm.  `place` is the tank's name, empty for the installation itself."""
    parts = [_sentence(f"{place}: {_happening(row, facts)}" if place else _happening(row, facts))]
    if unstable:
        parts.append(
            "It has come and gone several times within the hour, so it is held until it has been steady for an hour."
        )
    if facts.get("blind"):
        parts.append("There is no fresh data at the moment; this is the last that was known.")
    parts.append(_cause(row, facts))
    parts.append(f"First: {_lower(first_action(row, facts))}")
    trap = facts.get("trap_sentence", row.trap)
    if trap:
        parts.append(_sentence(str(trap)))
    return " ".join(p for p in parts if p)


def change_text(
    row: AlarmRow, place: str, facts: Facts, state: AlarmStateName, *, by: str = "", hours: float | None = None
) -> str:
    """One sentence for a change that asks for nothing."""
    what = f"{place}: {_lower(row.title)}" if place else row.title
    if facts.get("probe"):
        what += f" ({facts['probe']})"
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
    probe = facts.get("probe") or facts.get("channel")
    return ": ".join(p for p in (place, row.title) if p) + (f" ({probe})" if probe else "")


def sitter_text(row: AlarmRow, place: str, facts: Facts, call: str) -> str:
    """The same for somebody who only feeds the fish: what is the matter, what to do, whom to call."""
    parts = [_sentence(f"{place}: {_happening(row, facts)}" if place else _happening(row, facts)), row.sitter]
    if call:
        parts.append(_sentence(f"If in doubt, call {call}"))
    return " ".join(parts)


def first_action(row: AlarmRow, facts: Facts) -> str:
    """The one thing to do first."""
    return _sentence(str(facts.get("action_sentence") or row.first_action))


def number(value: float, digits: int = 2) -> str:
    """A number as people write it: so many significant digits, never an exponent, no trailing zeros."""
    if value == 0:
        return "0"
    size = f"{abs(value):.{digits}g}"
    rounded = float(size)
    text = f"{rounded:.0f}" if rounded >= 10 ** (digits - 1) else f"{rounded:.6f}".rstrip("0").rstrip(".")
    return f"−{text}" if value < 0 else text


def _sentence(text: str) -> str:
    text = text.strip()
    if not text:
        return ""
    text = text[0].upper() + text[1:]
    return text if text[-1] in ".?:" else text + "."


def _lower(text: str) -> str:
    """Start in the middle of a sentence, unless the first word is a name such as pH."""
    return text if len(text) < 2 or text[1].isupper() else text[0].lower() + text[1:]


def _cause(row: AlarmRow, facts: Facts) -> str:
    if "cause_sentence" in facts:
        cause = str(facts["cause_sentence"] or "")
        return _sentence(cause)
    return _sentence(f"Usual cause: {_lower(row.cause)}")


def _happening(row: AlarmRow, facts: Facts) -> str:
    if facts.get("sentence"):
        return str(facts["sentence"])
    return _HAPPENING.get(row.name, _plain)(row, facts)


def _plain(row: AlarmRow, facts: Facts) -> str:
    """The title, with value and limit where they are known."""
    text = _lower(row.title)
    probe = facts.get("probe") or facts.get("channel")
    if probe:
        text += f" ({probe})"
    unit = f" {facts['unit']}" if facts.get("unit") else ""
    if _is_number(facts.get("value")):
        text += f", {number(facts['value'], 3)}{unit}"
        if _is_number(facts.get("limit")):
            text += f" against a limit of {number(facts['limit'], 3)}{unit}"
    return text


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


_HAPPENING: dict[str, Callable[[AlarmRow, Facts], str]] = {}
"""Alarms whose happening needs more than title, value and limit."""
