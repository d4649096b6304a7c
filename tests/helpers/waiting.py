"""Waiting for what another process or thread will do."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

FIRST_S, MOST_S = 0.005, 0.25
"""Looks begin close together and grow apart: what is waited for needs the processor more than who waits."""
SHARE, DEAREST_S = 3.0, 1.0
"""A look that starts a command is followed by a pause this many times as long as it took, up to so much."""


def until(check: Callable[[], Any], within_s: float = 30.0, what: str = "") -> Any:
    """Wait until `check` gives something true, and return it; an assertion that fails inside counts as not yet."""
    end, pause_s, last = time.monotonic() + within_s, FIRST_S, None
    while True:
        looked_s = time.monotonic()
        try:
            if got := check():
                return got
        except AssertionError as e:
            last = e
        now_s = time.monotonic()
        if now_s >= end:
            raise AssertionError(f"waited {within_s:g} s in vain for {what or check}: {last}")
        time.sleep(max(pause_s, min(DEAREST_S, SHARE * (now_s - looked_s))))
        pause_s = min(MOST_S, 1.4 * pause_s)
