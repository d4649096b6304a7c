"""Who is told, when, and how often."""

import datetime as dt
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.notifying import BASE, DUBLIN, MORNING, NIGHT, NOON, Scene, change, minutes
from rushlight.alarms.evidence import LevelEvidence
from rushlight.alarms.finding import Finding
from rushlight.alarms.notify import GATHER_S
from rushlight.alarms.pace import RANK
from rushlight.alarms.state_machine import AlarmBook, AlarmsState
from rushlight.alarms.table import TABLE
from rushlight.effects import AlarmChange
from rushlight.settings import Email, Tank


def test_a_high_alarm_repeats_and_goes_to_the_second_contact():
    scene = Scene()
    scene.change(NIGHT)
    scene.until(NIGHT + 49 * 3600)
    duty = [m for m in scene.said if m.contact == "duty"]
    head = [m for m in scene.said if m.contact == "head"]
    assert minutes(duty, NIGHT) == [0, 5, 15, 30, 60, 120, 240, 480, 1440, 2880]
    assert minutes(head, NIGHT) == [30, 60, 120, 240, 480, 1440, 2880]
    assert len({m.key for m in scene.said}) == len(scene.said)
    assert {m.priority for m in scene.said} == {"high"}
    assert "Standing since 23:30." in duty[1].body


def test_acknowledging_ends_the_repeats():
    scene = Scene()
    scene.change(NIGHT)
    scene.change(NIGHT + 400, "acknowledged")
    assert scene.until(NIGHT + 86400) == []
    assert minutes(scene.said, NIGHT) == [0, 5]


def test_an_acknowledgement_that_ran_out_starts_again_with_the_same_occurrence():
    scene = Scene()
    scene.change(NOON)
    scene.change(NOON + 60, "acknowledged")
    scene.change(NOON + 14460)
    scene.until(NOON + 14460 + 300)
    assert [m.key for m in scene.said] == [
        "foyer.temperature_high#1:1-raise@duty",
        "foyer.temperature_high#1:2-repeat@duty",
        "foyer.temperature_high#1:3-repeat@duty",
    ]


def test_medium_waits_for_the_end_of_the_quiet_hours_and_goes_out_as_one():
    scene = Scene()
    assert scene.change(NIGHT, alarm="probe_silent") == []
    assert scene.change(NIGHT + 60, alarm="ph_low") == []
    assert scene.change(NIGHT + 120, alarm="lamp_off") == []
    assert scene.change(NIGHT + 180, "returned", alarm="ph_low") == []
    assert scene.until(MORNING - 1) == []
    (message,) = scene.until(MORNING)
    assert "lamp_off" not in message.body
    assert "Look at the lamp's timer and plug." in message.body
    assert "A probe is silent." in message.body
    assert "pH too low" not in message.body
    assert message.key == f"digest:{MORNING:.0f}@duty"


def test_a_single_thing_that_waited_keeps_its_own_identity():
    scene = Scene()
    scene.change(NIGHT, alarm="probe_silent")
    (message,) = scene.until(MORNING)
    assert message.key == "foyer.probe_silent#1:1-raise@duty"
    assert "Standing since 10 June, 23:30." in message.body


def test_what_is_over_before_morning_is_not_told():
    scene = Scene()
    scene.change(NIGHT, alarm="probe_silent")
    scene.change(NIGHT + 600, "returned", alarm="probe_silent")
    assert scene.until(MORNING + 86400) == []
    assert scene.state.telling == {}


def test_low_is_left_to_the_weekly_summary():
    scene = Scene()
    for name in (r.name for r in TABLE.values() if r.weekly_only):
        assert scene.change(NOON, alarm=name) == []
    assert scene.until(NOON + 90 * 86400) == []


def test_low_that_climbs_is_pushed():
    scene = Scene()
    scene.change(NOON, alarm="strips_low")
    scene.change(NOON + 60, alarm="strips_low", priority="medium")
    (message,) = scene.until(NOON + 60 + GATHER_S)
    assert message.priority == "medium"


def test_a_climb_is_told_at_night_although_the_milder_word_was_held():
    scene = Scene()
    assert scene.change(NIGHT, alarm="test_overdue", priority="medium") == []
    (message,) = scene.change(NIGHT + 60, alarm="test_overdue", priority="high")
    assert message.priority == "high", "high waits for nobody"
    assert [m for m in scene.until(MORNING) if m.key.startswith("digest")] == []


