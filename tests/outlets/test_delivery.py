"""From the alarm to the phone through every kind of trouble: a fault map over real receivers, and outages with a kill.

Alarms go through the real state machine and the real rules of who is told, wait in the journal's own outbox on
SQLite, and are sent by the real workers over loopback.  Only the clock is simulated.
"""

import queue
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from helpers.telling import T0, House, check_promises, keys_at, open_outbox, outlets, parcel
from helpers.waiting import until
from rushlight.clock import SystemClock
from rushlight.effects import Message, Told
from rushlight.journal import schema
from rushlight.outlets.delivery import HUNG_S, MOST_ABANDONED, Delivery
from rushlight.outlets.push import PushOutlet
from rushlight.outlets.result import Done, Later, Never
from rushlight.settings import Push

QUICK = ["200", "429:7", "429", "500", "503:120", "reset", "refuse"]
SLOW = ["hang", "drip", "dripbody"]


def fault_script(rng):
    words = [rng.choice(QUICK) for _ in range(rng.randint(0, 9))]
    if rng.random() < 0.12:
        words.insert(rng.randint(0, len(words)), rng.choice(SLOW))
    return " ".join([*words, "200"])


def play_story(house, rng):
    """Alarms come and go over some hours."""
    for _ in range(rng.randint(2, 5)):
        alarm = rng.choice(["temperature_high", "nitrite_high", "ph_low", "lamp_off"])
        house.find(alarm, rng.choice(["raise", "raise", "clear"]), rng.choice(["foyer", "reading-room"]))
        if rng.random() < 0.2:
            house.kill()
        house.run(house.now_s + rng.choice([60, 400, 1900, 7200]))
    for alarm_id in list(house.alarms.alarms):
        house.tell(house.book.acknowledge(house.alarms, house.now_s, alarm_id, "x"))


@pytest.mark.slow
@pytest.mark.parametrize("block", range(7))
def test_the_fault_map(block, receiver):
    """30 sequences of faults a block, 210 in all: both channels fail in their own way while alarms come and go."""
    high = 0
    for seed in range(block * 30, block * 30 + 30):
        rng = random.Random(seed)
        receivers = {"push": receiver(fault_script(rng)), "webhook": receiver(fault_script(rng))}
        house = House(outlets(*receivers.values()), seed)
        try:
            play_story(house, rng)
            house.run(house.now_s + 2 * 86400)
            check_promises(house, receivers)
            high += sum(m.priority == "high" for m in house.messages)
        except AssertionError as e:
            raise AssertionError(f"seed {seed}, scripts {[r.script for r in receivers.values()]}") from e
        finally:
            house.delivery.stop()
            for r in receivers.values():
                r.close()
    assert high > 30, "the map is not empty of what matters"


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_a_day_without_network_and_a_kill_in_the_middle(seed, receiver):
    rng = random.Random(seed)
    receivers = {"push": receiver("refuse"), "webhook": receiver("refuse")}
    house = House(outlets(*receivers.values()), seed)
    try:
        house.find("temperature_high", "raise")
        house.run(house.now_s + rng.uniform(1, 12) * 3600)
        house.find("probe_silent", "raise", "reading-room")
        if rng.random() < 0.5:
            house.find("temperature_high", "clear")
        house.run(house.now_s + rng.uniform(1, 8) * 3600)
        house.kill()
        house.run(T0 + 86400)
        assert all(not r.accepted for r in receivers.values())
        waiting = house.outbox.waiting()
        assert any(r.priority == "high" for r in waiting)
        assert next(v.says for v in house.verdicts if v.channel == "push") == "raise"
        for r in receivers.values():
            r.script = "200"
        house.tell(house.book.acknowledge(house.alarms, house.now_s, "foyer.temperature_high", "x"))
        house.run(house.now_s + 600)
        assert {r.key for r in house.outbox.waiting() if r.priority == "high"} == set(), "high is out within its cap"
        house.run(house.now_s + 86400)
        check_promises(house, receivers)
        assert all("(Written" in r.json()["message"] for r in receivers["push"].accepted[:1])
        assert house.verdicts[-1].says == "clear"
    finally:
        house.delivery.stop()


