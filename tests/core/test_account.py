"""What is told is what is known now, on every screen the same, live, after a restart and in replay."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest

from helpers.site import config_of, lines_of
from rushlight import eventlines
from rushlight.alarms.evidence import NitrateEvidence
from rushlight.core.account import cause_sentence, of_tank
from rushlight.core.step import Core, SiteState
from rushlight.core.timeline import Timeline
from rushlight.core.view import site_view
from rushlight.effects import AlarmChange, Effect, Estimate, Message
from rushlight.localtime import midnight_after
from rushlight.replay import replay, with_phone
from rushlight.service import snapshots
from rushlight.tank.nitrate.watch import NitrateReport
from rushlight.views import AlarmView, OutletView, SiteView, TankView

CONFIG = with_phone(config_of())
FIGURE = re.compile(r"[Nn]itrate about ([\d.]+) mg/L")


def strip(day: int, nitrate: str | float, hour: int = 10) -> str:
    at = f"2026-03-{day:02d}T{hour:02d}:00:00Z"
    made = {
        "at": at,
        "id": f"t{day}",
        "kind": "test",
        "tank": "foyer",
        "method": "strip",
        "values": {"nitrate": nitrate},
    }
    return json.dumps(made)


def void(day: int, hour: int, of: str) -> str:
    return json.dumps({"at": f"2026-03-{day:02d}T{hour:02d}:00:00Z", "kind": "correction", "of": of, "void": True})


WRONG = [*(strip(d, 25) for d in (1, 5, 9, 13)), strip(14, 250), strip(15, 250), strip(16, 250)]
UNDONE = [void(16, 11, f"t{day}") for day in (14, 15, 16)]


def run(lines: list[str], state: SiteState | None = None) -> tuple[Timeline, list[Effect]]:
    core = Core(CONFIG)
    timeline = Timeline(core, state or core.initial())
    said = [e for line in lines for e in timeline.feed(eventlines.parse_line(line))]
    return timeline, said


def figures(timeline: Timeline, at_s: float) -> set[str]:
    """Every figure of nitrate that any part of the view says."""
    view = site_view(timeline.core, timeline.state, at_s)
    tank = view.tanks[0]
    texts = [tank.state_sentence, *tank.account.evidence, *(a.text for a in tank.alarms)]
    found = {m for text in texts for m in FIGURE.findall(text)}
    assert tank.nitrate is not None
    return found | {f"{tank.nitrate.mean:.2g}"}


def test_a_standing_alarm_tells_the_estimate_of_now_and_not_of_its_last_raise() -> None:
    """Three wrong strips, undone within the hour in which the alarm still stands."""
    timeline, _ = run(WRONG)
    at_s = eventlines.unix_s("2026-03-16T10:30:00Z")
    standing = {a.alarm for a in site_view(timeline.core, timeline.state, at_s).tanks[0].alarms}
    assert "nitrate_high" in standing
    assert max(map(float, figures(timeline, at_s))) > 100
    for line in UNDONE:
        timeline.feed(eventlines.parse_line(line))
    at_s = eventlines.unix_s("2026-03-16T11:05:00Z")
    assert {a.alarm for a in site_view(timeline.core, timeline.state, at_s).tanks[0].alarms} & standing
    assert max(map(float, figures(timeline, at_s))) < 60
    assert len({round(float(f)) for f in figures(timeline, at_s)}) == 1, "one quantity, one figure"


@pytest.mark.slow
@pytest.mark.parametrize("dimming", [True, False])
def test_a_lamp_that_was_replaced_explains_nothing_any_more(dimming: bool) -> None:
    """Its alarm stands for two days longer; the push of those days said 'the lamp gives less light' all the same."""
    timeline, _ = run([strip(d, n) for d, n in ((1, 10), (4, 10), (7, 25), (10, 50), (13, 50), (16, 100))])
    tank, state = timeline.core.tanks["foyer"], timeline.state.tanks["foyer"]
    state.light.lamp.dimming = dimming
    at_s = eventlines.unix_s("2026-03-16T12:00:00Z")
    told = tank.present(state, at_s, frozenset({"lamp_dimming"}))["nitrate_rising", ""]
    assert isinstance(told, NitrateEvidence)
    assert (told.first_cause == "light") == dimming, told.cause_sentence


@pytest.mark.slow
def test_a_replay_and_a_restart_in_the_middle_say_the_same_byte_for_byte() -> None:
    hot = lines_of("foyer-temperature", [24.0] * 60 + [29.0] * 60, start="2026-03-16T06:00:00Z", every_s=300)
    lines = sorted([*WRONG, *UNDONE, *hot, strip(28, 50)], key=lambda line: json.loads(line)["at"])
    _, straight = run(lines)
    for cut in (3, 40, 100):
        timeline, said = run(lines[:cut])
        kept = snapshots.load(snapshots.dump(timeline.state))
        assert kept is not None
        assert said + run(lines[cut:], kept)[1] == straight, cut
    told = [e for e in straight if isinstance(e, AlarmChange | Message)]
    replayed = [json.loads(r) for r in replay(CONFIG, lines, messages=True)]
    assert [e.body for e in told if isinstance(e, Message)] == [r["body"] for r in replayed if r["kind"] == "message"]
    assert [e.text for e in told if isinstance(e, AlarmChange)] == [r["text"] for r in replayed if r["kind"] == "alarm"]
    assert told


@pytest.mark.parametrize(("low", "high", "told"), [(-0.2, 0.5, False), (0.1, 0.5, True), (-0.5, -0.1, True)])
def test_no_cause_is_told_of_a_change_that_is_not_sure(low: float, high: float, told: bool) -> None:
    """'Not clearly rising' beside 'rises 0.58 mg/L a day faster' would be two answers to one question."""
    rate = Estimate(mean=(low + high) / 2, low=low, high=high)
    report = NitrateReport(at_s=0.0, net_rate=rate, causes_sentence="Nitrate rises 0.58 mg/L a day faster.")
    assert bool(cause_sentence(report, [])) == told


def test_nothing_is_quiet_that_could_not_be_told() -> None:
    tank = TankView(id="foyer", title="Foyer", litres=140, last_test_at_s=1.0)
    view = SiteView(at_s=2.0, name="x", timezone="UTC", tanks=(tank,))
    assert view.headline == "All quiet"
    nobody = OutletView(name="none", title="Messages", well=False, sentence="No channel is set up.")
    assert "quiet" not in replace(view, outlets=(nobody,)).headline


def test_what_was_done_is_not_asked_for_again() -> None:
    """Nitrite asks for a change of water; after one was entered it asks for a test."""
    nitrite = json.loads(strip(1, 10))
    nitrite["values"]["nitrite"] = 3
    timeline, _ = run([json.dumps(nitrite)])
    at_s = eventlines.unix_s("2026-03-01T12:00:00Z")

    def asks() -> str:
        return next(
            a.first_action
            for a in site_view(timeline.core, timeline.state, at_s).tanks[0].alarms
            if a.alarm == "nitrite_high"
        )

    assert "the water has been changed" not in asks().lower()
    change = {"at": "2026-03-01T11:30:00Z", "id": "c", "kind": "water_change", "tank": "foyer", "fraction": 0.3}
    timeline.feed(eventlines.parse_line(json.dumps(change)))
    assert asks() == "Test nitrite: the water has been changed since the last test."
    timeline.feed(eventlines.parse_line(void(1, 12, "c")))
    assert "it has been changed" not in asks()


def test_a_reminder_after_corrections_tells_the_corrected_figures() -> None:
    """Three strips of 250 that turn out to have read 100: the reminder four weeks later knows nothing of 250."""
    acknowledged = {"at": "2026-03-16T12:00:00Z", "id": "seen", "kind": "acknowledge", "by": "duty librarian"}
    lines = [*WRONG, json.dumps(acknowledged | {"alarm": "foyer.nitrate_high"})]
    timeline, said = run(lines)
    wrong = max(map(float, figures(timeline, eventlines.unix_s("2026-03-16T12:30:00Z"))))
    assert wrong > 150
    for day in (14, 15, 16):
        entry = eventlines.parse_line(strip(day, 250))
        at_s = eventlines.unix_s(f"2026-03-17T{day}:00:00Z")
        correction = eventlines.edited(entry, {"values.nitrate": 100.0}, at_s=at_s, entry_id=f"right-{day}")
        said += timeline.feed(correction)
    more = timeline.advance(eventlines.unix_s("2026-04-20T12:00:00Z"))
    reminders = [
        m
        for m in more
        if isinstance(m, Message) and any(t.step == "reminder" and "nitrate_high" in t.alarm for t in m.alarms)
    ]
    assert reminders, "it still stands at 100, above 40"
    for m in reminders:
        assert all(float(f) < 0.7 * wrong for f in FIGURE.findall(m.body)), m.body
        told = site_view(timeline.core, timeline.state, m.at_s).tanks[0].nitrate
        assert told is not None
        assert {f"{told.mean:.2g}"} == set(FIGURE.findall(m.body))


@pytest.mark.parametrize(
    ("mean", "says"), [(52.0, "Nitrate above its limit."), (37.0, "Nitrate may still be above its limit.")]
)
def test_the_headline_does_not_say_above_beside_a_level_below(mean: float, says: str) -> None:
    """The alarm clears late, at a chance of a fifth; what stands above the figures agrees with them."""
    alarm = AlarmView(
        id="foyer.nitrate_high",
        alarm="nitrate_high",
        tank="foyer",
        occurrence=1,
        state="acknowledged",
        priority="medium",
        since_s=0.0,
        text="said",
        first_action="Test once more.",
    )
    report = NitrateReport(at_s=0.0, nitrate=Estimate(mean=mean, low=mean - 10, high=mean + 12))
    assert of_tank(report, 40.0, [alarm], overdue=False, tested=True).headline == says


def test_a_quiet_tank_whose_test_is_for_today_does_not_say_that_there_is_nothing_to_do() -> None:
    """Seen on the first page: 'Nothing to do today.' beside 'Next test: today'."""
    timeline, _ = run([strip(d, 10) for d in (1, 5, 9, 13)])
    due_s = timeline.state.tanks["foyer"].due_at_s
    assert due_s is not None
    zone, told = timeline.core.zone, {}
    for name, at_s in (("eve", midnight_after(due_s, zone) - 1.1 * 86400.0), ("day", due_s - 60.0)):
        told[name] = site_view(timeline.core, timeline.state, at_s).tanks[0].account
    assert told["eve"].todo == "Nothing to do today." and told["day"].headline == "All quiet."
    assert told["day"].todo.startswith("Test the water with a strip and enter the result")
