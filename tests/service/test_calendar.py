"""Calendar jobs: once a period, whatever the clock does."""

from __future__ import annotations

import datetime as dt
import threading
import time
import zoneinfo

import pytest

from rushlight.service.calendar import Calendar, Job

DUBLIN = zoneinfo.ZoneInfo("Europe/Dublin")


def local(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=DUBLIN)


@pytest.mark.parametrize(
    ("at", "weekday", "now", "due", "period"),
    [
        ("07:30", 1, "2026-11-23T07:29", "2026-11-16T07:30", "2026-W47"),
        ("07:30", 1, "2026-11-23T07:30", "2026-11-23T07:30", "2026-W48"),
        ("07:30", 1, "2026-11-29T23:59", "2026-11-23T07:30", "2026-W48"),
        ("03:40", None, "2026-11-23T03:39", "2026-11-22T03:40", "2026-11-22"),
        ("01:30", None, "2026-03-29T12:00", "2026-03-29T02:30", "2026-03-29"),  # skipped by the spring change
        ("01:30", None, "2026-10-25T12:00", "2026-10-25T01:30", "2026-10-25"),  # comes twice in autumn
        ("07:30", 1, "2027-01-01T12:00", "2026-12-28T07:30", "2026-W53"),  # ISO 8601: 2026 has 53 weeks
    ],
)
def test_what_is_due(at: str, weekday: int | None, now: str, due: str, period: str) -> None:
    job = Job("j", at, lambda: True, weekday)
    window = job.window(local(now), DUBLIN)
    assert f"{window.from_.astimezone(DUBLIN):%Y-%m-%dT%H:%M}" == due
    assert window.period == period
    assert window.holds(local(now))


@pytest.mark.parametrize(("month", "day"), [(3, 27), (10, 23)])
def test_a_calendar_that_was_asked_before_answers_as_one_that_was_not(month: int, day: int) -> None:
    """Across both changes of the clock, forwards and back again."""
    jobs = [Job("nightly", "01:30", lambda: True), Job("weekly", "01:10", lambda: True, 7)]
    start = dt.datetime(2026, month, day, tzinfo=dt.UTC)
    times = [start + dt.timedelta(minutes=30 * i) for i in range(3 * 48)]
    now = start

    class Afresh:
        def period_done(self, name: str) -> str:
            [job] = [j for j in jobs if j.name == name]
            return job.window(now, DUBLIN).period

        def mark_period(self, name: str, period: str) -> None:
            raise AssertionError(f"nothing was due: {name} {period}")

    calendar = Calendar(jobs, DUBLIN, Afresh(), now_s=lambda: now.timestamp(), wall_s=time.time)  # noqa: PLW0108 - moves
    for now in [*times, *reversed(times)]:
        assert not calendar.late(), now
    assert len({jobs[0].window(t, DUBLIN).period for t in times}) == 4


class Periods(dict[str, str]):
    def period_done(self, name: str) -> str:
        return self.get(name, "")

    def mark_period(self, name: str, period: str) -> None:
        self[name] = period


def run_once(now: dt.datetime, periods: Periods, *, works: bool = True) -> int:
    """How often a weekly job runs when the daemon starts at `now`."""
    ran = threading.Semaphore(0)

    def work() -> bool:
        ran.release()
        return works

    calendar = Calendar([Job("weekly", "07:30", work, 1)], DUBLIN, periods, now_s=now.timestamp, wall_s=time.time)
    calendar.start()
    first = ran.acquire(timeout=1.0)
    calendar.start()  # the clock was set: everything anew
    second = ran.acquire(timeout=0.3)
    calendar.stop()
    return int(first) + int(second)


def test_a_missed_job_is_caught_up_once_and_survives_a_restart() -> None:
    """The Pi slept through Monday 07:30."""
    periods = Periods()
    assert run_once(local("2026-11-25T12:00"), periods) == 1
    assert periods == {"weekly": "2026-W48"}
    assert run_once(local("2026-11-26T12:00"), periods) == 0
    assert run_once(local("2026-11-30T08:00"), periods) == 1


def test_a_job_that_fails_is_not_marked_done() -> None:
    periods = Periods()
    assert run_once(local("2026-11-25T12:00"), periods, works=False) == 2
    assert periods == {}
