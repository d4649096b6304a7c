"""The hub, the time-series store and the phone page among faults: what was found there, and that each rule can be broken."""

from __future__ import annotations

import dataclasses
import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from helpers.chaos import World
from helpers.chaosparts import HOUR_S, BrokenInvariantError, Fault
from helpers.simbroker import Client
from helpers.simstore import Store
from rushlight.entry.receipt import Receipt
from rushlight.events import Event
from rushlight.outlets.hub import commands
from rushlight.outlets.hub.feed import HubOutlet
from rushlight.web.entering import writing
from rushlight.web.serving.page_request import PageRequest

pytestmark = pytest.mark.slow

DAYS = 1.25


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


def test_all_of_it_is_looked_at(tmp_path: Path) -> None:
    """In a world in peace: forms and commands were taken, points went out, and the hub was compared many times."""
    edges = World(tmp_path, 4, DAYS, []).run().edges
    counts = edges.visitors.counts
    assert counts["page answered 303"] > 5
    assert counts["hub commands taken"] >= 3
    assert edges.checked > 20
    assert len(edges.store.points) > 300
    assert edges.store.again > 300, "each once more after it had settled"


def test_a_connection_that_came_back_before_its_end_was_attended_to(tmp_path: Path) -> None:
    """Taken over and in again while the hub's thread was busy: both reach it at once, and it has given up on the first."""
    World(tmp_path, 3, DAYS, [Fault(5 * HOUR_S, "hub_taken", HOUR_S)]).run()


def test_a_network_that_says_yes_to_everything_is_no_store(tmp_path: Path) -> None:
    World(tmp_path, 3, DAYS, [Fault(5 * HOUR_S, "store", HOUR_S, "garbage")]).run()


def test_damage_that_only_the_stores_feed_meets_is_mended(tmp_path: Path) -> None:
    for seed in (15, 33):
        (tmp_path / str(seed)).mkdir()
        World(tmp_path / str(seed), seed, 2.0).run()


def test_looking_at_a_tank_changes_nothing(tmp_path: Path) -> None:
    """The hub looks every few minutes, a replay never: what a look works out in passing is not in the state."""
    World(tmp_path, 52, 2.0).run()


def test_days_after_a_clock_that_was_ahead_reach_the_store(tmp_path: Path) -> None:
    World(tmp_path, 55, 2.0).run()


# ---------------------------------------------------------------------- each rule can be broken


def broken(folder: Path, *faults: Fault) -> str:
    """What a world with these faults finds broken."""
    with pytest.raises(BrokenInvariantError) as found:
        World(folder, 3, DAYS, list(faults)).run()
    return str(found.value).split("\n")[0]


def test_a_gap_in_the_store_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settle = Store.settle

    def forgetful(self: Store) -> None:
        self.forgets = True
        settle(self)

    monkeypatch.setattr(Store, "settle", forgetful)
    assert "a gap in the store" in broken(tmp_path)


def test_a_point_that_changes_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    take = Store._take
    monkeypatch.setattr(
        Store, "_take", lambda self, lines: take(self, lines.replace("flag=1", f"flag={1 + self.batches % 2}"))
    )
    assert "a point came again as another" in broken(tmp_path)


def test_a_hub_that_is_not_told_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(HubOutlet, "_say_states", lambda _: None)
    assert "the hub knows another state" in broken(tmp_path)


def test_a_hub_that_forgot_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A broker that lost its memory, and a daemon that does not describe itself again."""
    describe, done = HubOutlet._describe, list[int]()
    monkeypatch.setattr(HubOutlet, "_describe", lambda self: None if done else (done.append(1), describe(self)))
    assert "the hub is not told that we live" in broken(tmp_path, Fault(5 * HOUR_S, "hub_wiped", HOUR_S))


def test_a_daemon_that_leaves_no_last_will_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Client, "will_set", lambda self, topic, _payload, **_: setattr(self, "will", (topic, "online")))
    assert "dead and the hub is told online" in broken(tmp_path, Fault(5 * HOUR_S, "power", 2 * HOUR_S, "0"))


def test_a_form_that_becomes_two_entries_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "form_id", lambda _visit: writing.new_id())
    assert "the page lost" in broken(tmp_path)


def test_an_acknowledgement_that_does_nothing_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def nothing(_asked: PageRequest, *_: Any) -> Receipt:
        return Receipt("never")

    monkeypatch.setattr(writing, "_acknowledge", nothing)
    assert "it did nothing" in broken(tmp_path, Fault(4 * HOUR_S, "hot", 7 * HOUR_S))


def test_a_command_that_acts_twice_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    parse = commands.parse

    def named_anew(*given: Any) -> Event:
        return dataclasses.replace(parse(*given), id=commands.new_id())

    monkeypatch.setattr(commands, "parse", named_anew)
    assert "entries that nobody made" in broken(tmp_path)
