"""What an alarm says: the happening, the tank, how sure; the simplest cause; the first action; the known trap.

Owns the order and the wording.  Never decides whether to speak.  Evidence comes from the watches; what is not known
leaves its part of the sentence out, never a gap in it.
"""

from __future__ import annotations

from rushlight.alarms.evidence import (
    Evidence,
    LevelEvidence,
    MovingEvidence,
    NitrateEvidence,
    ProbeEvidence,
    ToolEvidence,
)
from rushlight.alarms.table import AlarmRow
from rushlight.config.implied import ASSUMED
from rushlight.effects import AlarmStateName, Estimate
from rushlight.localunits import METRIC, Units, number
from rushlight.views import no_kit_for


def alarm_text(row: AlarmRow, place: str, told: Evidence, units: Units = METRIC) -> str:
    """The whole message of a standing alarm.  `place` is the tank's name, empty for the installation itself."""
    return f"{happening_text(row, place, told, units)} {advice_text(row, told)}"


def happening_text(row: AlarmRow, place: str, told: Evidence, units: Units = METRIC) -> str:
    """What is happening, in which tank, how sure."""
    what = happening(row, told, units)
    parts = [sentence(f"{place}: {what}" if place else what)]
    if told.unstable:
        parts.append(
            "It has come and gone several times within the hour, so it is held until it has been steady for an hour."
        )
    if told.blind:
        parts.append("There is no fresh data at the moment; this is the last that was known.")
    return " ".join(parts)


def advice_text(row: AlarmRow, told: Evidence) -> str:
    """The cause, the first action, the trap."""
    parts = [_cause(row, told), f"First: {_lower(first_action(row, told))}"]
    parts.append(sentence(row.trap if told.trap_sentence is None else told.trap_sentence))
    return " ".join(p for p in parts if p)


def change_text(
    row: AlarmRow,
    place: str,
    told: Evidence,
    state: AlarmStateName,
    *,
    subject: str = "",
    by: str = "",
    hours: float | None = None,
) -> str:
    """One sentence for a change that asks for nothing."""
    what = f"{place}: {_lower(row.title)}" if place else row.title
    which = _which(told) or subject
    if which:
        what += f" ({which})"
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


def title_text(row: AlarmRow, place: str, told: Evidence, subject: str = "") -> str:
    """A title that fits a phone's notification."""
    which = _which(told) or subject
    return ": ".join(p for p in (place, row.title) if p) + (f" ({which})" if which else "")


def _which(told: Evidence) -> str:
    """The probe, with its place, or the channel that this is about; empty where there is but one."""
    match told:
        case ProbeEvidence() | LevelEvidence():
            return ", ".join(w for w in (told.probe, told.place) if w)
        case ToolEvidence():
            return told.channel
    return ""


def sitter_text(row: AlarmRow, place: str, told: Evidence, call: str, units: Units = METRIC) -> str:
    """The same for somebody who only feeds the fish: what is the matter, what to do, whom to call."""
    matter = happening(row, told, units)
    what = sentence(f"{place}: {matter}" if place else matter)
    parts = [what, sentence(told.sitter_sentence) or row.sitter]
    if call:
        parts.append(sentence(f"If in doubt, call {call}"))
    return " ".join(parts)


def first_action(row: AlarmRow, told: Evidence) -> str:
    """The one thing to do first, and where a test is to be had that it asks for and no kit here makes."""
    return f"{sentence(told.action_sentence or row.first_action)} {sentence(no_kit_for(told.cannot))}".rstrip()


def capital(text: str) -> str:
    """The text with a capital at its beginning; a name such as pH keeps its own."""
    return text if text[1:2].isupper() else text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """The text with a capital at its beginning and a full stop at its end."""
    text = text.strip()
    if not text:
        return ""
    text = capital(text)
    return text if text[-1] in ".?:" else text + "."


def _lower(text: str) -> str:
    """Start in the middle of a sentence, unless the first word is a name such as pH."""
    return text if len(text) < 2 or text[1].isupper() else text[0].lower() + text[1:]


