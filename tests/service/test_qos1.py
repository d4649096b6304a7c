"""Readings at QoS 1 outlive a kill of the daemon and a restart of the broker, though the card is written once in minutes.

The campaign with 10 kills and 3 restarts is `tests/bench/qos1_campaign.py`.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.qos1_campaign import live
from helpers.hub import MOSQUITTO

pytestmark = [pytest.mark.broker, pytest.mark.skipif(not MOSQUITTO, reason="mosquitto is not installed")]


@pytest.mark.slow
def test_what_the_broker_took_is_kept_once(tmp_path: Path) -> None:
    found = live(tmp_path, kills=1, restarts=1, boards=4, flush_s=300, pause_s=(3.0, 4.0))
    assert found.taken > 20
    assert (found.lost, found.twice) == (0, 0)
