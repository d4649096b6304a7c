"""The page's own measuring of leaf in the real browser, handed pixels and nothing else."""

from __future__ import annotations

import base64
import importlib.resources
from collections.abc import Sequence
from typing import Any

import numpy as np

from helpers import leafscenes

_MEASURE = """([text, w, h, frame, card]) => {
  const bytes = atob(text), pixels = Uint8ClampedArray.from(bytes, (c) => c.charCodeAt(0));
  const gains = card && leafCover.balance(pixels, w, h, card[0] * w, card[1] * h, w / 80);
  const found = leafCover.measure(pixels, w, h, frame.map(([x, y]) => [x * w, y * h]), gains || [1, 1, 1]);
  return [found.share, found.threshold, found.alone, gains];
}"""


def opened(browser: Any) -> Any:
    """A blank page with the script in it."""
    page = browser.new_page()
    script = importlib.resources.files("rushlight.web").joinpath("static", "cover.js").read_text()
    page.add_script_tag(content=f"{script};window.leafCover = leafCover;")
    return page


def measure(
    page: Any,
    codes: np.ndarray,
    frame: Sequence[tuple[float, float]] = leafscenes.FRAME,
    card: tuple[float, float] | None = leafscenes.CARD,
) -> tuple[float, float, bool, list[float] | None]:
    """Share that is leaf, threshold, whether one class alone was found, and the factors of the white balance."""
    height, width, _ = codes.shape
    pixels = np.dstack([codes, np.full((height, width), 255, np.uint8)])
    asked = [base64.b64encode(pixels.tobytes()).decode(), width, height, [list(c) for c in frame], card and list(card)]
    share, threshold, alone, gains = page.evaluate(_MEASURE, asked)
    return share, threshold, alone, gains
