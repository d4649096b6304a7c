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
from rushlight import eventlines
from rushlight.alarms.table import TABLE
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.core.view import site_view
from rushlight.replay import replay
from rushlight.science.chemistry import aftermath, ammonia
from rushlight.science.chemistry.aftermath import Acidity
from rushlight.settings import Limits
from rushlight.tank.water import advice
from rushlight.tank.water.plan import Case, Contents, remedy

SITE = """
[site]
name = "Rowan Street library"
timezone = "Europe/Dublin"

[[tank]]
id = "foyer"
name = "Foyer"
litres = 140
started = {started}
source_water = {{ nitrate = 5.0, kh = 4.0, gh = 7.0, ph = 8.0 }}
feed = {{ grams_per_day = {feed}, protein_percent = 42 }}
{more}

[[kit]]
id = "strip"
pads = {{ nitrate = [0, 10, 25, 50, 100, 250], nitrite = [0, 0.5, 1, 3, 10], ammonia = [0, 0.5, 1, 3, 6], ph = [6.0, 6.4, 6.8, 7.2, 7.6, 8.0], kh = [0, 3, 5, 10, 15, 20], chlorine = [0, 0.5, 1, 3] }}

[[probe]]
id = "foyer-ph"
tank = "foyer"
quantity = "ph"
every_seconds = 300
"""
AT = "2026-03-02T12:00:00Z"
Said = list[dict[str, Any]]


def played(
    *lines: dict[str, Any], started: str = "2025-01-10", feed: float = 0.9, more: str = "", messages: bool = False
) -> Said:
    config = config_of(SITE.format(started=started, feed=feed, more=more))
    return [json.loads(x) for x in replay(config, [json.dumps(e) for e in lines], messages=messages)]


def strip(at: str = AT, **values: float | str) -> dict[str, Any]:
    return {"at": at, "kind": "test", "tank": "foyer", "method": "strip", "values": values}


def entry(kind: str, at: str, **body: Any) -> dict[str, Any]:
    return {"at": at, "kind": kind, "tank": "foyer", **body}


def alarms(said: Said, name: str, state: str = "unacknowledged") -> Said:
    return [e for e in said if e["kind"] == "alarm" and e["alarm"] == name and e["state"] == state]


def dues(said: Said) -> list[tuple[str, str, str]]:
    return [(e["at"], e["due_at"], e["reason"]) for e in said if e["kind"] == "due"]


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
    config = config_of(SITE.format(started="2025-01-10", feed=0.9, more=""))
    core = Core(config)
    timeline = Timeline(core, core.initial())
    for line in (high, later):
        timeline.feed(eventlines.parse_record(line))
    [tank] = site_view(core, timeline.state, timeline.state.at_s or 0.0).tanks
    [alarm] = [a for a in tank.alarms if a.alarm == "nitrite_high"]
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


WEEKS = [f"2026-{m:02}-{d:02}T12:00:00Z" for m in (1, 2) for d in (2, 9, 16, 23)]
STEADY = [strip(at, nitrate=25, kh=5, ph=7.2) for at in WEEKS]


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
    assert view.account.headline not in ("", "Nothing asks for anything.")
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


def readings(values: list[float], start_h: int = 23) -> list[dict[str, Any]]:
    import datetime as dt

    at = dt.datetime(2026, 3, 2, start_h, tzinfo=dt.UTC)
    return [
        {"at": (at + dt.timedelta(minutes=5 * n)).isoformat(), "kind": "reading", "probe": "foyer-ph", "value": v}
        for n, v in enumerate(values)
    ]


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


def seen_at(hours: float, *lines: dict[str, Any], kits: str = "") -> Any:
    """The tank's view so long after the last line."""
    from rushlight import eventlines
    from rushlight.core.step import Core
    from rushlight.core.timeline import Timeline
    from rushlight.core.view import site_view

    text = SITE.format(started="2025-01-10", feed=0.9, more="")
    for pad in kits.split():
        text = re.sub(rf"{pad} = \[[^\]]*\], ", "", text)
    core = Core(config_of(text))
    timeline = Timeline(core, core.initial())
    events = [eventlines.parse_record({**e, "id": f"e{n}"}) for n, e in enumerate(lines)]
    list(timeline.run(events))
    return site_view(core, timeline.state, events[-1].at_s + 3600 * hours).tanks[0]


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
    assert harmful.plan is None and "No feed" not in harmful.words and "no plain tap water" in harmful.words.lower()
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
