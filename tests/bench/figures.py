"""What a benchmark found: a figure, what it is measured against, and what was hoped for."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Figure:
    """`value` in `unit`; `floor` the same for a minimal script that does only the I/O, `other` for a general tool.

    `met` says whether the goal was, None where there is none.
    """

    what: str
    value: float
    unit: str
    floor: float | None = None
    other: float | None = None
    beside: str = ""
    """What floor and other tool are."""
    goal: str = ""
    met: bool | None = None


def timed(work: Callable[[], object]) -> float:
    """Seconds that it takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def median_s(work: Callable[[], object], runs: int = 3) -> float:
    """The median of some runs, in seconds."""
    return statistics.median(timed(work) for _ in range(runs))


def proc(pid: int | str, file: str, key: str) -> int:
    """A figure of /proc/PID/status (kB) or /proc/PID/io (bytes)."""
    line = next(x for x in Path(f"/proc/{pid}/{file}").read_text().splitlines() if x.startswith(key + ":"))
    return int(line.split()[1])


def resident_mb(pid: int | str = "self") -> float:
    """What the process holds of the machine's memory."""
    return proc(pid, "status", "VmRSS") / 1024


def show(found: list[Figure]) -> None:
    """The figures as a table."""
    from rich.console import Console
    from rich.table import Table

    table = Table("what", "measured", "floor", "times", "other tool", "goal", "beside")
    for f in found:
        mark = {None: "", True: "[green]met[/]", False: "[red]missed[/]"}[f.met]
        times = f"{max(f.value / f.floor, f.floor / f.value):.1f}" if f.floor and f.value else ""
        cells = [number(v) for v in (f.floor, f.other)]
        table.add_row(f.what, f"{number(f.value)} {f.unit}", cells[0], times, cells[1], f"{f.goal} {mark}", f.beside)
    Console(width=170).print(table)


def number(value: float | None) -> str:
    """Three figures that count."""
    if value is None:
        return ""
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"
