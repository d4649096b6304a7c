"""Small records that were once told wrongly or of nowhere: what is said now, against the planner's own figures.

The planner is held against PHREEQC and the sources in tests/published/test_changes_published.py; here its numbers must
be the numbers of the sentence, and the harmful advice must be gone.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any

import pytest

from helpers.site import config_of
from helpers.waterstory import AT, SITE, STEADY, WEEKS, alarms, dues, entry, played, readings, seen_at, strip
from rushlight.replay import replay
from rushlight.science.chemistry import aftermath, ammonia
from rushlight.science.chemistry.aftermath import Acidity
from rushlight.settings import Limits
from rushlight.tank.water import advice
from rushlight.tank.water.plan import Case, Contents, remedy


def test_sour_water_full_of_ammonia_gets_no_plain_tap_water() -> None:
    """Total ammonia 6 mg/L, KH 0, pH 6.4, tap pH 8 and KH 4: three times EPA 2013's criterion of 1.56 mg N/L."""
    [said] = alarms(played(strip(ammonia=6, kh=0, ph=6.4, nitrate=25)), "ammonia_high")
    facts = said["evidence"]
    assert facts["total_mg_n_l"] == pytest.approx(6 * 14.007 / 18.039, rel=1e-3)
    assert facts["epa_chronic_mg_n_l"] == pytest.approx(1.56, abs=0.01)
    assert facts["epa_extrapolated"] is True and "extrapolated" in said["text"]
    assert facts["share_of_limit"] == pytest.approx(4.659 / 1.561, rel=0.01)
    assert "3.0 times" in said["text"]
    plan = facts["plan"]
    assert plan["plan"] == "matched" and "no plain tap water" in said["text"]
    assert f"{plan['harm_nh3_before_mg_l']:.2g}" in said["text"]
    worst = max(plan["harm_nh3_at_once_mg_l"], plan["harm_nh3_own_co2_mg_l"], plan["harm_nh3_aired_mg_l"])
    assert f"{worst:.2g}" in said["text"] and worst > 5 * plan["harm_nh3_before_mg_l"]
    assert f"{plan['plan_changes']:.0f} times" in said["text"] and "treated and as warm" in said["text"]
    # Matched water: each step thins and raises nothing; the last is inside four fifths of both limits.
    assert plan["plan_nh3_worst_mg_l"] < 0.02
    assert ammonia.as_nitrogen(plan["plan_ammonia_after"]) < 0.8 * facts["epa_chronic_mg_n_l"]
    [soft] = alarms(played(strip(ammonia=6, kh=0, ph=6.4, nitrate=25)), "alkalinity_low")
    assert "no plain tap water" in soft["text"] and "bicarbonate" not in soft["text"].split("First:")[1].split(":")[0]


def test_the_planner_never_proposes_a_change_that_makes_ammonia_worse() -> None:
    """Over a grid of tanks and taps: no plain change whose three states pass both the tank's own NH3 and the limit."""
    limits, harmful, plain = Limits(), 0, 0
    for total in (0.5, 1.5, 6.0):
        for ph, kh in ((6.4, 0.3), (6.8, 1.0), (7.0, 4.0), (7.4, 3.0), (7.8, 8.0)):
            for tap_ph, tap_kh in ((6.8, 1.0), (7.6, 4.0), (8.0, 12.0), (9.2, 2.0)):
                tank = Contents(ammonia=total, nitrite=3.0, kh=kh, ph=ph, temp_c=25.0)
                made = remedy(Case(tank, Contents(kh=tap_kh, ph=tap_ph), 100.0, limits))
                assert made.kind in {"change", "matched"}
                harmful += made.kind == "matched"
                if made.kind == "matched":
                    sour = Acidity(ph=ph, kh=kh, temp_c=25.0, ammonia=total)
                    did = aftermath.after_change(sour, Acidity(ph=tap_ph, kh=tap_kh, temp_c=25.0), made.harm_fraction)
                    assert made.harm is not None
                    if made.harm.before.nh3 == did.before.nh3:
                        assert did.ratio() > 1.04 or did.worst().chronic > did.before.chronic
                    continue
                plain += 1
                for step in made.steps:
                    known = step.aftermath
                    assert known is not None
                    for after, before in (
                        (known.at_once, known.before),
                        (known.own_co2, known.before),
                        (known.aired, known.unchanged_aired),
                    ):
                        assert after.nh3 <= max(1.05 * before.nh3, 0.8 * limits.ammonia)
    assert harmful > 10 and plain > 10