def test_a_second_channel_stands_in_at_once_for_high(receiver):
    push, hook = receiver("500"), receiver("200")
    house = House(outlets(push, hook))
    house.find("nitrite_high", "raise")
    house.run(house.now_s + 60)
    house.delivery.stop()
    assert keys_at(hook) == [house.messages[0].key]


def test_a_second_channel_waits_half_an_hour_for_medium(receiver):
    push, hook = receiver("500"), receiver("200")
    house = House(outlets(push, hook))
    house.find("test_overdue", "raise")
    house.run(house.now_s + 1500)
    assert keys_at(hook) == []
    house.run(house.now_s + 1500)
    house.delivery.stop()
    assert keys_at(hook) == [house.messages[0].key]
    assert house.outbox.waiting() == [], "what arrived is not sent again when the first channel recovers"


def test_nobody_waits_for_a_receiver_that_asks_for_longer_than_that(receiver):
    """It asks for three quarters of an hour at the first try: the other channel is asked at once."""
    push, hook = receiver("503:2700"), receiver("200")
    house = House(outlets(push, hook))
    house.find("test_overdue", "raise")
    house.run(house.now_s + 300)
    house.delivery.stop()
    assert keys_at(hook) == [house.messages[0].key]


def test_a_refusal_for_good_goes_to_the_second_channel_and_is_told(receiver):
    push, hook = receiver("403"), receiver("200")
    house = House(outlets(push, hook))
    house.find("test_overdue", "raise")
    house.run(house.now_s + 65)
    house.delivery.stop()
    assert len(push.requests) == 1
    assert keys_at(hook) == [house.messages[0].key]
    assert ("push", "raise") in [(v.channel, v.says) for v in house.verdicts]


@pytest.mark.parametrize("purpose", ["check", "summary"])
def test_a_check_of_one_channel_is_not_sent_by_another(purpose, receiver):
    push, hook = receiver("403"), receiver("200")
    house = House(outlets(push, hook))
    house.put([Message(at_s=T0, key="k", channel="push", priority="low", title="t", body="b", purpose=purpose)])
    house.run(house.now_s + 86400)
    house.delivery.stop()
    assert hook.requests == []


# -- workers


class Hanging:
    """A channel whose first sends never come back."""

    certificate_until_s = None

    def __init__(self):
        self.gates, self.sent = [], []

    def send(self, parcel):
        gate = queue.Queue()
        self.gates.append(gate)
        result = gate.get()
        self.sent.append(parcel.key)
        return result

    def check(self):
        return Done()


def test_a_send_that_never_ends_is_given_up_and_tried_anew():
    channel = Hanging()
    house = House({"push": channel})
    house.put([Message(at_s=T0, key="k", channel="push", priority="high", title="t", body="b")])
    assert house.delivery.offer(house.now_s) == 1
    until(lambda: len(channel.gates) == 1)
    house.clock.advance(HUNG_S + 1)
    house.delivery.offer(house.now_s)
    house.delivery.settle(house.outcomes.get(timeout=5), house.now_s)
    (row,) = house.outbox.waiting()
    assert row.tries == 1
    house.clock.advance(600)
    assert house.delivery.offer(house.now_s) == 1
    until(lambda: len(channel.gates) == 2)
    # The first one comes back after all: that counts, and its late failure would not have.
    channel.gates[0].put(Done("late"))
    house.delivery.settle(house.outcomes.get(timeout=5), house.now_s)
    assert house.outbox.waiting() == []
    channel.gates[1].put(Later("x"))
    house.delivery.settle(house.outcomes.get(timeout=5), house.now_s)
    assert [r.state for r in house.rows()] == ["sent"]
    assert house.delivery.stuck() == []
    house.delivery.stop()


