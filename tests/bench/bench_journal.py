"""What the journal costs: rows a second in and out, pictures, thinning and backup with five years of history.

    python tests/bench/bench_journal.py [--quick]

Everything is seeded; only the clock differs.
"""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from figures import Figure, show, timed

from helpers.journals import T0, alarm, message, opened, strip
from rushlight.effects import Daily
from rushlight.events import Reading
from rushlight.journal.recovery import backup
from rushlight.journal.rows import Recorded
from rushlight.journal.store import Journal

DAY_S = 86_400.0
PROBES = ("foyer-light", "foyer-ph", "foyer-temperature", "reading-room-temperature")
EVERY_S = 10.0


def samples(day: int, every_s: float, chance: random.Random) -> Iterator[Recorded]:
    steps = round(DAY_S / every_s)
    for n in range(steps):
        at_s = T0 + day * DAY_S + n * every_s
        for k, probe in enumerate(PROBES):
            event = Reading(at_s=at_s + k / 8, probe=probe, value=round(20 + k + chance.gauss(0, 0.2), 3))
            yield Recorded(event, mono_s=n * every_s)


def history(path: Path, years: float, raw_days: int) -> Journal:
    """Years of thinned history, `raw_days` of it raw, and what people did."""
    journal = opened(path)
    chance = random.Random(2)
    days = round(years * 365)
    for day in range(days - raw_days):  # one raw reading in ten minutes folds into the same thinned row
        journal.append(list(samples(day, 600.0, chance)), urgent=False, at_s=T0)
        if day % 30 == 29:
            while journal.prune(T0 + (day + 91) * DAY_S).more:
                pass
    while journal.prune(T0 + (days - raw_days + 90) * DAY_S).more:
        pass
    for day in range(days - raw_days, days):
        journal.append(list(samples(day, EVERY_S, chance)), urgent=False, at_s=T0)
        journal.commit(T0)
    for day in range(days):
        at_s = T0 + day * DAY_S
        entries = [strip(f"d{day}-{k}", at_s + k) for k in range(5)]
        effects = [
            alarm(day, at_s=at_s),
            message(f"d{day}", at_s=at_s),
            Daily(at_s=at_s, tank="foyer", date=f"d{day:05}"),
        ]
        journal.append(entries, effects, urgent=False, at_s=at_s)
        journal.outbox.sent(f"d{day}", "push", at_s)
    journal.commit(T0)
    journal.snapshot(journal.last_seq, b'{"x": 1}' * 5000, version="1", at_s=T0 + days * DAY_S)
    journal.append(list(samples(days, EVERY_S, chance))[: 4 * 2160], urgent=False, at_s=T0)  # six hours since
    journal.commit(T0)
    return journal


def rows_floor(folder: Path, rows: list[Recorded]) -> float:
    """Seconds for nothing but the rows, in as many commits."""
    db = sqlite3.connect(folder / "floor.sqlite", isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = NORMAL")
    db.execute("CREATE TABLE reading (seq INTEGER PRIMARY KEY, probe INTEGER, at_ms INTEGER, value REAL)")

    def batches() -> None:
        for n in range(0, len(rows), 1000):
            db.execute("BEGIN")
            made = ((1, round(r.event.at_s * 1000), r.event.value) for r in rows[n : n + 1000])
            db.executemany("INSERT INTO reading (probe, at_ms, value) VALUES (?, ?, ?)", made)
            db.execute("COMMIT")

    took = timed(batches)
    db.close()
    return took


def speeds(folder: Path) -> list[Figure]:
    """Rows in and out, and one entry on the disk."""
    journal = opened(folder / "speed.sqlite")
    rows = [r for day in range(3) for r in samples(day, EVERY_S, random.Random(3))]

    def batches() -> None:
        for n in range(0, len(rows), 1000):
            journal.append(rows[n : n + 1000], urgent=False, at_s=T0)
            journal.commit(T0)

    def urgent() -> None:
        for n in range(200):
            journal.append([strip(f"u{n}")], [alarm(n), message(f"u{n}")], urgent=True, at_s=T0)

    count, floor = len(rows), rows_floor(folder, rows)
    appended = timed(batches)
    read = timed(lambda: sum(1 for _ in journal.events_since(0)))
    entry_ms = timed(urgent) / 200 * 1000
    journal.close(T0)
    beside = "rows to SQLite, as many commits"
    return [
        Figure("readings kept, 1000 a commit", count / appended, "/s", count / floor, None, beside),
        Figure("readings read back in order", count / read, "/s", goal="> 50,000", met=count / read > 50_000),
        Figure("an entry with alarm and message, on the disk", entry_ms, "ms"),
    ]


def looking_back(folder: Path, years: float) -> list[Figure]:
    """Pictures, thinning and backup with years of history."""
    path = folder / "years.sqlite"
    journal = history(path, years, 90)
    now_s = T0 + years * 365 * DAY_S
    made = []
    with journal.reader() as r:
        for days, what in ((1, "day"), (30, "month"), (365, "year")):
            took = timed(lambda days=days: r.readings("foyer-ph", now_s - days * DAY_S, now_s, 300))
            made.append(Figure(f"a {what} of a probe for a picture, of {years:.0f} years", took * 1000, "ms"))
        took = timed(lambda: (r.entries("foyer"), r.alarms(), r.days("foyer"), r.deliveries()))
        made.append(Figure("entries, alarms, all days, deliveries", took * 1000, "ms"))
    made.append(Figure("thinning a day", timed(lambda: journal.prune(now_s + DAY_S)) * 1000, "ms"))
    size = path.stat().st_size
    floor = timed(lambda: copied(path, folder / "copy"))
    took = timed(lambda: backup.make(path, folder / "backups", now_s))
    beside = "a synced copy of the file; the sqlite3 shell's .backup and integrity_check"
    made.append(Figure(f"backup, proven ({size / 1e6:.0f} MB)", took, "s", floor, shell_s(path, folder), beside))
    journal.close(now_s)
    return made


def copied(path: Path, to: Path) -> None:
    """A copy that is on the disk."""
    shutil.copyfile(path, to)
    with to.open("rb") as f:
        os.fsync(f.fileno())


def shell_s(path: Path, folder: Path) -> float | None:
    """Seconds that the sqlite3 shell takes to copy a database in use and to prove the copy; None without one."""
    shell = shutil.which("sqlite3")
    if shell is None:
        return None
    copy = folder / "shell"
    commands = ([shell, str(path), f".backup '{copy}'"], [shell, str(copy), "PRAGMA integrity_check"])
    return timed(lambda: [subprocess.run(c, check=True, stdout=subprocess.DEVNULL) for c in commands])


def figures(*, quick: bool) -> list[Figure]:
    """Both."""
    with tempfile.TemporaryDirectory() as name:
        return [*speeds(Path(name)), *looking_back(Path(name), 1.0 if quick else 5.0)]


if __name__ == "__main__":
    show(figures(quick="--quick" in sys.argv))
