"""How many reading events a second `replay` takes, beside a floor that only decodes the lines.

    python tests/bench/bench_replay.py [DAYS]

One tank, three probes (temperature, pH, light) a minute, weekly strips.  Prints the median of three runs.
"""

from __future__ import annotations

import json
import math
import random
import statistics
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.site import CONFIG, config_of
from rushlight import eventlines
from rushlight.replay import replay


def story(days: int) -> list[str]:
    """Event lines of so many days, seed fixed."""
    rng = random.Random(7)
    start_s, lines = eventlines.unix_s("2026-03-01T00:00:00Z"), []
    for minute in range(days * 1440):
        at = eventlines.rfc3339(start_s + minute * 60)
        hour = minute / 60 % 24
        light = (6000 if 8 <= hour < 18 else 0) + max(0.0, 900 * math.sin((hour - 6) / 12 * math.pi))
        for probe, value in (
            ("foyer-temperature", 24 + rng.gauss(0, 0.03)),
            ("foyer-ph", 7.1 + rng.gauss(0, 0.01)),
            ("foyer-light", light * (1 + rng.gauss(0, 0.01)) + rng.random()),
        ):
            lines.append(json.dumps({"at": at, "kind": "reading", "probe": probe, "value": round(value, 3)}))
        if minute % 10080 == 600:
            lines.append(
                json.dumps({"at": at, "kind": "test", "tank": "foyer", "method": "strip", "values": {"nitrate": 25}})
            )
    return lines


def median_s(work: Callable[[], object], runs: int = 3) -> float:
    taken = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def drain(items: Iterable[object]) -> int:
    return sum(1 for _ in items)


def main() -> None:
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    lines = story(days)
    config = config_of(CONFIG.replace("every_seconds = 300", "every_seconds = 60"))
    floor_s = median_s(lambda: [json.loads(line) for line in lines])
    parse_s = median_s(lambda: [eventlines.parse_line(line, 1) for line in lines])
    whole_s = median_s(lambda: drain(replay(config, lines, daily=True)))
    print(f"{days} days, {len(lines):,} lines")
    print(f"{'':24}{'lines/s':>12}{'times floor':>14}")
    for name, taken_s in (
        ("json.loads (floor)", floor_s),
        ("parse and check", parse_s),
        ("replay, whole core", whole_s),
    ):
        print(f"{name:24}{len(lines) / taken_s:12,.0f}{taken_s / floor_s:14.1f}")


if __name__ == "__main__":
    main()
