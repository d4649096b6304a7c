"""Why nitrate misbehaves, as its alarms say it: the simplest cause that the evidence supports, and what to do first.

Owns the choice between the causes that the tests were split into (`causes`), the tank's other alarms that stand at
that moment, and 'test again' where one strip is all the evidence.  Works nothing out by itself.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from rushlight.alarms.evidence import CauseShare, NitrateEvidence
from rushlight.alarms.finding import Finding
from rushlight.views import Share

ALARMS = frozenset({"nitrate_high", "nitrate_rising", "uptake_behind"})
AGAIN_IF_ONE = ALARMS - {"nitrate_high"}
"""Those that ask for a second test where one is all the evidence; a level that is high does so whatever the cause."""
NEXT_SHARE = 0.25
"""A second cause is worth a sentence from this share of the change on (own choice)."""

LIGHT_ALARMS = {
    "lamp_off": "the lamp is not on its schedule",
    "lamp_dimming": "the lamp gives less light than it did",
}
"""Standing alarms that explain a falling uptake, the plainest first.  `light_low` is none: it is worked out from the
uptake itself."""

ACTIONS = {
    "one test": "Test again in a day or two, before changing anything",
    "feed": "Feed no more than before",
    "light": "See to the light: look at the lamp's hours, its cover and what shades it",
    "lamp_dimming": "Wipe the lamp's cover, lamp switched off and unplugged; if that does not help, replace the lamp",
    "lamp_off": "Look at the lamp's timer and plug",
    "light_probe_fouled": "Wipe the light probe, so that it is known whether the light has changed",
    "temperature": "See to the heater and to what cools or warms the tank; bring it back slowly, a degree or two a day",
    "harvest": "Feed a little less until the plants have grown back",
    "water changes": "Change as much water as before",
    "source water": "Test the water that you fill in",
    "stocking": "Write down what is fed, and feed a little less",
    "unexplained": "Test again, and look for a dead fish, dying leaves or feed that nobody wrote down",
}
DEEDS = {
    "one test": "Test again in a day or two, change nothing yet.",
    "feed": "Feed no more than before.",
    "light": "See to the light: hours, cover, shade.",
    "lamp_dimming": "Wipe the lamp's cover, unplugged; else replace the lamp.",
    "lamp_off": "Look at the lamp's timer and plug.",
    "light_probe_fouled": "Wipe the light probe.",
    "harvest": "Feed a little less until the plants grow back.",
    "water changes": "Change as much water as before.",
    "source water": "Test the water that you fill in.",
    "stocking": "Write down what is fed; feed a little less.",
    "unexplained": "Test again; look for dead fish, leaves or feed.",
}
"""The same for a locked phone."""
TRAP = "Do not add fertiliser: it raises nitrate further"
"""Where the light is not what is wrong."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What there is to go by."""

    causes: Sequence[Share]
    sentence: str
    """The split in words."""
    tests_since_quiet: int
    standing: AbstractSet[str]
    """Names of the tank's alarms whose condition holds."""
    lamp_percent: float | None
    rising: bool
    """Nitrate surely rises."""


@dataclass(frozen=True, slots=True)
class Because:
    """The answer: the cause by its name in `ACTIONS`, in a sentence, and what to do about it."""

    cause: str
    sentence: str
    action: str


def explain(finding: Finding, seen: Evidence) -> Finding:
    """The finding with its cause, first action and trap, whatever it says; another alarm's is left as it is."""
    told = finding.evidence
    if finding.alarm not in ALARMS or not isinstance(told, NitrateEvidence):
        return finding
    why = because(seen, level_alone=finding.alarm == "nitrate_high")
    shares = tuple(
        CauseShare(cause=s.cause, mean=s.change.mean, low=s.change.low, high=s.change.high) for s in seen.causes
    )
    told = dataclasses.replace(
        told, cause="", first_cause=why.cause, cause_sentence=why.sentence, causes=shares, why=_short(why, seen)
    )
    if finding.alarm != "nitrate_high":  # that one asks for another test and a water change whatever the cause
        trap = None if why.cause in {"light", "lamp_dimming", "lamp_off"} else TRAP
        told = dataclasses.replace(told, action_sentence=why.action, trap_sentence=trap, deed=_deed(why))
    return dataclasses.replace(finding, evidence=told)


def repeated(finding: Finding, action: str, deed: str) -> Finding:
    """The finding on a reading that fits nothing: making that test again comes before all else."""
    if finding.alarm not in ALARMS:
        return finding
    told = dataclasses.replace(finding.evidence, action_sentence=action, deed=deed, asks=("nitrate",))
    return dataclasses.replace(finding, evidence=told)


