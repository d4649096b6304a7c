"""Weeks of a tank, its board and its network with faults by a script that a number draws; and what must hold all along.

The daemon is the real one, assembled as `rushlight run` assembles it, on one thread and simulated time: links,
engine, journal on SQLite, outbox, channels, heartbeat, calendar jobs.  Simulated are the two clocks, the water, the
card (`tornfiles`), and the servers (`simnet`).
"""

from __future__ import annotations

import random
import sqlite3
import threading
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any, ClassVar

from helpers import simnet
from helpers.chaosparts import (
    AUTUMN_S,
    BEAT_S,
    CONFIG,
    DAY_S,
    HOUR_S,
    KINDS,
    PROBES,
    SPRING_S,
    STEP_S,
    BrokenInvariantError,
    Fault,
    Probes,
    check_at_once,
    difference,
    export_fault,
    script,
    state_of,
)
from helpers.site import config_of
from helpers.tornfiles import TornFiles
from rushlight.clock import SimulatedClock
from rushlight.events import Acknowledge, Event, Feeding, Test
from rushlight.journal import files
from rushlight.journal.database import WAL_LIMIT_BYTES
from rushlight.service import snapshots
from rushlight.service.service import Service
from rushlight_drivers.simulated import Options, value_at

MOST_THREADS = 2
"""Of a world's own: it is lived on the caller's, and only what the product starts by itself comes on top."""


