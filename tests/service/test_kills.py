"""kill -9 at random moments while readings arrive and people write: nothing acknowledged is lost, nothing told anew."""

from __future__ import annotations

import json
import os
import random
import sqlite3
import time
import uuid
from collections import Counter
from pathlib import Path

import pytest

from helpers.daemon import LIBRARY, LIMITS, STRIP, THERMOMETER, Daemon, one_wire
from helpers.receivers import Receiver
from helpers.waiting import until
from rushlight import eventlines
from rushlight.service import control

pytestmark = pytest.mark.slow

KILLS = int(os.environ.get("RUSHLIGHT_KILLS", "15"))
"""Fewer in the suite than what is promised is proven with (50)."""

CONFIG = (
    LIBRARY
    + LIMITS
    + STRIP
    + THERMOMETER
    + """
silent_seconds = 3000
[[probe]]
id = "foyer-ph"
tank = "foyer"
quantity = "ph"
driver = "simulated"
every_seconds = 1
silent_seconds = 3000
[push]
server = "{push}"
topic = "tanks"
per_hour = 600
reserve_for_high = 300
[contacts]
quiet_from = "00:00"
quiet_until = "00:00"
[alarms]
on_delay_s = {{ temperature_high = 0 }}
off_delay_s = {{ temperature_high = 0 }}
[page]
enabled = false
[heartbeat]
accept_none = true
[storage]
folder = "{data}"
flush_seconds = 1
"""
)


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_kills_lose_and_repeat_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = random.Random(11)
    tree, data, push = tmp_path / "w1", tmp_path / "data", Receiver()
    one_wire(tree, "28-000000000001", 24.0)
    (tmp_path / "config.toml").write_text(CONFIG.format(tree=tree, push=push.url, data=data))
    daemon = Daemon(tmp_path / "config.toml")
    acknowledged: list[str] = []
    hot = False
    for n in range(KILLS):
        daemon.spawn()
        until(lambda: (data / control.SOCKET_NAME).exists() and _answers(data), 60, "the daemon")
        if n % 3 == 0:  # water that swings, so that alarms rise and return between the kills
            hot = not hot
            one_wire(tree, "28-000000000001", 29.5 if hot else 24.0)
        for _ in range(rng.randrange(1, 6)):
            line = {
                "at": eventlines.rfc3339(time.time()),
                "kind": "feeding",
                "tank": "foyer",
                "grams": 0.5,
                "id": str(uuid.uuid4()),
            }
            answer = control.ask(data, do="record", line=line)
            assert answer["durable"]
            acknowledged.append(line["id"])
        daemon.pause(rng.uniform(0.0, 0.8))
        daemon.kill()
    daemon.start()
    until(lambda: not _waiting(data), 60, "an empty outbox")
    exported = [json.loads(line) for line in daemon.command("export").stdout.splitlines()]
    assert daemon.stop() == 0
    push.close()

    kept = Counter(e["id"] for e in exported if e["kind"] == "feeding")
    assert kept == Counter(acknowledged)
    db = sqlite3.connect(data / "journal.sqlite")
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    raised = db.execute(
        "SELECT count(*) FROM alarm WHERE alarm = 'temperature_high' AND state = 'unacknowledged'"
    ).fetchone()[0]
    outbox = dict(db.execute("SELECT key, state FROM outbox").fetchall())
    db.close()
    told = Counter(json.loads(r.headers["idempotency-key"]) for r in push.accepted)
    with capsys.disabled():
        readings = sum(e["kind"] == "reading" for e in exported)
        print(
            f"\n{KILLS} kills: {len(acknowledged)} entries acknowledged, {sum(kept.values())} kept; {readings} readings;",
            end=" ",
        )
        print(
            f"{raised} alarms raised; {len(outbox)} messages, {sum(told.values())} deliveries, {sum(c > 1 for c in told.values())} twice"
        )
    assert raised >= 2
    assert set(outbox.values()) <= {"sent", "dropped"}
    assert max(told.values()) <= 2
    assert set(told) >= {k for k, state in outbox.items() if state == "sent"}


def _answers(folder: Path) -> bool:
    try:
        return "view" in control.ask(folder, do="view")
    except control.NotRunningError:
        return False


def _waiting(folder: Path) -> int:
    db = sqlite3.connect(f"file:{folder / 'journal.sqlite'}?mode=ro", uri=True)
    try:
        return int(db.execute("SELECT count(*) FROM outbox WHERE state = 'waiting'").fetchone()[0])
    finally:
        db.close()
