"""A small round of the campaign over every door: kills, a damaged log, nothing lost, nothing doubled, loss told.

Two thousand entries and fifty kills: `tests/bench/kept_campaign.py`.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.kept_campaign import live
from helpers.hub import MOSQUITTO

pytestmark = [pytest.mark.broker, pytest.mark.skipif(not MOSQUITTO, reason="mosquitto is not installed")]


@pytest.mark.slow
def test_what_every_door_called_kept_is_there_once(tmp_path: Path) -> None:
    found = live(tmp_path, {"page": 3, "hub": 3, "socket": 3, "command": 1}, kills=2, harm_every=2)
    assert found.acknowledged.total() == 10
    assert found.harms.total() == 1
    assert (found.lost, found.twice, found.untold) == ([], [], 0)
    assert (found.readings_lost, found.readings_twice) == (0, 0)
