"""The share that is leaf as the phone measures it: its two formulae against published values and reference libraries, the
whole against rendered scenes whose share is known, and where it fails, as the page says it does."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from helpers import coverpage, leafscenes
from helpers.browser import CHROMIUM, chromium

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="chromium-headless-shell is not installed"),
]


@pytest.fixture(scope="module")
def page() -> Iterator[Any]:
    with chromium() as browser:
        yield coverpage.opened(browser)


@pytest.mark.parametrize(
    ("rgb", "value"),
    [
        ((60, 120, 40), 0.636364),
        ((34, 139, 34), 1.014493),
        ((150, 160, 60), 0.297297),
        ((90, 60, 110), -0.307692),
        ((128, 128, 128), 0.0),
    ],
)
def test_excess_green(page: Any, rgb: tuple[int, int, int], value: float) -> None:
    """2g - r - b of the codes' shares (Woebbecke et al. 1995, DOI 10.13031/2013.27838).

    The values were computed with spyndex 0.12.0, a reference library of such indices, from R, G, B over their sum."""
    assert page.evaluate("(c) => leafCover.excessGreen(...c)", list(rgb)) == pytest.approx(value, abs=1e-6)


def test_otsu_s_published_example(page: Any) -> None:
    """36 pixels in six grey values; scikit-image 0.26 and a sum by hand part them after the third."""
    assert page.evaluate("leafCover.otsu([8, 7, 2, 6, 9, 4])") == 2


def test_otsu_is_scikit_image_s(page: Any) -> None:
    from skimage import data
    from skimage.filters import threshold_otsu

    rng = np.random.default_rng(1979)
    counts = [np.bincount(im.ravel(), minlength=256) for im in (data.camera(), data.coins(), data.text(), data.moon())]
    counts += [
        np.histogram(np.r_[rng.normal(60, 15, 3000), rng.normal(m, 20, n)], 61, (0, 255))[0]
        for m, n in ((150, 3000), (120, 300), (200, 9000), (90, 1000))
    ]
    for c in counts:
        reference = threshold_otsu(hist=(c, np.arange(len(c))))
        assert page.evaluate("(c) => leafCover.otsu(c)", c.tolist()) == reference


def test_rendered_scenes_are_measured_within_five_points_in_nine_of_ten(page: Any) -> None:
    """Seeds of their own: the rule was chosen on others.  As a phone gives them: by JPEG, with half the colour."""
    wrong = []
    for seed in range(1000, 1020):
        scene = leafscenes.scene(np.random.default_rng([seed, 77]))
        share, _, _, _ = coverpage.measure(page, leafscenes.as_a_phone_sends_it(scene))
        wrong.append(100 * abs(share - scene.share))
    assert sum(w <= 5 for w in wrong) >= 18, sorted(wrong)[-5:]
    assert float(np.sqrt(np.mean(np.square(wrong)))) < 4


@pytest.mark.parametrize(("leaves", "least", "most"), [(0, 0.0, 0.04), (1, 0.0, 0.05), (900, 0.95, 1.0)])
def test_almost_none_and_almost_all_are_not_parted_in_the_middle(
    page: Any, leaves: int, least: float, most: float
) -> None:
    """Otsu parts noise, and two greens, as readily as leaf and wall: about half would be called leaf."""
    for seed in range(5):
        scene = leafscenes.scene(np.random.default_rng([seed, 5]), leaves=leaves)
        share, _, _, _ = coverpage.measure(page, scene.codes)
        assert least <= share <= most, (seed, scene.ground, share)


def test_the_mark_takes_the_lamp_s_colour_away(page: Any) -> None:
    """The same plants by day and under a lamp of red and blue: balanced, the share is the same."""
    gains = np.asarray([1.35, 0.62, 1.25])
    better = []
    for seed in range(6):
        scene = leafscenes.scene(np.random.default_rng([seed, 9]), lamp="day")
        light = leafscenes.linear(scene.codes.astype(float)) * 0.7 * gains
        codes = np.rint(leafscenes.coded(light)).astype(np.uint8)
        day, _, _, _ = coverpage.measure(page, scene.codes)
        lit, _, _, found = coverpage.measure(page, codes)
        bare, _, _, none = coverpage.measure(page, codes, card=None)
        assert none is None and found is not None
        assert lit == pytest.approx(day, abs=0.05)
        better.append(abs(bare - day) - abs(lit - day))
    assert float(np.mean(better)) > 0.1, "without the mark it would have been far off"


def test_a_mark_that_is_blown_out_or_black_is_not_used(page: Any) -> None:
    scene = leafscenes.scene(np.random.default_rng(3))
    for code in (255, 8):
        codes = scene.codes.copy()
        codes[int(0.88 * len(codes)) :] = code
        assert coverpage.measure(page, codes)[3] is None


def test_exposure_makes_no_difference(page: Any) -> None:
    scene = leafscenes.scene(np.random.default_rng(11), lamp="day")
    shares = [
        coverpage.measure(
            page, np.rint(leafscenes.coded(leafscenes.linear(scene.codes.astype(float)) * f)).astype(np.uint8)
        )[0]
        for f in (0.5, 0.75, 1.0)
    ]
    assert max(shares) - min(shares) < 0.03


@pytest.mark.parametrize(
    ("name", "colour", "ground"),
    [("purple", (90, 45, 95), "wall"), ("red", (150, 40, 50), "grey"), ("silver", (170, 178, 172), "dark")],
)
def test_leaves_that_are_not_green_are_missed_as_the_page_says(
    page: Any, name: str, colour: tuple[int, int, int], ground: str
) -> None:
    scene = leafscenes.scene(np.random.default_rng(2), leaves=60, colour=colour, ground=ground, lamp="day")
    assert scene.share > 0.3
    assert coverpage.measure(page, scene.codes)[0] < 0.1


def test_a_green_wall_counts_as_leaf_as_the_page_says(page: Any) -> None:
    scene = leafscenes.scene(np.random.default_rng(2), leaves=0, ground="wall", lamp="day")
    codes = np.rint(scene.codes * np.asarray([0.6, 0.9, 0.55])).astype(np.uint8)
    assert coverpage.measure(page, codes, card=None)[0] > 0.9
