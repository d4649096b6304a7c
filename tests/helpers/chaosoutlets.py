"""The hub, the time-series store and the phone page in a world of faults, and what must hold for them.

The outlets are the product's own, wired as the service wires them; their threads are not started, their turns are
called.  Simulated are the broker (`simbroker`), the store (`simstore`), and the people (`chaosvisitors`).
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import random
import threading
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any

from helpers.chaosparts import OUTLET_KINDS, STEP_S, Fault
from helpers.chaosvisitors import COOKIE, Visitors
from helpers.simbroker import TAKEN_OVER, Broker
from helpers.simstore import Store
from rushlight.journal.reader import UnreadableError
from rushlight.outlets.hub import commands
from rushlight.outlets.hub.entities import Topics, entities, states
from rushlight.outlets.hub.feed import HubOutlet
from rushlight.outlets.timeseries.feed import TimeseriesOutlet, lines_of
from rushlight.outlets.timeseries.points import Points
from rushlight.service import feeds, page_wiring
from rushlight.service.engine import Engine
from rushlight.service.service import Service

NAME = "0123456789abcdef"
_CALM_S = 6 * STEP_S
"""After a fault, until the hub must show the truth again: it waits up to two minutes, and a slow broker a step more."""
_EVERY, _RULE_EVERY = 2, 6
"""Steps of the world."""
_MOST_TURNS = 40


class NoEdges:
    """In a world without them."""

    def joined(self) -> contextlib.AbstractContextManager[None]:
        return contextlib.nullcontext()

    def __getattr__(self, _name: str) -> Any:
        return lambda *_: None


class Edges:
    """Beside one world."""

    def __init__(self, world: Any) -> None:
        self.world = world
        self.broker, self.store = Broker(lambda: world.true_s), Store()
        self.topics = Topics(NAME, world.config.hub)
        self.visitors = Visitors(self, random.Random(f"visitors {world.seed}"))
        self.app: Any = None
        self.token = ""
        self.hub: HubOutlet | None = None
        self.series: TimeseriesOutlet | None = None
        self.checked = 0
        self._store_due_s = self._up_since_s = 0.0
        self._was_at_broker = False
        self._stamps: list[Callable[[], None]] = []
        device = {"id": "a1", "cookie_hash": _digest(COOKIE), "name": "phone", "since_s": 0.0, "used_s": 9e9}
        kept = {"secret": "11" * 32, "salt": "22" * 16, "passphrase": "set", "devices": [device], "links": {}}
        (world.folder / "page.json").write_text(json.dumps(kept))
        (world.folder / "installation").write_text(NAME + "\n")

    @property
    def engine(self) -> Engine:
        return self.world.service.engine  # type: ignore[no-any-return]

    @contextlib.contextmanager
    def joined(self) -> Iterator[None]:
        """All connections of the product go here; the page's server hands its application over instead of listening."""
        real = page_wiring.Server

        def served(app: Any, *_: Any, **_more: Any) -> Any:
            self.app = app
            return SimpleNamespace(run=lambda _stop, stamp: self._stamps.append(stamp), wake=lambda: None)

        page_wiring.Server = served  # type: ignore[misc,assignment]
        try:
            with self.broker.joined(), self.store.joined():
                yield
        finally:
            page_wiring.Server = real  # type: ignore[misc]

    # ------------------------------------------------------------------ the daemon comes and goes

    def begin(self, service: Service) -> None:
        """As the service starts them, except that no thread begins."""
        started: list[threading.Thread] = []
        self._stamps.clear()
        service.workers.start = started.append  # type: ignore[method-assign]
        config, engine = service.config, service.engine
        feeds.start_hub(config, feeds.installation_id(service.folder, engine.journal), engine, service.workers)
        feeds.start_timeseries(config, NAME, service.folder, engine, service.workers)
        service.telling.ticket_secret = page_wiring.start_page(config, service.folder, engine, service.workers)
        next(t for t in started if t.name == "page").run()
        self.hub = next(t for t in started if isinstance(t, HubOutlet))
        self.series = next(t for t in started if isinstance(t, TimeseriesOutlet))
        self.series.live_every_s = 3600.0  # a whole view each time: often enough to be in every fault's way
        self._stamps += [self.hub._progress, self.series._progress]
        self.token = self.app._access.token(COOKIE)
        self._store_due_s, self._up_since_s = self.world.true_s, self.world.true_s

    def gone(self) -> None:
        """The process is no more."""
        self._was_at_broker = self.broker.client is not None and self.broker.client.connected and not self.broker.down
        self.broker.process_ended()
        if self.hub is not None and self.hub._link is not None and self.hub._link._thread is not None:
            self.hub._link._thread.join(5.0)
        if self.series is not None and self.series._writer is not None:
            self.series._writer.close()
        self.hub = self.series = self.app = None

    def fault(self, f: Fault) -> None:
        """The moment in which one begins."""
        client = self.broker.client
        if f.kind == "hub_cut":
            self.broker.cut(will=True)
        elif f.kind == "hub_wiped":
            self.broker.cut(will=False)
            self.broker.retained.clear()
        elif f.kind == "hub_taken":
            self.broker.cut(will=False, reason=TAKEN_OVER)
        elif (f.kind, f.how) == ("store", "forget"):
            self.store.forgets = True
        elif f.kind == "hub_died" and client is not None and self.hub is not None and self.hub._link is not None:
            client.error = RuntimeError("the loop fell over")
            client.connected = False
            client.ended.set()
            assert self.hub._link._thread is not None
            self.hub._link._thread.join(5.0)

    # ------------------------------------------------------------------ a step

    def set_moods(self) -> None:
        """What is in force now."""
        world, broker = self.world, self.broker
        broker.down = world.on("hub_cut") or world.on("hub_wiped") or world.on("broker")
        if broker.down:
            broker.cut(will=False)
        broker.refuses, broker.slow = world.on("hub_refused"), world.on("hub_slow")
        self.store.down = world.net.down
        here = [f.how for f in world.faults if f.kind == "store" and f.at_s <= world.true_s < f.end_s]
        self.store.mood = here[-1] if here else ""

    def stamp(self) -> None:
        """Their threads live: each says so, as it does every second."""
        for stamp in self._stamps:
            stamp()

    def step(self, steps: int) -> None:
        """The outlets' turns, the visitors, and what came of it."""
        if steps % _EVERY:
            return
        self.hub_turns()
        self._store_turns()
        self.visitors.come()
        self.hub_turns()
        self.visitors.hear()
        self.store.settle()

    def hub_turns(self) -> None:
        """Until the hub's thread and its broker have nothing more to tell each other."""
        assert self.hub is not None
        for _ in range(_MOST_TURNS):
            self.broker.turn()
            self.hub.turn()
            if not (self.hub._inbox._items or (self.hub._outgoing and not self.broker.slow)):
                break
        if self.broker.slow:
            self.broker.acknowledge()

    def _store_turns(self) -> None:
        assert self.series is not None
        for _ in range(_MOST_TURNS):
            if self.world.true_s < self._store_due_s:
                return
            self._store_due_s = self.world.true_s + self.series.turn()

    # ------------------------------------------------------------------ what must hold

    def check(self, steps: int) -> None:
        """After a step in which the daemon lived."""
        demand = self.world.demand
        wrong = [x for x in self.store.other if x.startswith(("reading,", "test,"))]
        demand(not wrong or self.world._corrupted, f"a point came again as another: {wrong[:1]}")
        if steps % _RULE_EVERY or self.world.true_s - self._up_since_s < _CALM_S:
            return
        if not self.world.near((*OUTLET_KINDS, "broker"), _CALM_S):
            self._hub_rule()

    def check_dead(self) -> None:
        """After a step without a daemon."""
        if self._was_at_broker and not self.world.near(("hub_cut", "hub_wiped", "broker"), STEP_S):
            said = self.broker.retained.get(self.topics.status)
            self.world.demand(said in ("offline", None), f"the daemon is dead and the hub is told {said}")

    def _hub_rule(self) -> None:
        """What the broker holds, and what was said last, is what the daemon sees."""
        world, config, view = self.world, self.world.config, self.engine.view()
        self.checked += 1
        trouble = self.hub.trouble if self.hub is not None else ""
        held = self.broker.retained
        world.demand(held.get(self.topics.status) == "online", f"the hub is not told that we live ({trouble})")
        wanted = dict(entities(view, NAME, config.hub, commands.fields_of(config)))
        there = {t: p for t, p in held.items() if t.endswith("/config")}
        world.demand(there == wanted, f"descriptions at the broker are others: {set(there) ^ set(wanted)}")
        if self._untold():
            # What time alone changes, such as a date that passes, is told with the next of the regular turns.
            world.clock.advance(config.hub.publish_seconds)
            world.true_s += config.hub.publish_seconds
            self.hub_turns()
        said = self._untold()
        world.demand(not said, f"the hub knows another state: {said[:2]}")

    def _untold(self) -> list[tuple[str, str]]:
        found = states(self.engine.view(), NAME, self.world.config.hub)
        return [(t, p) for t, p in found if self.broker.heard.get(t) != p]

    def end(self) -> None:
        """After a long peace: no gap in the store, no entry that nobody made, no form or command that waits."""
        world, engine = self.world, self.engine
        engine.flush(urgent=True)
        for _ in range(3):
            world.clock.advance(60.0)
            self._store_due_s = world.true_s
            self._store_turns()
        self._store_rule()
        known, kinds = self.visitors.ids | set(world.kept) | world.excused, ("feeding", "test", "note", "sighting")
        events = [s.event for s in engine.journal.events_since(0) if s.event.kind in kinds]
        strange = [e for e in events if e.id not in known and not e.id.startswith("entry-")]
        world.demand(not strange, f"entries that nobody made: {strange[:2]}")
        world.demand(len({e.id for e in events}) == len(events), "one entry is there twice")
        waiting = [f for f in (*self.visitors.waiting, *self.visitors.commands.values()) if f.sent > 3]
        world.demand(not waiting, f"not taken after a day in peace: {waiting[:2]}")

    def _store_rule(self) -> None:
        """Every kept point is in the store, and what it is worth."""
        world, points = self.world, Points(self.world.config, NAME)
        try:
            with self.engine.journal.reader() as reader:
                days, alarms = reader.days("foyer"), reader.alarms(0.0, limit=100_000)
        except UnreadableError:
            world.demand(world._corrupted, "the journal can't be read")
            return
        now_s = self.engine.now_s()
        # What a wrong clock dated outside this world's days is not handed on, as `JournalHistory` says.
        past = [x for x in (*days, *alarms) if world.start_s <= x.at_s <= now_s]
        events = lines_of(p for s in self.engine.journal.events_since(0) for p in points.of(s.event))
        rest = lines_of(p for item in past for p in points.of(item))
        for line in (*events, *rest):
            series, _, at = line.rsplit(" ", 2)
            there = self.store.points.get((series, int(at)))
            trouble = self.series.trouble if self.series is not None else ""
            world.demand(there is not None, f"a gap in the store: {line} ({trouble})")
        wrong = [
            x for x in events if self.store.points[x.rsplit(" ", 2)[0], int(x.rsplit(" ", 1)[1])] != x.split(" ")[-2]
        ]
        world.demand(not wrong or world._corrupted, f"the store has another value: {wrong[:1]}")


def _digest(value: str) -> str:
    return hashlib.sha256(value.encode()).hexdigest()
