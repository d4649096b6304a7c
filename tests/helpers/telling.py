"""A daemon in little for tests of delivery: real alarm book, notifier, outbox and workers, and what must hold of them."""

import json
import queue
import random
import sqlite3
import time

from rushlight.alarms.evidence import nothing_known
from rushlight.alarms.finding import Finding
from rushlight.alarms.notify import Notifier, NotifyState
from rushlight.alarms.state_machine import AlarmBook, AlarmsState
from rushlight.alarms.wording.writer import Writer
from rushlight.clock import SimulatedClock
from rushlight.effects import AlarmChange
from rushlight.journal import outbox as journal_outbox
from rushlight.journal import schema
from rushlight.journal.rows import Numbers
from rushlight.outlets.delivery import Delivery
from rushlight.outlets.push import PushOutlet
from rushlight.outlets.result import Done, Parcel
from rushlight.outlets.webhook import WebhookOutlet
from rushlight.settings import Config, Contacts, Kit, Person, Push, Site, Tank, Webhook

T0 = 1_750_000_000.0  # 15 June 2025, 15:06 UTC
ROUTE = ("push", "webhook")
CONFIG = Config(
    site=Site(timezone="Europe/Dublin"),
    tank=(Tank(id="foyer", litres=140, name="Foyer"), Tank(id="reading-room", litres=54, name="Reading room")),
    kit=(Kit(id="strip"),),
    push=Push(server="http://set.later", topic="t"),
    webhook=Webhook(url="http://set.later"),
    contacts=Contacts(person=(Person(id="duty"), Person(id="head"))),
)


def open_outbox(conn):
    def known(key, channel):
        return conn.execute("SELECT 1 FROM outbox WHERE key = ? AND channel = ?", (key, channel)).fetchone() is not None

    numbers = Numbers(outbox=conn.execute("SELECT ifnull(max(no), 0) FROM outbox").fetchone()[0])

    def write(_table, _key, row):
        with conn:
            conn.execute(row.sql, row.values(numbers))

    box = journal_outbox.Outbox(write, known)
    box.load(conn, numbers)
    return box


def parcel(row):
    return Parcel(key=row.key, priority=row.priority, title=row.title, body=row.body, alarms=row.alarms)


class House:
    """A daemon in little: alarm book, notifier, outbox, delivery; time stands still until `run` moves it."""

    def __init__(self, outlets, seed=0):
        self.conn = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
        schema.migrate(self.conn, T0)
        self.rng = random.Random(seed)
        self.book, self.alarms = AlarmBook(CONFIG), AlarmsState()
        self.notifier, self.notify, self.writer = Notifier(CONFIG), NotifyState(), Writer(CONFIG)
        self.clock = SimulatedClock(wall_s=T0)
        self.outlets, self.messages, self.verdicts, self.done = outlets, [], [], []
        self.start()

    def __del__(self):
        self.conn.close()

    @property
    def now_s(self):
        return self.clock.wall_s()

    def start(self):
        self.outbox, self.outcomes = open_outbox(self.conn), queue.Queue()
        self.delivery = Delivery(
            self.outlets, self.outbox, self.clock, parcel=parcel, route=lambda _: ROUTE, post=self.outcomes.put
        )
        self.delivery.start()

    def kill(self):
        """What was on its way when the process died has no outcome; the outbox is read back from the disk."""
        self.delivery.stop()
        self.start()

    def find(self, alarm, says, tank="foyer"):
        self.tell(self.book.judge(self.alarms, self.now_s, Finding(alarm=alarm, tank=tank, says=says)))

    def tell(self, effects):
        for e in effects:
            if isinstance(e, AlarmChange):
                self.put(self.notifier.on_change(self.notify, e))

    def put(self, effects):
        for effect in effects:
            m = effect
            if m.alarms:
                m = self.writer.message(m, self.alarms.alarms, self.notify.telling, nothing_known)
            self.messages.append(m)
            assert self.outbox.put(m)

    def tick(self):
        self.tell(self.book.on_tick(self.alarms, self.now_s))
        self.put(self.notifier.on_tick(self.notify, self.now_s))

    def deliver(self):
        """Give out what is due until nothing is, at this one moment."""
        while given := self.delivery.offer(self.now_s):
            for _ in range(given):
                outcome = self.outcomes.get(timeout=20)
                if isinstance(outcome.result, Done):
                    self.done.append((outcome.channel, outcome.row.key))
                verdict = self.delivery.settle(outcome, self.now_s)
                if verdict:
                    self.verdicts.append(verdict)

    def next_s(self):
        times = [self.book.next_wake(self.alarms), self.notifier.next_wake(self.notify)]
        times += [max(r.next_try_ms, r.not_before_ms) / 1000 for r in self.outbox.waiting()]
        return min((t for t in times if t is not None and t > self.now_s), default=None)

    def run(self, until_s):
        while True:
            self.tick()
            self.deliver()
            next_s = self.next_s()
            if next_s is None or next_s > until_s:
                self.clock.advance(max(0.0, until_s - self.now_s))
                return
            self.clock.advance(next_s - self.now_s)

    def rows(self):
        names = ", ".join(journal_outbox.COLUMNS)
        return journal_outbox.rows_of(self.conn.execute(f"SELECT {names} FROM outbox ORDER BY no"))


