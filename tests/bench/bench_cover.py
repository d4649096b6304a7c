"""How well the page measures leaf: rendered scenes by ground, and photographs that a package ships.

    python tests/bench/bench_cover.py [SCENES] [FIRST_SEED]

The rule was chosen on seeds below 100; judge by others.  The photographs (scikit-learn's china.jpg and flower.jpg, CC BY
2.0, where that package is installed) have no truth: trees are told from sky and lake by scikit-image's Otsu threshold of
their brightness, the flower from its leaves by hue.
"""

import importlib.util
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np

from helpers import coverpage, leafscenes
from helpers.browser import chromium

WHOLE = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
LUMA = np.array([0.2126, 0.7152, 0.0722])


def rendered(page: object, scenes: int, first: int) -> None:
    """Points off, by ground."""
    by: dict[str, list[float]] = {}
    for seed in range(first, first + scenes):
        scene = leafscenes.scene(np.random.default_rng([seed, 77]))
        share = coverpage.measure(page, leafscenes.as_a_phone_sends_it(scene))[0]
        by.setdefault(scene.ground, []).append(100 * (share - scene.share))
    for ground, off in (*sorted(by.items()), ("all", [v for vs in by.values() for v in vs])):
        e = np.asarray(off)
        within, rms = np.mean(np.abs(e) <= 5), np.sqrt(np.mean(e**2))
        print(f"{ground:7s} n {len(e):3d}  within 5 points {within:.2f}  rms {rms:.1f}  mean {e.mean():+.1f}")


def photographs(page: object) -> None:
    """Share of the page against another way of telling."""
    from skimage.filters import threshold_otsu
    from sklearn.datasets import load_sample_image

    china, flower = load_sample_image("china.jpg"), load_sample_image("flower.jpg")
    for name, (x0, y0, x1, y1) in {
        "tree before a lake": (0, 150, 75, 290),
        "tree before sky": (545, 130, 640, 260),
    }.items():
        part = np.ascontiguousarray(china[y0:y1, x0:x1])
        bright = part @ LUMA
        reference = np.mean(bright < threshold_otsu(bright))
        print(f"{name:20s} reference {reference:.3f}  page {coverpage.measure(page, part, WHOLE, None)[0]:.3f}")
    petals = (flower[..., 0] > 110) & (flower[..., 0].astype(int) > flower[..., 2].astype(int) + 20)
    shade = flower.astype(int).sum(2) < 45
    share = coverpage.measure(page, np.ascontiguousarray(flower), WHOLE, None)[0]
    print(f"{'leaves of a flower':20s} reference {np.mean(~petals & ~shade):.3f}  page {share:.3f}")


def main() -> None:
    scenes, first = (int(a) for a in (*sys.argv[1:3], *("100", "2000")[len(sys.argv) - 1 :]))
    with chromium() as browser:
        page = coverpage.opened(browser)
        rendered(page, scenes, first)
        if importlib.util.find_spec("sklearn"):
            photographs(page)
        else:
            print("scikit-learn is not installed: no photographs")


if __name__ == "__main__":
    main()
