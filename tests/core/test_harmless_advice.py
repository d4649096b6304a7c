"""What is advised does no harm: who is told what, in which words, and what no kit here can test."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from helpers.site import config_of
from helpers.waterstory import AT, SITE, STEADY, WEEKS, Said, alarms, entry, played, readings, seen_at, strip
from rushlight.alarms.table import TABLE
from rushlight.replay import replay


def test_no_row_orders_a_fixed_share_of_water() -> None:
    for row in TABLE.values():
        said = f"{row.first_action} {row.sitter}".lower()
        assert not re.search(r"\b(a|one) (third|quarter|half)\b|\d+ ?%", said), row.name
        if re.search(r"change .*water", row.first_action.lower()):
            assert "treated" in said, row.name


def test_a_sitter_is_never_told_to_do_what_needs_knowledge() -> None:
    for row in TABLE.values():
        for word in ("change", "dose", "bicarbonate", "conditioner", "KH", "plan", "salt", "ammonia"):
            assert word not in row.sitter, (row.name, word)


def test_the_view_holds_the_whole_plan_with_cautions() -> None:
    """What page and command print: every line of the proposal, deferring to labels, a vet and the shop."""
    view = seen_at(1, strip(ammonia=6, kh=0, ph=6.4, nitrate=25))
    said = " ".join(view.remedy_sentences)
    assert view.remedy_kind == "matched"
    for words in ("chloramine", "by the conditioner's label", "Only once none is left", "Go by the label", "ask a vet"):
        assert words in said, words
    healthy = seen_at(1, strip(ammonia=0, nitrite=0, kh=5, ph=7.2, nitrate=10))
    assert healthy.remedy_sentences == () and healthy.planned == ()


def test_the_view_shows_a_plan_as_such() -> None:
    cut = entry("outage", "2026-03-03T20:00:00Z", minutes=600)
    done = strip("2026-03-04T20:00:00Z", nitrate=25, ammonia=0, nitrite=0)
    planned = seen_at(1, strip(nitrate=25), cut, done).planned
    assert [p.done for p in planned] == [True, False, False]
    assert planned[0].sentence == "ammonia and nitrite: power was out for 10 h, day 1 (made)"
    blind = seen_at(1, strip(nitrate=25), cut, kits="nitrite ammonia").planned
    assert blind[0].sentence == (
        "ammonia and nitrite: power was out for 10 h, day 1; no kit here measures ammonia or nitrite: a shop sells drop "
        "tests for it, and a shop or a laboratory tests a sample"
    )


def test_the_page_offers_no_plain_change_where_it_would_do_harm() -> None:
    from rushlight.web import plans

    tank = config_of(SITE.format(started="2025-01-10", feed=0.9, more="")).tank[0]
    harmful = plans.water_change(tank, seen_at(1, strip(ammonia=6, kh=0, ph=6.4, nitrate=25)), 10.0)
    words = " ".join(harmful.words)
    assert harmful.plan is None and "No feed" not in words and "no plain tap water" in words.lower()
    plain = plans.water_change(tank, seen_at(1, strip(ammonia=0, nitrite=0, kh=5, ph=7.2, nitrate=50)), 20.0)
    assert plain.plan is not None and plain.plan.changes


def test_a_locked_phone_shows_the_harmless_order_and_the_worse_figure() -> None:
    said = played(strip(ammonia=6, kh=0, ph=6.4, nitrate=25), messages=True)
    [body] = [e["body"] for e in said if e["kind"] == "message" and "ammonia" in e["title"]]
    assert body.startswith("No tap water, no feed: 68 L of matched water") and "3.0 times" in body
    assert len(body) <= 300
    said = played(strip(nitrite=10, ammonia=0, kh=5, ph=7.2, nitrate=25), messages=True)
    [body] = [e["body"] for e in said if e["kind"] == "message" and "nitrite" in e["title"]]
    assert body.startswith("No feed; change 66 L, 5 times, treated and as warm as the tank.")


def told(said: Said) -> list[tuple[str, str, list[str]]]:
    return [(e["at"], e["title"], e["alarms"]) for e in said if e["kind"] == "message" and e["priority"] == "high"]


def test_what_one_test_found_is_one_message_and_both_alarms_are_kept() -> None:
    """Ammonia 6 and nitrite 3 are one trouble: one push, both named; so are its repeats."""
    both = strip(ammonia=6, nitrite=3, kh=5, ph=7.2, nitrate=25)
    said = played(both, entry("note", "2026-03-02T17:00:00Z", text="later"), messages=True)
    assert [len(alarms(said, name)) for name in ("ammonia_high", "nitrite_high")] == [1, 1]
    sent = [e for e in said if e["kind"] == "message" and e["priority"] == "high"]
    assert [(e["at"][11:16], e["title"]) for e in sent] == [
        (at, "Foyer: ammonia, nitrite") for at in ("12:00", "13:00", "16:00")
    ]
    for e in sent:
        assert e["alarms"] == ["foyer.ammonia_high", "foyer.nitrite_high"]
        assert "ammonia 6 mg/L as NH4" in e["body"] and "Nitrite 3 mg/L as NO2" in e["body"]
        assert e["body"].startswith("No feed; change") and len(e["body"]) <= 300
    one = played(both, *acknowledged("2026-03-02T12:30:00Z", "nitrite_high"), messages=True)
    assert told(one)[0][2] == ["foyer.ammonia_high", "foyer.nitrite_high"]


def acknowledged(at: str, *names: str) -> list[dict[str, Any]]:
    return [{"at": at, "kind": "acknowledge", "alarm": f"foyer.{n}", "by": "duty librarian"} for n in names]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("values", "name"),
    [
        ({"ammonia": 6}, "ammonia_high"),
        ({"nitrite": 3}, "nitrite_high"),
        ({"chlorine": 3}, "chlorine_high"),
    ],
)
def test_a_poison_that_was_acknowledged_is_told_again_after_three_days(values: dict[str, float], name: str) -> None:
    """Own choice; a test made since shows the same to whoever makes it, so they count from it, up to a week."""
    seen = strip(kh=5, ph=7.2, nitrate=25, **values)
    late = entry("note", "2026-03-20T12:00:00Z", text="later")
    again = alarms(played(seen, *acknowledged("2026-03-02T13:00:00Z", name), late), name)
    assert [e["at"] for e in again] == [AT, "2026-03-05T13:00:00Z"]
    tested = [seen | {"at": f"2026-03-{d:02}T12:00:00Z"} for d in (4, 6, 8)]
    lines = [seen, *acknowledged("2026-03-02T13:00:00Z", name), tested[0], late]
    assert [e["at"] for e in alarms(played(*lines), name)] == [AT, "2026-03-07T12:00:00Z"]
    lines = [seen, *acknowledged("2026-03-02T13:00:00Z", name), *tested, late]
    assert [e["at"] for e in alarms(played(*lines), name)][:2] == [AT, "2026-03-09T13:00:00Z"], "a week at most"


def test_fish_in_distress_acknowledged_stand_no_longer_than_their_three_days() -> None:
    """What was seen stands for three days, so nothing is left to be told again; a new sighting goes on standing."""
    first, more = (entry("sighting", f"2026-03-0{d}T12:00:00Z", what="gasping") for d in (2, 4))
    late = entry("note", "2026-03-20T12:00:00Z", text="later")
    lines = [first, *acknowledged("2026-03-02T13:00:00Z", "fish_in_distress"), more, late]
    assert [e["at"] for e in alarms(played(*lines), "fish_in_distress")] == [AT, "2026-03-05T13:00:00Z"]


@pytest.mark.slow
def test_a_repeat_of_kh_that_is_late_says_what_to_test_and_why() -> None:
    """Not 'test the water': the one thing that is asked for, on the alarm, the page and a locked phone."""
    gone, late = strip(nitrate=25, kh=0, ph=7.2), entry("note", "2026-03-05T12:00:00Z", text="later")
    said = played(*STEADY, gone, late, messages=True)
    text = alarms(said, "test_overdue")[-1]["text"]
    assert "KH read far lower than before" in text
    assert "First: test KH, pH and ammonia with a strip and enter the result." in text
    [body] = [e["body"] for e in said if e["kind"] == "message" and e["at"] > AT][:1]
    assert body.startswith("Test KH, pH and ammonia and enter it.") and "KH read far lower" in body
    assert seen_at(12, *STEADY, gone).account.todo == "Test KH, pH and ammonia with a strip and enter the result."
    plain = played(strip(nitrate=25), late, messages=True)
    assert not [e for e in plain if "KH" in e.get("body", "")]


def without(lines: list[dict[str, Any]], *substances: str) -> Said:
    """What is said where no kit measures these."""
    text = SITE.format(started="2025-01-10", feed=0.9, more="")
    for name in substances:
        text = re.sub(rf"{name} = \[[^\]]*\],? ?", "", text).replace(", }", " }")
    return [json.loads(x) for x in replay(config_of(text), [json.dumps(e) for e in lines], messages=True)]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("lines", "name", "no_kit"),
    [
        ([strip(chlorine=3, nitrate=25)], "chlorine_high", ("chlorine", "ammonia")),
        ([strip(nitrate=25), entry("sighting", AT, what="gasping")], "fish_in_distress", ("ammonia", "nitrite")),
        ([strip(nitrate=25), entry("sighting", AT, what="gasping")], "fish_in_distress", ("nitrite",)),
        ([*STEADY, strip(nitrate=25, kh=0, ph=6.0, ammonia=6)], "ammonia_high", ("kh",)),
        (STEADY[:1] + readings([9.5] * 12, 1), "ph_high", ("ammonia",)),
        (STEADY[:1] + readings([5.5] * 12, 1), "ph_low", ("kh", "ammonia")),
    ],
)
def test_what_no_kit_measures_is_not_just_ordered(
    lines: list[dict[str, Any]], name: str, no_kit: tuple[str, ...]
) -> None:
    """Where a test is asked for that none of the keeper's kits makes, it says so, and where such a test is had."""
    said = without(lines, *no_kit)
    [alarm] = alarms(said, name)[:1]
    called = " or ".join({"kh": "KH"}.get(s, s) for s in no_kit)
    elsewhere = (
        f"No kit here measures {called}: a shop sells drop tests for it, and a shop or a laboratory tests a sample."
    )
    assert elsewhere in alarm["text"] and alarm["evidence"]["cannot"] == list(no_kit)
    bodies = [e["body"] for e in said if e["kind"] == "message" and any(name in a for a in e["alarms"])]
    assert f"No kit here measures {called}: a shop sells drop tests or tests a sample." in bodies[0]
    assert all("No kit here" not in e.get("text", "") + e.get("body", "") for e in played(*lines, messages=True))


