"""A few dozen rendered pictures through the reader; `tests/bench/bench_pictures.py` tells the figures of a thousand.

Limits are the goals of the work with room for so few pictures: 6 % for the method and 15 % with strips that differ by
8 %, in the middle of 10 to 100 mg/L with the keeper's own standards, and intervals that hold what they say.
"""

from __future__ import annotations

import numpy as np
import pytest

from bench import bench_pictures

pytestmark = pytest.mark.slow


@pytest.mark.parametrize(("spread", "most"), [(0.0, 0.09), (0.08, 0.15)])
def test_with_known_solutions_a_picture_is_as_good_as_its_strips(spread: float, most: float) -> None:
    found, refused, pictures = bench_pictures.run(4, 2000, spread)
    same = found["standards, same light"]
    assert len(same) >= 15
    assert np.median([abs(e) for _, e, _ in same]) < most
    alone = found["chart alone"]
    assert np.median([abs(e) for _, e, _ in alone]) < 0.30
    # 90 % intervals over four keepers, whose pictures share their chart and standards: far fewer would be no accident.
    assert np.mean([held for _, _, held in alone]) > 0.65
    assert np.mean([held for _, _, held in same]) > 0.65
    assert sum(refused.values()) < 0.25 * pictures


def test_the_standards_help_most_in_their_own_light() -> None:
    found, _, _ = bench_pictures.run(5, 3000, 0.0)
    alone, same = ([abs(e) for _, e, _ in found[k]] for k in ("chart alone", "standards, same light"))
    assert np.median(same) < 0.75 * np.median(alone)