def _deed(why: Because) -> str:
    """The short order of the same action, which may be that of a standing light alarm."""
    name = next((n for n, action in ACTIONS.items() if action == why.action), why.cause)
    return DEEDS.get(name, "")


def _short(why: Because, seen: Evidence) -> str:
    """The cause in a hundred characters: what the split's first part says, with its share of the change."""
    share = next((s for s in seen.causes if s.cause == why.cause), None)
    if why.cause == "one test":
        known = seen.causes[0] if seen.causes and seen.causes[0].cause != "unexplained" else None
        return "One test is all the evidence so far" + (f"; simplest cause: {known.text}." if known else ".")
    alarm = _light_alarm(seen)
    if why.cause in ("light", "light_probe_fouled") and alarm:
        return f"Simplest cause: {_lamp(seen, alarm)}"
    if share is None or why.cause == "unexplained":
        return why.sentence if len(why.sentence) <= 110 else "Nothing recorded explains most of it."
    total = sum(s.change.mean for s in seen.causes)
    part = 100.0 * share.change.mean / total if total else 0.0
    size = "all of it" if part >= 99.5 else f"about {part:.0f} % of it"
    return f"Simplest cause: {share.text}; {size}."


def because(seen: Evidence, *, level_alone: bool = False) -> Because:
    """The simplest cause.  `level_alone`: a level that no longer rises needs no cause of a rise."""
    if seen.causes and seen.tests_since_quiet <= 1:
        return Because("one test", seen.sentence, ACTIONS["one test"])
    first = seen.causes[0].cause if seen.causes else ""
    if first and first != "unexplained":
        return _named(seen, first)
    if level_alone and not (first and seen.rising):
        return Because("level", "It is not clearly rising now; what is there has gathered over the last weeks.", "")
    return _by_alarms(seen) or _nothing(seen)


def _named(seen: Evidence, first: str) -> Because:
    """The split's own first cause; where it is the light, the alarm that knows more about it."""
    alarm = _light_alarm(seen)
    if first == "light":
        if "light_probe_fouled" in seen.standing:
            doubt = "The light probe itself seems dirty or shaded, so this is not sure."
            return Because("light_probe_fouled", f"{seen.sentence} {doubt}", ACTIONS["light_probe_fouled"])
        return Because("light", _join(seen.sentence, _lamp(seen, alarm)), ACTIONS.get(alarm, ACTIONS["light"]))
    sentence, second = seen.sentence, _second(seen)
    if second is not None:
        extra = _lamp(seen, alarm) if second.cause == "light" and alarm else f"{second.text}."
        sentence = f"{sentence} Second cause: {extra[0].lower()}{extra[1:]}"
    return Because(first, sentence, ACTIONS[first])


def _second(seen: Evidence) -> Share | None:
    total = sum(s.change.mean for s in seen.causes)
    rest = [s for s in seen.causes[1:] if s.cause != "unexplained"]
    return next((s for s in rest if total and s.change.mean / total >= NEXT_SHARE), None)


def _by_alarms(seen: Evidence) -> Because | None:
    """No recorded change explains it, but another alarm of this tank does."""
    alarm = _light_alarm(seen)
    if alarm:
        lamp = _lamp(seen, alarm)
        return Because("light", f"Simplest cause: {lamp[0].lower()}{lamp[1:]}", ACTIONS.get(alarm, ACTIONS["light"]))
    if "light_probe_fouled" in seen.standing:
        sentence = "The light probe is dirty or shaded, so it is not known whether the light has changed."
        return Because("light_probe_fouled", sentence, ACTIONS["light_probe_fouled"])
    return None


def _nothing(seen: Evidence) -> Because:
    if not seen.causes and seen.tests_since_quiet <= 1:
        return Because("one test", "The tests are too few to tell a cause.", ACTIONS["one test"])
    sentence = seen.sentence or "Nothing that was written down explains it."
    return Because("unexplained", sentence, ACTIONS["unexplained"])


def _light_alarm(seen: Evidence) -> str:
    return next((name for name in LIGHT_ALARMS if name in seen.standing), "")


def _lamp(seen: Evidence, alarm: str) -> str:
    """What the standing light alarm adds; empty where none stands."""
    if not alarm:
        return ""
    if alarm == "lamp_dimming" and seen.lamp_percent is not None:
        return f"The lamp gives only {seen.lamp_percent:.0f} % of the light that it gave."
    words = LIGHT_ALARMS[alarm]
    return f"{words[0].upper()}{words[1:]}."


def _join(*sentences: str) -> str:
    return " ".join(s for s in sentences if s)