def test_the_return_is_told_to_whoever_was_told_of_the_rise_once_and_without_a_sound():
    scene = Scene()
    scene.change(NIGHT)
    scene.until(NIGHT + 1800)
    back = scene.change(NIGHT + 2000, "returned")
    assert [(m.contact, m.priority) for m in back] == [("duty", "low"), ("head", "low")]
    assert all(m.title.endswith(" over") for m in back)
    assert scene.change(NIGHT + 3000, "normal") == []
    assert scene.until(NIGHT + 86400) == []


def test_a_return_that_the_keeper_brought_about_is_no_news():
    scene = Scene()
    scene.change(NOON, alarm="test_overdue")
    assert scene.change(NOON + 600, "returned", alarm="test_overdue") == []


def test_shelving_is_silence():
    scene = Scene()
    scene.change(NOON)
    scene.change(NOON + 10, "shelved")
    assert scene.until(NOON + 86400) == []


def test_what_happens_at_once_is_told_at_once_in_one_message():
    """A board that loses power silences all its probes within a minute."""
    tanks = tuple(Tank(id=f"t{i}", litres=1) for i in range(5))
    scene = Scene(replace(BASE, tank=tanks))
    for i in range(5):
        scene.change(NOON + 10 * i, alarm="probe_silent", tank=f"t{i}")
    (message,) = scene.until(NOON + GATHER_S)
    assert message.title == "5 tanks: probes silent"
    assert message.priority == "medium"
    assert message.body.count("Look at the probe's cable") == 1, "what is alike is said once"
    assert all(f"t{i}" in message.body for i in range(5))
    assert [t.alarm for t in message.alarms] == [f"t{i}.probe_silent" for i in range(5)]
    for i in range(5):
        scene.change(NOON + 3600 + i, "returned", alarm="probe_silent", tank=f"t{i}")
    (back,) = scene.until(NOON + 3700)
    assert (back.title, back.priority) == ("5 tanks: probes silent over", "low")


def test_the_budget_holds_medium_and_keeps_a_reserve_for_high():
    tanks = tuple(Tank(id=f"t{i}", litres=1) for i in range(20))
    scene = Scene(replace(BASE, tank=tanks, push=replace(BASE.push, per_hour=6, reserve_for_high=3)))
    for i in range(20):
        scene.change(NOON + 90 * i, alarm="ph_low", tank=f"t{i}")
    scene.until(NOON + 1900)
    assert len(scene.said) == 3
    assert len(scene.change(NOON + 1900, tank="t0")) == 1, "high passes"
    digests = [m for m in scene.until(NOON + 7300) if m.key.startswith("digest")]
    assert sum(len(d.alarms) for d in digests) == 17
    assert all(d.body.startswith("t") and len(d.body) <= 300 for d in digests)


def test_a_message_of_several_things_is_one_of_the_hour_s():
    """Five things held overnight are one message; of an hour's three for what is not high, two more go out at once."""
    tanks = tuple(Tank(id=f"t{i}", litres=1) for i in range(8))
    scene = Scene(replace(BASE, tank=tanks, push=replace(BASE.push, per_hour=6, reserve_for_high=3)))
    for i in range(5):
        scene.change(NIGHT + i, alarm="ph_low", tank=f"t{i}")
    [digest] = scene.until(MORNING + GATHER_S)
    assert len(digest.alarms) == 5
    after_s = MORNING + 2 * GATHER_S
    for i in (5, 6, 7):
        scene.change(after_s + 60 * GATHER_S * (i - 5) / 60, alarm="ph_low", tank=f"t{i}")
        scene.until(after_s + GATHER_S * (i - 4))
    assert len(scene.said) == 3, "the morning's counts once, and the third of these waits"


def test_what_is_told_late_is_told_as_it_is_now():
    scene = Scene()
    scene.evidence["foyer.ph_low"] = LevelEvidence(quantity="ph", value=6.31, limit=6.4)
    scene.change(NIGHT, alarm="ph_low")
    scene.evidence["foyer.ph_low"] = LevelEvidence(quantity="ph", value=6.0, limit=6.4)
    (message,) = scene.until(MORNING)
    assert "6.31" not in message.body
    assert "pH 6, limit 6.4." in message.body


