"""What one tells of a dye in another light by its chart's ink, against CIE 15's lights on dyes and inks of many kinds."""

from __future__ import annotations

from functools import cache

import numpy as np

from helpers.later import Later
from rushlight.science.optics import stripscale

dyelights = Later("helpers.dyelights")


@cache
def _pairs() -> list[tuple[dyelights.Shot, dyelights.Shot]]:
    rng = np.random.default_rng(77)
    made = [dyelights.shots(rng, 4) for _ in range(40)]
    return [(a, b) for shots in made for a in shots for b in shots if a is not b]


def _change(by: tuple[stripscale.Triple, ...]) -> tuple[np.ndarray, np.ndarray]:
    """What carrying by a matrix makes of every pad, and what light made of it, less shade, as shares of its density."""
    told, true = [], []
    none = ((0.0,) * 3,) * 3
    for a, b in _pairs():
        there, here = tuple(a.chart.ravel()), tuple(b.chart.ravel())
        for before, after in zip(a.pads, b.pads, strict=True):
            shade = np.array(_carried(before, there, here, none))
            moved = np.array(_carried(before, there, here, by))
            told.append((moved - shade) / before.mean())
            true.append((after - shade) / before.mean())
    return np.array(told), np.array(true)


def _carried(pad, there, here, by):  # type: ignore[no-untyped-def]
    kept, stripscale.CARRIED = stripscale.CARRIED, by
    try:
        return stripscale.carried(tuple(pad), there, here)
    finally:
        stripscale.CARRIED = kept


def test_a_dye_goes_with_its_ink_by_little_and_as_far_as_that_it_is_carried() -> None:
    """Better than left as it is, better than taken for the ink, and hardly worse than the best for these very pictures."""
    alike = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    ink, true = _change(alike)
    told, _ = _change(stripscale.CARRIED)
    kept = (np.abs(ink).max(axis=1) < 0.6) & (np.abs(true).max(axis=1) < 0.6)
    best = np.linalg.lstsq(ink[kept], true[kept], rcond=None)[0]

    def left(told: np.ndarray) -> float:
        return float(np.sqrt(np.mean((true[kept] - told[kept]) ** 2)))

    assert left(told) < 0.93 * left(np.zeros_like(told))
    assert left(told) < 0.8 * left(ink)
    assert left(told) < 1.1 * left(ink @ best)


def test_shade_alone_and_the_same_light_carry_a_pad_as_it_is() -> None:
    chart = (0.01, 0.02, 0.03, 0.05, 0.2, 0.08, 0.1, 0.4, 0.15, 0.18, 0.7, 0.22)
    assert stripscale.carried((0.1, 0.5, 0.2), chart, chart) == (0.1, 0.5, 0.2)
    shaded = tuple(v + 0.01 for v in chart)
    moved = stripscale.carried((0.1, 0.5, 0.2), chart, shaded)
    assert moved is not None
    assert np.allclose(moved, (0.11, 0.51, 0.21), atol=1e-9)
    assert stripscale.carried((0.1, 0.5, 0.2), chart, chart[:6]) is None
