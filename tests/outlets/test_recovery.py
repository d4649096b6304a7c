"""When the way out opens again: what waited goes at once, and who asked to be left in peace is left in peace."""

import random

import pytest

from helpers.telling import T0, House, check_promises, keys_at, open_outbox, outlets
from rushlight.effects import Message, Told
from rushlight.outlets.channel_health import FAILING_S
from rushlight.outlets.result import Done

HOUR_S = 3600.0


@pytest.fixture
def house():
    made = []

    def make(outlets_):
        made.append(House(outlets_))
        return made[-1]

    yield make
    for one in made:
        one.delivery.stop()


def put(house, *keys, priority="medium", alarm=""):
    for key in keys:
        house.put(
            [
                Message(
                    at_s=house.now_s,
                    key=key,
                    channel="push",
                    priority=priority,
                    title=key,
                    body=key,
                    alarms=(Told(alarm, 1, "raise"),) if alarm else (),
                )
            ]
        )


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_after_an_outage_one_success_lets_everything_out(seed, receiver, house):
    """A day without network; whenever it comes back, all that waits goes with the first that gets through."""
    rng, server = random.Random(seed), receiver("refuse")
    site = house({"push": outlets(server, server)["push"]})
    while site.now_s < T0 + 24 * HOUR_S:
        alarm = rng.choice(["temperature_high", "nitrite_high", "ph_low", "lamp_off", "probe_silent"])
        site.find(alarm, rng.choice(["raise", "raise", "clear"]), rng.choice(["foyer", "reading-room"]))
        site.run(site.now_s + rng.uniform(0.2, 3.0) * HOUR_S)
    site.run(site.now_s + rng.uniform(0, 900))
    waiting = [r.key for r in site.outbox.waiting()]
    assert len(waiting) > 3
    server.script = "200"
    while not server.accepted:
        assert site.now_s < T0 + 30 * HOUR_S
        site.run(site.now_s + 1.0)
    assert site.outbox.waiting() == [], "not one second after the first"
    taken = keys_at(server)
    assert len(taken) == len(set(taken)), "each once"
    assert set(waiting) - set(taken) <= {r.key for r in site.rows() if r.why.startswith("overtaken by ")}
    check_promises(site, {"push": server})


def test_over_does_not_come_after_the_alarm_has_risen_again(receiver, house):
    """The less urgent 'over' is overtaken by the new rise, on every channel; what came in time is told."""
    push, hook = receiver("200 refuse"), receiver("refuse")
    site = house(outlets(push, hook))
    for says in ("raise", "clear", "raise"):
        site.find("temperature_high", says)
        site.run(site.now_s + HOUR_S)
    said = [m.key for m in site.messages]
    over = next(k for k in said if "-return@" in k)
    rise = next(k for k in said[said.index(over) :] if "-raise@duty" in k)
    push.script = hook.script = "200"
    site.tell(site.book.acknowledge(site.alarms, site.now_s, "foyer.temperature_high", "x"))
    site.run(site.now_s + 12 * HOUR_S)
    arrived = keys_at(push) + keys_at(hook)
    assert said[0] in arrived
    assert rise in arrived
    assert over not in arrived
    assert {r.why for r in site.rows() if r.key == over} == {f"overtaken by {rise}"}
    check_promises(site, {"push": push, "webhook": hook})


def test_without_a_success_the_waits_go_on_growing(receiver, house):
    server = receiver("refuse")
    site = house({"push": outlets(server, server)["push"]})
    put(site, "a", "b")
    site.run(site.now_s + HOUR_S)
    assert len(server.requests) == 0
    assert {r.tries for r in site.outbox.waiting()} == {9}  # 15 s doubling to 900 s: 0 15 45 105 225 465 945 1845 2745


def test_what_the_receiver_put_off_and_what_is_held_goes_on_waiting(house):
    site = house({})
    for key, later_s in (("own", None), ("asked", 1800.0)):
        put(site, key)
        site.outbox.later(key, "push", T0, "x", later_s)
    site.outbox.put(
        Message(at_s=T0, key="held", channel="push", priority="medium", title="t", body="b", not_before_s=T0 + HOUR_S)
    )
    site.outbox.put(Message(at_s=T0, key="other", channel="webhook", priority="medium", title="t", body="b"))
    site.outbox.later("other", "webhook", T0, "x")
    again = open_outbox(site.conn)  # a restart in between remembers who asked
    for box in (site.outbox, again):
        box.release("push", T0 + 5)
        assert [r.key for r in box.due(T0 + 5)] == ["own"]
        assert [r.key for r in box.due(T0 + 15)] == ["own", "other"]
        assert [r.key for r in box.due(T0 + 1800)] == ["own", "asked", "other"]
        assert [r.key for r in box.due(T0 + HOUR_S)] == ["own", "asked", "held", "other"]


