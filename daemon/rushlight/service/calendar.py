"""Jobs by the calendar: the weekly summary, the nightly backup, the self-test of the channels.

APScheduler wakes them; a 'done for this period' key in the journal decides whether they run, because its wall-clock
schedule runs a job twice on the autumn day, skips it when the Pi slept through the hour, and stalls or
runs away when the clock steps.  So: nothing runs by it but once a day or a week, it is never started before the clock
is trusted, and every ten monotonic minutes it is asked whether something due was missed.
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

from rushlight.localtime import clock_on, local_time

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Job:
    """Something to do once a day, or once a week on `weekday` (1 Monday to 7 Sunday), at local `at` (HH:MM).

    `work` returns whether it was done; if not, it is tried again within ten minutes.
    """

    name: str
    at: str
    work: Callable[[], bool]
    weekday: int | None = None

    def last_due(self, now: dt.datetime) -> dt.datetime:
        """The latest moment at or before `now` (local, aware) at which the job was to run.

        A time that the spring change skips is taken an hour later; one that autumn repeats, the first time.
        """
        zone, day = now.tzinfo, now.date()
        assert isinstance(zone, zoneinfo.ZoneInfo)
        while True:
            if self.weekday is None or day.isoweekday() == self.weekday:
                due_s = clock_on(day, self.at.replace("24:", "00:"), zone)
                if due_s <= now.timestamp():
                    return local_time(due_s, zone)
            day -= dt.timedelta(days=1)

    def period(self, now: dt.datetime) -> str:
        """The period that is due: a date, or a week such as 2026-W48."""
        due = self.last_due(now)
        return due.strftime("%G-W%V") if self.weekday else due.date().isoformat()


class Periods(Protocol):
    """Where 'done for this period' is kept for good."""

    def period_done(self, name: str) -> str: ...

    def mark_period(self, name: str, period: str) -> None: ...


class Calendar:
    """Runs jobs, each once a period.  `now_s` gives trusted Unix seconds."""

    def __init__(
        self, jobs: Sequence[Job], zone: zoneinfo.ZoneInfo, now_s: Callable[[], float], periods: Periods
    ) -> None:
        self._jobs, self._zone, self._now_s, self._periods = jobs, zone, now_s, periods
        self._locks = {job.name: threading.Lock() for job in jobs}
        self._scheduler: BackgroundScheduler | None = None

    def start(self) -> None:
        """Start, or start anew after the clock was set, and catch up on what was missed."""
        self.stop()
        scheduler = BackgroundScheduler(
            timezone=self._zone, executors={"default": ThreadPoolExecutor(len(self._jobs) + 1)}
        )
        for job in self._jobs:
            hour, minute = job.at.split(":")
            day = "*" if job.weekday is None else job.weekday - 1  # its Monday is 0
            trigger = CronTrigger(day_of_week=day, hour=int(hour) % 24, minute=int(minute), timezone=self._zone)
            scheduler.add_job(self._run, trigger, args=[job], coalesce=True, misfire_grace_time=None, name=job.name)
        scheduler.start()
        self._scheduler = scheduler
        self.catch_up()

    def stop(self) -> None:
        """Stop; running jobs are not waited for."""
        if self._scheduler is not None:
            self._scheduler.shutdown(wait=False)
            self._scheduler = None

    def catch_up(self) -> None:
        """Run, each on a thread of its own, whatever is due and was not done."""
        for job in self._late():
            threading.Thread(target=self._run, args=[job], name=f"late {job.name}", daemon=True).start()

    def run_late(self) -> None:
        """The same on the caller's own thread, one after the other."""
        for job in self._late():
            self._run(job)

    def _late(self) -> list[Job]:
        now = self._now()
        return [job for job in self._jobs if self._periods.period_done(job.name) != job.period(now)]

    def _now(self) -> dt.datetime:
        return local_time(self._now_s(), self._zone)

    def _run(self, job: Job) -> None:
        if not self._locks[job.name].acquire(blocking=False):
            return  # it is running already
        try:
            period = job.period(self._now())
            if self._periods.period_done(job.name) == period:
                return
            done = job.work()
            log.info("job=%r period=%s done=%s", job.name, period, done)
            if done:
                self._periods.mark_period(job.name, period)
        except Exception:
            log.exception("job=%r failed", job.name)
        finally:
            self._locks[job.name].release()
