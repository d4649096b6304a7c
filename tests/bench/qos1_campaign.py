"""Readings at QoS 1 while the daemon is killed and the broker restarted: none lost, none kept twice.

A real broker, a real daemon, `kill -9`.  Boards publish numbers that never repeat; what the broker confirmed to them is
looked for in the journal at the end.  `python tests/bench/qos1_campaign.py --kills 10 --restarts 3` prints one line.
"""

from __future__ import annotations

import argparse
import random
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.boards import Boards
from helpers.daemon import STRIP, TRUSTED_LIBRARY, Daemon
from helpers.hub import Broker
from helpers.waiting import until
from rushlight.service import control

_HEAD = (
    TRUSTED_LIBRARY
    + STRIP
    + """
[page]
enabled = false
[heartbeat]
accept_none = true
[storage]
folder = "{data}"
flush_seconds = {flush_s}
"""
)
_PROBE = """
[[probe]]
id = "light-{n}"
tank = "foyer"
quantity = "light"
unit = "lx"
driver = "mqtt"
every_seconds = 1
topic = "boards/{n}"
host = "127.0.0.1"
port = {port}
qos = 1
window = 500
"""


@dataclass
class Found:
    taken: int
    """Messages that the broker confirmed to the boards."""
    lost: int
    twice: int


def live(
    folder: Path, *, kills: int, restarts: int, boards: int, flush_s: int, pause_s: tuple[float, float], seed: int = 21
) -> Found:
    """Boards, a broker and a daemon; ends when all kills and restarts have been done and the daemon has been stopped."""
    rng = random.Random(seed)
    broker = Broker(
        folder / "broker", lines="allow_anonymous true\nmax_inflight_messages 500\nmax_queued_messages 20000\n"
    )
    data = folder / "data"
    text = _HEAD.format(data=data, flush_s=flush_s)
    text += "".join(_PROBE.format(n=n, port=broker.port) for n in range(boards))
    (folder / "config.toml").write_text(text)
    daemon = Daemon(folder / "config.toml")
    daemon.spawn()
    until(lambda: control.answers(data), 60)
    time.sleep(1.0)
    source = Boards(broker.port, [f"boards/{n}" for n in range(boards)])
    try:
        until(lambda: _heard(data), 60, "the first reading")
        acts = ["kill"] * kills + ["restart"] * restarts
        rng.shuffle(acts)
        for act in acts:
            time.sleep(rng.uniform(*pause_s))
            if act == "kill":
                daemon.kill()
                daemon.spawn()
                until(lambda: control.answers(data), 60)
            else:
                broker.stop()
                broker.start()
        time.sleep(rng.uniform(*pause_s))
        source.stop()
        time.sleep(8.0)  # a link that was lost is opened again, and what waits at the broker comes
        daemon.stop()
    finally:
        broker.stop()
        if daemon.process is not None and daemon.process.poll() is None:
            daemon.kill()
    with sqlite3.connect(data / "journal.sqlite") as conn:
        kept = Counter(round(v) for (v,) in conn.execute("SELECT value FROM reading WHERE value IS NOT NULL"))
    return Found(
        taken=len(source.confirmed),
        lost=sum(n not in kept for n in source.confirmed),
        twice=sum(kept[n] > 1 for n in source.confirmed),
    )


def _heard(data: Path) -> bool:
    view = control.ask(data, do="view")["view"]
    return any(p["heard_at_s"] for t in view["tanks"] for p in t["probes"])


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--kills", type=int, default=10)
    asked.add_argument("--restarts", type=int, default=3)
    asked.add_argument("--boards", type=int, default=20)
    asked.add_argument("--flush", type=int, default=300)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found = live(
            Path(folder),
            kills=given.kills,
            restarts=given.restarts,
            boards=given.boards,
            flush_s=given.flush,
            pause_s=(4.0, 12.0),
        )
    print(
        f"kills={given.kills} restarts={given.restarts} taken={found.taken} lost={found.lost} kept_twice={found.twice}"
    )
    raise SystemExit(0 if not (found.lost or found.twice) else 1)


if __name__ == "__main__":
    main()