def test_one_trouble_is_not_told_under_two_names():
    scene, day = Scene(), 86400.0
    scene.change(NOON, alarm="nitrate_rising")
    scene.change(NOON + 5 * day, alarm="uptake_behind")
    scene.change(NOON + 9 * day, alarm="nitrate_high")
    scene.until(NOON + 20 * day)
    told = [m.alarms[0].alarm.split(".")[1] for m in scene.said]
    assert told == ["nitrate_rising", "nitrate_rising", "nitrate_high", "nitrate_high", "nitrate_high"]
    scene.change(NOON + 20 * day, "returned", alarm="nitrate_high")
    scene.change(NOON + 20 * day, "returned", alarm="nitrate_rising")
    (message,) = scene.until(NOON + 28 * day)
    assert message.key == "foyer.uptake_behind#1:1-raise@duty", "what it stood behind is over, so now it is told"


def test_two_probes_beyond_one_limit_are_one_message_until_the_last_is_back():
    scene = Scene()
    scene.change(NOON, subject="left")
    assert scene.change(NOON + 90, subject="right") == [], "the same water, the same limit"
    scene.change(NOON + 100, alarm="temperature_moving", subject="right")
    scene.change(NOON + 110, alarm="ph_low", subject="other", priority="high")
    told = [m.alarms[0].alarm for m in scene.until(NOON + 130)]
    assert told == [], "the rate is told by the limit; the pH was told as it rose"
    assert [m.alarms[0].alarm for m in scene.said] == ["foyer.temperature_high.left", "foyer.ph_low.other"]
    (goes_on,) = scene.change(NOON + 200, "returned", subject="left")
    assert (goes_on.alarms[0].alarm, goes_on.alarms[0].step) == ("foyer.temperature_high.right", "raise")
    (over,) = scene.change(NOON + 299, "returned", subject="right")
    assert over.title.endswith("over"), "once, when the water is back for every probe"


@pytest.mark.parametrize("answer", ["acknowledged", "shelved", "out_of_service"])
def test_a_probe_that_was_answered_for_hides_no_other(answer):
    """The first may be broken, and known to be; the second is told of all the same."""
    scene = Scene()
    scene.change(NOON, subject="left")
    scene.change(NOON + 60, answer, subject="left")
    (message,) = scene.change(NOON + 120, subject="right")
    assert message.alarms[0].alarm == "foyer.temperature_high.right"
    scene.change(NOON + 180, subject="shallow", priority="high", alarm="ph_high")
    (worse,) = scene.change(NOON + 200, subject="deep", priority="high", alarm="ph_low")
    assert worse.alarms[0].alarm == "foyer.ph_low.deep", "the other side of a band is another trouble"


def test_a_second_probe_that_is_worse_is_told_beside_a_milder_one():
    scene = Scene()
    scene.change(NOON, alarm="ph_low", subject="left", priority="medium")
    scene.until(NOON + 120)
    (worse,) = scene.change(NOON + 180, alarm="ph_low", subject="right", priority="high")
    assert worse.priority == "high"


def test_hardness_running_out_beside_ammonia_is_told_within_a_day_of_its_end():
    """One trouble, one order: bicarbonate while there is ammonia would make it more poisonous."""
    scene, day = Scene(), 86400.0
    scene.change(NOON, alarm="ammonia_high")
    scene.change(NOON + 1, alarm="alkalinity_low")
    scene.until(NOON + 2.5 * day)
    assert {t.alarm for m in scene.said for t in m.alarms} == {"foyer.ammonia_high"}
    scene.change(NOON + 2.5 * day, "returned", alarm="ammonia_high")
    (message,) = scene.until(NOON + 3.5 * day)
    assert [t.alarm for t in message.alarms] == ["foyer.alkalinity_low"]


def test_a_test_that_was_bad_is_not_urgent_once_it_was_acknowledged():
    scene, day = Scene(), 86400.0
    scene.change(NOON, alarm="nitrite_high")
    scene.change(NOON + 1200, "acknowledged", alarm="nitrite_high")
    scene.change(NOON + 3 * day, alarm="nitrite_high")
    scene.until(NOON + 7 * day)
    assert minutes([m for m in scene.said if m.contact == "duty"], NOON) == [0, 4320, 5760, 8640]


def test_what_a_test_showed_is_not_repeated_to_whoever_made_the_test():
    scene = Scene()
    scene.change(NOON, alarm="nitrite_high")
    scene.until(NOON + 9 * 3600)
    assert minutes([m for m in scene.said if m.contact == "duty"], NOON) == [0, 60, 240, 480]
    assert minutes([m for m in scene.said if m.contact == "head"], NOON)[0] == 30, "who does not answer is passed over"


