"""The Debian browser without a window, driven from a test."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

CHROMIUM = Path("/usr/bin/chromium-headless-shell")
"""Chromium's engine, network and storage without tabs and toolbars of its own: since those are pages too, `chromium`
spends two thirds of the processor's time on them."""


@contextmanager
def chromium(*more: str) -> Iterator[Any]:
    """A running browser as Playwright has it, with `more` of its options; its own background traffic is switched off."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as p:
        args = ["--no-sandbox", "--disable-quic", "--disable-background-networking", *more]
        made = p.chromium.launch(executable_path=str(CHROMIUM), args=args)
        yield made
        made.close()