def test_a_channel_that_hangs_again_and_again_is_reported_stuck():
    channel, others = Hanging(), set(threading.enumerate())
    house = House({"push": channel})
    house.put([Message(at_s=T0, key="k", channel="push", priority="high", title="t", body="b")])
    for _ in range(MOST_ABANDONED + 1):
        house.delivery.offer(house.now_s)
        house.clock.advance(HUNG_S + 1)
        house.delivery.offer(house.now_s)
        house.delivery.settle(house.outcomes.get(timeout=5), house.now_s)
        house.clock.advance(600)
    assert house.delivery.stuck() == ["push"]
    until(lambda: len(channel.gates) == MOST_ABANDONED + 1)
    for gate in channel.gates:
        gate.put(Never("x"))
    house.delivery.stop()
    until(lambda: set(threading.enumerate()) <= others)  # what was given up on ends too


def test_a_check_is_refused_while_the_channel_is_busy():
    channel = Hanging()
    house = House({"push": channel})
    assert not house.delivery.check("email")
    assert house.delivery.check("push")
    assert not house.delivery.check("push")
    assert house.delivery.settle(house.outcomes.get(timeout=5), house.now_s).says == "clear"
    assert house.delivery.check("push")
    house.delivery.stop()


# -- a real process, really killed

CHILD = """
import queue, sqlite3, sys, time
sys.path[:0] = [sys.argv[3], sys.argv[4]]
from test_delivery import deliver_for_ever
deliver_for_ever(sys.argv[1], sys.argv[2])
"""


def deliver_for_ever(file, url):
    """Runs in the child: the outbox on a file, everything due sent, each outcome committed before the next."""
    conn = sqlite3.connect(file, isolation_level=None)
    outcomes = queue.Queue()
    push = PushOutlet(Push(server=url, deadline_s=2.0), "t", "", time.time)
    delivery = Delivery(
        {"push": push}, open_outbox(conn), SystemClock(), parcel=parcel, route=lambda _: ("push",), post=outcomes.put
    )
    delivery.start()
    while True:
        if delivery.offer(time.time()):
            delivery.settle(outcomes.get(), time.time())
        else:
            time.sleep(0.01)


@pytest.mark.slow
def test_a_delivering_process_killed_again_and_again(receiver, tmp_path):
    server, file = receiver("200"), tmp_path / "outbox.db"
    conn = sqlite3.connect(file, isolation_level=None)
    schema.migrate(conn, T0)
    box = open_outbox(conn)
    keys = [f"foyer.temperature_high#{i // 10}:{i % 10 + 1}-repeat@duty" for i in range(300)]
    for key in keys:
        box.put(
            Message(
                at_s=time.time(),
                key=key,
                channel="push",
                priority="high",
                title="t",
                body=key,
                alarms=(Told("a", 1, "repeat"),),
            )
        )
    conn.close()
    rng, kills = random.Random(1), 12
    for turn in range(kills + 1):
        here = Path(__file__).parent
        child = subprocess.Popen([sys.executable, "-c", CHILD, str(file), server.url, str(here), str(here.parent)])
        before = len(server.requests)
        try:
            if turn < kills:
                until(lambda n=before: len(server.requests) > n, 60)
                time.sleep(rng.uniform(0.0, 0.05))
            else:
                until(lambda: set(keys_at(server)) == set(keys), 60)
        finally:
            child.send_signal(signal.SIGKILL)
            child.wait()
    got = keys_at(server)
    twice = len(got) - len(set(got))
    print(f"{len(keys)} messages, {kills} kills, {twice} sent twice under the same identity")
    assert set(got) == set(keys), "nothing lost"
    assert twice <= kills, "at most the one on its way at each kill goes again"
    first = list(dict.fromkeys(got))
    assert first == keys, "in order"
