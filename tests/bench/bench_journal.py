"""What the journal costs: bytes on the card, rows a second, start and pictures with five years of history.

Run as `python tests/bench/bench_journal.py [--quick]`.  Everything is seeded; only the clock differs.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.journals import T0, alarm, message, opened, strip
from rushlight.effects import Daily
from rushlight.events import Reading
from rushlight.journal import backup
from rushlight.journal.rows import Recorded
from rushlight.journal.store import Journal

DAY_S = 86_400.0
PROBES = ("foyer-light", "foyer-ph", "foyer-temperature", "reading-room-temperature")
EVERY_S = 10.0
GOAL_MB_DAY = 15.0


def written_bytes() -> int:
    fields = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(fields["write_bytes"])


def samples(day: int, every_s: float, chance: random.Random) -> Iterator[Recorded]:
    steps = round(DAY_S / every_s)
    for n in range(steps):
        at_s = T0 + day * DAY_S + n * every_s
        for k, probe in enumerate(PROBES):
            event = Reading(at_s=at_s + k / 8, probe=probe, value=round(20 + k + chance.gauss(0, 0.2), 3))
            yield Recorded(event, mono_s=n * every_s)


def flush_to_card(path: Path) -> None:
    """What the kernel does by itself within half a minute: a page dirtied again later is written again."""
    for part in (path, path.with_name(path.name + "-wal")):
        if part.exists():
            fd = os.open(part, os.O_RDONLY)
            os.fdatasync(fd)
            os.close(fd)


def a_day(folder: Path, flush_s: float, *, mark: bool) -> float:
    """MB written in a day: a commit every `flush_s`, hourly checkpoints, state every six hours, five entries."""
    journal = opened(folder / "day.sqlite")
    chance = random.Random(1)
    state = os.urandom(25_000).hex().encode()  # 50 kB that packs to half, as numbers do
    before = written_bytes()
    batch: list[Recorded] = []
    next_flush, next_hour = T0 + flush_s, T0 + 3600.0
    for r in samples(0, EVERY_S, chance):
        at_s = r.event.at_s
        batch.append(r)
        if at_s < next_flush:
            continue
        if mark:
            journal.mark_period("core reached", f"{at_s:.3f}")
        journal.append(batch, urgent=False, at_s=at_s)
        journal.commit(at_s)
        flush_to_card(journal.path)
        batch = []
        next_flush += flush_s
        if at_s >= next_hour:
            hour = round((next_hour - T0) / 3600)
            journal.checkpoint()
            if hour % 6 == 0:
                journal.snapshot(journal.last_seq, state, version="1", at_s=at_s)
            if hour % 5 == 0:
                journal.append([strip(f"s{hour}", at_s)], [alarm(hour), message(f"m{hour}")], urgent=True, at_s=at_s)
            flush_to_card(journal.path)
            next_hour += 3600.0
    journal.append(batch, urgent=False, at_s=at_s)
    journal.commit(at_s)
    journal.checkpoint()
    flush_to_card(journal.path)
    written = written_bytes() - before
    journal.close(at_s)
    return written / 1e6


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    start = time.perf_counter()
    result = work()
    return time.perf_counter() - start, result


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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a year instead of five")
    years = 1.0 if parser.parse_args().quick else 5.0
    table = Table("what", "measured", "goal", title="The journal")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for flush_s in (60.0, 30.0):
            (folder / f"{flush_s}").mkdir()
            mb = a_day(folder / f"{flush_s}", flush_s, mark=False)
            goal = f"{GOAL_MB_DAY:.0f} MB" if flush_s == 60 else ""
            table.add_row(f"written a day, 4 probes every 10 s, commit every {flush_s:.0f} s", f"{mb:.1f} MB", goal)
        (folder / "mark").mkdir()
        mb = a_day(folder / "mark", 60.0, mark=True)
        table.add_row("the same, 60 s, with a period marked at every commit", f"{mb:.1f} MB", f"{GOAL_MB_DAY:.0f} MB")
        speeds(folder, table)
        five_years(folder, years, table)
    Console().print(table)


def speeds(folder: Path, table: Table) -> None:
    journal = opened(folder / "speed.sqlite")
    rows = [r for day in range(3) for r in samples(day, EVERY_S, random.Random(3))]

    def batches() -> None:
        for n in range(0, len(rows), 1000):
            journal.append(rows[n : n + 1000], urgent=False, at_s=T0)
            journal.commit(T0)

    took, _ = timed(batches)
    table.add_row("readings appended and committed, 1000 a batch", f"{len(rows) / took:,.0f} /s", "")
    took, n = timed(lambda: sum(1 for _ in journal.events_since(0)))
    table.add_row("readings read back in arrival order", f"{n / took:,.0f} /s", "50,000 /s")

    def urgent() -> None:
        for n in range(200):
            journal.append([strip(f"u{n}")], [alarm(n), message(f"u{n}")], urgent=True, at_s=T0)

    took, _ = timed(urgent)
    table.add_row("one entry with alarm and message, on the disk", f"{took / 200 * 1000:.2f} ms", "")
    journal.close(T0)


def five_years(folder: Path, years: float, table: Table) -> None:
    path = folder / "years.sqlite"
    took, journal = timed(lambda: history(path, years, 90))
    journal.close(T0)
    size = path.stat().st_size
    label = f"{years:.0f} years: "
    table.add_row(f"{label}database, 90 days of it raw (made in {took:.0f} s)", f"{size / 1e6:.0f} MB", "")
    now_s = T0 + years * 365 * DAY_S
    journal = Journal(path, boot_id="boot-2")
    took, _ = timed(lambda: journal.open(now_s))
    table.add_row(f"{label}open, with the check in a child", f"{took:.2f} s", "")
    tracemalloc.start()
    took, n = timed(lambda: sum(1 for _ in journal.events_since(journal.latest_snapshot("1")[0])))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    table.add_row(f"{label}newest state and the {n} events since (traced)", f"{took:.2f} s, {peak / 1e6:.1f} MB", "")
    with journal.reader() as r:
        for days, what in ((1, "day"), (7, "week"), (30, "month"), (365, "year")):
            took, got = timed(lambda days=days: r.readings("foyer-ph", now_s - days * DAY_S, now_s, 300))
            table.add_row(f"{label}a {what} of one probe in {len(got)} buckets", f"{took * 1000:.0f} ms", "")
        took, _ = timed(lambda: (r.entries("foyer"), r.alarms(), r.days("foyer"), r.deliveries()))
        table.add_row(f"{label}entries, alarms, all days, deliveries", f"{took * 1000:.0f} ms", "")
    took, got = timed(lambda: journal.prune(now_s + DAY_S))
    table.add_row(f"{label}thinning one day ({got.readings} readings)", f"{took * 1000:.0f} ms", "")
    took, _ = timed(lambda: backup.make(path, folder / "backups", now_s))
    table.add_row(f"{label}backup, checked", f"{took:.2f} s", "")
    took, n = timed(lambda: sum(1 for _ in journal.events_since(0)))
    table.add_row(f"{label}all {n} events in arrival order", f"{took:.1f} s ({n / took:,.0f} /s)", "")
    journal.close(now_s)


if __name__ == "__main__":
    main()
