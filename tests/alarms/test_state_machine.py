"""The state machine against the transitions of IEC 62682 / ANSI-ISA-18.2 and against its own promises."""

import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from rushlight.alarms.evidence import LevelEvidence, nothing_known
from rushlight.alarms.finding import Finding
from rushlight.alarms.state_machine import CHATTER_CROSSINGS, LATE_S, AlarmBook, AlarmsState
from rushlight.alarms.table import TABLE
from rushlight.alarms.wording.writer import Writer
from rushlight.effects import AlarmChange, Remark
from rushlight.localtime import DAY_S, HOUR_S
from rushlight.settings import Alarms, Config, Kit, Probe, Site, Tank

CONFIG = Config(
    site=Site(),
    tank=(Tank(id="foyer", litres=140, name="Foyer"), Tank(id="reading-room", litres=54, name="Reading room")),
    kit=(Kit(id="strip"),),
    probe=(Probe(id="foyer-ph", tank="foyer", quantity="ph"),),
)
ID = "foyer.temperature_high"
ROW = TABLE["temperature_high"]
STATE = TypeAdapter(AlarmsState)
T0 = 1_750_000_000.0


def finding(says, alarm="temperature_high", tank="foyer", **more):
    return Finding(alarm=alarm, tank=tank, says=says, **more)


def raised(book=None, state=None, at_s=T0, **more):
    book, state = book or AlarmBook(CONFIG), state or AlarmsState()
    book.judge(state, at_s, finding("raise", **more))
    effects = book.on_tick(state, at_s + ROW.on_delay_s)
    assert [e.state for e in effects] == ["unacknowledged"]
    return book, state, at_s + ROW.on_delay_s


def states(effects):
    return [e.state for e in effects]


# -- the transitions of the standard's state diagram, one by one


def test_unacknowledged_after_the_on_delay_and_not_before():
    book, state = AlarmBook(CONFIG), AlarmsState()
    assert book.judge(state, T0, finding("raise")) == []
    assert book.next_wake(state) == T0 + ROW.on_delay_s
    assert book.on_tick(state, T0 + ROW.on_delay_s - 0.001) == []
    (change,) = book.on_tick(state, T0 + ROW.on_delay_s)
    assert (change.id, change.state, change.occurrence, change.priority) == (ID, "unacknowledged", 1, "high")
    written = Writer(CONFIG).change(
        change, state.alarms[ID], lambda _: LevelEvidence(value=28.1, limit=27.0, unit="°C")
    )
    assert written.evidence == {"value": 28.1, "limit": 27.0, "unit": "°C"}
    assert written.text.startswith("Foyer: water too warm: 28.1 °C against a limit of 27 °C.")
    assert book.next_wake(state) is None


def test_acknowledged_then_normal():
    book, state, t = raised()
    (change,) = book.acknowledge(state, t + 60, ID, "duty librarian")
    assert change.state == "acknowledged"
    assert "duty librarian" in Writer(CONFIG).change(change, state.alarms[ID], nothing_known).text
    assert book.judge(state, t + 120, finding("clear")) == []
    assert states(book.on_tick(state, t + 120 + ROW.off_delay_s)) == ["normal"]


def test_returned_then_normal_by_acknowledgement():
    book, state, t = raised()
    book.judge(state, t, finding("clear"))
    assert states(book.on_tick(state, t + ROW.off_delay_s)) == ["returned"]
    assert states(book.acknowledge(state, t + 9999, ID, "x")) == ["normal"]
    assert book.views(state) == []


def nitrate(book, state, at_s, says, name):
    return book.judge(state, at_s, finding(says, f"nitrate_{name}")) + book.on_tick(state, at_s + HOUR_S)


@pytest.mark.parametrize("first", ["high", "rising"])
def test_nitrate_under_its_limit_again_but_still_rising_is_one_line(first):
    """Whichever is found first: the rise alone is left to answer, and nobody acknowledges one trouble twice."""
    book, state = AlarmBook(CONFIG), AlarmsState()
    nitrate(book, state, T0, "raise", "high")
    t = T0 + 10 * HOUR_S
    if first == "high":
        assert states(nitrate(book, state, t, "clear", "high")) == ["returned"]
        assert states(nitrate(book, state, t + HOUR_S, "raise", "rising")) == ["unacknowledged", "normal"]
    else:
        nitrate(book, state, t, "raise", "rising")
        assert states(nitrate(book, state, t + HOUR_S, "clear", "high")) == ["returned", "normal"]
    assert [(v.id, v.state) for v in book.views(state)] == [("foyer.nitrate_rising", "unacknowledged")]
    nitrate(book, state, t + 9 * HOUR_S, "raise", "high")
    assert {v.alarm: v.state for v in book.views(state)}["nitrate_high"] == "unacknowledged", "told when it rises"


