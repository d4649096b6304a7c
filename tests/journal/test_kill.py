"""`kill -9` at random moments: what was promised is there, once."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

from helpers.journals import opened, query, sound

pytestmark = pytest.mark.slow

KILLS = int(os.environ.get("RUSHLIGHT_KILLS", "20"))
"""Fewer in the suite than what is promised is proven with (50)."""


def live_and_die(path: Path, first: int, seed: int, promises: int, seconds: float) -> list[list[str]]:
    """Start the writer, kill it `seconds` after it has made so many promises, return everything that it said."""
    env = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
    command = [sys.executable, "-m", "helpers.ledger", str(path), str(first), str(seed)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=env) as child:
        assert child.stdout is not None
        heard = "".join(child.stdout.readline() for _ in range(1 + promises))
        time.sleep(seconds)
        child.send_signal(signal.SIGKILL)
        rest = child.stdout.read()
        child.wait()
    whole = (heard + rest).split("\n")[:-1]  # a line without its end was not said
    return [line.split() for line in whole]


def test_kills_lose_nothing_that_was_promised(tmp_path: Path, capsys) -> None:
    path = tmp_path / "journal.sqlite"
    chance = random.Random(20260921)
    promised: Counter[str] = Counter()
    names: dict[str, set[str]] = {"entry": set(), "message": set(), "sent": set()}
    last_committed: list[tuple[int, int]] = []
    for k in range(KILLS):
        first = k * 100_000
        said = live_and_die(path, first, k, chance.randrange(20), chance.uniform(0.0, 0.03))
        assert said[0] == ["opened", "well"], said[0]
        for word, *rest in said[1:]:
            promised[word] += 1
            if word in names:
                assert rest[0] not in names[word], "promised twice"
                names[word].add(rest[0])
            elif word == "readings":
                last_committed.append((first, int(rest[0])))

    assert sound(path)
    ids = Counter(i for (i,) in query(path, "SELECT id FROM event"))
    assert all(ids[i] == 1 for i in names["entry"])
    state = dict(query(path, "SELECT key, state FROM outbox"))
    assert names["message"] <= state.keys()
    assert all(state[key] == "sent" for key in names["sent"])
    per_message = query(path, "SELECT count(*) FROM outbox GROUP BY key, channel HAVING count(*) > 1")
    assert per_message == []
    # One transaction holds entry, alarm and message: none is ever there without the others.
    loose = query(
        path,
        "SELECT count(*) FROM event e LEFT JOIN outbox o ON o.key = 'm' || substr(e.id, 2)"
        " LEFT JOIN alarm a ON a.seq = e.seq WHERE o.key IS NULL OR a.no IS NULL",
    )
    assert loose == [(0,)]
    t0_ms = 1_790_000_000_000
    for first, last in last_committed:
        got = query(
            path, "SELECT count(*) FROM reading WHERE at_ms BETWEEN ? AND ?", t0_ms + first * 1000, t0_ms + last * 1000
        )
        assert got == [(last - first + 1,)]

    waiting_before = {key for key, s in state.items() if s == "waiting"}
    journal = opened(path)
    assert {r.key for r in journal.outbox.waiting()} == waiting_before
    seqs = [s.seq for s in journal.events_since(0)]
    assert seqs == sorted(set(seqs))
    journal.close(0.0)
    assert promised["entry"] > KILLS, "the writer hardly got to write"
    with capsys.disabled():
        print(
            f"\n{KILLS} kills: {promised['entry']} entries, {promised['message']} messages, {promised['sent']} deliveries"
            f" and {len(last_committed)} batches promised; {len(seqs)} events on disk, 0 lost, 0 doubled"
        )
