"""Upgrades across this repository's own history: a journal written by older code, gone on with by this code.

    python tests/bench/upgrade.py [commits]        (10 unless told otherwise; evenly over the history)

For each commit: its code fills a journal with two months of the foyer tank and leaves its snapshot; this code opens
that journal.  The state must be the one that is made from the events alone, and what follows from a week more must be
what a replay of the whole record gives.  Commits whose code can't write a journal in this way are named and left out.
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.site import CONFIG, config_of, lines_of
from rushlight import eventlines
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.service import offline, snapshots

ROOT = Path(__file__).parents[2]
FILL = """
import sys
from pathlib import Path
try:
    from rushlight.config import loading as config
except ImportError:  # before the configuration had a room of its own
    from rushlight import config
from rushlight import eventlines
from rushlight.service import offline
made = config.check(config.parse(Path(sys.argv[1]).read_text()))
events = [eventlines.parse_line(line) for line in Path(sys.argv[2]).read_text().splitlines()]
offline.fill(made, Path(sys.argv[3]), events, events[-1].at_s + 1.0)
"""


def story() -> list[str]:
    """Nine weeks: probes every half hour, a strip every five days, feed now and then."""
    rng, lines = random.Random(1), []
    for day in range(63):
        start_s = eventlines.unix_s("2026-03-01T00:00:00Z") + day * 86400.0
        start = eventlines.rfc3339(start_s)
        lines += lines_of("foyer-temperature", [24.0 + rng.gauss(0, 0.1) for _ in range(48)], start=start, every_s=1800)
        light = [900.0 * (1 - 0.004 * day) + rng.gauss(0, 5) if 16 <= n < 36 else 20.0 for n in range(48)]
        lines += lines_of("foyer-light", light, start=start, every_s=1800)
        if day % 5 == 0:
            value = min((10, 25, 50), key=lambda pad: abs(pad - (12.0 + 0.4 * day + rng.gauss(0, 4))))
            at = eventlines.rfc3339(start_s + 36000.0)
            lines.append(
                f'{{"at":"{at}","id":"t{day}","kind":"test","tank":"foyer","method":"strip","values":{{"nitrate":{value}}}}}'
            )
    return sorted(lines, key=lambda line: eventlines.parse_line(line).at_s)


def main(most: int) -> int:
    log = subprocess.run(["git", "log", "--format=%h"], cwd=ROOT, capture_output=True, text=True, check=True)
    commits = log.stdout.split()
    chosen = [commits[round(i * (len(commits) - 1) / max(1, most - 1) * 0.6)] for i in range(most)]
    lines, bad = story(), 0
    cut = next(
        n
        for n, line in enumerate(lines)
        if eventlines.parse_line(line).at_s > eventlines.parse_line(lines[0]).at_s + 56 * 86400
    )
    for commit in chosen:
        with tempfile.TemporaryDirectory() as folder:
            bad += one(commit, Path(folder), lines[:cut], lines[cut:])
    return 1 if bad else 0


def one(commit: str, folder: Path, before: list[str], after: list[str]) -> int:
    subprocess.run(f"git archive {commit} daemon drivers | tar x -C {folder}", shell=True, cwd=ROOT, check=True)
    (folder / "config.toml").write_text(CONFIG)
    (folder / "events.jsonl").write_text("\n".join(before))
    run = subprocess.run(
        [sys.executable, "-c", FILL, str(folder / "config.toml"), str(folder / "events.jsonl"), str(folder / "data")],
        env={"PYTHONPATH": f"{folder}/daemon:{folder}/drivers"},
        capture_output=True,
        text=True,
        check=False,
    )
    if run.returncode:
        print(f"{commit}  can't write a journal: {run.stderr.strip().splitlines()[-1][:90]}")
        return 0
    config = config_of()
    journal = offline.open_journal(config, folder / "data", eventlines.parse_line(before[-1]).at_s + 1.0)
    held = journal.latest_snapshot(snapshots.version(config))
    core = Core(config)
    straight, gone_on = Timeline(core, core.initial()), Timeline(Core(config), Core(config).initial())
    if held is not None and (state := snapshots.load(held[1])) is not None:
        gone_on = Timeline(Core(config), state)
    else:
        for stored in journal.events_since(0):
            gone_on.feed(stored.event)
    for stored in journal.events_since(0):
        straight.feed(stored.event)
    same = snapshots.dump(straight.state) == snapshots.dump(gone_on.state)
    told = [t.feed(eventlines.parse_line(line)) for line in after for t in (straight, gone_on)]
    alike = told[0::2] == told[1::2]
    journal.close(eventlines.parse_line(before[-1]).at_s + 2.0)
    print(
        f"{commit}  snapshot {'used' if held else 'made anew'}  state {'same' if same else 'DIFFERS'}  effects {'same' if alike else 'DIFFER'}"
    )
    return int(not (same and alike))


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 10))