def test_one_tanks_rise_answers_for_no_other_tank_and_a_told_return_waits_for_its_reader():
    book, state, t = AlarmBook(CONFIG), AlarmsState(), T0
    nitrate(book, state, T0, "raise", "high")
    book.judge(state, T0, finding("raise", "nitrate_rising", tank="reading-room"))
    assert states(nitrate(book, state, T0 + HOUR_S, "clear", "high")) == ["returned"]
    for says, name in (("raise", "ph_high"), ("raise", "ph_moving"), ("clear", "ph_high")):
        book.judge(state, t := t + DAY_S, finding(says, name))
        row = TABLE[name]
        book.on_tick(state, t + (row.on_delay_s if says == "raise" else row.off_delay_s))
    by_name = {v.alarm: v.state for v in book.views(state)}
    assert (by_name["ph_moving"], by_name["ph_high"]) == ("unacknowledged", "returned")


def test_returned_then_raised_again_is_a_new_occurrence():
    book, state, t = raised()
    book.judge(state, t, finding("clear"))
    t += ROW.off_delay_s
    book.on_tick(state, t)
    _, _, t = raised(book, state, t + 10)
    assert state.alarms[ID].occurrence == 2


def test_an_acknowledgement_of_a_high_alarm_runs_out_after_four_hours():
    book, state, t = raised()
    book.acknowledge(state, t, ID, "x")
    assert book.next_wake(state) == t + 4 * 3600
    assert states(book.on_tick(state, t + 4 * 3600)) == ["unacknowledged"]
    assert state.alarms[ID].occurrence == 1


def test_what_only_a_test_can_clear_stays_acknowledged_for_days():
    book, state = AlarmBook(CONFIG), AlarmsState()
    book.judge(state, T0, finding("raise", alarm="nitrite_high"))
    book.acknowledge(state, T0, "foyer.nitrite_high", "x")
    assert book.next_wake(state) == T0 + 3 * 86400


def test_a_climb_in_priority_ends_the_acknowledgement():
    book, state, t = raised(priority="medium")
    book.acknowledge(state, t, ID, "x")
    (change,) = book.judge(state, t + 60, finding("raise", priority="high"))
    assert (change.state, change.priority, change.occurrence) == ("unacknowledged", "high", 1)
    assert book.judge(state, t + 120, finding("raise", priority="medium")) == []
    assert state.alarms[ID].priority == "high"


def test_a_shelved_alarm_is_silent_until_its_time_is_over():
    book, state, t = raised()
    assert states(book.shelve(state, t, ID, "x", 2)) == ["shelved"]
    assert book.judge(state, t + 60, finding("raise")) == []
    assert book.next_wake(state) == t + 7200
    assert states(book.on_tick(state, t + 7200)) == ["unacknowledged"]


def test_a_shelved_alarm_that_went_away_comes_back_as_normal():
    book, state, t = raised()
    book.shelve(state, t, ID, "x", 2)
    book.judge(state, t + 60, finding("clear"))
    assert book.on_tick(state, t + 60 + ROW.off_delay_s) == []
    assert states(book.shelve(state, t + 5000, ID, "x", 0)) == ["normal"]


@pytest.mark.parametrize("entry", ["temperature_high", ID])
def test_out_of_service_is_said_once_and_never_told(entry):
    out = replace(CONFIG, alarms=Alarms(out_of_service=(entry,)))
    book, state = AlarmBook(out), AlarmsState()
    assert states(book.judge(state, T0, finding("raise"))) == ["out_of_service"]
    assert book.on_tick(state, T0 + ROW.on_delay_s) == []
    assert states(AlarmBook(CONFIG).on_start(state, T0 + 9999)) == ["unacknowledged"]


def test_an_alarm_taken_out_of_service_while_it_stands():
    _, state, t = raised()
    out = replace(CONFIG, alarms=Alarms(out_of_service=(ID,)))
    assert states(AlarmBook(out).on_start(state, t)) == ["out_of_service"]


def test_the_alarms_of_a_tank_that_is_gone_go_with_it():
    _, state, t = raised()
    book = AlarmBook(replace(CONFIG, tank=CONFIG.tank[1:]))
    assert states(book.on_start(state, t)) == ["normal"]
    assert state == AlarmsState()


