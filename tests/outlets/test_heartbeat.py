"""The heartbeat stops when the daemon is blind, and when it is killed, frozen or cut off."""

import itertools
import os
import signal
import subprocess
import sys
import threading
import time

import pytest

from rushlight.clock import SimulatedClock
from rushlight.outlets.heartbeat import Heartbeat, HeartbeatFacts, may_ping
from rushlight.settings import Heartbeat as Settings

WELL = HeartbeatFacts(evaluated_ago_s=1.0)


@pytest.mark.parametrize(
    ("facts", "word"),
    [
        (WELL, ""),
        (HeartbeatFacts(evaluated_ago_s=60.0), ""),
        (HeartbeatFacts(evaluated_ago_s=60.1), "evaluation"),
        (HeartbeatFacts(evaluated_ago_s=None), "evaluation"),
        (HeartbeatFacts(1.0, untold_silent=("foyer-ph",)), "foyer-ph"),
        (HeartbeatFacts(1.0, blind=True), "no probe"),
        (HeartbeatFacts(1.0, high_waiting_s=600.0), ""),
        (HeartbeatFacts(1.0, high_waiting_s=600.1), "high alarm"),
        (HeartbeatFacts(1.0, storage_ok=False), "journal"),
        (HeartbeatFacts(1.0, stuck=("outlet-push",)), "outlet-push"),
    ],
)
def test_when_it_may_ping(facts, word):
    reason = may_ping(facts)
    assert bool(reason) == bool(word)
    assert word in reason


def test_pings_while_well_and_tells_the_reason_where_the_watcher_takes_one(receiver):
    server, facts = receiver(), [WELL]
    beat = Heartbeat(Settings(), f"{server.url}/ok", f"{server.url}/fail", SimulatedClock(), lambda: facts[0])
    assert beat.once() == ""
    facts[0] = HeartbeatFacts(None)
    assert beat.once()
    assert [r.path for r in server.requests] == ["/ok", "/fail"]
    assert b"evaluation" in server.requests[1].body


def test_silence_without_an_address_for_failures(receiver):
    server = receiver()
    Heartbeat(Settings(), server.url, "", SimulatedClock(), lambda: HeartbeatFacts(None)).once()
    assert server.requests == []


def test_facts_that_can_not_be_had_are_a_reason_for_silence(receiver):
    server = receiver()

    def facts():
        raise TimeoutError

    assert "TimeoutError" in Heartbeat(Settings(), server.url, "", SimulatedClock(), facts).once()
    assert server.requests == []


def test_nothing_is_said_before_the_core_has_looked_once(receiver, caplog):
    """A daemon that has only just started is not blind yet; one that never gets to look is."""
    server, stop, clock = receiver(), threading.Event(), SimulatedClock()
    began_s = clock.mono_s()

    def facts():
        if clock.mono_s() - began_s > 400.0:
            stop.set()
        return HeartbeatFacts(None if clock.mono_s() - began_s < 2.0 else 0.5)

    Heartbeat(Settings(every_seconds=300), server.url, "", clock, facts).run(stop)
    assert len(server.requests) == 3
    assert "evaluation" not in caplog.text


def test_a_core_that_never_looks_is_said_after_a_minute(receiver, caplog):
    server, stop, clock = receiver(), threading.Event(), SimulatedClock()
    began_s = clock.mono_s()

    def facts():
        if clock.mono_s() - began_s >= 60.0:
            stop.set()
        return HeartbeatFacts(None)

    Heartbeat(Settings(every_seconds=300), server.url, "", clock, facts).run(stop)
    assert server.requests == []
    assert caplog.text.count("the evaluation has not run for a minute") == 1


def test_it_goes_on_through_failures_and_stops_when_told(receiver):
    server, stop, clock = receiver("500 reset 200"), threading.Event(), SimulatedClock()
    rounds = []

    def facts():
        rounds.append(clock.mono_s())
        if len(rounds) == 5:
            stop.set()
        return WELL

    Heartbeat(Settings(every_seconds=300), server.url, "", clock, facts).run(stop)
    assert len(server.requests) == 4
    assert [b - a for a, b in itertools.pairwise(rounds)] == [0, 300, 300, 300], "one look before the first"


CHILD = """
import sys, threading
from rushlight.clock import SystemClock
from rushlight.outlets.heartbeat import Heartbeat, HeartbeatFacts
from rushlight.settings import Heartbeat as Settings
import dataclasses
s = Settings(every_seconds=5)
object.__setattr__(s, "every_seconds", 0.2)
Heartbeat(s, sys.argv[1], "", SystemClock(), lambda: HeartbeatFacts(1.0)).run(threading.Event())
"""


@pytest.mark.slow
@pytest.mark.parametrize("blow", [signal.SIGKILL, signal.SIGSTOP])
def test_a_process_killed_or_frozen_falls_silent(receiver, blow):
    server = receiver()
    child = subprocess.Popen([sys.executable, "-c", CHILD, server.url])
    try:
        end = time.monotonic() + 20
        while len(server.requests) < 3:
            assert time.monotonic() < end
            time.sleep(0.02)
        os.kill(child.pid, blow)
        time.sleep(0.4)
        seen = len(server.requests)
        time.sleep(0.6)
        assert len(server.requests) == seen
    finally:
        child.kill()
        child.wait()
