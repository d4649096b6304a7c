"""A person's own time, reckoned from the pages and the guide as they are: tests/bench/person_time.py says how."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

import person_time

MOST_MIN, MOST_QUESTIONS, FIRST_ALARM_MIN = 20.0, 12, 10.0


@pytest.mark.parametrize("wireless", [False, True])
def test_nobody_is_busy_for_more_than_twenty_minutes(wireless: bool) -> None:
    """To a confirmed push and on to a new card, with every command typed letter by letter."""
    parts = [*person_time.way(wireless), *person_time.new_card()]
    assert all(p.words > 50 for p in parts if p.name != "the phone"), "every part was found on its page"
    assert sum(p.questions for p in parts) <= MOST_QUESTIONS
    assert sum(p.seconds(copied=False) for p in parts) / 60 <= MOST_MIN
    # From the first step to the rehearsed alarm; the machine's own time comes to it (measured by install_drill.py).
    assert sum(p.seconds(copied=False) for p in parts[2:5]) / 60 <= FIRST_ALARM_MIN - 3


def test_the_models_are_the_published_ones() -> None:
    """238 words in a minute (Brysbaert 2019); a question that gets Enter: to make up one's mind and a key (Card 1980)."""
    assert person_time.Part("", words=238).reading_s == pytest.approx(60.0)
    listener = person_time.Listener("", {})
    assert listener.ask("Why", "so") == "so"
    assert listener.part.doing_s == pytest.approx(1.35 + 0.28)
    assert person_time.Part("", blocks=["ls"]).typed_s() == pytest.approx(1.35 + 3 * 0.28)