def test_the_plan_and_the_page_say_so_too() -> None:
    view = seen_at(0.1, strip(chlorine=3, nitrate=25), kits="ammonia")
    assert any(s.startswith("No kit here measures ammonia:") for s in view.remedy_sentences)
    assert "No kit here measures ammonia:" in view.account.todo
    assert not any("No kit here" in s for s in seen_at(0.1, strip(chlorine=3, nitrate=25)).remedy_sentences)


CUT = entry("outage", "2026-03-03T20:00:00Z", minutes=600)


def test_a_planned_test_that_is_late_says_what_of_it_no_kit_measures() -> None:
    """On the alarm, the page and the letter's line of the next test: after a power cut, without a kit for ammonia."""
    late = entry("note", "2026-03-06T12:00:00Z", text="later")
    [alarm, *_] = alarms(without([strip(nitrate=25), CUT, late], "ammonia"), "test_overdue")
    assert "First: test nitrite with a strip and enter the result. No kit here measures ammonia:" in alarm["text"]
    view = seen_at(20, strip(nitrate=25), CUT, kits="ammonia")
    assert "No kit here measures ammonia:" in view.account.next_test_kind_sentence
    assert "test nitrite with a strip" in seen_at(40, strip(nitrate=25), CUT, kits="ammonia").account.todo.lower()
    assert "No kit" not in seen_at(20, strip(nitrate=25), CUT).account.next_test_kind_sentence


