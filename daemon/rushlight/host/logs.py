"""Logging: one line an event, structured as key=value, to standard error for the system's journal.

Under systemd each line carries its level as `<n>` (sd-daemon(3)); elsewhere its time and level.  The same line again
and again is written once, then once an hour with a count.
"""

from __future__ import annotations

import logging
import os
import sys

from rushlight.clock import Clock, SystemClock

_SYSLOG_LEVEL = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}
_REPEAT_EVERY_S = 3600.0
_MOST_REMEMBERED = 500


class OneLine(logging.Formatter):
    """Everything on one line, tracebacks included."""

    def format(self, record: logging.LogRecord) -> str:
        return super().format(record).replace("\n", " | ")


class _SystemdLine(OneLine):
    def format(self, record: logging.LogRecord) -> str:
        return f"<{_SYSLOG_LEVEL.get(record.levelno, 6)}>{super().format(record)}"


class Repeats(logging.Filter):
    """Lets a line through once, then once an hour with the number of times it was held back."""

    def __init__(self, clock: Clock) -> None:
        super().__init__()
        self._clock = clock
        self._seen: dict[tuple[str, int, str], tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        if record.levelno < logging.WARNING:
            return True
        key = (record.name, record.levelno, record.getMessage())
        now_s = self._clock.mono_s()
        first_s, held = self._seen.get(key, (float("-inf"), 0))
        if now_s - first_s < _REPEAT_EVERY_S:
            self._seen[key] = (first_s, held + 1)
            return False
        if held:
            record.msg, record.args = f"{record.getMessage()} repeated={held}", ()
        if len(self._seen) >= _MOST_REMEMBERED:
            self._seen.clear()
        self._seen[key] = (now_s, 0)
        return True


def set_up(level: str = "INFO", clock: Clock | None = None) -> None:
    """Send all logging to standard error, one structured line each."""
    handler = logging.StreamHandler(sys.stderr)
    if os.environ.get("JOURNAL_STREAM"):
        handler.setFormatter(_SystemdLine("%(name)s: %(message)s"))
    else:
        handler.setFormatter(OneLine("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    handler.addFilter(Repeats(clock or SystemClock()))
    logging.basicConfig(level=level, handlers=[handler], force=True)
    logging.captureWarnings(True)
    for noisy in ("apscheduler", "urllib3", "waitress"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
