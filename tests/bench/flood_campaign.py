"""A probe that floods: good and garbage in turn, thousands a second, with the daemon in a memory cgroup of its own.

Needs root and cgroup v1 (`/sys/fs/cgroup/memory`).  Prints the messages sent, whether the daemon lives, the most memory
that the group used, how long entries took, and the rows in the journal beside those stated (`intake.polling.Thinner`).

    python tests/bench/flood_campaign.py --rate 20000 --seconds 120
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.daemon import RUSHLIGHT, STRIP, TRUSTED_LIBRARY
from helpers.hub import Broker
from helpers.waiting import until
from rushlight import eventlines
from rushlight.intake.polling import CHANGES
from rushlight.service import control

CONFIG = (
    TRUSTED_LIBRARY
    + STRIP
    + """
[[probe]]
id = "foyer-temperature"
tank = "foyer"
quantity = "temperature"
driver = "mqtt"
every_seconds = 10
topic = "boards/foyer"
host = "127.0.0.1"
port = {port}
qos = {qos}
[page]
enabled = false
[heartbeat]
accept_none = true
[storage]
folder = "{data}"
"""
)
GROUP = Path("/sys/fs/cgroup/memory")


def flood(port: int, rate: int, seconds: float) -> int:
    """So many messages a second by the broker's own client, which sends a line a message; the number sent."""
    sender = subprocess.Popen(
        ["mosquitto_pub", "-p", str(port), "-t", "boards/foyer", "-l"], stdin=subprocess.PIPE, bufsize=0
    )
    assert sender.stdin is not None
    sent, began_s = 0, time.monotonic()
    while (gone_s := time.monotonic() - began_s) < seconds:
        pairs = max(0, min(2000, int(rate * gone_s) - sent)) // 2
        sender.stdin.write(b"24.5\n\xff{\n" * pairs)
        sent += 2 * pairs
        time.sleep(0.01)
    sender.stdin.close()
    sender.wait()
    return sent


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--rate", type=int, default=20_000)
    asked.add_argument("--seconds", type=float, default=120.0)
    asked.add_argument("--qos", type=int, default=0)
    asked.add_argument("--flood-port", type=int, default=0)
    given = asked.parse_args()
    if given.flood_port:
        print(flood(given.flood_port, given.rate, given.seconds))
        return
    group = GROUP / f"rushlight-flood-{os.getpid()}"
    group.mkdir()
    (group / "memory.limit_in_bytes").write_text(str(128 * 1024 * 1024))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Broker(folder / "broker")
        data = folder / "data"
        (folder / "config.toml").write_text(CONFIG.format(port=broker.port, data=data, qos=given.qos))
        join = f"echo $$ > {group}/cgroup.procs && exec "
        command = join + " ".join([*RUSHLIGHT, "run", "--config", str(folder / "config.toml")])
        with (folder / "log").open("wb") as out:
            daemon = subprocess.Popen(["sh", "-c", command], stdout=out, stderr=out)
        until(lambda: control.answers(data), 120)
        sender = [sys.executable, __file__, "--flood-port", str(broker.port)]
        sender += ["--rate", str(given.rate), "--seconds", str(given.seconds)]
        source = subprocess.Popen(sender, stdout=subprocess.PIPE, text=True)
        took_s: list[float] = []
        while source.poll() is None:
            line = {
                "kind": "feeding",
                "tank": "foyer",
                "at": eventlines.rfc3339(time.time()),
                "id": f"f-{len(took_s)}",
                "grams": 1,
            }
            began_s = time.monotonic()
            kept = control.ask(data, do="record", line=line)["kept"]
            took_s.append(time.monotonic() - began_s)
            assert kept == "on disk"
            time.sleep(1.0)
        sent = int(source.communicate()[0])
        alive = daemon.poll() is None
        most = int((group / "memory.max_usage_in_bytes").read_text())
        status = Path(f"/proc/{daemon.pid}/status").read_text() if alive else ""
        resident = next((line.split()[1] for line in status.splitlines() if line.startswith("VmHWM")), "?")
        daemon.terminate()
        daemon.wait(60)
        broker.stop()
        with sqlite3.connect(data / "journal.sqlite") as conn:
            rows = conn.execute("SELECT count(*) FROM reading").fetchone()[0]
    group.rmdir()
    stated = given.seconds / 10 + given.seconds / 60 + CHANGES + 2  # a period more at either end
    print(
        f"sent={sent} alive={alive} group_mb={most / 1e6:.0f} resident_kb={resident} entries={len(took_s)} "
        f"slowest_entry_s={max(took_s):.2f} rows={rows} stated={stated:.0f}"
    )


if __name__ == "__main__":
    main()
