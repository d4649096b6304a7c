"""Whoever wires asks the engine, and judges nothing: no file of the room but the engine's own reaches into the core."""

from __future__ import annotations

import ast
from pathlib import Path

import rushlight.service
from rushlight.core.questions import Delivered, Silence, never_told
from rushlight.effects import Told

ROOM = Path(rushlight.service.__file__).parent


def test_nobody_reaches_through_the_engine() -> None:
    reached = [
        f"{file.name}:{node.lineno}"
        for file in ROOM.glob("*.py")
        if file.name != "engine.py"
        for node in ast.walk(ast.parse(file.read_text()))
        if isinstance(node, ast.Attribute) and node.attr in {"core", "timeline"} and "engine" in ast.dump(node.value)
    ]
    assert not reached


def about(alarm: str, step: str = "raise") -> tuple[Told, ...]:
    return (Told(alarm, 1, step),)  # type: ignore[arg-type]


def test_who_was_told_what() -> None:
    standing_s = {"foyer.nitrate_high": 1_000.0, "foyer.ph_low": 2_000.0}
    assert never_told(standing_s, []) == ("foyer.nitrate_high", "foyer.ph_low")
    before_it_rose = Delivered(998.0, about("foyer.nitrate_high"))
    of_its_end = Delivered(2_500.0, about("foyer.ph_low", "return"))
    assert never_told(standing_s, [before_it_rose, of_its_end]) == ("foyer.nitrate_high", "foyer.ph_low")
    told = Delivered(999.5, about("foyer.nitrate_high"))
    assert never_told(standing_s, [told]) == ("foyer.ph_low",), "written a moment after it rose, kept in whole ms"


def test_blind_until_somebody_knows() -> None:
    alarm = "foyer.probe_silent.foyer-ph"
    fresh = Silence((alarm,), all_silent=True, unseen_s={alarm: 1_000.0}, some_not_raised=False)
    assert fresh.blind([])
    assert fresh.blind(None), "nobody can say what was sent"
    assert not fresh.blind([Delivered(1_001.0, about(alarm))])
    assert Silence((), all_silent=True, unseen_s={}, some_not_raised=True).blind([]), "not even raised yet"
    assert not Silence((), all_silent=True, unseen_s={}, some_not_raised=False).blind(None), "somebody saw to it"
    assert not Silence((alarm,), all_silent=False, unseen_s={alarm: 1_000.0}, some_not_raised=True).blind(None)