@pytest.mark.parametrize(("nitrite", "least"), [(10, 4), (1, 1), (3, 3)])
def test_nitrite_is_brought_inside_its_limit(nitrite: float, least: int) -> None:
    [said] = alarms(played(strip(nitrite=nitrite, ammonia=0, kh=5, ph=7.2, nitrate=25)), "nitrite_high")
    plan = said["evidence"]["plan"]
    assert plan["plan"] == "change" and plan["plan_changes"] >= least
    left = nitrite * (1.0 - plan["plan_share_each"]) ** plan["plan_changes"]
    assert left == pytest.approx(plan["plan_nitrite_after"], abs=0.002)
    assert left <= 0.5
    assert f"nitrite {nitrite:g} to {left:.1g}" in said["text"]
    told = re.search(r"change (\d+) L", said["text"])
    assert told is not None and abs(float(told[1]) - plan["plan_litres_each"]) <= 0.51


def test_nitrite_back_at_its_limit_asks_for_a_test_and_no_water() -> None:
    """It clears well inside its limit; until then there is no plan that a reminder could point at."""
    high = strip(nitrite=3, ammonia=0, kh=5, ph=7.2, nitrate=25)
    back = strip("2026-03-04T12:00:00Z", nitrite=0.5, ammonia=0, kh=5, ph=7.2, nitrate=25)
    later = strip("2026-03-05T12:00:00Z", nitrate=25)
    told = [m for m in played(high, back, later, messages=True) if m["kind"] == "message"]
    about = [m["body"] for m in told if "foyer.nitrite_high" in m["alarms"] and m["at"] > "2026-03-04T12:01"]
    assert about, "it is repeated while nobody acknowledges it"
    assert all(body.startswith("No feed; test nitrite again.") and "page shows" not in body for body in about)


def test_an_old_test_of_a_poison_is_not_called_harmless() -> None:
    """Two weeks after nitrite 10 nobody knows what is in the water: that is said, and no change is planned by it."""
    high = strip(nitrite=10, ammonia=0, kh=5, ph=7.2, nitrate=25)
    later = strip("2026-03-20T12:00:00Z", nitrate=25)
    [alarm] = [a for a in seen_at(0, high, later).alarms if a.alarm == "nitrite_high"]
    assert "too old to plan a change by" in alarm.first_action and "asks for no change" not in alarm.first_action


def test_nitrite_is_held_against_a_lower_limit_in_water_with_little_chloride() -> None:
    """British Columbia: 0.02 mg NO2-N/L below 2 mg Cl/L, that is 0.066 as NO2; 0.5 is no alarm otherwise."""
    assert not alarms(played(strip(nitrite=0.5, ammonia=0, kh=5, ph=7.2, nitrate=25)), "nitrite_high")
    soft = strip(nitrite=0.5, ammonia=0, kh=5, ph=7.2, nitrate=25, chloride=1)
    [said] = alarms(played(soft), "nitrite_high")
    assert said["evidence"]["limit"] == pytest.approx(0.0657, abs=1e-3)
    assert said["evidence"]["plan"]["salt_g"] == pytest.approx((5.0 - 1.0) * 0.14 * 58.44 / 35.45, abs=0.05)


