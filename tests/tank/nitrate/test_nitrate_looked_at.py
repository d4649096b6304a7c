"""Somebody who looks changes nothing: what the filter remembers follows from entries and ended days alone."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import TypeAdapter

from helpers.nitrate_tanks import DAY_S, START_S, STRIP
from rushlight.events import Test
from rushlight.settings import Feed, Tank
from rushlight.tank.nitrate import readings
from rushlight.tank.nitrate.balance import Balance
from rushlight.tank.nitrate.watch import NitrateState, NitrateWatch

STATE = TypeAdapter(NitrateState)
DAYS = 60


@pytest.fixture
def watched() -> tuple[NitrateWatch, NitrateState]:
    watch = NitrateWatch(Tank(id="sim", litres=100, feed=Feed(grams_per_day=0.6)), (STRIP,), "UTC", has_electrode=False)
    state = watch.initial()
    for day in range(DAYS):
        if day % 7 == 0:
            strip = _strip(f"t{day}", START_S + day * DAY_S + 3600.0, 10.0 if day < 30 else 25.0)
            watch.on_fact(state, strip)
        watch.close_day(state, None, "", START_S + (day + 1) * DAY_S)
    return watch, state


def _strip(event_id: str, at_s: float, nitrate: float) -> Test:
    return Test(at_s=at_s, id=event_id, tank="sim", method="strip", values={"nitrate": nitrate})


@pytest.mark.parametrize("ahead_days", [0.1, 0.9, 3.3, 40.0, -20.5])
def test_a_look_leaves_no_trace(watched: tuple[NitrateWatch, NitrateState], ahead_days: float) -> None:
    """Also one under a clock that is weeks wrong: the page asks for what is known at whatever time it is told."""
    watch, state = watched
    before = STATE.dump_json(state)
    watch.report(state, START_S + (DAYS + ahead_days) * DAY_S)
    watch.what_if(state, START_S + (DAYS + ahead_days) * DAY_S, feed_grams_per_day=0.3)
    assert STATE.dump_json(state) == before


def test_what_is_known_today_does_not_depend_on_who_looked_at_tomorrow(
    watched: tuple[NitrateWatch, NitrateState],
) -> None:
    watch, state = watched
    fresh = STATE.validate_json(STATE.dump_json(state))
    at_s = START_S + DAYS * DAY_S + 5 * 3600.0
    watch.report(state, at_s + 40 * DAY_S)
    assert watch.report(state, at_s) == watch.report(fresh, at_s)


def test_days_that_never_came_say_nothing_of_today(watched: tuple[NitrateWatch, NitrateState]) -> None:
    """A clock 40 days ahead ended days that were none; when it is right again, the level is not that of those days."""
    watch, state = watched
    at_s = START_S + DAYS * DAY_S + 5 * 3600.0
    known = watch.report(state, at_s)
    for day in range(40):
        watch.close_day(state, None, "", START_S + (DAYS + day + 1) * DAY_S)
    back = watch.report(state, at_s)
    assert known.nitrate is not None
    assert back.nitrate is not None
    assert back.nitrate.high - back.nitrate.low == pytest.approx(known.nitrate.high - known.nitrate.low, rel=1e-6)
    watch.on_fact(state, _strip("late", at_s + 60.0, 25.0))
    assert watch.report(state, at_s + 3600.0).n_tests == known.n_tests + 1


def test_todays_tests_are_worked_through_once_however_often_somebody_looks(
    watched: tuple[NitrateWatch, NitrateState], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A page that is open all day would otherwise read the morning's strip anew at every hour."""
    watch, state = watched
    midnight_s = START_S + DAYS * DAY_S
    taken: list[float] = []
    plain = readings.read_level

    def counted(now: Balance, *reading: Any) -> bool:
        taken.append(now.at_s)
        return plain(now, *reading)

    monkeypatch.setattr(readings, "read_level", counted)
    watch.on_fact(state, _strip("morning", midnight_s + 8 * 3600.0, 25.0))
    watch.on_fact(state, _strip("noon", midnight_s + 12 * 3600.0, 50.0))
    looks = [watch.report(state, midnight_s + hour * 3600.0) for hour in (9, 13, 14, 20)]
    assert taken == [midnight_s + 8 * 3600.0, midnight_s + 12 * 3600.0]
    # And as for somebody who looks for the first time.
    for hour, look in zip((9, 13, 14, 20), looks, strict=True):
        fresh = STATE.validate_json(STATE.dump_json(state))
        assert watch.report(fresh, midnight_s + hour * 3600.0) == look