def test_a_reminder_goes_along_with_the_next_message_or_by_itself_in_the_morning():
    scene, day = Scene(replace(BASE, tank=(*BASE.tank, Tank(id="reading-room", litres=54)))), 86400.0
    scene.change(NOON, alarm="lamp_dimming")
    scene.change(NOON + 1200, "acknowledged", alarm="lamp_dimming")
    scene.until(NOON + 28 * day)
    assert scene.change(NOON + 28 * day, alarm="lamp_dimming") == []
    assert scene.until(NOON + 29 * day) == []
    (alone,) = scene.until(NOON + 30 * day)
    assert dt.datetime.fromtimestamp(alone.at_s, DUBLIN).strftime("%H:%M") == "09:00"
    assert "Standing since" in alone.body
    scene.change(NOON + 30 * day, "acknowledged", alarm="lamp_dimming")
    assert scene.change(NOON + 60 * day, alarm="lamp_dimming") == []
    scene.change(NOON + 60 * day + 3600, alarm="probe_silent", tank="reading-room")
    (both,) = scene.until(NOON + 60 * day + 7200)
    assert both.title.startswith("2 tanks: ") and both.title.endswith(", 1 more")


def test_what_gets_worse_is_no_reminder():
    scene, day = Scene(), 86400.0
    scene.change(NOON, alarm="test_overdue")
    scene.until(NOON + 600)
    scene.change(NOON + 1200, "acknowledged", alarm="test_overdue")
    (message,) = scene.change(NOON + day, alarm="test_overdue", priority="high")
    assert message.priority == "high"


@pytest.mark.parametrize(("alarm", "days"), [("test_overdue", [0, 1, 3, 7, 14]), ("lamp_off", [0, 1, 3, 7, 14])])
def test_what_has_a_day_to_be_answered_is_not_repeated_by_the_minute(alarm, days):
    scene = Scene()
    scene.change(NOON, alarm=alarm, priority="high")
    scene.until(NOON + 20 * 86400)
    duty = [m for m in scene.said if m.contact == "duty"]
    assert [round((m.at_s - NOON) / 86400) for m in duty] == days
    head = [m for m in scene.said if m.contact == "head"]
    assert [round((m.at_s - NOON) / 86400) for m in head] == days[1:]


def test_a_first_high_alarm_passes_even_a_spent_budget():
    tanks = tuple(Tank(id=f"t{i}", litres=1) for i in range(30))
    scene = Scene(replace(BASE, tank=tanks))
    for i in range(30):
        scene.change(NOON + i, tank=f"t{i}")
    assert len(scene.said) == 30
    scene.until(NOON + 3599)
    duty = [m for m in scene.said if m.contact == "duty"]
    assert len(duty) == 30, "repeats wait for the budget"


story = st.lists(
    st.tuples(
        st.sampled_from([0, 60, 400, 900, 3600, 20000, 90000]),
        st.sampled_from(["raise", "raise", "clear", "hold", "acknowledge", "shelve", "unshelve"]),
        st.sampled_from(["temperature_high", "ph_low", "lamp_off", "strips_low"]),
    ),
    max_size=40,
)


def act(book, alarms, t, what, alarm):
    match what:
        case "acknowledge":
            return book.acknowledge(alarms, t, f"foyer.{alarm}", "x")
        case "shelve" | "unshelve":
            return book.shelve(alarms, t, f"foyer.{alarm}", "x", 5.0 if what == "shelve" else 0.0)
    return book.judge(alarms, t, Finding(alarm=alarm, tank="foyer", says=what))