def test_chlorine_is_told_and_no_change_is_ordered() -> None:
    """Chlorine 3 mg/L is 158 times EPA 1984's acute criterion of 19 µg/L."""
    said = played(strip(chlorine=3, nitrate=25))
    [alarm] = alarms(said, "chlorine_high")
    assert alarm["priority"] == "high" and "158 times" in alarm["text"] and "conditioner" in alarm["text"]
    assert re.search(r"First: dose water conditioner", alarm["text"])
    assert dues(said)[-1][:2] == (AT, "2026-03-02T13:00:00Z")
    assert not alarms(played(strip(chlorine=0, nitrate=25)), "chlorine_high")
    assert not alarms(played(strip(chlorine="<0.1", nitrate=25)), "chlorine_high")


def test_chlorine_that_may_be_chloramine_leaves_ammonia_which_is_worked_out() -> None:
    """3 mg/L as Cl2 of monochloramine frees 0.593 mg N/L, 0.763 as NH4: one N for each Cl2 (stoichiometry)."""
    said = seen_at(0.1, strip(chlorine=3, ph=7.6, ammonia=0, kh=5, nitrate=25)).remedy_sentences
    [freed] = [s for s in said if "chloramine" in s]
    total = 0.593 * 18.039 / 14.007
    nh3 = ammonia.un_ionised(total, 7.6, 25.0)
    assert "frees up to 0.76 mg/L as NH4" in freed
    told = re.search(r"un-ionised ([\d.]+) mg/L as NH3 at pH 7.6", freed)
    assert told is not None and float(told[1]) == pytest.approx(nh3, rel=0.1), "salts make it some per cent less"
    [alarm] = alarms(played(strip(chlorine=3, nitrate=25)), "chlorine_high")
    assert "test chlorine and ammonia in an hour" in alarm["text"]
    assert alarm["evidence"]["plan"]["chloramine_ammonia_mg_l"] == pytest.approx(total, abs=0.001)


def test_a_change_counts_the_ammonia_that_the_taps_chloramine_brings() -> None:
    tank, tap = Contents(nitrate=80.0, ammonia=0.0, kh=4.0, ph=7.4, temp_c=25.0), Contents(nitrate=5.0, kh=4.0, ph=7.4)
    plain = remedy(Case(tank, tap, 140.0, Limits()))
    told = remedy(Case(tank, replace(tap, chlorine=1.0), 140.0, Limits()))
    share = told.steps[0].fraction
    assert plain.steps[0].after.ammonia == 0.0 and plain.freed == 0.0
    assert told.steps[0].after.ammonia == pytest.approx(share * 18.039 / (2 * 35.45), rel=1e-3)
    assert any("counted in what follows" in s for s in advice.lines(told, set()))
    assert not any("chloramine is" in s for s in advice.lines(plain, set()))
    # The keeper's own figure for the tap goes before what its chlorine might be.
    assert remedy(Case(tank, replace(tap, chlorine=1.0, ammonia=0.0), 140.0, Limits())).freed == 0.0
    worse = Case(replace(tank, ph=8.4, kh=9.0), replace(tap, chlorine=4.0, ph=8.4, kh=9.0), 140.0, Limits())
    assert remedy(worse).kind != "change", "a tap that poisons the tank is not proposed"


def test_gasping_fish_are_told_at_once_with_first_aid() -> None:
    seen = entry("sighting", "2026-03-03T23:30:00Z", what="gasping")
    said = played(strip(nitrate=25), seen, messages=True)
    [alarm] = alarms(said, "fish_in_distress")
    assert (alarm["at"], alarm["priority"]) == (seen["at"], "high")
    for step in ("1. make the surface move", "2. no food", "3. test ammonia and nitrite now"):
        assert step in alarm["text"]
    assert any(e["kind"] == "message" and e["at"] == seen["at"] for e in said), "held in quiet hours"
    assert (seen["at"], seen["at"]) == dues(said)[-1][:2]


