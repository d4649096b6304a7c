"""Weeks of a tank, its board and its network with faults by a script that a number draws; and what must hold all along.

The daemon is the real one, assembled as `rushlight run` assembles it, on one thread and simulated time: links,
engine, journal on SQLite, outbox, channels, heartbeat, calendar jobs, hub, time-series feed, phone page.  Simulated are
the two clocks, the water, the card (`tornfiles`), the servers (`simnet`, `simbroker`, `simstore`) and the visitors.
What must hold stands in `chaosrules` and `chaosoutlets`.
"""

from __future__ import annotations

import random
import sqlite3
from collections import Counter
from pathlib import Path
from typing import Any

from helpers import simnet
from helpers.chaosoutlets import Edges, NoEdges
from helpers.chaosparts import (
    AUTUMN_S,
    BEAT_S,
    CONFIG,
    DAY_S,
    HOUR_S,
    NO_PAGE,
    OUTLETS,
    PROBES,
    SPRING_S,
    STEP_S,
    BrokenInvariantError,
    Fault,
    Probes,
    check_at_once,
    script,
)
from helpers.chaosrules import Rules
from helpers.site import config_of
from helpers.tornfiles import TornFiles
from rushlight.clock import SimulatedClock
from rushlight.events import Acknowledge, Event, Feeding, Test
from rushlight.service.service import Service
from rushlight_drivers.simulated import Options, value_at