@pytest.mark.parametrize("act", ["acknowledge", "shelve"])
def test_an_unknown_alarm_gives_a_harmless_remark(act):
    book, state = AlarmBook(CONFIG), AlarmsState()
    more = (2.0,) if act == "shelve" else ()
    (remark,) = getattr(book, act)(state, T0, "foyer.nonsense", "x", *more)
    assert isinstance(remark, Remark)
    assert "foyer.nonsense" in remark.text
    assert state == AlarmsState()


# -- delays, blindness, restarts


def test_time_without_data_does_not_count_as_delay():
    book, state = AlarmBook(CONFIG), AlarmsState()
    book.judge(state, T0, finding("raise"))
    book.judge(state, T0 + 200, finding("hold"))
    assert book.next_wake(state) is None
    assert book.judge(state, T0 + 5000, finding("raise")) == []
    assert book.next_wake(state) == T0 + 5000 + ROW.on_delay_s - 200


def test_no_data_never_clears():
    book, state, t = raised()
    for i in range(1000):
        assert book.judge(state, t + 3600 * i, finding("hold")) == []
        book.on_tick(state, t + 3600 * i)
    assert state.alarms[ID].active


def test_a_return_is_not_believed_while_blind():
    book, state, t = raised()
    book.judge(state, t, finding("clear"))
    book.judge(state, t + 60, finding("hold"))
    assert book.on_tick(state, t + 1e6) == []
    assert state.alarms[ID].state == "unacknowledged"


@pytest.mark.parametrize(("now", "told"), [("raise", 1), ("clear", 0), ("hold", 0)])
def test_a_delay_that_ran_out_during_downtime_waits_for_a_finding(now, told):
    book, state = AlarmBook(CONFIG), AlarmsState()
    book.judge(state, T0, finding("raise"))
    state = STATE.validate_json(STATE.dump_json(state))
    back = T0 + ROW.on_delay_s + LATE_S + 1
    assert book.on_tick(state, back) == []
    assert len(book.judge(state, back, finding(now))) == told


@pytest.mark.parametrize(
    ("before", "now", "told"), [("raise", "raise", 0), ("clear", "raise", 1), ("raise", "clear", 1)]
)
def test_a_restart_tells_what_is_new_and_nothing_else(before, now, told):
    book, state = AlarmBook(CONFIG), AlarmsState()
    if before == "raise":
        raised(book, state)
    state = STATE.validate_json(STATE.dump_json(state))
    later = T0 + 8 * 3600
    effects = book.on_start(state, later)
    for i in range(60):
        effects += book.judge(state, later + 60 * i, finding(now))
        effects += book.on_tick(state, later + 60 * i)
    assert len(effects) == told


def test_a_clock_set_back_does_not_lengthen_a_delay():
    book, state = AlarmBook(CONFIG), AlarmsState()
    book.judge(state, T0, finding("raise"))
    book.judge(state, T0 + 100, finding("raise"))
    book.judge(state, T0 - 3600, finding("raise"))
    assert book.next_wake(state) == T0 - 3600 + ROW.on_delay_s - 100


# -- chattering


def test_chattering_is_told_once_and_held():
    book, state, effects = AlarmBook(CONFIG), AlarmsState(), []
    for i in range(400):
        effects += book.judge(state, T0 + 61 * i, finding("clear" if i % 2 else "raise", alarm="nitrite_high"))
        effects += book.on_tick(state, T0 + 61 * i)
    count = len(effects)
    assert count == 5, "our own choice"
    assert state.alarms["foyer.nitrite_high"].unstable is True
    end = T0 + 61 * 399
    assert book.on_tick(state, end + 3599) == []
    assert states(book.on_tick(state, end + 3600)) == ["returned"]


def test_four_changes_within_an_hour_are_no_chatter_and_five_are():
    """The first rise is older than the hour, so four changes are in it at the third rise and six at the fourth."""
    book, state, unstable = AlarmBook(CONFIG), AlarmsState(), []
    for i, at_s in enumerate([0, 3700, 3761, 3822, 3883, 3944, 4005]):
        book.judge(state, T0 + at_s, finding("clear" if i % 2 else "raise", alarm="nitrite_high"))
        book.on_tick(state, T0 + at_s)
        unstable.append(state.alarms["foyer.nitrite_high"].unstable)
    assert len(state.alarms["foyer.nitrite_high"].crossings) == CHATTER_CROSSINGS + 1
    assert unstable == [False] * 6 + [True]