def test_a_late_try_after_one_that_was_put_off_waits_its_own_time(house):
    """The receiver's wish holds once; the next failure is ours to wait out, and a success ends that wait."""
    site = house({})
    put(site, "a")
    site.outbox.later("a", "push", T0, "429", 600.0)
    site.outbox.later("a", "push", T0 + 600, "no route")
    site.outbox.release("push", T0 + 605)
    assert [r.key for r in site.outbox.due(T0 + 605)] == ["a"]


def test_a_receiver_that_asks_for_peace_gets_it_for_all_but_a_new_high_alarm(receiver, house):
    """RFC 9110, 10.2.3: the client is to wait that long before a follow-up request, whatever it is about."""
    server = receiver("429:1200 200")
    site = house({"push": outlets(server, server)["push"]})
    put(site, "a", "b", "c")
    site.run(T0 + 1100)
    assert [r.key for r in site.outbox.waiting()] == ["a", "b", "c"]
    assert len(server.requests) == 1
    put(site, "fire", priority="high")
    site.run(T0 + 1199)
    assert keys_at(server) == ["fire"]
    site.run(T0 + 1201)
    assert keys_at(server) == ["fire", "a", "b", "c"]


def test_a_long_put_off_message_goes_by_another_channel_without_waiting(receiver, house):
    push, hook = receiver("503:7200"), receiver("200")
    site = house(outlets(push, hook))
    site.find("test_overdue", "raise")
    site.run(site.now_s + 65)
    assert keys_at(hook) == [site.messages[0].key]
    assert site.outbox.waiting() == []


def test_a_channel_that_can_t_be_checked_proves_nothing_by_a_check(receiver, house):
    server = receiver("refuse")
    site = house({"push": outlets(server, server)["push"]})
    put(site, "a")
    site.run(site.now_s + 2 * HOUR_S)
    assert [v.says for v in site.verdicts] == ["raise"]
    assert site.delivery.check("push")
    assert site.delivery.settle(site.outcomes.get(timeout=5), site.now_s) is None
    health = site.delivery.health()["push"]
    assert (health.delivered_mono_s, health.raised) == (None, True)
    assert site.delivery.offer(site.now_s) == 0, "nor does it make anything go again"


@pytest.mark.parametrize("by_s", [-30 * 86400.0, -HOUR_S, 600.0, 86400.0, 400 * 86400.0])
def test_a_clock_that_is_set_neither_makes_nor_hides_a_failing_channel(by_s, receiver, house):
    server = receiver("refuse")
    site = house({"push": outlets(server, server)["push"]})
    put(site, "a", priority="high")
    site.run(site.now_s + 600)
    site.clock.step_wall(by_s)
    site.deliver()
    assert site.verdicts == [], "ten minutes are no hour, whatever the clock says"
    began_mono_s = site.clock.mono_s() - 600
    while not site.verdicts:
        site.clock.advance(60.0)
        site.deliver()
        assert site.clock.mono_s() - began_mono_s < FAILING_S + 400
    assert site.clock.mono_s() - began_mono_s >= FAILING_S
    assert [v.says for v in site.verdicts] == ["raise"]


def test_a_certificate_is_not_held_against_a_clock_that_is_not_trusted(house):
    class Expiring:
        certificate_until_s = T0 + 86400.0

        def send(self, parcel):
            return Done()

        def check(self):
            return Done()

    site = house({"push": Expiring()})
    for clock_ok, says in ((False, "clear"), (True, "raise")):
        site.delivery.check("push")
        outcome = site.outcomes.get(timeout=5)
        verdict = site.delivery.settle(outcome, site.now_s, clock_ok=clock_ok)
        assert verdict.says == says


def test_a_stand_in_is_not_kept_waiting_by_a_clock_that_went_back(receiver, house):
    push, hook = receiver("500"), receiver("200")
    site = house(outlets(push, hook))
    put(site, "a")
    site.clock.step_wall(-30 * 86400.0)
    site.deliver()
    assert keys_at(hook) == ["a"]
