"""Every figure of the daemon by one command, as one table.

    python tests/bench/run.py [--quick] [NAME ...]

Each benchmark runs in a process of its own, so that none inherits another's memory; NAME picks some of them (replay,
hub, push_latency, start, endure, idle, tanks, journal, page).  `--quick` takes some six minutes, the whole some thirty.  A floor is
a minimal script that does only the input and output; `times` is how far the figure lies from it.  Seeds are fixed;
the machine is not: compare figures of one machine only.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import platform
import subprocess
import sys
import time
from dataclasses import asdict
from pathlib import Path

from figures import Figure, show

PARTS = ("replay", "hub", "push_latency", "start", "endure", "idle", "tanks", "journal", "page")
LIMIT_S = 3600


def one(name: str, *, quick: bool) -> None:
    """Run a benchmark in this process; its figures are the last line said."""
    found: list[Figure] = importlib.import_module(f"bench_{name}").figures(quick=quick)
    print(json.dumps([asdict(f) for f in found]))


def ask(name: str, *, quick: bool) -> list[Figure]:
    """Run a benchmark in a process of its own."""
    command = [sys.executable, __file__, "--inside", name, *(["--quick"] if quick else [])]
    began = time.monotonic()
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, timeout=LIMIT_S, check=False)
    print(f"{name}: {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
    if done.returncode:
        return [Figure(f"{name}: failed, see above", float("nan"), "", met=False)]
    return [Figure(**f) for f in json.loads(done.stdout.splitlines()[-1])]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(PARTS))
    parser.add_argument("--quick", action="store_true", help="less of everything")
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if unknown := set(asked.names) - set(PARTS):
        parser.error(f"no benchmark {', '.join(sorted(unknown))}; there are {', '.join(PARTS)}")
    if asked.inside:
        one(asked.names[0], quick=asked.quick)
        return
    found = [f for name in asked.names or PARTS for f in ask(name, quick=asked.quick)]
    print(f"Python {platform.python_version()}, {platform.machine()}, {os.cpu_count()} processors")
    show(found)
    if any(f.met is False for f in found):
        print("some goals were missed")


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    main()
