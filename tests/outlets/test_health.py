"""When a channel's trouble is worth an alarm, and what the delivery check does."""

from zoneinfo import ZoneInfo

import pytest

from rushlight.outlets import selftest
from rushlight.outlets.health import FAILING_S, ChannelHealth
from rushlight.outlets.result import Done, Later, Never

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
