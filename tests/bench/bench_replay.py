"""How many reading events a second `replay` takes, beside a floor that only decodes the lines.

    python tests/bench/bench_replay.py [--quick]

One tank, three probes (temperature, pH, light) a minute, weekly strips.  The median of three runs.
"""

from __future__ import annotations

import json
import math
import random
import shutil
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from figures import Figure, median_s, show

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


def drain(items: Iterable[object]) -> int:
    return sum(1 for _ in items)


def figures(*, quick: bool) -> list[Figure]:
    """Lines a second through the whole core, through the parser alone, and decoded by others."""
    days = 10 if quick else 60
    lines = story(days)
    config = config_of(CONFIG.replace("every_seconds = 300", "every_seconds = 60"))
    floor = len(lines) / median_s(lambda: [json.loads(line) for line in lines])
    parsed = len(lines) / median_s(lambda: [eventlines.parse_line(line, 1) for line in lines])
    whole = len(lines) / median_s(lambda: drain(replay(config, lines, daily=True)))
    beside, other = "json.loads of each line; jq reading them", None
    if jq := shutil.which("jq"):
        text = "\n".join(lines).encode()
        command = [jq, "-c", "[.at, .probe, .value]"]
        work = lambda: subprocess.run(command, input=text, stdout=subprocess.DEVNULL, check=True)  # noqa: E731
        other = len(lines) / median_s(work)
    return [
        Figure("replay, parse and check", parsed, "lines/s", floor, other, beside),
        Figure("replay, whole core", whole, "lines/s", floor, other, beside, "> 50,000", whole > 50_000),
    ]


if __name__ == "__main__":
    show(figures(quick="--quick" in sys.argv))
