"""When a channel's trouble is worth an alarm, and what the delivery check does."""

from zoneinfo import ZoneInfo

import pytest

from helpers.receivers import free_port
from rushlight.clock import SimulatedClock
from rushlight.effects import Message
from rushlight.journal.outbox import Outbox
from rushlight.outlets import selftest
from rushlight.outlets.channel_health import FAILING_S, SETTLING_S, ChannelHealth
from rushlight.outlets.delivery import Delivery
from rushlight.outlets.push import PushOutlet
from rushlight.outlets.result import Done, Later, Never, Parcel
from rushlight.settings import Push

T0 = 1_750_000_000.0
DAY_S = 86400.0


def test_a_passing_failure_is_no_news():
    health = ChannelHealth("push")
    assert health.hear(Later("x"), T0) is None
    assert health.hear(Later("x"), T0 + FAILING_S - 1) is None
    assert health.hear(Done(), T0 + FAILING_S).says == "clear"


def test_an_hour_of_failures_is_told_once():
    health = ChannelHealth("push")
    health.hear(Later("down"), T0)
    verdict = health.hear(Later("down"), T0 + 2 * FAILING_S)
    assert (verdict.says, verdict.facts["channel"]) == ("raise", "push")
    assert "for 2 h: down" in verdict.facts["sentence"]
    assert health.hear(Later("down"), T0 + 9 * FAILING_S) is None
    assert health.hear(Done(), T0 + 10 * FAILING_S).says == "clear"
    assert health.hear(Done(), T0 + 11 * FAILING_S) is None


def test_what_an_earlier_run_found_counts_once_this_one_has_tried_for_a_while():
    """A daemon that is started anew each day still says within minutes that nothing has gone through since yesterday."""
    health = ChannelHealth("push")
    assert health.hear(Later("down"), 30.0, failed_before_s=DAY_S) is None, "the network may come up after us"
    verdict = health.hear(Later("down"), 30.0 + SETTLING_S, failed_before_s=DAY_S + SETTLING_S)
    assert verdict.says == "raise"
    assert "for 24 h: down" in verdict.facts["sentence"]
    assert health.failing_since_mono_s == pytest.approx(30.0 - DAY_S)


def test_a_delivery_ends_what_an_earlier_run_found():
    health = ChannelHealth("push")
    health.hear(Later("down"), 30.0, failed_before_s=DAY_S)
    health.hear(Done(), 60.0)
    assert health.hear(Later("down"), 60.0 + SETTLING_S) is None
    assert health.failing_since_mono_s == 60.0 + SETTLING_S


def test_a_permanent_failure_is_told_at_once():
    assert ChannelHealth("email").hear(Never("refuses the password (535)"), T0).says == "raise"


@pytest.mark.parametrize(("days", "says"), [(30, "clear"), (7.5, "clear"), (6.5, "raise"), (0.5, "raise")])
def test_a_certificate_that_runs_out_is_told_ahead(days, says):
    verdict = ChannelHealth("push").hear(Done(), 5.0, days * DAY_S)
    assert verdict.says == says
    if says == "raise":
        assert "runs out" in verdict.facts["sentence"]


def test_a_check_is_sent_only_where_nothing_was_proven_for_a_week():
    zone = ZoneInfo("Europe/Dublin")
    proven = {"push": T0 - 6.9 * DAY_S, "webhook": T0 - 7.1 * DAY_S, "email": None}
    (message,) = selftest.messages(("push", "webhook", "email"), proven, T0, zone)
    assert (message.channel, message.priority) == ("webhook", "low")
    # 15 June 2025 is a Sunday, the last day of ISO week 24 (ISO 8601).
    assert message.key == "selftest:webhook:2025-W24"
    again = selftest.messages(("webhook",), {}, T0 + 3600, zone)
    assert again[0].key == message.key


@pytest.mark.parametrize(("clock_ok", "says"), [(True, ["raise"]), (False, [])])
def test_a_restart_every_day_puts_the_news_of_a_dead_channel_off_no_longer(clock_ok, says):
    """What the journal says of earlier runs counts as soon as the clock can be held against it."""
    clock, posted = SimulatedClock(wall_s=T0), []
    outlet = PushOutlet(Push(server=f"http://127.0.0.1:{free_port()}"), "t", "", clock.wall_s)
    box = Outbox(lambda *_: None, lambda *_: False)
    box.put(Message(at_s=T0, key="k", channel="push", priority="low", title="t", body="b"))
    delivery = Delivery(
        {"push": outlet},
        box,
        clock,
        parcel=lambda row: Parcel(key=row.key, priority=row.priority, title=row.title, body=row.body),
        route=lambda _: ("push",),
        post=posted.append,
        failing_since_s={"push": T0 - DAY_S},
    )
    verdicts = []
    for _ in range(8):  # a quarter of an hour of tries, each later than the one before
        clock.advance(120)
        if delivery.offer(clock.wall_s()):
            delivery.work_off("push")
            verdicts.append(delivery.settle(posted.pop(), clock.wall_s(), clock_ok=clock_ok))
    assert [v.says for v in verdicts if v is not None] == says