@given(st.integers(0, 2**32 - 1), st.floats(0.01, 0.5))
@settings(max_examples=60, deadline=None)
def test_noise_around_the_limit_gives_at_most_one_rise_and_one_return(seed, noise):
    """A value that climbs over the limit and falls back, with noise up to the watch's deadband (1 K here)."""
    rng = random.Random(seed)
    book, state, effects = AlarmBook(CONFIG), AlarmsState(), []
    for i in range(2000):
        true = 27.0 + 2.0 * (i / 500 if i < 1000 else (2000 - i) / 500) - 2.0
        value = true + rng.uniform(-noise, noise)
        says = "raise" if value > 27.0 else "clear" if value < 26.0 else "hold"
        effects += book.judge(state, T0 + 60 * i, finding(says))
        effects += book.on_tick(state, T0 + 60 * i)
    assert states(effects) in ([], ["unacknowledged"], ["unacknowledged", "returned"])


# -- properties over random histories

ALARMS = ("temperature_high", "nitrite_high", "lamp_off", "test_overdue")
acts = st.lists(
    st.tuples(
        st.sampled_from([0.0, 1.0, 30.0, 600.0, 900.0, 3600.0, 20000.0]),
        st.sampled_from(["raise", "clear", "hold", "tick", "ack", "shelve", "unshelve"]),
        st.sampled_from(ALARMS),
        st.sampled_from(["foyer", "reading-room"]),
        st.sampled_from([None, "low", "medium", "high"]),
    ),
    max_size=60,
)


def play(book, state, t, act):
    _, what, alarm, tank, priority = act
    alarm_id = f"{tank}.{alarm}"
    match what:
        case "tick":
            return book.on_tick(state, t)
        case "ack":
            return book.acknowledge(state, t, alarm_id, "x")
        case "shelve":
            return book.shelve(state, t, alarm_id, "x", 1.0)
        case "unshelve":
            return book.shelve(state, t, alarm_id, "x", 0.0)
    return book.judge(state, t, Finding(alarm=alarm, tank=tank, says=what, priority=priority))


def wakes(book, state, until_s):
    effects = []
    while (wake := book.next_wake(state)) is not None and wake <= until_s:
        effects += book.on_tick(state, wake)
        after = book.next_wake(state)
        assert after is None or after > wake, "a wake that does not move on would spin for ever"
    return effects


@given(acts)
@settings(max_examples=150, deadline=None)
def test_every_change_is_a_change_and_the_state_survives_a_snapshot_at_any_moment(history):
    book, state, resumed = AlarmBook(CONFIG), AlarmsState(), AlarmsState()
    last, t = {}, T0
    for act in history:
        t += act[0]
        effects = wakes(book, state, t) + play(book, state, t, act)
        resumed = STATE.validate_json(STATE.dump_json(resumed))
        assert wakes(book, resumed, t) + play(book, resumed, t, act) == effects
        for e in effects:
            if not isinstance(e, AlarmChange):
                continue
            now = (e.state, e.occurrence, e.priority)
            assert last.get(e.id) != now or e.state == "shelved"
            last[e.id] = now
    assert {v.id: v.state for v in book.views(state)} == {k: s for k, (s, *_) in last.items() if s != "normal"}


@given(acts, st.integers(0, 2**32 - 1))
@settings(max_examples=150, deadline=None)
def test_the_order_of_findings_and_ticks_within_an_instant_changes_nothing(history, seed):
    rng = random.Random(seed)
    findings = [a for a in history if a[1] in ("raise", "clear", "hold", "tick")]
    findings = [(*a[:4], None) for a in findings]
    instants, t = {}, T0
    for act in findings:
        t += act[0]
        instants.setdefault(t, []).append(act)
    runs = []
    for shuffle in (False, True):
        book, state, seen = AlarmBook(CONFIG), AlarmsState(), []
        for t, batch in instants.items():
            ordered = rng.sample(batch, len(batch)) if shuffle else batch
            effects = wakes(book, state, t)
            for act in ordered:
                effects += play(book, state, t, act)
            effects += wakes(book, state, t)
            seen.append(sorted((e.id, e.state, e.occurrence, e.priority) for e in effects))
        runs.append((seen, {k: v for k, v in state.alarms.items() if not v.resting}))
    assert runs[0][0] == runs[1][0]
    assert runs[0][1] == runs[1][1]


def test_a_tick_in_between_changes_nothing():
    a, b = AlarmsState(), AlarmsState()
    book = AlarmBook(CONFIG)
    for state, ticks in ((a, ()), (b, (100.0, 333.3, 599.9))):
        book.judge(state, T0, finding("raise"))
        for dt in ticks:
            assert book.on_tick(state, T0 + dt) == []
    assert a == b


def test_standing_names_what_holds_in_one_tank():
    book, state, _ = raised()
    assert book.standing(state, "foyer") == {"temperature_high"}
    assert book.standing(state, "reading-room") == frozenset()
