"""The invented year of the demonstration: every planted fault is told in time, the quiet months are quiet."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from functools import cache
from importlib import resources

import pytest

from rushlight import config, eventlines
from rushlight.demo import staff, year
from rushlight.effects import AlarmChange, Daily, Effect, Message
from rushlight.events import Event
from rushlight.replay import replay
from rushlight.tank.site import Core

PUSH = '\n[push]\nserver = "http://127.0.0.1:9"\ntopic = "x"\n'


def text() -> str:
    return resources.files("rushlight.demo").joinpath("rowan_street.toml").read_text()


@cache
def played() -> tuple[list[Event], list[Effect]]:
    core = Core(config.check(config.parse(text() + PUSH)))
    events, effects = [], []
    for event, said in staff.play(core):
        events.append(event)
        effects += said
    return events, effects


def local_day(at_s: float) -> dt.date:
    return dt.datetime.fromtimestamp(at_s, year.ZONE).date()


def raised() -> Iterator[AlarmChange]:
    return (e for e in played()[1] if isinstance(e, AlarmChange) and e.state == "unacknowledged")


@pytest.mark.parametrize("fault", year.PLANTED, ids=lambda f: f.what.replace(" ", "-"))
def test_every_planted_fault_is_told_in_time(fault: year.Planted) -> None:
    days = {a: [local_day(e.at_s) for e in raised() if (e.tank, e.alarm) == (fault.tank, a)] for a in fault.alarms}
    for alarm, seen in days.items():
        assert any(fault.from_day <= d <= fault.by_day for d in seen), f"{alarm}: {seen}"


@pytest.mark.parametrize("month", [2, 3])
def test_quiet_months_ask_nobody_for_anything(month: int) -> None:
    """February and March: the plants take up what the feed supplies, tests are made when due."""
    loud = [(local_day(e.at_s), e.id) for e in raised() if e.priority != "low" and local_day(e.at_s).month == month]
    assert loud == []


def test_the_year_costs_few_pushes(capsys: pytest.CaptureFixture[str]) -> None:
    """Goal: 30; each is printed with what it asks for."""
    messages = [e for e in played()[1] if isinstance(e, Message)]
    with capsys.disabled():
        print(f"\npushes in the invented year: {len(messages)}")
        for m in messages:
            print(f"  {local_day(max(m.at_s, m.not_before_s)):%d %b} {m.priority:6} {m.title}")
    assert len(messages) <= 36


def test_the_story_replays_to_the_same_alarms() -> None:
    """What the staff did is in the events, so the event lines alone say it all again."""
    events, effects = played()
    cut = next(n for n, e in enumerate(events) if e.at_s > year.local(3, 20))
    lines = [eventlines.format_line(e) for e in events[:cut]]
    got = [line for line in replay(config.check(config.parse(text())), lines, daily=True) if '"daily"' in line]
    days = [e for e in effects if isinstance(e, Daily) and e.at_s <= year.local(3, 20)]
    assert len(got) == len(days)
    assert f'"nitrate": {{"mean": {days[-1].nitrate.mean:.6g}' in got[-1]