class World:
    """One seed's story.  `run` lives it; `broken` in the exception's words is the first rule that did not hold."""

    def __init__(self, folder: Path, seed: int, days: float = 3.0, faults: list[Fault] | None = None) -> None:
        self.folder, self.seed, self.days = folder, seed, days
        self.faults = script(seed, days) if faults is None else faults
        self.chance = random.Random(f"world {seed}")
        self.start_s = (SPRING_S if seed % 2 else AUTUMN_S) + self.chance.uniform(0, DAY_S / 2)
        self.true_s = 0.0
        """Seconds since the world began, on a clock that nothing disturbs."""
        self.config = config_of(CONFIG.format(weekly_day=4 if seed % 8 == 0 else 1))
        self.net = simnet.Network(lambda: self.true_s)
        self.disk = TornFiles(folder, random.Random(f"disk {seed}"))
        self.clock = SimulatedClock(self.start_s, 10.0)
        self.service: Service | None = None
        self.boots = 0
        self.kept: dict[str, Event] = {}
        """Entries that the daemon said were on the disk."""
        self.excused: set[str] = set()
        self.sends: Counter[str] = Counter()
        self.counts: Counter[str] = Counter()
        self._beat_due_s, self._steps = 0.0, 0
        self._others = set(threading.enumerate())
        """Threads that ran before the world began: whoever shares this process."""
        self._entered, self._tested_s = 0, -3 * DAY_S
        self._down_until_s = -1.0
        self._begun: set[int] = set()
        self._ended: set[int] = set()
        self._well_since_s: float | None = None
        self._out_of_sight_s: float | None = None
        self._blind_since_s: float | None = None
        self._acked_through = 0
        self._judged: set[tuple[str, int]] = set()
        self._fds: int | None = None
        self._corrupted = False
        self.pings_seen = 0
        self.export_replayed = False

    # ------------------------------------------------------------------ the water and the faults in force

    def on(self, kind: str, how: str = "") -> bool:
        """Whether such a fault is in force now."""
        return any(
            f.kind == kind and f.at_s <= self.true_s < f.end_s and (not how or f.how == how) for f in self.faults
        )

    def near(self, kinds: Sequence[str], after_s: float, how: str = "") -> bool:
        """Whether such a fault is in force or ended no longer ago than `after_s`."""
        return any(
            f.kind in kinds and f.at_s <= self.true_s < f.end_s + after_s and (not how or f.how == how)
            for f in self.faults
        )

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
        self._check_kept("at a start")
        self._beat_due_s = self.true_s + STEP_S

    def synchronised(self) -> bool:
        """The kernel vouches for its clock while a time server can be reached, also when that one is wrong."""
        return not self.net.down

    def abandon(self) -> None:
        """The process is gone between two instructions."""
        service = self.service
        assert service is not None
        service.engine.journal._db.close()
        self.service = None

    def lose_power(self) -> None:
        self.disk.dead = True
        self.abandon()
        self.disk.after_power_loss()

    # ------------------------------------------------------------------ time

    def run(self) -> World:
        with self.disk.mounted(), self.disk.seen(), self.net.joined(), check_at_once():
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

    def told(self, what: str) -> str:
        faults = "\n".join(
            f"  {f.at_s / HOUR_S:7.2f} h {f.kind:11} {f.lasts_s / HOUR_S:6.2f} h {f.how}" for f in self.faults
        )
        return f"seed {self.seed}, hour {self.true_s / HOUR_S:.2f}: {what}\nfault script:\n{faults}"

    def demand(self, holds: object, what: str) -> None:
        if not holds:
            raise BrokenInvariantError(self.told(what))

    def step(self) -> None:
        self._steps += 1
        self.true_s += STEP_S
        self.clock.advance(STEP_S)
        self._begin_and_end()
        if self.service is None:
            if self.true_s < self._down_until_s:
                self._heartbeat_rule(blind=True)
                return
            self.boot()
        assert self.service is not None
        try:
            self._turn(self.service)
        except sqlite3.Error:
            if not self.disk.dead:
                raise
        if self.disk.dead:
            self._count_outcomes()
            self.lose_power()
            return
        self._keeper()
        self.check()

    def _turn(self, service: Service) -> None:
        engine = service.engine
        for link in service.links:
            link.progress()
            link.turn()
        engine._progress()
        engine.once(0.0)
        self._send(service)
        if engine.time.trusted:
            service.calendar.run_late()
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
            if old and a.state in ("unacknowledged", "returned") and self.chance.random() < 0.03:
                self._enter(Acknowledge(at_s=self._now_s(), id=self._id(), alarm=a.id, by="duty"))

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

    # ------------------------------------------------------------------ what must hold

    def check(self) -> None:
        """After every step."""
        assert self.service is not None
        journal = self.service.engine.journal
        for some in list(self.kept)[-2:] + (self.chance.sample(list(self.kept), 1) if self.kept else []):
            if journal._db.readable and not self._corrupted:
                self.demand(journal.has(some), f"the acknowledged entry {some} is gone")
        self._count_outcomes()
        self._alarms_rule()
        self._flat_rule()
        self._heartbeat_rule(blind=False)

    def _check_kept(self, when: str) -> None:
        """Every acknowledged entry; after damage to pages those that a verified copy held by then."""
        assert self.service is not None
        journal = self.service.engine.journal
        if not journal._db.readable:
            return
        missing = [i for i in self.kept if not journal.has(i)]
        if self._corrupted:
            for i in missing:
                self.excused.add(i)
                del self.kept[i]
            return
        self.demand(not missing, f"acknowledged entries gone {when}: {missing}")

    def _count_outcomes(self) -> None:
        """Each message once; once more for each time the sender could not know."""
        new = self.net.taken[self._acked_through :]
        self._acked_through = len(self.net.taken)
        for t in new:
            key = f"{t.channel} {t.key}"
            before = self.sends[key]
            self.sends[key] += 1
            if before and not self._in_doubt(key):
                self.demand(False, f"told twice without a doubt: {key}")

    def _in_doubt(self, key: str) -> bool:
        """Whether an earlier try ended without the daemon knowing: no answer, a stop, or a disk that took no note."""
        earlier = [t for t in self.net.taken if f"{t.channel} {t.key}" == key][:-1]
        return earlier[-1].doubt or self.near(("power", "crash", "corrupt", "disk_full", "read_only"), DAY_S)

    ALLOWED: ClassVar[dict[str, tuple[tuple[str, ...], float]]] = {
        "probe_silent": (("unplug", "broker"), HOUR_S),
        "probe_fault": (("garble", "freeze", "hot", "clock_ahead", "clock_back"), 6 * HOUR_S),
        "temperature_high": (("hot",), 2 * HOUR_S),
        "temperature_moving": (("hot",), 4 * HOUR_S),
        "ph_high": (("drift",), 30 * DAY_S),
        "delivery_failing": (("network", "push", "smtp", "stuck_send"), 12 * HOUR_S),
        "storage_low": (("disk_full", "read_only", "corrupt", "power"), 10 * DAY_S),
        "test_overdue": (("clock_ahead", "clock_back"), 3 * DAY_S),  # the kernel vouched for a wrong date
        "clock_untrusted": (("clock_ahead", "clock_back", "network", "power"), 12 * HOUR_S),
    }

    def _alarms_rule(self) -> None:
        """No alarm that the script does not explain."""
        assert self.service is not None
        for a in self.service.engine.core.book.views(self.service.engine.timeline.state.alarms):
            if a.state != "unacknowledged" or a.priority == "low" or (a.id, a.occurrence) in self._judged:
                continue
            self._judged.add((a.id, a.occurrence))
            kinds, after_s = self.ALLOWED.get(a.alarm, ((), 0.0))
            self.demand(self._explained(kinds, after_s), f"a false alarm: {a.id}: {a.text}")

    def _explained(self, kinds: Sequence[str], after_s: float) -> bool:
        """Something in the script from before the alarm rose, over no longer ago than `after_s`."""
        return any(f.kind in kinds and f.at_s <= self.true_s <= f.end_s + after_s for f in self.faults)

    def _own_threads(self) -> list[str]:
        return [t.name for t in threading.enumerate() if t not in self._others]

    def _flat_rule(self) -> None:
        wal = files.size(self.folder / "journal.sqlite-wal") or 0
        self.demand(wal <= WAL_LIMIT_BYTES + 1_000_000, f"the log has grown to {wal} bytes")
        # A timer that was cancelled needs a moment of the processor to end; one that leaked stays.
        own, patience = self._own_threads(), 100
        while len(own) > MOST_THREADS and patience:
            time.sleep(0.05)
            own, patience = self._own_threads(), patience - 1
        self.demand(len(own) <= MOST_THREADS, f"threads: {own}")
        if self._steps % 144 == 0:
            open_now = sum(1 for _ in Path("/proc/self/fd").iterdir())
            self._fds = open_now if self._fds is None else self._fds
            self.demand(open_now <= self._fds + 6, f"{open_now} files are open, {self._fds} were at first")

    def _heartbeat_rule(self, *, blind: bool) -> None:
        """Two periods after the tank went out of sight untold, no ping; two periods after all is well, pings."""
        blind = blind or self._blind()
        well = not blind and not self.near(tuple(k for k in KINDS if k not in ("drift", "freeze")), 4 * HOUR_S)
        self._blind_since_s = (
            (self._blind_since_s if self._blind_since_s is not None else self.true_s) if blind else None
        )
        self._well_since_s = (self._well_since_s if self._well_since_s is not None else self.true_s) if well else None
        new = self.net.pings[self.pings_seen :]
        self.pings_seen = len(self.net.pings)
        if self._blind_since_s is not None and self.true_s - self._blind_since_s > 2 * BEAT_S:
            self.demand(not new, "a ping though nobody can see the tank and nobody knows")
        if self._well_since_s is not None and self.true_s - self._well_since_s > 2 * BEAT_S:
            last_s = self.net.pings[-1] if self.net.pings else -1.0
            self.demand(self.true_s - last_s <= 2 * BEAT_S, "no ping though all is well")

    def _blind(self) -> bool:
        """The outside view: every probe out of sight for longer than it takes to notice, and no word of it received."""
        if not self.on("broker"):
            self._out_of_sight_s = None
            return False
        if self._out_of_sight_s is None:
            self._out_of_sight_s = self.true_s
        told = any(t.at_s >= self._out_of_sight_s and "said nothing" in t.text for t in self.net.taken)
        return self.true_s - self._out_of_sight_s > 2 * HOUR_S and not told

    # ------------------------------------------------------------------ the end

    def end(self) -> None:
        """All faults are over for a day: everything was told, nothing waits, and the journal says it all again."""
        if self.service is None:
            self.boot()
            self._turn(self.service)  # type: ignore[arg-type]
        assert self.service is not None
        engine = self.service.engine
        for n, f in enumerate(self.faults):
            self._told_rule(n, f)
        waiting = [r.key for r in engine.journal.outbox.waiting()]
        self.demand(not waiting, f"still waiting after a day in peace: {waiting}")
        self.demand(
            engine.journal.report().durable, f"no disk after a day in peace: {engine.journal.report().sentence}"
        )
        self._check_kept("at the end")
        self._replay_rule()
        self.service.engine._flush(urgent=True)
        self.abandon()

    MUST: ClassVar[dict[str, float]] = {"unplug": 3.0, "broker": 3.0, "garble": 3.0, "hot": 2.0}
    """Hours after which a fault is beyond doubt worth telling, if the board is up and its clock right all the time."""

    def _told_rule(self, n: int, f: Fault) -> None:
        """Every true alarm reached somebody, by the time the way out was open again."""
        least_h = self.MUST.get(f.kind)
        others = [
            o
            for m, o in enumerate(self.faults)
            if m != n and o.at_s < f.end_s + HOUR_S and o.end_s + 6 * HOUR_S > f.at_s
        ]
        spoilt = {
            "power",
            "crash",
            "clock_ahead",
            "clock_back",
            "unplug",
            "broker",
            "garble",
            "freeze",
            "hot",
            "stuck_send",
        }
        if least_h is None or f.lasts_s < least_h * HOUR_S or any(o.kind in spoilt for o in others):
            return
        words = {"unplug": f.how, "broker": "foyer-ph", "garble": f.how, "hot": "temperature"}[f.kind]
        got = [t for t in self.net.taken if t.at_s >= f.at_s and words in t.text.lower()]
        self.demand(got, f"nobody was told of {f.kind} {f.how} at hour {f.at_s / HOUR_S:.1f}")

    def _replay_rule(self) -> None:
        """The state is what the journal's events make of an empty one; and the exported lines are those events."""
        assert self.service is not None
        engine = self.service.engine
        engine._flush(urgent=True)
        if self._corrupted:
            return
        to_s = engine.timeline.state.at_s or 0.0
        again = state_of(self.config, (stored.event for stored in engine.journal.events_since(0)), to_s)
        live = snapshots.dump(engine.timeline.state)
        self.demand(again == live, f"the journal makes another state: {difference(again, live)}")
        fault, self.export_replayed = export_fault(self.config, engine.journal, to_s)
        self.demand(not fault, fault)
