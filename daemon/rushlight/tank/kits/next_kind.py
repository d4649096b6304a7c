"""What kind of test the next one had best be, as it will stand on its date, with what to do and one sentence why.

Owns how a date's reason and the choice by information (`choice`) come together: far from the date there may be nothing
to test yet, on the date somebody tests anyway, and a date that another substance asks for needs a kit that measures it.
Pure.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from rushlight.settings import Kit
from rushlight.tank.kits.choice import ENOUGH, Kind, Option
from rushlight.views import CALLED


@dataclass(frozen=True, slots=True, kw_only=True)
class NextKind:
    """The kind of the next test, why, and what to do on the day."""

    kind: Kind
    sentence: str
    action: str
    """What to do once the date is there, without its end."""
    deed: str
    """The same for a locked phone."""


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


def of_nitrate(now: Option, then: Option, limit: str, kits: Sequence[Kit], *, at_hand: bool) -> NextKind:
    """For a test that nitrate asks for: `now` and `then` are the best ones today and on its date; `limit` as spoken."""
    if then.kind == "nothing yet":
        usual = plain(kits)
        side = f"it is clear on which side of {limit} nitrate stands"
        if at_hand:
            return _made(usual, f"{ENOUGH[usual]}: {side}, and it shows that nothing has slid.")
        words = f"Nothing to test yet: {side}, as far ahead as that day; then {_lower(ENOUGH[usual])}."
        return _made("nothing yet", words, usual)
    if now.kind == "nothing yet" and not at_hand:
        return _made("nothing yet", f"Nothing to test yet; on that day: {_lower(then.sentence)}", then.kind)
    return _made(then.kind, then.sentence)


def first(kits: Sequence[Kit], strips_left: float | None) -> NextKind:
    """For a tank that was never tested."""
    usual = _at_hand(kits, strips_left)
    return _made(usual, f"{ENOUGH[usual]}: with its figure the estimate begins.")


def of_others(substances: Collection[str], kits: Sequence[Kit], strips_left: float | None) -> NextKind:
    """For a test that other substances ask for, such as ammonia after new fish."""
    called = [CALLED.get(s, s) for s in substances]
    named = called[0] if len(called) == 1 else f"{', '.join(called[:-1])} and {called[-1]}"
    able = [k for k in kits if not k.pads or all(s in k.pads for s in substances)]
    usual = _at_hand(able, strips_left)
    words = {
        "strip": f"A strip by eye is enough: it has pads for {named}.",
        "drops": f"Use the drop test: it measures {named}.",
    }.get(usual, f"Have a sample measured by a laboratory or a shop: nothing at hand measures {named}.")
    action, deed = {
        "strip": (f"Test {named} with a strip and enter the result.", f"Test {named} and enter it."),
        "drops": (f"Test {named} with the drop test and enter the result.", f"Test {named} and enter it."),
    }.get(usual, (f"Have {named} measured by a laboratory or a shop, and enter it.", f"Have a shop test {named}."))
    return NextKind(kind=usual, sentence=words, action=action, deed=deed)


def plain(kits: Sequence[Kit]) -> Kind:
    """The usual test with these kits, the tank's own first."""
    by: dict[str, Kind] = {"strip": "strip", "drops": "drops"}
    return by.get(kits[0].method, "laboratory") if kits else "laboratory"


def _at_hand(kits: Sequence[Kit], strips_left: float | None) -> Kind:
    out = strips_left is not None and strips_left < 0.5
    return plain([k for k in kits if not (out and k.method == "strip")])


def _made(kind: Kind, sentence: str, on_the_day: Kind | None = None) -> NextKind:
    action, deed = _ACTION[on_the_day or kind]
    why = sentence.partition(": ")[2]
    told = f"{action}: {why}" if why and on_the_day is None else f"{action}."
    return NextKind(kind=kind, sentence=sentence, action=told, deed=deed)


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
