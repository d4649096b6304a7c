"""The owner's path played on clean Debian 12 and 13 machines, told in steps, questions and minutes.

    python tests/bench/install_drill.py [bookworm] [trixie]

Needs root, systemd-nspawn and the network once, for the roots.  It is the test that the suite plays on Debian 12
(tests/deploy/test_docs_commands.py): USB board, hub, wireless board, alarm, removal, and a new card; here on both, and
with the times.  The minutes are this machine's, and without the waiting that the pages ask a person for.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
TEST = "tests/deploy/test_docs_commands.py::test_the_owners_path_and_the_way_back_after_a_dead_card"


def drill(suite: str) -> bool:
    """Play it on that release and print the table; False when it failed."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.json"
        env = {**os.environ, "RUSHLIGHT_DRILL_SUITE": suite, "RUSHLIGHT_DRILL_REPORT": str(report)}
        begun_s = time.monotonic()
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-x", "--timeout", "3000", TEST], cwd=ROOT, env=env, check=False
        )
        minutes = (time.monotonic() - begun_s) / 60
        if done.returncode or not report.exists():
            sys.stdout.write(f"{suite}: FAILED after {minutes:.1f} min\n")
            return False
        told = json.loads(report.read_text())
        Path(tempfile.gettempdir(), f"drill-{suite}.json").write_text(report.read_text())  # for person_time.py
    for name in ("steps", "restored"):
        sys.stdout.write(f"\n{suite}, {name}\n")
        for seconds, text in told[name]:
            sys.stdout.write(f"{seconds:8.1f} s  {text[:90]}\n")
        total_s = sum(s for s, _ in told[name])
        sys.stdout.write(f"{total_s:8.1f} s  in {len(told[name])} blocks\n")
    sys.stdout.write(f"{suite}: {told['questions']} questions; {minutes:.1f} min in all\n")
    return True


if __name__ == "__main__":
    raise SystemExit(0 if all(drill(suite) for suite in sys.argv[1:] or ["bookworm", "trixie"]) else 1)
