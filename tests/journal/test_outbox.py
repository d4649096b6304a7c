"""The outbox: nothing lost, nothing twice, the urgent first, order kept."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.journals import T0, message, opened, query
from rushlight.effects import Told
from rushlight.journal import schema
from rushlight.journal.outbox import Outbox
from rushlight.journal.store import Journal


@pytest.fixture
def journal(tmp_path: Path):
    made = opened(tmp_path / "journal.sqlite")
    yield made
    made.close(T0)


def in_memory() -> Outbox:
    return Outbox(lambda *_: None, lambda *_: False)


def keys(outbox: Outbox, now_s: float = T0, channel: str | None = None) -> list[str]:
    return [r.key for r in outbox.due(now_s, channel)]


def test_the_same_message_put_again_is_no_second_one_even_after_it_went(journal: Journal) -> None:
    box = journal.outbox
    assert box.put(message("a"))
    assert not box.put(message("a"))
    assert box.put(message("a", channel="email")), "another channel is another delivery"
    journal.commit(T0)
    box.sent("a", "push", T0 + 1, receipt="id-1")
    assert not box.put(message("a")), "still in memory"
    journal.commit(T0, urgent=True)
    assert not box.put(message("a")), "on disk"
    journal.close(T0)
    again = opened(journal.path)
    assert not again.outbox.put(message("a"))
    assert keys(again.outbox) == ["a"]
    assert [r.channel for r in again.outbox.due(T0)] == ["email"]
    assert query(journal.path, "SELECT state, receipt FROM outbox WHERE channel = 'push'") == [("sent", "id-1")]
    again.close(T0)


def test_tries_wait_longer_each_time_and_survive_a_restart(journal: Journal) -> None:
    box = journal.outbox
    box.put(message("a", priority="high"))
    waits = []
    now = T0
    for _ in range(8):
        assert keys(box, now) == ["a"]
        box.later("a", "push", now, "no route")
        assert keys(box, now + 1) == []
        [row] = box.waiting()
        waits.append(row.next_try_ms / 1000 - now)
        now = row.next_try_ms / 1000
    assert waits == sorted(waits)
    assert waits[0] == 15
    assert waits[-1] == 300, "an urgent message is tried every five minutes at least"
    journal.close(T0)
    again = opened(journal.path)
    [row] = again.outbox.waiting()
    assert (row.tries, row.why) == (8, "no route")
    assert keys(again.outbox, now - 1) == []
    assert keys(again.outbox, now) == ["a"]
    again.close(T0)


def test_a_server_that_says_when_is_obeyed() -> None:
    box = in_memory()
    box.put(message("a"))
    box.later("a", "push", T0, "429", wait_s=7200)
    assert keys(box, T0 + 7199) == []
    assert keys(box, T0 + 7200) == ["a"]


def test_high_goes_first_and_one_alarm_keeps_its_order() -> None:
    box = in_memory()
    box.put(message("low", priority="low"))
    box.put(message("a1", alarms=(Told("a", 1, "raise"),)))
    box.put(message("a2", alarms=(Told("a", 1, "raise"),)))
    box.put(message("high", priority="high", alarms=(Told("b", 1, "raise"),)))
    assert keys(box) == ["high", "a1", "low"]
    box.later("a1", "push", T0, "timeout")
    assert keys(box) == ["high", "low"], "the later word on an alarm never overtakes the earlier"
    box.sent("high", "push", T0)
    assert keys(box, T0 + 15) == ["a1", "low"]
    box.sent("a1", "push", T0 + 15)
    assert keys(box, T0 + 15) == ["a2", "low"]


def test_quiet_hours_hold_one_message_and_not_those_behind_it() -> None:
    box = in_memory()
    box.put(message("held", alarms=(Told("a", 1, "raise"),), not_before_s=T0 + 3600))
    box.put(message("worse", alarms=(Told("a", 1, "raise"),), priority="high"))
    assert keys(box) == ["worse"]
    assert keys(box, T0 + 3600) == ["worse"]
    box.sent("worse", "push", T0)
    assert keys(box, T0 + 3599) == []
    assert keys(box, T0 + 3600) == ["held"]


def test_what_is_superseded_does_not_go() -> None:
    box = in_memory()
    box.put(message("raised"))
    box.put(message("raised", channel="email"))
    box.put(message("back to normal", supersedes=("raised",)))
    assert keys(box) == ["back to normal"]
    assert keys(box, channel="email") == []


def test_never_and_drop_are_final(journal: Journal) -> None:
    box = journal.outbox
    box.put(message("a"))
    box.put(message("b"))
    box.never("a", "push", T0, "the address is refused")
    box.drop("b", T0, "the alarm is shelved")
    box.sent("a", "push", T0 + 1)
    box.later("b", "push", T0 + 1, "late answer")
    journal.commit(T0)
    rows = query(journal.path, "SELECT key, state, why FROM outbox ORDER BY no")
    assert rows == [("a", "failed", "the address is refused"), ("b", "dropped", "the alarm is shelved")]


def test_a_clock_that_goes_back_delays_nothing() -> None:
    """A year back: the wait until the next try must not become a year."""
    box = in_memory()
    box.put(message("a"))
    box.put(message("b", not_before_s=T0 + 600))
    box.later("a", "push", T0, "timeout")
    assert keys(box, T0 - 365 * 86400) == ["a", "b"]


def test_last_proven_delivery_per_channel(journal: Journal) -> None:
    box = journal.outbox
    for n, channel in enumerate(["push", "push", "email", "webhook"]):
        box.put(message(f"m{n}", channel=channel, at_s=T0 + n))
    box.sent("m0", "push", T0 + 10)
    box.sent("m1", "push", T0 + 20)
    box.later("m2", "email", T0 + 30, "535 authentication failed")
    box.never("m3", "webhook", T0 + 40, "404")
    journal.commit(T0)
    with journal.reader() as r:
        by = {d.channel: d for d in r.deliveries()}
    assert (by["push"].proven_s, by["push"].waiting) == (T0 + 20, 0)
    assert (by["email"].proven_s, by["email"].waiting, by["email"].oldest_waiting_s) == (None, 1, T0 + 2)
    assert by["email"].why == "535 authentication failed"
    assert (by["webhook"].failed, by["webhook"].why) == (1, "404")


def test_since_when_a_channel_fails(journal: Journal) -> None:
    """From the first message tried in vain, or from the last delivery after that one was made."""
    box = journal.outbox

    def since() -> float | None:
        journal.commit(T0)
        with journal.reader() as r:
            return {d.channel: d.failing_since_s for d in r.deliveries()}["push"]

    box.put(message("a", at_s=T0))
    assert since() is None, "not tried yet"
    box.later("a", "push", T0 + 10, "timeout")
    assert since() == T0
    box.put(message("b", at_s=T0 + 20))
    box.sent("b", "push", T0 + 30)
    assert since() is None, "the last try went through"
    box.later("a", "push", T0 + 40, "timeout")
    assert since() == T0 + 30
    box.drop("a", T0 + 50, "delivered by webhook")
    assert since() == T0 + 30, "another channel's success proves nothing for this one"
    box.put(message("c", at_s=T0 + 60))
    box.never("c", "push", T0 + 70, "401")
    assert since() == T0 + 30


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["put", "sent", "later", "never"]),
            st.integers(0, 5),
            st.sampled_from(["push", "email"]),
            st.sampled_from(["low", "medium", "high"]),
        ),
        max_size=40,
    )
)
def test_whatever_happens_each_message_ends_once_and_order_holds(story) -> None:
    """Drive the outbox at random, then let the network come back: everything not ended goes out, in order per alarm."""
    written: dict[tuple[str, str], object] = {}
    box = Outbox(lambda _t, key, row: written.__setitem__(key, row), lambda *key: key in written)
    ended: set[tuple[str, str]] = set()
    put: list[tuple[str, str]] = []
    for n, (what, k, channel, priority) in enumerate(story):
        key = (f"k{k}", channel)
        if what == "put":
            if box.put(message(key[0], channel=channel, priority=priority, alarms=(Told("one", 1, "raise"),))):
                assert key not in put
                put.append(key)
        elif what == "later":
            box.later(*key, T0 + n, "no route")
        else:
            if key in put:
                ended.add(key)
            (box.sent if what == "sent" else box.never)(*key, T0 + n, "x")
    assert {(r.key, r.channel) for r in box.waiting()} == set(put) - ended
    priorities = {(r.key, r.channel): r.priority for r in box.waiting()}
    went: list[tuple[str, str]] = []
    while due := box.due(T0 + 1e7):
        for row in due:
            went.append((row.key, row.channel))
            box.sent(row.key, row.channel, T0 + 1e7)
    assert sorted(went) == sorted(set(put) - ended)
    for channel in ("push", "email"):
        for priority in ("low", "medium", "high"):
            lane = [k for k in went if k[1] == channel and priorities[k] == priority]
            assert lane == [k for k in put if k in lane]


def test_what_an_older_outbox_named_in_its_keys_is_read_once_and_kept_in_columns(tmp_path: Path) -> None:
    """A journal of the first version: one alarm by its key, several by their names, what is about none by its key."""
    path = tmp_path / "journal.sqlite"
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        schema.migrate(conn, T0, upto=1)
        for no, (key, about) in enumerate(
            [
                ("foyer.probe_silent.foyer-ph#12:3-repeat@duty", "foyer.probe_silent.foyer-ph"),
                ("foyer.lamp_off#1:2-return@duty", "foyer.lamp_off"),
                ("digest:1790000000@duty", "foyer.ph_low foyer.ph_moving"),
                ("selftest:push:2026-W39", ""),
                ("weekly:2026-W39", ""),
            ],
            start=1,
        ):
            conn.execute(
                "INSERT INTO outbox (no, key, channel, contact, priority, title, body, alarm_id, created_ms,"
                " not_before_ms, tries, next_try_ms, state, receipt, why, clock_ok)"
                " VALUES (?, ?, 'push', 'duty', 'medium', 't', 'b', ?, ?, 0, 0, 0, 'waiting', '', '', 1)",
                (no, key, about, round(T0 * 1000)),
            )
    journal = opened(path)
    found = [(r.purpose, r.alarms) for r in journal.outbox.waiting()]
    journal.close(T0)
    assert found == [
        ("alarm", (Told("foyer.probe_silent.foyer-ph", 12, "repeat"),)),
        ("alarm", (Told("foyer.lamp_off", 1, "return"),)),
        ("alarm", (Told("foyer.ph_low", 0, "raise"), Told("foyer.ph_moving", 0, "raise"))),
        ("check", ()),
        ("summary", ()),
    ]