def _cause(row: AlarmRow, told: Evidence) -> str:
    if told.cause_sentence is not None:
        return sentence(told.cause_sentence)
    if isinstance(told, NitrateEvidence) and told.cause:
        return sentence(told.cause)
    return sentence(f"Usual cause: {_lower(row.cause)}")


def happening(row: AlarmRow, told: Evidence, units: Units = METRIC) -> str:
    """What is happening, in the middle of a sentence: the watch's own words, or made of the figures."""
    if told.sentence:
        return told.sentence
    match told:
        case NitrateEvidence() if row.name in ("nitrate_high", "nitrate_rising"):
            return _nitrate(told, units)
        case NitrateEvidence() if row.name == "uptake_behind":
            return _uptake_behind(told)
        case MovingEvidence():
            return _moving(told, units)
    return _plain(row, told, units)


def _plain(row: AlarmRow, told: Evidence, units: Units) -> str:
    """The title, with value and limit where they are known."""
    text = _lower(row.title)
    which = _which(told)
    if which:
        text += f" ({which})"
    if isinstance(told, LevelEvidence) and told.value is not None:
        if told.limit is None:
            return f"{text}: {units.say(told.value, told.unit, 3)}"
        unit = f" {units.word(told.unit)}".rstrip()
        value, limit = units.beside(told.value, told.limit, told.unit)
        text += f": {value}{unit} against a limit of {limit}{unit}"
        text += f" ({ASSUMED})" if told.limit_assumed else ""
    return text


def _nitrate(told: NitrateEvidence, units: Units) -> str:
    """Level, direction and chance, so that direction words agree with the rate and the level with the limit."""
    limit = units.say(told.limit_mg_l, "mg/L", 3)
    level = told.nitrate_mg_l
    if level is None or told.chance_now is None:
        return f"nitrate may be above its limit of {limit} as NO3"
    text = f"nitrate {_band(level, units.word('mg/L as NO3'))}{_direction(told.net_rate_mg_l_day, units)}"
    if level.mean > told.limit_mg_l:
        return f"{text}, above its limit of {limit} with a chance of {percent(told.chance_now)}"
    if told.chance_28_days is None:
        return f"{text}, limit {limit}"
    text += f"; the chance of passing its limit of {limit} within four weeks is {percent(told.chance_28_days)}"
    days = told.days_to_limit
    return text + (f", even odds in about {number(days)} days" if days is not None and days >= 1.0 else "")


def _direction(rate: Estimate | None, units: Units) -> str:
    """Which way it goes: only as far as the whole interval says so."""
    if rate is None:
        return ""
    if rate.low > 0:
        return f", rising by {units.say_change(rate.mean, 'mg/L a day')}"
    if rate.high < 0:
        return f", falling by {units.say_change(-rate.mean, 'mg/L a day')}"
    return ", not clearly rising or falling"


def _uptake_behind(told: NitrateEvidence) -> str:
    share = told.kept_up_share
    if share is None:
        return "for two weeks the plants have taken up less than the feed supplies"
    mean, low, high = (100 * x for x in (share.mean, share.low, share.high))
    return (
        f"for two weeks the plants have taken up about {mean:.0f} % of what the feed supplies"
        f" (90 %: {max(0.0, low):.0f} to {high:.0f} %)"
    )


def _moving(told: MovingEvidence, units: Units) -> str:
    """A rate: the sign says which way."""
    name = "pH" if told.quantity == "ph" else f"the water's {told.quantity or 'value'}"
    if told.value is None:
        return f"{name} is moving fast"
    way = "rising" if told.value > 0 else "falling"
    if told.limit is None:
        return f"{name} is {way} by {units.say_change(abs(told.value), told.unit)}"
    value, limit = units.beside(abs(told.value), abs(told.limit), told.unit, 2, change=True)
    return f"{name} is {way} by {value} {units.word(told.unit)}".rstrip() + f", against a limit of {limit}"


def _band(value: Estimate, unit: str) -> str:
    """`about 34 mg/L (90 %: 25 to 44)`."""
    return f"about {number(value.mean)} {unit} (90 %: {number(max(0.0, value.low))} to {number(value.high)})"


def percent(chance: float) -> str:
    """A chance in whole percent, never quite none or certain."""
    return f"{min(99.0, max(1.0, 100.0 * chance)):.0f} %"