def about(message):
    return tuple(t.alarm for t in message.alarms)


def keys_at(receiver):
    return [json.loads(r.headers["idempotency-key"]) for r in receiver.accepted]


def outlets(push, hook, deadline_s=0.6):
    return {
        "push": PushOutlet(Push(server=push.url, deadline_s=deadline_s), "t", "", time.time),
        "webhook": WebhookOutlet(Webhook(deadline_s=deadline_s), hook.url, "", time.time),
    }


def check_promises(house, receivers):
    """What must hold once all trouble is over."""
    at = {name: keys_at(r) for name, r in receivers.items()}
    everywhere = set().union(*map(set, at.values()))
    put = {m.key: m for m in house.messages}
    assert everywhere <= set(put), "nothing arrives that was not said"
    assert {r.state for r in house.rows()} <= {"sent", "dropped", "failed"}, "nothing is left behind"
    replaced = {s: m.key for m in house.messages for s in m.supersedes} | overtaken(house, put)
    for key, message in put.items():
        newest = key
        while newest in replaced and newest not in everywhere:
            newest = replaced[newest]
        assert newest in everywhere, f"{key} is neither delivered nor replaced by something delivered"
        if message.priority == "high" and message.step == "raise":
            assert key in everywhere, "every high alarm arrives"
    for name, keys in at.items():
        done = [key for channel, key in house.done if channel == name]
        assert len(done) == len(set(done)), f"{name}: what was confirmed is never sent again"
        assert set(done) <= set(keys), f"{name}: only what arrived counts as done"
        check_order(house, [put[k] for k in keys])
    check_identity(receivers)


def overtaken(house, put):
    """What was dropped because a later and more urgent word on its alarm had arrived, and by what."""
    found = {r.key: r.why.removeprefix("overtaken by ") for r in house.rows() if r.why.startswith("overtaken by ")}
    rank = {"high": 0, "medium": 1, "low": 2}
    for key, by in found.items():
        assert (about(put[key]), put[key].contact) == (about(put[by]), put[by].contact)
        assert rank[put[by].priority] < rank[put[key].priority]
    return found


def check_order(house, taken):
    """One channel took the messages about one alarm to one person in the order in which they were said."""
    lanes = {}
    for message in taken:
        lanes.setdefault((about(message), message.contact), []).append(house.messages.index(message))
    for lane, order in lanes.items():
        assert order == sorted(order), f"{lane} out of order"


def check_identity(receivers):
    """Whatever was tried, confirmed or not: the same identity always said the same."""
    bodies = {}
    for request in (r for receiver in receivers.values() for r in receiver.requests):
        text = request.json().get("message") or request.json().get("body")
        bodies.setdefault(json.loads(request.headers["idempotency-key"]), set()).add(text.split(" (Written")[0])
    assert all(len(b) == 1 for b in bodies.values())