def test_a_test_after_the_sighting_ends_the_alarm_and_three_days_do_too() -> None:
    seen = entry("sighting", "2026-03-03T20:00:00Z", what="dead_fish")
    done = strip("2026-03-03T20:30:00Z", ammonia=0, nitrite=0, nitrate=25)
    later = strip("2026-03-08T20:30:00Z", nitrate=25)
    over = alarms(played(strip(nitrate=25), seen, done, later), "fish_in_distress", "returned")
    assert [e["at"] for e in over] == ["2026-03-03T20:31:00Z"]
    over = alarms(played(strip(nitrate=25), seen, later), "fish_in_distress", "returned")
    assert [e["at"] for e in over] == ["2026-03-06T20:01:00Z"]


def test_moving_the_surface_has_a_price_where_there_is_ammonia() -> None:
    """pH 6.8, KH about 4, ammonia 1: gassed off, NH3 rises more than tenfold (PHREEQC: 28 times at KH 4)."""
    known = strip(ammonia=1, nitrite=0, kh=5, ph=6.8, nitrate=25)
    [alarm] = alarms(played(known, entry("sighting", "2026-03-02T13:00:00Z", what="gasping")), "fish_in_distress")
    facts = alarm["evidence"]
    assert facts["nh3_aired_mg_l"] > 10 * facts["nh3_now_mg_l"]
    assert f"goes from {facts['nh3_now_mg_l']:.2g} to {facts['nh3_aired_mg_l']:.2g} mg/L" in alarm["text"]


@pytest.mark.slow
def test_hardness_that_was_never_tested_is_told_before_it_is_gone() -> None:
    """Feed spends it: 0.06 °dH a day takes 4 to 2 in 33 days (7.14 g CaCO3 per g N nitrified, half of it given back)."""
    start = "2026-03-01"
    days = [strip(f"2026-{m:02}-{d:02}T12:00:00Z", nitrate=25) for m in (3, 4) for d in range(2, 30, 7)]
    said = played(*days, started=start, feed=1.3)
    [alarm] = alarms(said, "alkalinity_low")
    facts = alarm["evidence"]
    assert "was never tested" in alarm["text"] and "First: test KH" in alarm["text"]
    assert facts["low"] < facts["value"] < facts["high"] and facts["value"] > 2.0, "told before the collapse"
    assert -0.09 < facts["rate_per_day"] < -0.03 and 0 < facts["days_to_limit"] < 45
    assert not alarms(played(*days, started=start, feed=0.0), "alkalinity_low")
    assert not alarms(played(*[d | {"values": {"nitrate": 25, "kh": 5}} for d in days], feed=1.3), "alkalinity_low")


def test_pressing_findings_move_the_next_test_in_the_same_instant() -> None:
    said = played(strip(ammonia=6, nitrite=3, kh=5, ph=7.2, nitrate=25))
    assert dues(said)[-1][:2] == (AT, "2026-03-03T12:00:00Z")
    low = dues(played(*(strip(day, nitrate=10, kh=0, ph=6.4) for day in WEEKS[:1])))
    assert low[-1][0] == WEEKS[0] and low[-1][2].startswith("carbonate hardness is running out")


@pytest.mark.slow
def test_one_test_that_finds_no_hardness_left_is_asked_for_again_at_once() -> None:
    """One strip may be a pad off, so it raises nothing by itself; a hardness that is gone kills all the same."""
    gone = strip(nitrate=25, kh=0, ph=7.2)
    again = "KH read far lower than before: test it again now, and pH and ammonia with it"
    assert dues(played(*STEADY, gone))[-1] == (
        AT,
        AT,
        f"{again}. A strip by eye is enough: it has pads for KH, pH and ammonia.",
    )
    said = played(*STEADY, gone, strip("2026-03-02T13:00:00Z", kh=0, ph=6.4, ammonia=0))
    [alarm] = alarms(said, "alkalinity_low")
    assert alarm["at"] == "2026-03-02T13:00:00Z", "the second says so too"
    assert "read far lower" not in dues(said)[-1][2]
    slip = dues(played(*STEADY, gone, strip("2026-03-02T13:00:00Z", kh=5)))
    assert slip[-1][1] > "2026-03-04", "it was a slip"
    other = dues(played(*STEADY, strip(nitrate=25, kh=3, ph=7.2)))
    assert not [d for d in other if "read far lower" in d[2]], "a neighbouring pad is no misfit"


