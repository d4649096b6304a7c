"""Which cause nitrate's alarms name, and what they ask for first: the simplest that the evidence supports."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rushlight.alarms.evidence import NitrateEvidence
from rushlight.alarms.finding import Finding
from rushlight.effects import Estimate
from rushlight.tank.nitrate.explanation import ACTIONS, TRAP, Evidence, because, explain
from rushlight.views import Share


def share(cause: str, mean: float) -> Share:
    return Share(cause=cause, change=Estimate(mean=mean, low=mean - 0.1, high=mean + 0.1), text=f"the {cause} changed")


NOTHING = Evidence(causes=(), sentence="", tests_since_quiet=3, standing=frozenset(), lamp_percent=None, rising=True)
FEED = replace(NOTHING, causes=(share("feed", 0.4), share("unexplained", 0.1)), sentence="Simplest cause: more feed.")
LIGHT = replace(NOTHING, causes=(share("light", 0.4),), sentence="Simplest cause: less light.")


def raised(alarm: str) -> Finding:
    return Finding(
        alarm=alarm, tank="foyer", says="raise", evidence=NitrateEvidence(cause="older words", limit_mg_l=40.0)
    )


def test_one_strip_is_no_evidence_of_a_cause_whatever_stands() -> None:
    seen = replace(FEED, tests_since_quiet=1, standing=frozenset({"lamp_dimming"}))
    assert because(seen).cause == "one test"
    assert because(replace(NOTHING, tests_since_quiet=0)).action == ACTIONS["one test"]


def test_what_was_written_down_is_named_though_one_strip_is_all_the_evidence() -> None:
    told = explain(raised("nitrate_rising"), replace(FEED, tests_since_quiet=1)).evidence
    assert told.why == "One test is all the evidence so far; simplest cause: the feed changed."
    alone = replace(FEED, causes=(share("unexplained", 0.5),), tests_since_quiet=1)
    assert explain(raised("nitrate_rising"), alone).evidence.why == "One test is all the evidence so far."


def test_what_the_tests_were_split_into_comes_before_other_alarms() -> None:
    why = because(replace(FEED, standing=frozenset({"lamp_dimming"}), lamp_percent=80.0))
    assert (why.cause, why.sentence, why.action) == ("feed", FEED.sentence, ACTIONS["feed"])


def test_a_second_cause_is_named_from_a_quarter_of_the_change() -> None:
    for mean, named in ((0.2, True), (0.05, False)):
        seen = replace(FEED, causes=(share("feed", 0.4), share("harvest", mean)))
        assert ("Second cause: the harvest changed." in because(seen).sentence) == named


@pytest.mark.parametrize(
    ("standing", "cause", "action", "words"),
    [
        (set(), "light", "light", "less light."),
        ({"lamp_dimming"}, "light", "lamp_dimming", "The lamp gives only 80 % of the light that it gave."),
        ({"lamp_off", "lamp_dimming"}, "light", "lamp_off", "The lamp is not on its schedule."),
        ({"light_probe_fouled"}, "light_probe_fouled", "light_probe_fouled", "not sure"),
    ],
)
def test_where_it_is_the_light_the_alarm_that_knows_more_says_what_to_do(
    standing: set[str], cause: str, action: str, words: str
) -> None:
    why = because(replace(LIGHT, standing=frozenset(standing), lamp_percent=80.0))
    assert (why.cause, why.action) == (cause, ACTIONS[action])
    assert words in why.sentence


def test_a_standing_lamp_alarm_explains_what_no_record_does() -> None:
    unexplained = replace(
        NOTHING, causes=(share("unexplained", 0.4),), sentence="Nothing recorded explains most of it."
    )
    assert because(unexplained).cause == "unexplained"
    why = because(replace(unexplained, standing=frozenset({"lamp_off"})))
    assert why.sentence == "Simplest cause: the lamp is not on its schedule."
    fouled = because(replace(unexplained, standing=frozenset({"light_probe_fouled"})))
    assert "not known whether the light has changed" in fouled.sentence


def test_a_level_that_no_longer_rises_needs_no_cause_of_a_rise() -> None:
    still = replace(NOTHING, rising=False)
    assert because(still, level_alone=True).cause == "level"
    assert because(still).cause == "unexplained"


def test_the_trap_is_fertiliser_except_where_the_table_names_the_one_of_weak_light() -> None:
    assert explain(raised("nitrate_rising"), FEED).evidence.record()["trap_sentence"] == TRAP
    assert "trap_sentence" not in explain(raised("nitrate_rising"), LIGHT).evidence.record()
    high = explain(raised("nitrate_high"), FEED).evidence.record()
    assert "action_sentence" not in high
    assert (high["first_cause"], high["cause_sentence"]) == ("feed", FEED.sentence)
    assert "cause" not in high


def test_what_is_not_about_nitrate_is_left_alone() -> None:
    finding = raised("ph_high")
    assert explain(finding, FEED) is finding
