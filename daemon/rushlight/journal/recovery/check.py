"""Looks a database over in a process of its own, so that a bad card can hang this and not the daemon.

Run as `python -m rushlight.journal.recovery.check FILE`.  Exit status 0 sound, 1 damaged, 2 could not be looked at.
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

_GLANCE_S = 0.005
"""With no time at all `communicate` does not even look."""


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


class Check:
    """A child process that looks `path` over while others go on; at most `limit_s` seconds by the caller's clock."""

    def __init__(self, path: Path, limit_s: float) -> None:
        self._limit_s = limit_s
        self._child: subprocess.Popen[str] | None = None
        command = [sys.executable, "-m", "rushlight.journal.recovery.check", str(path)]
        try:
            self._child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)  # noqa: S603
        except OSError as e:
            self._failed = f"the check could not be started: {e}"

    def verdict(self, wait_s: float, spent_s: float = 0.0) -> tuple[Verdict, str] | None:
        """What was found, waiting at most `wait_s` for it; None while it is still looking.

        `spent_s` is the time since the start as far as the caller knows; 'unknown' when there was no end within
        the limit, or no start.
        """
        if self._child is None:
            return "unknown", self._failed
        left_s = self._limit_s - spent_s
        try:
            said, _ = self._child.communicate(timeout=max(_GLANCE_S, min(wait_s, left_s)))
        except subprocess.TimeoutExpired:
            if left_s > wait_s:
                return None
            self.stop()
            return "unknown", f"the check took longer than {self._limit_s:.0f} s"
        verdicts: dict[int, Verdict] = {0: "sound", 1: "damaged"}
        return verdicts.get(self._child.returncode, "unknown"), said.strip()

    def stop(self) -> None:
        """End it.  A child stuck in the kernel can't be reaped; it is left behind rather than waited for."""
        if self._child is not None:
            self._child.kill()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._child.communicate(timeout=2)


if __name__ == "__main__":
    status, words = quick_check(Path(sys.argv[1]))
    sys.stdout.write(words + "\n")
    raise SystemExit(status)
