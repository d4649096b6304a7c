"""Lives many worlds of faults and prints how many faults of each kind there were, and what was broken.

`python tests/bench/chaos_campaign.py [SEEDS [DAYS [FIRST]]]`: 200 worlds of three days unless told otherwise.
Exit status 1 when anything was broken; each break prints its seed and its whole script.
"""

from __future__ import annotations

import logging
import resource
import shutil
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.chaos import World
from helpers.chaosparts import BrokenInvariantError

WARM = 10
"""Worlds after which memory is first looked at."""


def rss_mb() -> float:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main(seeds: int, days: float, first: int) -> int:
    logging.disable(logging.CRITICAL)
    faults, told, broken, warm_mb, excused, lost, replayed = Counter[str](), 0, list[int](), 0.0, 0, 0, 0
    began = time.process_time()
    room = "/dev/shm" if Path("/dev/shm").is_dir() else None
    for n, seed in enumerate(range(first, first + seeds)):
        folder = Path(tempfile.mkdtemp(prefix="chaos-", dir=room))
        world = World(folder, seed, days)
        try:
            world.run()
        except BrokenInvariantError as e:
            broken.append(seed)
            print(f"BROKEN {e}\n", flush=True)
        finally:
            shutil.rmtree(folder)
        faults += world.counts
        told += len(world.net.taken)
        excused += len(world.excused)
        lost += world.disk.lost_writes
        replayed += world.export_replayed
        if n == WARM:
            warm_mb = rss_mb()
    print(f"{seeds} worlds of {days:g} days, {sum(faults.values())} faults, {told} messages taken by the servers")
    for kind, count in sorted(faults.items()):
        print(f"  {kind:12} {count:6}")
    print(f"writes under way when the power went: {lost}; entries that lay on spoilt pages alone: {excused}")
    print(f"worlds whose exported lines were replayed and made the same state: {replayed}")
    print(
        f"memory {warm_mb:.1f} MB after {WARM} worlds, {rss_mb():.1f} MB at the end; {time.process_time() - began:.0f} s CPU"
    )
    print(f"invariants broken: {len(broken)} {broken or ''}")
    return 1 if broken else 0


if __name__ == "__main__":
    given = sys.argv[1:]
    sys.exit(
        main(
            int(given[0]) if given else 200,
            float(given[1]) if len(given) > 1 else 3.0,
            int(given[2]) if len(given) > 2 else 0,
        )
    )
