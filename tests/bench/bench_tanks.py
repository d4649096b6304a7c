"""What a tank costs beside 1, 10, 100 and 500 others: engine, core and journal, in milliseconds a tank and day, and kB.

    python tests/bench/bench_tanks.py [--quick]

Three probes a tank, a value every ten minutes.  The floor writes the same rows to SQLite in the same commits.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from figures import Figure, resident_mb, show, timed

from helpers.accelerated import DAY_S, House, site_text

EVERY_S = 600
STEPS = round(DAY_S / EVERY_S)
QUANTITIES = ("temperature", "ph", "light")


def a_day(tanks: int) -> tuple[float, float]:
    """Seconds for the second day, so that nothing is new any more, and MB more than without a tank."""
    before = resident_mb()
    with tempfile.TemporaryDirectory() as name:
        house = House(Path(name), every_s=EVERY_S, text=site_text(tanks, EVERY_S, QUANTITIES))

        def day() -> None:
            for _ in range(STEPS):
                house.step()

        day()
        took = timed(day)
        grown = resident_mb() - before
        house.close()
    return took, grown


def floor(tanks: int) -> float:
    """Seconds for nothing but the rows."""
    with tempfile.TemporaryDirectory() as name:
        db = sqlite3.connect(Path(name) / "floor.sqlite", isolation_level=None)
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = NORMAL")
        db.execute("CREATE TABLE reading (seq INTEGER PRIMARY KEY, probe INTEGER, at_ms INTEGER, value REAL)")

        def day() -> None:
            for n in range(STEPS):
                db.execute("BEGIN")
                rows = ((probe, n * EVERY_S * 1000, 24.0) for probe in range(tanks * len(QUANTITIES)))
                db.executemany("INSERT INTO reading (probe, at_ms, value) VALUES (?, ?, ?)", rows)
                db.execute("COMMIT")

        took = timed(day)
        db.close()
    return took


def figures(*, quick: bool) -> list[Figure]:
    """The cost of one tank among many."""
    made, at_ten = [], 0.0
    for tanks in (1, 10, 100) if quick else (1, 10, 100, 500):
        took, grown = a_day(tanks)
        each = took / tanks * 1000
        at_ten = each if tanks == 10 else at_ten
        flat = each <= 1.3 * at_ten if tanks > 10 else None
        what = f"a tank's day among {tanks} (and {grown * 1000 / tanks:,.0f} kB each)"
        goal = "<= 1.3 of ten" if tanks > 10 else ""
        made.append(Figure(what, each, "ms", floor(tanks) / tanks * 1000, None, "rows to SQLite", goal, flat))
    return made


if __name__ == "__main__":
    show(figures(quick="--quick" in sys.argv))