@pytest.mark.slow
def test_what_was_asked_for_is_not_asked_for_again_once_it_was_tested() -> None:
    """Hardness that runs out, or fish that gasp, ask for tests of their own: such a test answers, without nitrate."""
    at, alone = "2026-03-09T12:00:00Z", {"at": "2026-03-08T12:00:00Z"}
    low = [strip(day, nitrate=10, kh=0, ph=6.4) for day in WEEKS] + [strip(nitrate=10, kh=0, ph=6.4)]
    asked = seen_at(24, *low, entry("note", "2026-03-07T12:00:00Z", text="later")).account
    assert asked.next_test_reason == "carbonate hardness is running out" and asked.todo.startswith("Test")
    answered = seen_at(24, *low, strip(kh=0) | alone).account
    assert answered.next_test_reason != "carbonate hardness is running out"
    gasping = entry("sighting", "2026-03-08T11:00:00Z", what="gasping")
    assert seen_at(0.5, strip(nitrate=10), gasping).account.next_test_reason == "fish were seen gasping"
    tested = seen_at(0.5, strip(nitrate=10), gasping, strip(at, ammonia=0, nitrite=0)).account
    assert tested.next_test_reason != "fish were seen gasping"
    given_up = entry("note", "2026-03-16T12:00:00Z", text="a week later")
    assert seen_at(0.5, strip(nitrate=10), gasping, given_up).account.next_test_reason != "fish were seen gasping"


def test_hidden_ammonia_is_looked_for_before_tap_water_against_nitrite() -> None:
    """Nitrite says that the filter is amiss: where neither ammonia nor KH is known, that test comes before the water."""
    first = "test ammonia first; if there is none, change 68 L"
    assert first in seen_at(0.1, strip(nitrite=3, nitrate=25)).account.todo
    [alarm] = alarms(played(strip(nitrite=3, nitrate=25)), "nitrite_high")
    assert first in alarm["text"] and alarm["evidence"]["plan"]["plan_missing"] == "ammonia"
    [push] = [e for e in played(strip(nitrite=3), messages=True) if e["kind"] == "message"][:1]
    assert push["body"].startswith("No feed; test ammonia; then change 68 L, 3 times, treated and as warm as the tank.")
    blind = seen_at(0.1, strip(nitrite=3, nitrate=25), kits="ammonia").account.todo
    assert "No kit here measures ammonia:" in blind
    for known in ({"ammonia": 0}, {"kh": 5, "ph": 7.2}):
        assert "test ammonia first" not in seen_at(0.1, strip(nitrite=3, **known)).account.todo
    assert "Test ammonia first" in " ".join(seen_at(0.1, strip(nitrate=100)).remedy_sentences), "KH may be gone by now"


