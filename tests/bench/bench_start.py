"""From starting the process to READY with years of history, its memory then, and what a look at the past costs.

    python tests/bench/bench_start.py [--quick]

The history: ten-minute means of all the years, the last ninety days raw, four probes every ten seconds, feedings and
strips; then nearly six hours since the newest snapshot, which is the most that a restart ever has to read again.  The floor
starts an interpreter and reads snapshot and rows with nothing but sqlite3; the other tool is the sqlite3 shell,
reading the same.
"""

from __future__ import annotations

import os
import random
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from figures import Figure, resident_mb, show, timed

from helpers.accelerated import DAY_S, QUANTITIES, House, site_text, value
from helpers.hub import free_port
from rushlight.events import Reading
from rushlight.journal.rows import Recorded
from rushlight.service.offline import journal_path

RAW_DAYS, TAIL_S, RUNS = 90, 6 * 3600 - 600, 5
_TAIL_SQL = "SELECT state FROM snapshot ORDER BY seq DESC LIMIT 1"
_ROWS_SQL = "SELECT * FROM reading WHERE seq > (SELECT max(seq) FROM snapshot)"
_FLOOR = f"""
import sqlite3, sys, zlib, json
c = sqlite3.connect(sys.argv[1])
c.execute("PRAGMA user_version").fetchone()
json.loads(zlib.decompress(c.execute("{_TAIL_SQL}").fetchone()[0]))
c.execute("{_ROWS_SQL}").fetchall()
"""


def build(folder: Path, years: int) -> None:
    """The history, ending now."""
    house = House(folder, every_s=1800, from_s=time.time() - years * 365 * DAY_S - TAIL_S)
    for _ in house.live(years * 365 - RAW_DAYS):
        pass
    chance = random.Random(3)
    for _ in range(RAW_DAYS):  # past the core, which would only take time here
        at_s = house.clock.wall_s()
        batch = [
            Recorded(Reading(at_s=at_s + n, probe=f"foyer-{q}", value=value(q, at_s + n, chance)))
            for n in range(0, round(DAY_S), 10)
            for q in QUANTITIES
        ]
        house.journal.append(batch, urgent=False, at_s=at_s)
        house.journal.commit(at_s)
        house.clock.advance(DAY_S)
    house.engine.once(0.0)
    house.engine.snapshot()
    house.every_s = 10
    for _ in range(TAIL_S // 10):
        house.step()
    house.engine.flush(urgent=True)
    house.close()


def start(config: Path) -> tuple[float, float]:
    """Seconds from starting the process to READY, and its memory in MB five seconds later."""
    address = config.with_name("notify")
    address.unlink(missing_ok=True)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
        s.bind(str(address))
        s.settimeout(120)
        begun = time.perf_counter()
        daemon = subprocess.Popen(
            [sys.executable, "-m", "rushlight", "run", "--config", str(config)],
            env=os.environ | {"NOTIFY_SOCKET": str(address)},
            stdout=subprocess.DEVNULL,
            stderr=config.with_name("log").open("ab"),
        )
        while b"READY=1" not in s.recv(4096):
            pass
        took = time.perf_counter() - begun
        time.sleep(5)
        resident = resident_mb(daemon.pid)
        daemon.kill()  # no snapshot: the next start has the same to do
        daemon.wait()
    return took, resident


def measured(folder: Path, years: int) -> list[Figure]:
    """The figures over the history in `folder`."""
    text = (
        site_text()
        + f'\n[storage]\nfolder = "{folder}"\n[page]\nport = {free_port()}\n[heartbeat]\naccept_none = true\n'
    )
    config = folder / "config.toml"
    config.write_text(text)
    path = journal_path(folder)
    runs = [start(config) for _ in range(RUNS)]
    took, resident = (statistics.median(column) for column in zip(*runs, strict=True))
    floor = statistics.median(
        timed(lambda: subprocess.run([sys.executable, "-c", _FLOOR, str(path)], check=True)) for _ in range(RUNS)
    )
    shell = shutil.which("sqlite3")
    other = None
    if shell:
        command = [shell, str(path), f"{_TAIL_SQL}; {_ROWS_SQL};"]
        other = timed(lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL))
    size = path.stat().st_size / 1e6
    return [
        Figure(
            f"start to READY, {years} years ({size:.0f} MB)",
            took,
            "s",
            floor,
            other,
            "interpreter, snapshot and rows by sqlite3; the sqlite3 shell",
            "< 2 s",
            took < 2,
        ),
        Figure(f"resident after the start, {years} years", resident, "MB", goal="<= 80 MB", met=resident <= 80),
    ]


def figures(*, quick: bool) -> list[Figure]:
    """Five years, or one."""
    years = 1 if quick else 5
    kept = os.environ.get("RUSHLIGHT_BENCH_HISTORY")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(kept) if kept else Path(name)
        if not journal_path(folder).exists():
            build(folder, years)
        return measured(folder, years)


if __name__ == "__main__":
    show(figures(quick="--quick" in sys.argv))
