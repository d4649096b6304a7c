"""What kind of test the next one had best be, as it will stand on its date, with what to do and one sentence why.

Owns how a date's reason and the choice by information (`choice`) come together: far from the date there may be nothing
to test yet, on the date somebody tests anyway, and a date that another substance asks for needs a kit that measures it.
Owns too what of it somebody is asked who only feeds the fish: to dip a strip and write its colours down, to use drops
if that was shown, never to thin a sample or to find a laboratory.  Pure.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from rushlight.settings import Kit
from rushlight.tank.kits.choice import ENOUGH, Kind, Option
from rushlight.views import CALLED, no_kit_for

NO_STRIP = 0.5
"""Fewer strips than this are none; a strip cut in half is one half (own choice)."""
THRICE = "Test again now, with three strips within a minute"
DIP = "Dip one test strip and wait as its leaflet says"
CALL_SITTER = "The water is to be tested. Do not feed more than agreed, then call"
_SITTER: dict[Kind, str] = {
    "strip": f"{DIP}; enter or write down the numbers beside its colours",
    "picture": f"{DIP}; write down the numbers beside its colours, and take a picture of it lying on its box",
    "drops": "The water is to be tested with drops: if you were shown how, do it as the leaflet says and write the "
    "number down; else feed no more than agreed, and call",
}
"""What somebody is asked who was shown no more than how to feed; a thinned sample is the keeper's own, so a plain strip
serves, and a laboratory is found by whoever is called."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NextKind:
    """The kind of the next test, why, and what to do on the day."""

    kind: Kind
    sentence: str
    action: str
    """What to do once the date is there, without its end."""
    deed: str
    """The same for a locked phone."""
    sitter: str = CALL_SITTER
    """The same for somebody who only feeds the fish, without its end."""
    cups: tuple[int, int] | None = None
    """Of a thinned sample: parts of tank water and of other water."""


_ACTION: dict[Kind, tuple[str, str]] = {
    "strip": ("Test the water with a strip and enter the result", "Test the water with a strip and enter it."),
    "picture": (
        "Test the water with a strip, take its picture on the test page, and enter the result",
        "Test with a strip; take its picture.",
    ),
    "thinned": ("Test a thinned sample with a strip and enter the result", "Test a thinned sample and enter it."),
    "drops": ("Test the water with the drop test and enter the result", "Use the drop test and enter the result."),
    "laboratory": (
        "Have a sample measured by a laboratory or a shop, and enter the result",
        "Have a shop or laboratory test a sample.",
    ),
}


def of_nitrate(
    now: Option, then: Option, limit: str, kits: Sequence[Kit], strips_left: float | None = None, *, at_hand: bool
) -> NextKind:
    """For a test that nitrate asks for: `now` and `then` are the best ones today and on its date; `limit` as spoken."""
    measuring = [k for k in kits if not k.pads or "nitrate" in k.pads]
    if then.kind == "nothing yet":
        usual = plain(kits)
        side = f"it is clear on which side of {limit} nitrate stands"
        if at_hand:
            made = _made(usual, f"{ENOUGH[usual]}: {side}, and the test shows whether that is still so.")
        else:
            words = f"Nothing to test yet: until that day {side}. Then {_lower(ENOUGH[usual])}."
            made = _made("nothing yet", words, usual)
        return _for_sitter(made, usual, measuring, strips_left)
    if now.kind == "nothing yet" and not at_hand:
        made = _made("nothing yet", f"Nothing to test yet; on that day: {_lower(then.sentence)}", then.kind)
    else:
        made = _made(then.kind, then.sentence)
    return replace(_for_sitter(made, then.kind, measuring, strips_left), cups=then.cups)


def again(kits: Sequence[Kit], strips_left: float | None) -> NextKind:
    """For a reading that fits nothing: the same test again, as only that tells whether it was a slip."""
    usual = _at_hand(kits, strips_left)
    if usual != "strip":
        made = _made(usual, f"{ENOUGH[usual]}: it tells whether that reading was a slip.")
    else:
        words = "Strips by eye are enough: three within a minute tell whether that reading was a slip."
        made = NextKind(
            kind="strip", sentence=words, action=f"{THRICE}, and enter each.", deed="Test again now, with three strips."
        )
    return _for_sitter(made, usual, kits, strips_left)


def first(kits: Sequence[Kit], strips_left: float | None) -> NextKind:
    """For a tank that was never tested."""
    usual = _at_hand(kits, strips_left)
    made = _made(usual, f"{ENOUGH[usual]}: with its figure the estimate begins.")
    return _for_sitter(made, usual, kits, strips_left)


def of_others(
    substances: Collection[str], kits: Sequence[Kit], strips_left: float | None, measures: Collection[str]
) -> NextKind:
    """For a test that other substances ask for, such as ammonia after a power cut; `measures`: what the kits can.

    What no kit here measures is left out of what to do, and said in the sentence.
    """
    wanted = [s for s in substances if s in measures] or list(substances)
    elsewhere = no_kit_for([s for s in substances if s not in measures])
    called = [CALLED.get(s, s) for s in wanted]
    named = called[0] if len(called) == 1 else f"{', '.join(called[:-1])} and {called[-1]}"
    able = [k for k in kits if not k.pads or all(s in k.pads for s in wanted)]
    usual = _at_hand(able, strips_left)
    words = {
        "strip": f"A strip by eye is enough: it has pads for {named}.",
        "drops": f"Use the drop test: it measures {named}.",
    }.get(usual, f"Have a sample measured by a laboratory or a shop: nothing at hand measures {named}.")
    action, deed = {
        "strip": (f"Test {named} with a strip and enter the result.", f"Test {named} and enter it."),
        "drops": (f"Test {named} with the drop test and enter the result.", f"Test {named} and enter it."),
    }.get(usual, (f"Have {named} measured by a laboratory or a shop, and enter it.", f"Have a shop test {named}."))
    words = f"{words} {elsewhere[:1].upper()}{elsewhere[1:]}." if elsewhere else words
    made = NextKind(kind=usual, sentence=words, action=action, deed=deed)
    return _for_sitter(made, usual, able, strips_left)


def plain(kits: Sequence[Kit]) -> Kind:
    """The usual test with these kits, the tank's own first."""
    by: dict[str, Kind] = {"strip": "strip", "drops": "drops"}
    return by.get(kits[0].method, "laboratory") if kits else "laboratory"


def _at_hand(kits: Sequence[Kit], strips_left: float | None) -> Kind:
    return plain([k for k in kits if not (k.method == "strip" and _none(strips_left))])


def _none(strips_left: float | None) -> bool:
    return strips_left is not None and strips_left < NO_STRIP


def _for_sitter(made: NextKind, kind: Kind, kits: Sequence[Kit], strips_left: float | None) -> NextKind:
    """With what a sitter is asked: the kind itself where that needs no knowledge, else a strip where there is one."""
    by_strip = any(k.method == "strip" for k in kits) and not _none(strips_left)
    asked = kind if kind == "picture" or not by_strip else "strip"
    return replace(made, sitter=_SITTER.get(asked, CALL_SITTER))


def _made(kind: Kind, sentence: str, on_the_day: Kind | None = None) -> NextKind:
    action, deed = _ACTION[on_the_day or kind]
    why = sentence.partition(": ")[2]
    told = f"{action}: {why}" if why and on_the_day is None else f"{action}."
    return NextKind(kind=kind, sentence=sentence, action=told, deed=deed)


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
