"""Looks a database over in a process of its own, so that a bad card can hang this and not the daemon.

Run as `python -m rushlight.journal.check FILE`.  Exit status 0 sound, 1 damaged, 2 could not be looked at.
Imports nothing but the standard library.
"""

from __future__ import annotations

import contextlib
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Literal

Verdict = Literal["sound", "damaged", "unknown"]


def quick_check(path: Path) -> tuple[int, str]:
    """Exit status and what SQLite said."""
    try:
        conn = sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, isolation_level=None)
        with contextlib.closing(conn):
            said = [row[0] for row in conn.execute("PRAGMA quick_check(5)")]
    except sqlite3.Error as e:
        code = (getattr(e, "sqlite_errorcode", 0) or 0) & 0xFF
        return (1 if code in {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB} else 2), str(e)
    return (0, "ok") if said == ["ok"] else (1, "; ".join(str(s) for s in said)[:500])


def in_child(path: Path, limit_s: float) -> tuple[Verdict, str]:
    """The verdict of a child process, 'unknown' when it took longer than `limit_s` or could not be started."""
    command = [sys.executable, "-m", "rushlight.journal.check", str(path)]
    try:
        child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)  # noqa: S603
    except OSError as e:
        return "unknown", f"the check could not be started: {e}"
    try:
        said, _ = child.communicate(timeout=limit_s)
    except subprocess.TimeoutExpired:
        child.kill()
        # A child stuck in the kernel can't be reaped; it is left behind rather than waited for.
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.communicate(timeout=2)
        return "unknown", f"the check took longer than {limit_s:.0f} s"
    verdicts: dict[int, Verdict] = {0: "sound", 1: "damaged"}
    return verdicts.get(child.returncode, "unknown"), said.strip()


if __name__ == "__main__":
    status, words = quick_check(Path(sys.argv[1]))
    sys.stdout.write(words + "\n")
    raise SystemExit(status)