def test_nobody_is_told_to_make_new_water_as_warm_as_a_temperature_that_was_assumed() -> None:
    said = " ".join(seen_at(0.1, strip(nitrite=3, ammonia=0, nitrate=25)).remedy_sentences)
    assert "as warm as the tank." in said and "°C" not in said


def test_tap_water_that_is_too_rich_itself_is_said_with_what_helps() -> None:
    """A target of 32 mg/L in water of 50 leaves 64 % of it, by proportion; 250 to 50 is still a help."""
    text = SITE.format(started="2025-01-10", feed=0.9, more="").replace("nitrate = 5.0", "nitrate = 50.0")
    tested = strip(nitrate=250, kh=5, ph=7.2, ammonia=0, nitrite=0)
    lines = [tested, tested | {"at": "2026-03-02T13:00:00Z"}]
    view = seen_at(0.1, *lines, site=text)
    assert view.remedy_kind == "impossible"
    assert view.remedy_sentences[0] == (
        "Tap water holds 50 mg/L as NO3 itself and never brings nitrate below that: mix it, at most 64 %, with "
        "distilled or osmosis water."
    )


@pytest.mark.slow
def test_a_reading_that_fits_nothing_changes_no_water_and_every_word_asks_for_the_test_again() -> None:
    view = seen_at(0.1, *STEADY, strip(nitrate=">250", kh=5, ph=7.2))
    assert view.remedy_sentences == () and view.account.todo == (
        "Test again now, with three strips within a minute, and enter each."
    )
    assert view.account.next_test_kind == "strip" and "three within a minute" in view.account.next_test_kind_sentence
    again = strip("2026-03-02T12:30:00Z", nitrate=">250", kh=5, ph=7.2)
    assert seen_at(0.1, *STEADY, strip(nitrate=">250", kh=5, ph=7.2), again).remedy_kind == "change"


def test_fish_that_gasp_come_first_of_all_that_presses_and_nothing_is_said_twice() -> None:
    sour = strip("2026-03-01T12:00:00Z", ammonia=3, kh=0, ph=6.4, nitrate=25)
    told = seen_at(0.1, sour, entry("sighting", AT, what="gasping")).account
    assert told.headline == "Fish in distress." and told.todo.startswith("1. make the surface move")
    assert len([a for a in told.also if "no plain tap water" in a.lower()]) == 1


def test_hardness_of_which_nothing_is_known_at_all_is_asked_for_on_the_page() -> None:
    """As the guide writes it where nobody knows the tap: without source water there is no forecast to raise an alarm."""
    text = re.sub(r"source_water = [^\n]*", "", SITE.format(started="2025-01-10", feed=0.9, more=""))
    told = seen_at(1, strip(nitrate=10), site=text).water_sentences
    assert told == ("KH was never tested, and nothing is known of the source water's. Add it to the next test.",)
    assert not any("Add it" in s for s in seen_at(1, strip(nitrate=10, kh=5), site=text).water_sentences)
    without_pad = re.sub(r"kh = \[[^\]]*\], ", "", text)
    assert "No kit here measures KH" in seen_at(1, strip(nitrate=10), site=without_pad).water_sentences[0]


def test_once_water_was_changed_the_old_test_plans_no_more_of_it() -> None:
    """A keeper who has just changed half would else be shown three changes more on the figure of before."""
    sour, changed = (
        strip(ammonia=6, kh=5, ph=7.2, nitrate=25),
        entry("water_change", "2026-03-02T15:00:00Z", fraction=0.5),
    )
    assert seen_at(1, sour).remedy_kind == "change"
    view = seen_at(1, sour, changed)
    assert view.remedy_sentences[0] == (
        "Test ammonia before changing more: water has been changed since the last test."
    )
    assert seen_at(1, sour, changed, strip("2026-03-02T16:00:00Z", ammonia=3, kh=5, ph=7.2)).remedy_kind == "change"


def test_a_tank_of_which_other_things_were_tested_is_not_called_never_tested() -> None:
    told = seen_at(48, strip(ammonia=0, nitrite=0)).account
    assert told.next_test_reason == "nitrate has never been tested"
    assert any("nitrate has never been tested" in e for e in told.evidence)
