"""The Debian browser, headless, driven from a test."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

CHROMIUM = Path("/usr/bin/chromium")


@contextmanager
def chromium() -> Iterator[Any]:
    """A running browser as Playwright has it; only its own background traffic is switched off."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as p:
        args = ["--no-sandbox", "--disable-quic", "--disable-background-networking"]
        made = p.chromium.launch(executable_path=str(CHROMIUM), args=args)
        yield made
        made.close()
