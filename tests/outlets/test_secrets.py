"""No credential in any error or log: one check, over every channel and every way a send can fail."""

import logging
import queue
import time
from types import SimpleNamespace

import pytest

from rushlight.clock import SystemClock
from rushlight.outlets.delivery import Delivery
from rushlight.outlets.email import MailOutlet
from rushlight.outlets.heartbeat import Heartbeat, HeartbeatFacts
from rushlight.outlets.push import PushOutlet
from rushlight.outlets.result import Done, Parcel
from rushlight.outlets.webhook import WebhookOutlet
from rushlight.settings import Email, Push, Webhook
from rushlight.settings import Heartbeat as HeartbeatSettings

SECRET = "hunter2-XyZZy"
PARCEL = Parcel(key="k", priority="high", title="t", body="b")
FAULTS = [
    "401",
    "403",
    "404",
    "413",
    "429",
    "500",
    "hang",
    "drip",
    "reset",
    "refuse",
    "redirect",
    "closed",
    "tls",
    "name",
]


def at(server, fault, user=""):
    """The server's address with the fault worked in."""
    url = f"http://{user}127.0.0.1:{server.port}"
    return {"tls": url.replace("http:", "https:"), "name": f"http://{user}nowhere.invalid"}.get(fault, url)


def push(server, fault):
    return PushOutlet(Push(server=at(server, fault), deadline_s=0.3), SECRET, SECRET, time.time)


def push_with_password(server, fault):
    return PushOutlet(Push(server=at(server, fault), deadline_s=0.3), SECRET, f"user:{SECRET}", time.time)


def webhook(server, fault):
    url = f"{at(server, fault, f'user:{SECRET}@')}/{SECRET}?key={SECRET}"
    return WebhookOutlet(Webhook(deadline_s=0.3), url, SECRET, time.time)


def mail(server, fault):
    host = "nowhere.invalid" if fault == "name" else "127.0.0.1"
    security = "tls" if fault == "tls" else "none"
    settings = Email(host=host, port=server.port, security=security, user=f"{SECRET}@x", to=("a@b",), deadline_s=0.3)
    return MailOutlet(settings, SECRET, time.time)


def hushed(text):
    assert SECRET not in text
    return text


@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("make", [push, push_with_password, webhook, mail])
def test_no_secret_in_a_reason_a_log_line_or_a_repr(make, fault, receiver, caplog):
    caplog.set_level(logging.DEBUG)
    server = receiver("hang" if fault in ("closed", "tls", "name") else fault)
    if fault == "closed":
        server.close()
    outlet = make(server, fault)
    result = outlet.send(PARCEL)
    assert not isinstance(result, Done)
    hushed(result.why)
    hushed(repr(result))
    hushed(caplog.text)
    hushed(repr(outlet))


@pytest.mark.parametrize("reply", ["535 5.7.8 no {}", "454 later {}", "550 {}"])
def test_a_mail_server_that_repeats_what_it_was_told(reply, silent, caplog):
    caplog.set_level(logging.DEBUG)
    # Every line is this reply, so the greeting itself is the refusal.
    server = silent(reply.format(SECRET).encode() + b"\r\n")
    hushed(repr(mail(server, "").send(PARCEL)))
    hushed(caplog.text)


@pytest.mark.parametrize("fault", FAULTS)
def test_no_secret_from_the_heartbeat(fault, receiver, caplog):
    caplog.set_level(logging.DEBUG)
    server = receiver("hang" if fault in ("closed", "tls", "name") else fault)
    if fault == "closed":
        server.close()
    url = f"{at(server, fault)}/{SECRET}"
    beat = Heartbeat(HeartbeatSettings(url=url, deadline_s=0.3), url, "", SystemClock(), lambda: HeartbeatFacts(1.0))
    hushed(beat.once())
    assert "undelivered" in caplog.text
    hushed(caplog.text)


def test_settings_hide_their_secrets():
    for settings in (
        Push(token=SECRET),
        Webhook(url=SECRET, token=SECRET),
        Email(password=SECRET),
        HeartbeatSettings(url=SECRET, fail_url=SECRET),
    ):
        hushed(repr(settings))


class Broken:
    """A channel with a defect whose exception quotes the credential."""

    certificate_until_s = None

    def send(self, parcel):
        raise RuntimeError(f"Authorization: Bearer {SECRET}")

    def check(self):
        raise RuntimeError(SECRET)


def test_a_defect_in_a_channel_costs_neither_the_message_nor_the_secret(caplog):
    caplog.set_level(logging.DEBUG)
    row = SimpleNamespace(
        key="k",
        channel="push",
        contact="",
        priority="high",
        title="t",
        body="b",
        tank=None,
        created_ms=0,
        purpose="alarm",
        alarms=(),
    )
    put = []
    outbox = SimpleNamespace(due=lambda *_: [row], later=lambda *a: put.append(a), put=lambda _: True)
    outcomes = queue.Queue()
    delivery = Delivery(
        {"push": Broken()}, outbox, SystemClock(), parcel=lambda _: PARCEL, route=lambda _: ["push"], post=outcomes.put
    )
    delivery.start()
    try:
        for _ in range(2):
            assert delivery.offer(time.time()) == 1
            outcome = outcomes.get(timeout=5)
            hushed(repr(outcome))
            delivery.settle(outcome, time.time())
        assert delivery.stuck() == []
    finally:
        delivery.stop()
    assert len(put) == 2
    assert "defect" in caplog.text
    hushed(caplog.text)
    hushed(repr(put))
