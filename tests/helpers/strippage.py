"""The Test page's picture reader, driven as a finger would: a file chosen, the corners of both frames dragged."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from helpers.strippictures import CELL, ROW, Shot

FRAME = "rushlight-frame-strip"


def corners(shot: Shot, scale: int, columns: int) -> list[list[tuple[float, float]]]:
    """Where the two frames belong in a rendered picture, as shares of it: the strip's and the chart's."""
    width, height = shot.image.size
    cell, row, n = CELL * scale, ROW * scale, len(shot.substances)
    boxes = (
        (cell / 2, row, cell * 1.5, row * (1 + 2 * n)),
        (2.5 * cell, row, (2.5 + columns) * cell, row * (1 + 2 * n)),
    )
    return [
        [(x / width, y / height) for x, y in ((left, top), (right, top), (right, bottom), (left, bottom))]
        for left, top, right, bottom in boxes
    ]


def choose(page: Any, file: Path) -> None:
    """Choose a picture from the files, as a phone over plain HTTP does."""
    if not page.locator("#strip").evaluate("e => e.open"):
        page.locator("#strip > summary").click()
    page.locator("#strip-choose").set_input_files(str(file))
    page.locator("#strip-stage").wait_for()
    page.locator("#strip-said", has_text="taken").or_(page.locator("#strip-said", has_text="frame")).wait_for()


def drag(page: Any, wanted: list[list[tuple[float, float]]]) -> None:
    """Drag every corner to its place, as shares of the picture."""
    for f, frame in enumerate(wanted):
        for i, (x, y) in enumerate(frame):
            knob = page.locator(".knob").nth(4 * f + i)
            knob.scroll_into_view_if_needed()
            now = json.loads(page.evaluate(f"localStorage.getItem('{FRAME}')"))["frames"][f][i]
            box, seen = knob.bounding_box(), page.locator("#strip-view").bounding_box()
            at = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
            page.mouse.move(*at)
            page.mouse.down()
            steps = 3
            for n in range(1, steps + 1):
                part = n / steps
                page.mouse.move(
                    at[0] + part * (x - now[0]) * seen["width"], at[1] + part * (y - now[1]) * seen["height"]
                )
            page.mouse.up()