class World(Rules):
    """One seed's story.  `run` lives it; `broken` in the exception's words is the first rule that did not hold."""

    def __init__(
        self, folder: Path, seed: int, days: float = 3.0, faults: list[Fault] | None = None, *, outlets: bool = True
    ) -> None:
        super().__init__()
        self.folder, self.seed, self.days = folder, seed, days
        self.faults = script(seed, days, outlets=outlets) if faults is None else faults
        self.chance = random.Random(f"world {seed}")
        self.start_s = (SPRING_S if seed % 2 else AUTUMN_S) + self.chance.uniform(0, DAY_S / 2)
        self.true_s = 0.0
        """Seconds since the world began, on a clock that nothing disturbs."""
        self.config = config_of(CONFIG.format(weekly_day=4 if seed % 8 == 0 else 1) + (OUTLETS if outlets else NO_PAGE))
        self.net = simnet.Network(lambda: self.true_s)
        self.disk = TornFiles(folder, random.Random(f"disk {seed}"))
        self.clock = SimulatedClock(self.start_s, 10.0)
        self.service: Service | None = None
        self.boots = 0
        self.kept: dict[str, Event] = {}
        """Entries that the daemon said were on the disk."""
        self.excused: set[str] = set()
        self.counts: Counter[str] = Counter()
        self._beat_due_s = 0.0
        self._entered, self._tested_s = 0, -3 * DAY_S
        self._down_until_s = -1.0
        self._begun: set[int] = set()
        self._ended: set[int] = set()
        self.edges = Edges(self) if outlets else NoEdges()

    # ------------------------------------------------------------------ the water

    def water(self, probe: str) -> float:
        at_s = self.start_s + self.true_s
        value = value_at(Options(seed=self.seed), PROBES[probe], at_s)
        if probe == "foyer-temperature" and self.on("hot"):
            value += 5.0
        if probe == "foyer-ph":
            for f in self.faults:
                if f.kind == "drift":
                    value += 0.004 * max(0.0, min(self.true_s, f.end_s) - f.at_s) / HOUR_S
        return round(value, 3)

    # ------------------------------------------------------------------ the board

    def boot(self) -> None:
        """Power comes on: a new kernel, no battery clock, and the daemon."""
        self.boots += 1
        wall_s = self.start_s + self.true_s - (0.0 if self.synchronised() else self.chance.uniform(0, 3 * DAY_S))
        self.clock = SimulatedClock(wall_s, 10.0)
        self._start()

    def _start(self) -> None:
        self.service = Service(
            self.config, self.folder, self.clock, boot_id=f"boot-{self.boots}", synchronised=self.synchronised
        )
        self.service.assemble()
        for link in self.service.links:
            link.driver = Probes(self)  # type: ignore[assignment]
        engine = self.service.engine
        engine.begin()
        self.edges.begin(self.service)
        self._check_kept("at a start")
        self._beat_due_s = self.true_s + STEP_S

    def synchronised(self) -> bool:
        """The kernel vouches for its clock while a time server can be reached, also when that one is wrong."""
        return not self.net.down

    def abandon(self) -> None:
        """The process is gone between two instructions."""
        service = self.service
        assert service is not None
        self.edges.gone()
        service.engine.journal._db.close()
        self.service = None

    def lose_power(self) -> None:
        self.disk.dead = True
        self.abandon()
        self.disk.after_power_loss()

    # ------------------------------------------------------------------ time

    def run(self) -> World:
        with self.disk.mounted(), self.disk.seen(), self.net.joined(), self.edges.joined(), check_at_once():
            try:
                self._guard(self.boot)
                while self.true_s < self.days * DAY_S:
                    self._guard(self.step)
                self._guard(self.end)
            finally:
                if self.service is not None:
                    self.abandon()
        return self

    def _guard(self, work: Any) -> None:
        try:
            work()
        except BrokenInvariantError:
            raise
        except Exception as e:
            raise BrokenInvariantError(self.told(f"the daemon stumbled: {type(e).__name__}: {e}")) from e

    def step(self) -> None:
        self._steps += 1
        self.true_s += STEP_S
        self.clock.advance(STEP_S)
        self._begin_and_end()
        if self.service is None:
            if self.true_s < self._down_until_s:
                self._heartbeat_rule(blind=True)
                self.edges.check_dead()
                return
            self.boot()
        assert self.service is not None
        try:
            self._turn(self.service)
            self.edges.step(self._steps)
        except sqlite3.Error:
            if not self.disk.dead:
                raise
        if self.disk.dead:
            self._count_outcomes()
            self.lose_power()
            return
        self.edges.check(self._steps)
        self._keeper()
        self.check()

    def _turn(self, service: Service) -> None:
        engine = service.engine
        self.edges.stamp()
        for link in service.links:
            link.progress()
            link.turn()
        engine._progress()
        engine.once(0.0)
        self._send(service)
        if engine.time.trusted:
            for job in service.calendar.late():
                service.calendar.run(job)
            self._send(service)
        if self.true_s >= self._beat_due_s and service.heartbeat is not None:
            self._beat_due_s = self.true_s + BEAT_S
            service.heartbeat.once()

    def _send(self, service: Service) -> None:
        """The channels' workers, until they have nothing to do or are stuck."""
        for _ in range(9):
            free = [c for c in service.telling.channels if c != "push" or not self.on("stuck_send")]
            if not [c for c in free if service.telling.delivery.work_off(c)]:
                return
            service.engine.once(0.0)

    def _begin_and_end(self) -> None:
        for n, f in enumerate(self.faults):
            if n not in self._begun and f.at_s <= self.true_s:
                self._begun.add(n)
                self.counts[f.kind] += 1
                self._begin(f)
            if n in self._begun and n not in self._ended and f.end_s <= self.true_s:
                self._ended.add(n)
                self._end(f)
        self.net.down = self.on("network")
        off_s = self.clock.wall_s() - (self.start_s + self.true_s)
        if abs(off_s) > 1.0 and not (self.net.down or self.on("clock_ahead") or self.on("clock_back")):
            self.clock.step_wall(-off_s)  # the time server has been reached again
        self.net.mood = {
            c: f.how
            for c, kind in (("push", "push"), ("email", "smtp"))
            for f in self.faults
            if f.kind == kind and f.at_s <= self.true_s < f.end_s
        }
        self.edges.set_moods()
        self.disk.full, self.disk.read_only = self.on("disk_full"), self.on("read_only")
        self.disk.on_sync = self._dawdle if self.on("slow_card") else (lambda: None)

    def _dawdle(self) -> None:
        self.clock.advance(2.0)
        self.true_s += 2.0

    def _begin(self, f: Fault) -> None:
        if f.kind.startswith("clock"):
            by_s = float(f.how) * (1 if f.kind == "clock_ahead" else -1)
            self.clock.step_wall(by_s)
        elif f.kind == "power" and self.service is not None:
            self._down_until_s = f.end_s
            self.disk.dies_in = int(f.how)
        elif f.kind == "crash" and self.service is not None:
            self._down_until_s = self.true_s
            self._count_outcomes()
            self.abandon()
        elif f.kind == "corrupt":
            self._damage()
        self.edges.fault(f)

    def _end(self, f: Fault) -> None:
        if f.kind == "power" and self.disk.dies_in is not None and self.service is not None:
            self._count_outcomes()
            self.lose_power()

    def _damage(self) -> None:
        """Some pages of the database turn to noise; what lay in them alone is lost to the card."""
        path = self.folder / "journal.sqlite"
        data = path.read_bytes() if path.exists() else b""
        if len(data) < 8192:
            return
        self._corrupted = True
        for _ in range(self.chance.choice((1, 2, 8))):
            at = self.chance.randrange(1, len(data) // 1024) * 1024
            self.disk.spoil(path, at, self.chance.randbytes(1024))

    # ------------------------------------------------------------------ the keeper

    def _keeper(self) -> None:
        """Feeds every evening, tests every third day, and acknowledges some of what the phone shows."""
        if self._steps % 144 == 100:
            self._enter(Feeding(at_s=self._now_s(), id=self._id(), tank="foyer", grams=0.9))
        if self.true_s - self._tested_s > 2 * DAY_S:
            self._tested_s = self.true_s
            values = {"nitrate": 25.0}
            self._enter(Test(at_s=self._now_s(), id=self._id(), tank="foyer", method="strip", values=values))
        assert self.service is not None
        for a in self.service.engine.core.book.views(self.service.engine.timeline.state.alarms):
            old = self._now_s() - a.since_s > HOUR_S  # what gathers for a common message has been told by then
            if old and a.state in ("unacknowledged", "returned") and self.chance.random() < 0.03 and not self._mute():
                self._enter(Acknowledge(at_s=self._now_s(), id=self._id(), alarm=a.id, by="duty"))
                self._seen_s[a.id] = self.true_s

    def _mute(self) -> bool:
        """Whether no word gets out while nothing is heard: then nothing makes the keeper look."""
        return self.on("broker") and self.on("push") and self.on("smtp")

    def _id(self) -> str:
        self._entered += 1
        return f"entry-{self.seed}-{self._entered}"

    def _now_s(self) -> float:
        assert self.service is not None
        return self.service.engine.now_s()

    def _enter(self, event: Event) -> None:
        assert self.service is not None
        receipt = self.service.engine.submit(event)
        if receipt.durable and not self.disk.dead:
            self.kept[receipt.id] = event
