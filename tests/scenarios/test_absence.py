"""A closure, a holiday and missing strips that were entered change what is asked, and nobody is told of what they know."""

from __future__ import annotations

import datetime as dt
import json
from zoneinfo import ZoneInfo

import pytest

from helpers.site import config_of
from rushlight import eventlines
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.core.view import site_view
from rushlight.effects import AlarmChange, DueChange, Effect, Message
from rushlight.replay import with_phone

CONFIG = with_phone(config_of())


def line(at: str, kind: str, **body: object) -> str:
    return json.dumps({"at": f"{at}T10:00:00Z", "id": f"{kind}-{at}", "kind": kind, "tank": "foyer"} | body)


def strip(day: str, nitrate: float = 10) -> str:
    return line(day, "test", method="strip", values={"nitrate": nitrate, "kh": 5, "gh": 9})


def lived(lines: list[str], until: str) -> tuple[Timeline, list[Effect]]:
    timeline = Timeline(core := Core(CONFIG), core.initial())
    said = [e for text in lines for e in timeline.feed(eventlines.parse_line(text))]
    return timeline, said + timeline.advance(eventlines.unix_s(f"{until}T12:00:00Z"))


SETTLED = [strip(f"2026-06-{day:02d}") for day in range(1, 27, 5)]


def overdue(said: list[Effect]) -> list[str]:
    """When it was told, as local dates."""
    about = [m for m in said if isinstance(m, Message) and any("test_overdue" in t.alarm for t in m.alarms)]
    return [eventlines.rfc3339(m.at_s)[:10] for m in about]


def test_without_an_entry_a_test_that_slides_is_told() -> None:
    _, said = lived(SETTLED, "2026-07-20")
    assert overdue(said)


@pytest.mark.slow
def test_while_nobody_is_there_no_test_is_asked_for_and_on_the_morning_after_it_is() -> None:
    away = line("2026-06-28", "absence", days=16)
    usual = lived(SETTLED, "2026-06-28")[0].state.tanks["foyer"].due_at_s or 0.0
    assert usual < eventlines.unix_s("2026-07-14T10:00:00Z")
    timeline, said = lived([*SETTLED, away], "2026-07-14")
    assert overdue(said) == []
    tank = site_view(timeline.core, timeline.state, timeline.state.at_s or 0.0).tanks[0]
    assert not tank.overdue
    assert tank.due_at_s == eventlines.unix_s("2026-07-15T08:00:00Z"), (
        "nine in the morning in Dublin, first after 14 July"
    )
    assert "nobody is there to test until 15 July" in tank.due_reason
    day = dt.datetime.fromtimestamp(usual, ZoneInfo("Europe/Dublin"))
    assert f"it would be due on {day:%-d %B}" in tank.due_reason
    _, late = lived([*SETTLED, away], "2026-07-30")
    assert overdue(late)
    assert overdue(late)[0] > "2026-07-15"


def test_an_absence_taken_back_asks_again_at_once() -> None:
    away = line("2026-06-28", "absence", days=16)
    back = json.dumps({"at": "2026-07-06T10:00:00Z", "kind": "correction", "of": "absence-2026-06-28", "void": True})
    usual = lived(SETTLED, "2026-07-06")[0].state.tanks["foyer"].due_at_s
    _, said = lived([*SETTLED, away, back], "2026-07-12")
    due = [e for e in said if isinstance(e, DueChange)]
    assert due[-1].due_at_s == usual
    assert overdue(said)


def test_what_cannot_wait_is_asked_for_though_nobody_was_to_be_there() -> None:
    away = line("2026-06-28", "absence", days=16)
    seen = line("2026-07-03", "sighting", what="gasping")
    timeline, _ = lived([*SETTLED, away, seen], "2026-07-03")
    tank = site_view(timeline.core, timeline.state, timeline.state.at_s or 0.0).tanks[0]
    assert (tank.due_at_s or 0.0) <= eventlines.unix_s("2026-07-03T12:00:00Z")


def test_a_reminder_waits_until_somebody_is_there() -> None:
    """Of an alarm that was acknowledged; a new one of high priority goes out at once."""
    hot = [
        json.dumps(
            {"at": f"2026-06-27T{h:02d}:{m:02d}:00Z", "kind": "reading", "probe": "foyer-temperature", "value": 29.0}
        )
        for h in range(8, 20)
        for m in range(0, 60, 5)
    ]
    timeline, said = lived([*SETTLED, *hot], "2026-06-27")
    assert any(isinstance(e, AlarmChange) and e.alarm == "temperature_high" for e in said)
    timeline.state.notify.away_until_s["foyer"] = eventlines.unix_s("2026-07-15T08:00:00Z")
    telling = timeline.state.notify.telling["foyer.temperature_high"]
    effects = timeline.core.notifier._say(
        timeline.state.notify,
        "keeper",
        "foyer.temperature_high",
        telling,
        eventlines.unix_s("2026-07-01T10:00:00Z"),
        "reminder",
    )
    assert effects == []
    assert timeline.state.notify.held["keeper"].until_s >= eventlines.unix_s("2026-07-15T08:00:00Z")


@pytest.mark.slow
def test_without_strips_the_test_asks_for_strips_and_is_told_once_with_them() -> None:
    pack = line("2026-06-01", "pack", strips=5)
    timeline, said = lived([pack, *SETTLED], "2026-07-12")
    tank = site_view(timeline.core, timeline.state, timeline.state.at_s or 0.0).tanks[0]
    assert tank.overdue
    assert tank.account.todo.startswith("Buy test strips")
    told = [m for m in said if isinstance(m, Message)]
    assert [m.title for m in told] == ["Foyer: strips low"], [m.title for m in told]
    _, later = lived([pack, *SETTLED], "2026-07-28")
    assert overdue(later)[0] > "2026-07-15", "a fortnight without is told again"
    assert all("Buy test strips" in m.body for m in later if isinstance(m, Message))