def test_no_change_is_planned_on_a_hardness_that_one_test_contradicts() -> None:
    """Ammonia 6 at pH 6 and KH 0 after weeks of KH 5: with KH 5 a third of tap water would be harmless, with 0 it kills."""
    [alarm] = alarms(played(*STEADY, strip(nitrate=25, kh=0, ph=6.0, ammonia=6)), "ammonia_high")
    assert "First: give no feed, and test KH before changing any water" in alarm["text"]
    sour = Contents(ammonia=6.0, kh=4.7, ph=6.0, temp_c=25.0)
    tap = Contents(kh=4.0, ph=8.0)
    assert remedy(Case(sour, tap, 140.0, Limits())).kind == "change"
    assert remedy(Case(replace(sour, kh=0.3), tap, 140.0, Limits())).kind == "matched"
    assert remedy(Case(sour, tap, 140.0, Limits(), kh_doubted=0.3)).missing == ("KH",)
    unknown = replace(sour, ammonia=None, nitrate=80.0)
    assert remedy(Case(unknown, tap, 140.0, Limits(), kh_doubted=0.3)).missing == ("ammonia",)


@pytest.mark.slow
def test_nitrate_at_nought_and_yellow_leaves() -> None:
    days = [strip(f"2026-{m:02}-{d:02}T12:00:00Z", nitrate=0) for m in (1, 2, 3, 4) for d in (3, 10, 17, 24)]
    seen = [entry("sighting", f"2026-{m:02}-20T12:00:00Z", what="yellow_leaves") for m in (2, 3, 4)]
    lines = sorted([*days, *seen], key=lambda e: e["at"])
    [alarm] = alarms(played(*lines), "nitrate_low")
    assert alarm["at"].startswith("2026-02-20") and alarm["priority"] == "low"
    for word in ("nitrogen", "potassium", "iron", "Light is not the only lack"):
        assert word in alarm["text"]
    assert not alarms(played(*days), "nitrate_low"), "no leaf turned yellow"
    fed = [*lines, strip("2026-04-28T12:00:00Z", nitrate=10), strip("2026-05-05T12:00:00Z", nitrate=10)]
    assert alarms(played(*fed), "nitrate_low", "returned")


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ({"kind": "outage", "minutes": 600}, "power was out for 10 h"),
        ({"kind": "filter", "what": "cleaned"}, "the filter was cleaned"),
        ({"kind": "treatment", "what": "antibiotic"}, "antibiotic was given"),
    ],
)
def test_what_is_done_to_a_tank_brings_tests_on_days_1_3_and_7(body: dict[str, Any], why: str) -> None:
    done = {"at": "2026-03-03T20:00:00Z", "tank": "foyer", **body}
    made = [strip(f"2026-03-{d:02}T20:00:00Z", nitrate=25, ammonia=0, nitrite=0) for d in (4, 6, 10)]
    said = dues(played(strip(nitrate=25), done, *made))
    asked = [(due, reason) for _, due, reason in said if why in reason]
    assert [d for d, _ in asked] == [f"2026-03-{d:02}T20:00:00Z" for d in (4, 6, 10)]
    assert all(r.startswith("ammonia and nitrite") for _, r in asked)
    assert why not in said[-1][2], "the plan is done with"


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"kind": "outage", "minutes": 600}, "See that the pump runs and the surface moves, and give no food today."),
        ({"kind": "filter", "what": "stopped"}, "Move the surface by other means"),
        ({"kind": "treatment", "what": "antibiotic"}, "ask a vet"),
    ],
)
def test_what_is_done_to_a_tank_brings_first_aid_on_the_spot(body: dict[str, Any], words: str) -> None:
    """In the account, so on every screen, until the poisons were tested or a day is over."""
    done = {"at": "2026-03-03T20:00:00Z", "tank": "foyer", **body}
    view = seen_at(0.1, strip(nitrate=25), done)
    assert words in view.account.todo and words in view.todo_sentence
    assert view.account.headline not in ("", "All quiet.")
    assert words not in seen_at(24.1, strip(nitrate=25), done).account.todo
    tested = strip("2026-03-03T21:00:00Z", nitrate=25, ammonia=0, nitrite=0)
    assert words not in seen_at(0.1, strip(nitrate=25), done, tested).account.todo
    poisoned = strip("2026-03-03T19:00:00Z", nitrate=25, ammonia=6, kh=5, ph=7.6)
    both = seen_at(0.1, poisoned, done).account
    assert "Stop" in both.todo or "feed" in both.todo, "what is high goes first"
    assert any(words in said for said in both.also), "and this is not lost"


