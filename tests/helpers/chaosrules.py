"""What must hold in a world of faults: the rules, as a part of the world that they look at.

`check` runs after every step, `end` when all faults have been over for a while.  Each raises `BrokenInvariantError`.
"""

from __future__ import annotations

import random
import re
import threading
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any, ClassVar

from helpers import simnet
from helpers.chaosparts import (
    BEAT_S,
    DAY_S,
    HOUR_S,
    KINDS,
    PROBES,
    BrokenInvariantError,
    Fault,
    difference,
    export_fault,
    state_of,
)
from rushlight.events import Event
from rushlight.journal.database import WAL_LIMIT_BYTES
from rushlight.journal.recovery import files
from rushlight.service import snapshots
from rushlight.service.service import Service
from rushlight.settings import Config

MOST_THREADS = 3
"""Of a world's own: it is lived on the caller's, and only what the product starts by itself comes on top."""


class Rules:
    """The rules over one world's story; what tells the story is `chaos.World`."""

    folder: Path
    seed: int
    faults: list[Fault]
    chance: random.Random
    true_s: float
    start_s: float
    boots: int
    config: Config
    net: simnet.Network
    service: Service | None
    kept: dict[str, Event]
    excused: set[str]
    edges: Any

    def __init__(self) -> None:
        self.sends: Counter[str] = Counter()
        self.pings_seen = 0
        self.export_replayed = False
        self._others = set(threading.enumerate())
        """Threads that ran before the world began: whoever shares this process."""
        self._steps = 0
        self._well_since_s: float | None = None
        self._out_of_sight_s: float | None = None
        self._blind_since_s: float | None = None
        self._seen_s: dict[str, float] = {}
        """When the keeper last acknowledged each alarm."""
        self._acked_through = 0
        self._judged: set[tuple[str, int]] = set()
        self._fds: int | None = None
        self._corrupted = False
        self._trusted_boots: set[str] = set()
        """Boots whose clock came to be trusted while the disk was there: all that they heard has its time."""

    def boot(self) -> None:
        raise NotImplementedError

    def abandon(self) -> None:
        raise NotImplementedError

    def _turn(self, service: Service) -> None:
        raise NotImplementedError

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

    def told(self, what: str) -> str:
        faults = "\n".join(
            f"  {f.at_s / HOUR_S:7.2f} h {f.kind:11} {f.lasts_s / HOUR_S:6.2f} h {f.how}" for f in self.faults
        )
        return f"seed {self.seed}, hour {self.true_s / HOUR_S:.2f}: {what}\nfault script:\n{faults}"

    def demand(self, holds: object, what: str) -> None:
        if not holds:
            raise BrokenInvariantError(self.told(what))

    def check(self) -> None:
        """After every step."""
        assert self.service is not None
        journal = self.service.engine.journal
        for some in list(self.kept)[-2:] + (self.chance.sample(list(self.kept), 1) if self.kept else []):
            if journal._db.readable and not self._corrupted:
                self.demand(journal.has(some), f"the acknowledged entry {some} is gone")
        self._count_outcomes()
        engine = self.service.engine
        if engine.time.trusted and engine.journal.report().durable and not engine._restamp_due:
            self._trusted_boots.add(f"boot-{self.boots}")
        self._alarms_rule()
        self._flat_rule()
        self._heartbeat_rule(blind=False)

    def _check_kept(self, when: str) -> None:
        """Every acknowledged entry; after damage to pages those that a verified copy held by then."""
        assert self.service is not None
        journal = self.service.engine.journal
        if not journal._db.readable:
            return
        short = journal.report().shortfall
        self.demand(self._corrupted or not short, f"the file is short though nothing damaged it {when}: {short}")
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
        kinds = ("power", "crash", "corrupt", "disk_full", "read_only")
        if self.NAMED_AFTER_A_WEEK.search(earlier[-1].text):
            # Of a clock set back the daemon can't know that it is this date which is wrong: the week is to come again.
            kinds += ("clock_back",)
        return earlier[-1].doubt or self.near(kinds, DAY_S)

    NAMED_AFTER_A_WEEK: ClassVar = re.compile(r"\A.*(, week \d+/\d+:|[Ss]elf-test)")

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
        """The outside view: every probe out of sight for longer than it takes to notice, and nobody knows.

        Whoever got a word of it knows, and so does a keeper who acknowledged it for every probe.
        """
        if not self.on("broker"):
            self._out_of_sight_s = None
            return False
        if self._out_of_sight_s is None:
            self._out_of_sight_s = self.true_s
        told = any(
            t.at_s >= self._out_of_sight_s and ("said nothing" in t.text or "silent" in t.text) for t in self.net.taken
        )
        seen = all(self._seen_s.get(f"foyer.probe_silent.{p}", -1.0) >= self._out_of_sight_s for p in PROBES)
        return self.true_s - self._out_of_sight_s > 2 * HOUR_S and not told and not seen

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
        self.edges.end()
        self._stamps_rule()
        self._replay_rule()
        self.service.engine.flush(urgent=True)
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
        words = {"unplug": f.how, "broker": "every probe here is silent", "garble": f.how, "hot": "temperature"}[f.kind]
        got = [t for t in self.net.taken if t.at_s >= f.at_s and words in t.text.lower()]
        self.demand(got, f"nobody was told of {f.kind} {f.how} at hour {f.at_s / HOUR_S:.1f}")

    def _stamps_rule(self) -> None:
        """What came before the clock was right was moved to where it belongs, once it was."""
        assert self.service is not None
        if self._corrupted:
            return
        engine = self.service.engine
        engine.flush(urgent=True)
        sql = "SELECT b.id, count(*) FROM {} r JOIN boot b ON b.no = r.boot WHERE r.clock_ok = 0 GROUP BY b.id"
        for table in ("reading", "event"):
            left = dict(engine.journal._db.connection.execute(sql.format(table)).fetchall())
            wrong = {boot: n for boot, n in left.items() if boot in self._trusted_boots}
            self.demand(not wrong, f"{table} rows without their time after their boot's clock was right: {wrong}")
        if any(f.kind.startswith("clock") for f in self.faults):
            return
        begin_s, end_s = self.start_s - 1.0, self.start_s + self.true_s + 1.0
        for stored in engine.journal.events_since(0):
            at_s = stored.event.at_s
            off = stored.clock_ok and stored.event.kind == "reading" and not begin_s <= at_s <= end_s
            self.demand(not off, f"a reading stands {at_s - self.start_s:.0f} s after the world's beginning")

    def _replay_rule(self) -> None:
        """The state is what the journal's events make of an empty one; and the exported lines are those events."""
        assert self.service is not None
        engine = self.service.engine
        engine.flush(urgent=True)
        if self._corrupted:
            return
        to_s = engine.timeline.state.at_s or 0.0
        again = state_of(self.config, (stored.event for stored in engine.journal.events_since(0)), to_s)
        live = snapshots.dump(engine.timeline.state)
        self.demand(again == live, f"the journal makes another state: {difference(again, live)}")
        fault, self.export_replayed = export_fault(self.config, engine.journal, to_s)
        self.demand(not fault, fault)
