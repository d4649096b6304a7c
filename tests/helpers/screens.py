"""Screens of the page, kept as pictures for a person to look at, where `RUSHLIGHT_SCREENS` names a folder."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

ALL_OF_IT = """document.querySelectorAll('*').forEach(e => { e.style.contentVisibility = 'visible'; });
document.querySelectorAll('.savebar').forEach(e => { e.style.position = 'static'; })"""
"""What is drawn only when it comes near would be blank on a picture of the whole page, and a bar that follows the
window would hide what it passes over."""
UNSEEN = "document.querySelector('[data-watched]') && document.documentElement.scrollHeight > innerHeight + 300"
"""Times are written in the browser's manner when they are about to be seen: a page that nobody scrolled holds both."""


def keep(page: Any, name: str, size: tuple[int, int], scheme: str) -> None:
    """The whole page as it is now, as `390-dark-tanks-foyer.png`."""
    folder = os.environ.get("RUSHLIGHT_SCREENS", "")
    if not folder:
        return
    Path(folder).mkdir(parents=True, exist_ok=True)
    page.evaluate(ALL_OF_IT)
    if page.evaluate(UNSEEN):
        for top in range(0, page.evaluate("document.documentElement.scrollHeight"), size[1]):
            page.evaluate(f"scrollTo(0, {top})")
            page.wait_for_timeout(30)
    page.evaluate("scrollTo(0, 0)")
    said = re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-") or "home"
    page.screenshot(path=str(Path(folder) / f"{size[0]}-{scheme}-{said}.png"), full_page=True)