def test_a_short_outage_and_a_kit_without_pads_ask_for_no_test() -> None:
    short = entry("outage", "2026-03-03T20:00:00Z", minutes=30)
    assert len(dues(played(strip(nitrate=25), short))) == 1
    config = SITE.replace("nitrite = [0, 0.5, 1, 3, 10], ammonia = [0, 0.5, 1, 3, 6], ", "")
    text = config.format(started="2025-01-10", feed=0.9, more="")
    lines = [strip(nitrate=25), entry("outage", "2026-03-03T20:00:00Z", minutes=600)]
    said = [json.loads(x) for x in replay(config_of(text), [json.dumps(e) for e in lines])]
    assert len(dues(said)) == 1


def test_a_new_tank_is_tested_every_other_day_until_both_poisons_are_nought_for_two_weeks() -> None:
    days = [f"2026-03-{d:02}T12:00:00Z" for d in range(3, 30, 2)]
    values = [{"ammonia": 1 if n < 3 else 0, "nitrite": 0, "nitrate": 10} for n in range(len(days))]
    said = dues(played(*[strip(d, **v) for d, v in zip(days, values, strict=True)], started="2026-03-01"))
    asked = [at for at, _, reason in said if "the tank is new" in reason]
    assert asked and asked[0] == days[0] and asked[-1] < "2026-03-25"
    assert "the tank is new" not in said[-1][2], "nought since the 9th: two weeks are over on the 23rd"


def test_without_strips_it_asks_for_strips_and_no_louder() -> None:
    more = "testing = { strips = 1, shortest_days = 2, longest_days = 7 }"
    late = entry("note", "2026-04-20T12:00:00Z", text="away")
    said = alarms(played(strip(nitrate=25), late, more=more), "test_overdue")
    assert {e["priority"] for e in said} == {"low", "medium"}
    assert all("First: buy test strips" in e["text"] for e in said)
    with_strips = alarms(
        played(strip(nitrate=25), late, more=more.replace("strips = 1", "strips = 50")), "test_overdue"
    )
    assert "high" in {e["priority"] for e in with_strips}


@pytest.mark.parametrize(("ph", "high"), [(5.8, True), (6.2, False)])
def test_a_ph_far_out_is_not_held_until_morning(ph: float, high: bool) -> None:
    more = "limits = { ph = { low = 6.4, high = 7.8 } }"
    said = played(*readings([ph] * 20, 1), more=more, messages=True)
    [alarm] = alarms(said, "ph_low")
    assert alarm["priority"] == ("high" if high else "medium")
    told = [e["at"] for e in said if e["kind"] == "message" and "pH" in e["title"]]
    assert bool(told) is high, "quiet hours last until seven"


def test_a_ph_that_falls_fast_is_not_held_until_morning() -> None:
    more = "limits = { ph = { low = 5.0, high = 9.0 } }"
    falling = [7.2 - 0.06 * n for n in range(26)]
    [alarm] = alarms(played(*readings(falling), more=more), "ph_moving")
    assert alarm["priority"] == "high"
    [rising] = alarms(played(*readings([6.0 + 0.06 * n for n in range(26)]), more=more), "ph_moving")
    assert rising["priority"] == "medium"
