"""What a day costs the card, counted in commits and pages: never in seconds."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from helpers.accelerated import House
from helpers.journals import query
from rushlight.journal import schema

pytestmark = pytest.mark.slow

FRAME_BYTES = schema.PAGE_BYTES + 24
"""A page in the write-ahead log, with its header (SQLite's file format, section 4.1)."""


def test_a_quiet_day_of_four_probes_is_few_commits_of_few_pages(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    house = House(tmp_path)
    for _ in house.live(1):
        pass
    counted: Counter[str] = Counter()
    wal = house.journal.path.with_name(house.journal.path.name + "-wal")
    write, checkpoint, snapshot = house.journal._write, house.journal.checkpoint, house.journal.snapshot

    def writing(at_s: float, *, urgent: bool, again: bool = True) -> bool:
        counted["urgent" if urgent else "plain"] += 1
        return write(at_s, urgent=urgent, again=again)

    def checkpointing() -> bool:
        counted["pages"] += max(0, wal.stat().st_size - 32) // FRAME_BYTES
        return checkpoint()

    def snapping(*given: object, **named: object) -> bool:
        counted["snapshots"] += 1
        return snapshot(*given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(house.journal, "_write", writing)
    monkeypatch.setattr(house.journal, "checkpoint", checkpointing)
    monkeypatch.setattr(house.journal, "snapshot", snapping)
    for _ in house.live(1):
        pass
    readings = 4 * 8640
    assert counted["plain"] <= 86_400 / house.config.storage.flush_seconds + 8
    assert counted["urgent"] <= 20, "a day on which nothing happens"
    assert counted["snapshots"] == 4
    # A reading is 25 bytes; its page is written once when it fills and once while it is the last one.
    assert 1000 * counted["pages"] / readings < 70, counted
    house.close()


def test_a_reading_whose_time_is_sure_is_small(tmp_path: Path) -> None:
    house = House(tmp_path)
    for _ in house.live(1):
        pass
    house.close()
    [(rows, unsure)] = query(house.journal.path, "SELECT count(*), count(mono_ms) + count(boot) FROM reading")
    assert rows == 4 * 8640
    assert unsure == 0
