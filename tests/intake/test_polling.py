"""Links: one worker a wire, reopened when lost, polled on its own schedule, thinned but never smoothed."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.clock import SimulatedClock
from rushlight.intake.polling import CHANGES, FLOOD, LONGEST_WAIT_S, Link, LinkWorker, Thinner, links
from rushlight.intake.stamping import reading, says_nothing
from rushlight.settings import Probe
from rushlight_drivers import Channel, DriverSpec, LinkError, Sample
from rushlight_drivers.simulated import Options as Simulated


class Scripted:
    """A driver that does what its script says, one word a poll: a number, `lost`, or `-` for nothing heard."""

    def __init__(
        self, script: list[str], clock: SimulatedClock, done: Callable[[], None], takes_s: float = 0.0
    ) -> None:
        self.script, self.clock, self.done, self.takes_s = script, clock, done, takes_s
        self.opened: list[float] = []
        self.polled: list[float] = []

    def open(self) -> None:
        self.opened.append(self.clock.mono_s())
        if self.script and self.script[0] == "absent":
            self.script.pop(0)
            raise LinkError("not there")

    def poll(self, _timeout_s: float) -> Sequence[Sample]:
        if not self.script:
            self.done()
            return []
        self.polled.append(self.clock.mono_s())
        self.clock.advance(self.takes_s)
        word = self.script.pop(0)
        if word == "lost":
            raise LinkError("unplugged")
        if word == "flood":
            return [Sample("p", self.clock.mono_s(), 1.0)] * FLOOD
        if word == "mixed":
            return [Sample("p", self.clock.mono_s(), 1.0), Sample("p", self.clock.mono_s(), None, "garbled")] * 40
        return [] if word == "-" else [Sample("p", self.clock.mono_s(), float(word))]

    def close(self) -> None: ...


def run(
    script: list[str], *, every_s: float = 60.0, streams: bool = False, takes_s: float = 0.0
) -> tuple[Scripted, list[Sample]]:
    clock, stop = SimulatedClock(mono_s=0.0), threading.Event()
    driver = Scripted(script, clock, stop.set, takes_s)
    spec = DriverSpec(options=object, link_of=str, build=lambda *_: driver, streams=streams)
    heard: list[Sample] = []
    LinkWorker(
        Link("x", spec, (Channel("p", None, every_s=every_s),)),
        clock,
        stop,
        lambda samples, _: not heard.extend(samples),
        lambda: None,
    ).run()
    return driver, heard


def test_the_schedule_runs_from_itself() -> None:
    """A poll that takes seven seconds does not stretch a minute to 67 s."""
    driver, _ = run(["1", "2", "3", "4"], takes_s=7.0)
    assert driver.polled == [0.0, 60.0, 120.0, 180.0]


def test_a_poll_longer_than_its_period_is_skipped_not_queued() -> None:
    driver, _ = run(["1", "2", "3"], every_s=10.0, takes_s=25.0)
    assert driver.polled == [0.0, 25.0, 50.0]


def test_a_lost_link_is_opened_again_with_growing_patience() -> None:
    driver, heard = run(["absent"] * 7 + ["1", "lost", "2"])
    assert [s.value for s in heard] == [1.0, 2.0]
    waits = [b - a for a, b in zip(driver.opened, driver.opened[1:], strict=False)]
    assert waits[:7] == [1.0, 2.0, 4.0, 8.0, 16.0, LONGEST_WAIT_S, LONGEST_WAIT_S]


def test_who_floods_has_half_of_the_time() -> None:
    driver, heard = run(["flood", "flood", "1", "2"], streams=True, takes_s=0.5)
    assert driver.polled == [0.0, 1.0, 2.0, 2.5], "after a flood the link rests as long as it took"
    assert len(heard) == 1


def test_probes_on_one_wire_share_a_worker_and_import_needs_none() -> None:
    probes = [
        Probe(id="a", tank="t", quantity="ph", driver="simulated", options=Simulated(seed=1)),
        Probe(id="b", tank="t", quantity="light", driver="simulated", options=Simulated(seed=1)),
        Probe(id="c", tank="t", quantity="level", driver="none"),
    ]
    found = links(probes)
    assert sorted(c.name for link in found for c in link.channels) == ["a", "b"]


@given(st.lists(st.floats(0.01, 30), min_size=1, max_size=80), st.floats(1, 60))
def test_thinning_keeps_what_came_and_keeps_the_pace(gaps: list[float], every_s: float) -> None:
    thinner, at_s, sent, kept = Thinner([Channel("p", None, every_s=every_s)]), 0.0, [], []
    for n, gap in enumerate(gaps):
        at_s += gap
        sent.append(Sample("p", at_s, float(n)))
        kept += thinner.keep(sent[-1:])
    assert set(kept) <= set(sent)
    assert kept[0] == sent[0]
    span_s = sent[-1].mono_s - sent[0].mono_s
    assert len(kept) <= span_s / (every_s * 0.98) + 2
    longest = max((b.mono_s - a.mono_s for a, b in itertools.pairwise(kept)), default=0.0)
    assert longest <= 2 * every_s + max(gaps)


def test_trouble_is_never_thinned_away() -> None:
    thinner = Thinner([Channel("p", None, every_s=60)])
    samples = [
        Sample("p", 0.0, 7.0),
        Sample("p", 1.0, None, trouble="garbled"),
        Sample("p", 2.0, None, trouble="garbled"),
        Sample("p", 3.0, 7.1),
    ]
    assert [s.mono_s for s in thinner.keep(samples)] == [0.0, 1.0, 3.0]


def test_trouble_never_becomes_a_number() -> None:
    for trouble, flag in (
        ("saturated", 9),
        ("no_value", 9),
        ("sentinel", 4),
        ("checksum", 4),
        ("garbled", 4),
    ):
        event = reading(Sample("p", 1.0, 85.0, trouble=trouble), lambda m: m + 100)  # type: ignore[arg-type]
        assert (event.value, event.quality, event.at_s) == (None, flag, 101.0)
    assert says_nothing(Sample("p", 1.0, None, trouble="unreadable"))
    assert not says_nothing(Sample("p", 1.0, None, trouble="garbled"))
    stored = reading(Sample("p", 1.0, 7.0, trouble="retained"), lambda m: m)
    assert (stored.value, stored.quality) == (7.0, 3)


@pytest.mark.slow
def test_no_probe_costs_more_rows_than_stated_whatever_it_sends() -> None:
    """Good and garbage in turn, 100 a second for an hour: each change of trouble was a row once."""
    thinner = Thinner([Channel("p", None, every_s=60.0)])
    troubles = ("", "garbled")
    samples = (Sample("p", n / 100, 1.0 if n % 2 == 0 else None, troubles[n % 2]) for n in range(360_000))  # type: ignore[arg-type]
    rows = sum(1 for _ in thinner.keep(samples))
    assert 60 <= rows <= 60 + 60 + CHANGES + 1


def test_a_link_that_breaks_under_a_flood_costs_no_more() -> None:
    """A broker that waits in vain for its keep-alive ends the connection; each new one once brought new coins."""
    driver, heard = run(["mixed", "lost"] * 8, streams=True)
    assert len(driver.opened) == 9
    took_s = driver.polled[-1] - driver.polled[0]
    assert CHANGES < len(heard) <= CHANGES + 2 * (1 + took_s / 60)


def test_trouble_that_comes_or_goes_is_kept_at_once() -> None:
    thinner = Thinner([Channel("p", None, every_s=60.0)])
    told = [Sample("p", 0.0, 1.0), Sample("p", 1.0, 1.0), Sample("p", 2.0, None, "garbled"), Sample("p", 3.0, 1.0)]
    assert [s.mono_s for s in thinner.keep(told)] == [0.0, 2.0, 3.0]


def test_a_backlog_is_kept_whole_and_within_its_bound() -> None:
    """What a broker hands out again comes all at once."""
    thinner = Thinner([Channel("p", None, every_s=60.0)], 3600.0)
    assert sum(1 for _ in thinner.keep(Sample("p", n / 1000, float(n)) for n in range(50))) == 50
    assert sum(1 for _ in thinner.keep(Sample("p", 1 + n / 1000, float(n)) for n in range(500))) <= 60
