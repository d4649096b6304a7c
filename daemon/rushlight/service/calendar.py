"""Jobs by the calendar: the weekly summary, the nightly backup, the self-test of the channels.

APScheduler says when a job is due, wakes it and runs it on its own pool of threads; there is no clock and no thread of
ours beside it.  Its clock faults are met here and nowhere else.  It fires twice on the autumn day, forgets what was due
while the Pi was off, and sleeps through a clock that was set back: so a 'done for this period' key in the journal
guards every run, it is started only once the clock is trusted, and `look`, called every few monotonic minutes, has it
run now whatever is due and not done.  A leap of years can't make it list each missed run, as it is made anew then.
"""

from __future__ import annotations

import datetime as dt
import logging
import threading
import zoneinfo
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger

from rushlight.localtime import local_time, minutes

log = logging.getLogger(__name__)

_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_LOOK_BACK = dt.timedelta(days=8)
"""A job of each week has been due at least once within so many days."""


@dataclass(frozen=True, slots=True)
class Window:
    """A job's period: a date or a week such as 2026-W48, when it was due and when the next one will be."""

    period: str
    from_: dt.datetime
    until: dt.datetime | None
    """Both in UTC: times of one zone are compared by the clock on the wall, which shows an hour twice in autumn."""

    def holds(self, now: dt.datetime) -> bool:
        """Whether `now` (aware) lies within it."""
        at = now.astimezone(dt.UTC)
        return self.from_ <= at and (self.until is None or at < self.until)


@dataclass(frozen=True, slots=True)
class Job:
    """Something to do once a day, or once a week on `weekday` (1 Monday to 7 Sunday), at local `at` (HH:MM).

    `work` returns whether it was done; if not, it is tried again at the next look.
    """

    name: str
    at: str
    work: Callable[[], bool]
    weekday: int | None = None

    def trigger(self, zone: zoneinfo.ZoneInfo) -> CronTrigger:
        """When it is due, for the scheduler."""
        hour, minute = divmod(minutes(self.at) % (24 * 60), 60)
        day = "*" if self.weekday is None else _WEEKDAYS[self.weekday - 1]
        return CronTrigger(day_of_week=day, hour=hour, minute=minute, timezone=zone)

    def window(self, now: dt.datetime, zone: zoneinfo.ZoneInfo) -> Window:
        """The period that holds `now` (aware), by when the scheduler's trigger fires."""
        trigger, now = self.trigger(zone), now.astimezone(dt.UTC)
        last = at = now - _LOOK_BACK
        while (fires := _next(trigger, at)) is not None and fires <= now:
            last, at = fires, fires + dt.timedelta(minutes=1)
        due = last.astimezone(zone)
        name = due.strftime("%G-W%V") if self.weekday else due.date().isoformat()
        return Window(name, last, fires)


def _next(trigger: CronTrigger, at: dt.datetime) -> dt.datetime | None:
    """When it fires next, in UTC, in which no minute comes twice."""
    fires = trigger.get_next_fire_time(None, at)
    return None if fires is None else fires.astimezone(dt.UTC)


class Periods(Protocol):
    """Where 'done for this period' is kept for good."""

    def period_done(self, name: str) -> str: ...

    def mark_period(self, name: str, period: str) -> None: ...


class Calendar:
    """Runs jobs, each once a period.

    `now_s` gives trusted Unix seconds, which decide what is due; `wall_s` the system's, by which the scheduler wakes.
    """

    def __init__(
        self,
        jobs: Sequence[Job],
        zone: zoneinfo.ZoneInfo,
        periods: Periods,
        *,
        now_s: Callable[[], float],
        wall_s: Callable[[], float],
    ) -> None:
        self._jobs, self._zone, self._periods = jobs, zone, periods
        self._now_s, self._wall_s = now_s, wall_s
        self._running = {job.name: threading.Lock() for job in jobs}
        self._windows: dict[str, Window] = {}  # asked at every look, and dear to work out
        self._scheduler: BackgroundScheduler | None = None

    def start(self) -> None:
        """Start, or start anew after the clock was set; what was missed is run at once."""
        self.stop()
        self._scheduler = BackgroundScheduler(
            timezone=self._zone,
            executors={"default": ThreadPoolExecutor(len(self._jobs))},
            job_defaults={"coalesce": True, "misfire_grace_time": None},
        )
        for job in self._jobs:
            self._scheduler.add_job(self.run, job.trigger(self._zone), args=[job], id=job.name, name=job.name)
        self._scheduler.start()
        self.look()

    def stop(self) -> None:
        """Stop; running jobs are not waited for."""
        if self._scheduler is not None:
            self._scheduler.shutdown(wait=False)
            self._scheduler = None

    def look(self) -> None:
        """Have the scheduler run now whatever is due and was not done."""
        for job in self.late():
            if self._scheduler is not None:
                self._scheduler.modify_job(job.name, next_run_time=local_time(self._wall_s(), self._zone))

    def late(self) -> list[Job]:
        """What is due and was not done."""
        now = local_time(self._now_s(), self._zone)
        return [job for job in self._jobs if self._periods.period_done(job.name) != self._period(job, now)]

    def _period(self, job: Job, now: dt.datetime) -> str:
        """The period that is due."""
        known = self._windows.get(job.name)
        if known is None or not known.holds(now):
            known = self._windows[job.name] = job.window(now, self._zone)
        return known.period

    def run(self, job: Job) -> None:
        """Do a job unless it is done for this period or being done; on the scheduler's thread."""
        if not self._running[job.name].acquire(blocking=False):
            return
        try:
            period = self._period(job, local_time(self._now_s(), self._zone))
            if self._periods.period_done(job.name) == period:
                return
            done = job.work()
            log.info("job=%r period=%s done=%s", job.name, period, done)
            if done:
                self._periods.mark_period(job.name, period)
        except Exception:
            log.exception("job=%r failed", job.name)
        finally:
            self._running[job.name].release()