@given(story)
@settings(max_examples=150, deadline=None)
def test_any_history_through_the_state_machine_keeps_the_promises(history):
    book, alarms, scene, t, changes = AlarmBook(BASE), AlarmsState(), Scene(), NOON, []

    def pass_on(effects):
        for e in effects:
            if isinstance(e, AlarmChange):
                changes.append(e)
                scene.until(e.at_s)
                scene.records = alarms.alarms
                scene.said += scene.worded(scene.notifier.on_change(scene.state, e))

    def until(at_s):
        while (wake := book.next_wake(alarms)) is not None and wake <= at_s:
            pass_on(book.on_tick(alarms, wake))
        scene.until(at_s)

    for wait, what, alarm in [*history, (5 * 86400, "hold", "ph_low")]:
        t += wait
        until(t)
        pass_on(act(book, alarms, t, what, alarm))
    keys = [m.key for m in scene.said]
    assert len(set(keys)) == len(keys), "every message has an identity of its own"
    told = set()
    for m in scene.said:
        if m.priority == "medium":
            assert 7 <= dt.datetime.fromtimestamp(m.at_s, DUBLIN).hour < 22, "medium is quiet at night"
        episode = m.key.split(":")[0]
        if m.title.endswith(" over"):
            assert episode in told or any(k.startswith("digest") for k in keys), "no return without a rise"
        else:
            assert RANK[m.priority] >= 1
        told.add(episode)
    rises = {(c.id, c.occurrence) for c in changes if c.state == "unacknowledged" and c.priority == "high"}
    assert {f"{i}#{n}" for i, n in rises} <= told, "every high alarm is told"
    assert not any("strips_low" in k for k in keys), "low is the weekly summary's"


@pytest.mark.parametrize("hours", [0, 30, 100, 163])
def test_what_is_low_reaches_somebody_within_a_week_where_there_is_no_letter(hours):
    scene = Scene(replace(BASE, email=Email()))
    rose_s = NOON + hours * 3600
    scene.change(rose_s, alarm="light_low")
    scene.change(rose_s + 60, alarm="hardness_high")
    (message,) = scene.until(rose_s + 8 * 86400)
    assert [t.alarm for t in message.alarms] == ["foyer.hardness_high", "foyer.light_low"]
    assert message.at_s - rose_s <= 7 * 86400 + 60
    local = dt.datetime.fromtimestamp(message.at_s, DUBLIN)
    assert (local.weekday(), local.hour, message.priority) == (0, 9, "low")
    assert scene.until(rose_s + 100 * 86400) == [], "once"


def test_what_is_low_is_left_to_the_letter_where_there_is_one_and_what_is_over_is_not_told():
    scene = Scene()
    scene.change(NOON, alarm="light_low")
    assert scene.until(NOON + 20 * 86400) == []
    alone = Scene(replace(BASE, email=Email()))
    alone.change(NOON, alarm="light_low")
    alone.change(NOON + 3600, "returned", alarm="light_low")
    assert alone.until(NOON + 20 * 86400) == []


def test_what_is_low_and_stood_behind_another_alarm_is_looked_at_again():
    scene, day = Scene(replace(BASE, email=Email())), 86400.0
    scene.change(NOON, alarm="lamp_dimming")
    scene.change(NOON + day, alarm="light_low")
    scene.change(NOON + 3 * day, "returned", alarm="lamp_dimming")
    told = [m for m in scene.until(NOON + 40 * day) if m.alarms[0].alarm == "foyer.light_low"]
    assert len(told) == 1


def test_in_one_message_the_worst_stands_first():
    scene = Scene(replace(BASE, email=Email()))
    scene.change(NIGHT, alarm="calibration_due", subject="foyer-ph", priority="low")
    scene.change(NIGHT + 60, alarm="probe_silent", subject="foyer-ph")
    scene.change(NIGHT + 120, alarm="lamp_off")
    (message,) = scene.until(MORNING)
    assert [told.alarm.split(".")[1] for told in message.alarms][-1] == "calibration_due"
    assert message.priority == "medium"


def test_only_what_a_test_said_of_one_tank_is_joined():
    """Ammonia and nitrite of one instant and tank; not what a probe says, and not another tank's."""
    two = replace(BASE, tank=(*BASE.tank, Tank(id="hall", litres=54, name="Hall")))
    scene = Scene(two)
    found = []
    for alarm, tank in (
        ("ammonia_high", "foyer"),
        ("nitrite_high", "foyer"),
        ("temperature_high", "foyer"),
        ("nitrite_high", "hall"),
    ):
        found += scene.notifier.on_change(scene.state, change(NOON, alarm=alarm, tank=tank))
    joined = scene.notifier.as_one(scene.state, found)
    assert [[a.alarm for a in m.alarms] for m in joined] == [
        ["foyer.ammonia_high", "foyer.nitrite_high"],
        ["foyer.temperature_high"],
        ["hall.nitrite_high"],
    ]
    assert len(scene.state.sent_s["duty"]) == 3, "one message is one of the hour's"
    assert scene.state.telling["foyer.nitrite_high"].last_key == joined[0].key
    assert len({m.key for m in joined}) == 3
