"""The reason of the next test names the kind of test and why: in replay, on every screen, and in what a person is told."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import pytest

from helpers.site import CONFIG, config_of
from rushlight import eventlines, replay
from rushlight.core.present import ask_at
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.core.view import site_view
from rushlight.settings import Config
from rushlight.tank.kits import choice, next_kind
from rushlight.tank.kits.choice import Option
from rushlight.views import TankView

SITE = config_of()
DROPS = config_of(CONFIG + '\n[[kit]]\nid = "drops"\nmethod = "drops"\npads = {}\n')
KINDS = {"strip": "strip", "picture": "picture", "thinned": "hin", "drops": "drop test", "laboratory": "laboratory"}


def strip(day: int, nitrate: float, **more: Any) -> dict[str, Any]:
    record = {"at": f"2026-03-{day:02}T12:00:00Z", "id": f"t{day}", "kind": "test", "tank": "foyer", "method": "strip"}
    return record | {"values": {"nitrate": nitrate}} | more


def after(records: list[dict[str, Any]], site: Config = SITE) -> tuple[TankView, str, Timeline]:
    """The tank as it is told an hour after the last record, and the reason of the last `due` line of a replay."""
    out = [json.loads(line) for line in replay.replay(site, [json.dumps(r) for r in records], daily=False)]
    core = Core(site)
    timeline = Timeline(core, core.initial())
    list(timeline.run([eventlines.parse_record(r) for r in records]))
    at_s = eventlines.unix_s(records[-1]["at"]) + 3600.0
    timeline.advance(at_s)
    due = [line for line in out if line["kind"] == "due"]
    return site_view(core, timeline.state, at_s).tanks[0], due[-1]["reason"], timeline


def test_far_below_the_limit_there_is_nothing_to_test_before_the_date() -> None:
    told, reason, _ = after([strip(d, 10, values={"nitrate": 10, "kh": 10}) for d in (1, 8, 15, 22)])
    assert reason.startswith("10 days is the longest interval")
    assert told.account.next_test_kind == "nothing yet"
    assert "Nothing to test yet: until that day it is clear on which side of 40 mg/L as NO3 nitrate stands." in reason
    assert "Then a strip by eye is enough" in reason
    assert told.account.next_test_kind_sentence in reason


@pytest.mark.slow
@pytest.mark.parametrize(("site", "kinds"), [(SITE, {"strip", "thinned"}), (DROPS, {"drops"})])
def test_in_doubt_the_kind_is_the_one_that_tells_most(site: Config, kinds: set[str]) -> None:
    told, reason, _ = after([strip(1, 25), strip(8, 50)], site)
    assert told.account.next_test_kind in kinds
    assert KINDS[told.account.next_test_kind] in told.account.next_test_kind_sentence
    assert told.account.next_test_kind_sentence in reason
    assert "40 mg/L as NO3" in reason


def test_after_two_strips_that_left_it_open_a_third_is_not_the_kind() -> None:
    """Two pads meet at 36.4 on the strip, and so at 4/3 of it less a third of 5 mg/L in a sample of 3 + 1: 47."""
    told, reason, _ = after([strip(1, 25), strip(8, 50), strip(12, 25)])
    assert "too coarse" in reason
    assert told.account.next_test_kind == "thinned"
    assert "two pads then meet at 47 mg/L as NO3 in the tank" in reason


@pytest.mark.parametrize(("strips", "sure"), [(2, "nitrate is told"), (3, "it is clear that nitrate stands")])
def test_above_the_limit_the_usual_test_shows_whether_it_comes_down(strips: int, sure: str) -> None:
    """Whoever is told that nitrate stands above is not asked on which side of the limit it stands."""
    told, reason, _ = after([strip(1 + 4 * n, 100) for n in range(strips)])
    assert reason == (
        f"nitrate stands above its limit. A strip by eye is enough: {sure} above 40 mg/L (as NO3), and the test shows "
        "whether it comes down."
    )
    assert told.account.next_test_kind == "strip"


def test_what_other_substances_ask_for_names_a_kit_that_measures_them() -> None:
    """New filter material brings a plan of ammonia and nitrite; these strips have nitrite alone (common practice)."""
    changed = {"at": "2026-03-02T12:00:00Z", "id": "f", "kind": "filter", "tank": "foyer", "what": "replaced"}
    told, reason, _ = after([strip(1, 10), changed])
    assert reason.startswith("ammonia and nitrite:")
    assert "pads for nitrite" in told.account.next_test_kind_sentence


def test_a_tank_never_tested_begins_with_what_is_at_hand() -> None:
    note = {"at": "2026-03-02T12:00:00Z", "id": "n", "kind": "note", "tank": "foyer", "text": "set up"}
    told, reason, _ = after([note])
    assert (told.account.next_test_kind, reason) == (
        "strip",
        "this tank has never been tested. A strip by eye is enough: with its figure the estimate begins.",
    )


def test_a_late_test_asks_for_its_kind_in_message_and_first_action() -> None:
    told, _, timeline = after([strip(1, 25), strip(8, 50)], DROPS)
    assert told.due_at_s is not None
    late_s = told.due_at_s + 40 * 3600.0
    timeline.advance(late_s)
    evidence = ask_at(timeline.core, timeline.state, late_s)("foyer.test_overdue").record()
    assert evidence["test_kind"] == "drops"
    assert evidence["action_sentence"].startswith("Test the water with the drop test and enter the result: ")
    view = site_view(timeline.core, timeline.state, late_s).tanks[0]
    assert view.account.todo.startswith("Test the water with the drop test") or view.alarms


LIMIT = "40 mg/L as NO3"
STRIP = Option(kind="strip", bits=0.4, cost=0.02, sentence="A strip by eye tells enough: its pads lie so.")
NOTHING = Option(kind="nothing yet", bits=0.0, cost=0.0, sentence="Nothing to test yet: it is clear.")
THIN = Option(kind="thinned", bits=0.5, cost=0.02, sentence="Thin the sample, 1 + 1: two pads then meet at 40.")


@pytest.mark.parametrize(
    ("now", "then", "at_hand", "kind", "words"),
    [
        (STRIP, STRIP, False, "strip", "A strip by eye tells enough"),
        (NOTHING, STRIP, False, "nothing yet", "on that day: a strip by eye tells enough"),
        (NOTHING, NOTHING, False, "nothing yet", "Then a strip by eye is enough"),
        (NOTHING, NOTHING, True, "strip", "whether that is still so"),
        (STRIP, THIN, True, "thinned", "Thin the sample"),
    ],
)
def test_the_sentence_fits_the_day(now: Option, then: Option, at_hand: bool, kind: str, words: str) -> None:
    found = next_kind.of_nitrate(now, then, LIMIT, SITE.kit, at_hand=at_hand)
    assert found.kind == kind and words in found.sentence
    assert len(found.deed) <= 45 and found.action.endswith(".")


def test_every_kind_can_be_told() -> None:
    assert set(next_kind._ACTION) | {"nothing yet"} == set(choice.Kind.__args__)
    for kind in next_kind._ACTION:
        option = dataclasses.replace(STRIP, kind=kind)
        assert len(next_kind.of_nitrate(option, option, LIMIT, SITE.kit, at_hand=True).deed) <= 45


def sitter(kind: str, *methods: str, left: float | None = None) -> str:
    option = dataclasses.replace(STRIP, kind=kind)  # type: ignore[arg-type]
    kits = [dataclasses.replace(SITE.kit[0], method=m, pads={"nitrate": (0.0, 25.0)}) for m in methods]  # type: ignore[arg-type]
    return next_kind.of_nitrate(option, option, LIMIT, kits, left, at_hand=True).sitter


def test_a_sitter_is_asked_for_what_needs_no_knowledge_whatever_kind_is_advised() -> None:
    """Common practice, no source: to dip a strip and write it down takes none; drops take having been shown."""
    assert sitter("strip", "strip").startswith("Dip one test strip")
    assert "take a picture" in sitter("picture", "strip")
    for kind in ("thinned", "laboratory"):
        assert sitter(kind, "strip") == sitter("strip", "strip"), "a plain strip serves"
    assert sitter("drops", "drops", "strip") == sitter("strip", "strip")
    assert "if you were shown how" in sitter("drops", "drops") and "call" in sitter("drops", "drops")
    assert "if you were shown how" in sitter("drops", "drops", "strip", left=0.0)
    assert sitter("laboratory", "lab") == next_kind.CALL_SITTER == sitter("laboratory", "strip", left=0.0)
    for kind in choice.Kind.__args__:  # type: ignore[attr-defined]
        for methods in (("strip",), ("drops",), ("lab",)):
            told = sitter(kind if kind != "nothing yet" else "strip", *methods)
            assert not any(w in told.lower() for w in ("thin", "laborator", "nitrate", "cup", "limit", "ammonia"))


@pytest.mark.slow
def test_the_advised_kind_is_what_the_sitter_hears_of_a_late_test() -> None:
    _, _, timeline = after([strip(1, 25), strip(8, 50)], DROPS)
    timeline.advance(eventlines.unix_s("2026-03-20T12:00:00Z"))
    told = ask_at(timeline.core, timeline.state, eventlines.unix_s("2026-03-20T12:00:00Z"))("foyer.test_overdue")
    assert told.sitter_sentence.startswith("Dip one test strip"), "a strip is there, though drops would tell more"
