"""A kit's check through the whole core: what it changes, that it can come late and be taken back, and survives a restart."""

from __future__ import annotations

import json
from typing import Any

import pytest

from helpers.site import CONFIG, config_of
from rushlight import eventlines, replay
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.core.view import site_view
from rushlight.service import snapshots

SITE = config_of()
DAYS = range(1, 22, 4)


def strip_on(day: int, **more: Any) -> dict[str, Any]:
    record = {"at": f"2026-03-{day:02}T12:00:00Z", "id": f"t{day}", "kind": "test", "tank": "foyer", "method": "strip"}
    return record | {"values": {"nitrate": 25}} | more


def check_at(day: int, **more: Any) -> dict[str, Any]:
    standards = [{"substance": "nitrate", "value": v, "read": r} for v, r in ((20, 10), (50, 25), (38, 25), (100, 50))]
    return (
        {"at": f"2026-03-{day:02}T13:00:00Z", "id": "c", "kind": "kit_check", "kit": "strip"}
        | {"standards": standards}
        | more
    )


END = {"at": "2026-03-25T12:00:00Z", "kind": "note", "tank": "foyer", "text": "end", "id": "end"}


def last_day(*records: dict[str, Any]) -> dict[str, Any]:
    """The last daily line of a replay."""
    lines = [json.dumps(r) for r in sorted([*records, END], key=lambda r: r.get("received_at", r["at"]))]
    out = [json.loads(line) for line in replay.replay(SITE, lines, daily=True)]
    return next(r for r in reversed(out) if r["kind"] == "daily")


TESTS = [strip_on(day) for day in DAYS]


def test_a_check_puts_right_what_its_pack_read_before_and_after() -> None:
    plain, checked = last_day(*TESTS), last_day(*TESTS, check_at(10))
    assert checked["nitrate"]["mean"] > 1.25 * plain["nitrate"]["mean"]


def test_it_makes_no_difference_when_a_check_was_typed() -> None:
    early, late = last_day(*TESTS, check_at(2)), last_day(*TESTS, check_at(2, received_at="2026-03-23T09:00:00Z"))
    assert early["nitrate"] == late["nitrate"]


def test_a_check_that_is_taken_back_never_was() -> None:
    void = {"at": "2026-03-23T09:00:00Z", "id": "v", "kind": "correction", "of": "c", "void": True}
    assert last_day(*TESTS, check_at(10), void)["nitrate"] == last_day(*TESTS)["nitrate"]


def test_a_check_that_is_corrected_counts_as_corrected() -> None:
    right = {k: v for k, v in check_at(10).items() if k != "id"}
    wrong = check_at(10, standards=[{"substance": "nitrate", "value": 100, "read": 10}])
    mend = {"at": "2026-03-23T09:00:00Z", "id": "v", "kind": "correction", "of": "c", "replacement": right}
    assert last_day(*TESTS, wrong, mend)["nitrate"] == last_day(*TESTS, check_at(10))["nitrate"]


def test_a_pack_opened_since_keeps_what_it_reads_nearer_to_its_pads() -> None:
    opened = {"at": "2026-03-11T12:00:00Z", "id": "p", "kind": "pack", "tank": "foyer", "strips": 50}
    plain, same, other = last_day(*TESTS), last_day(*TESTS, check_at(10)), last_day(*TESTS, check_at(10), opened)
    assert plain["nitrate"]["mean"] < other["nitrate"]["mean"] < same["nitrate"]["mean"]


def test_what_is_known_of_kits_survives_a_restart_and_is_shown() -> None:
    core = Core(SITE)
    timeline = Timeline(core, core.initial())
    for record in [*TESTS, check_at(23)]:
        list(timeline.run([eventlines.parse_record(record)]))
    view = site_view(core, timeline.state, eventlines.unix_s("2026-03-24T12:00:00Z")).tanks[0]
    assert any("low by 4 known solutions" in words for words in view.kit_sentences)
    assert view.account.next_test_kind
    again = snapshots.load(snapshots.dump(timeline.state))
    assert again == timeline.state
    assert site_view(core, again, eventlines.unix_s("2026-03-24T12:00:00Z")).tanks[0] == view


def test_a_check_takes_a_strip_a_standard_from_the_first_tank_with_that_kit() -> None:
    second = CONFIG.split("[[tank]]")[1].split("[[kit]]")[0].replace('"foyer"', '"reading-room"')
    counted = CONFIG.replace("longest_days = 10", "longest_days = 10, strips = 50")
    site = config_of(
        counted.replace(
            "[[kit]]", f"[[tank]]{second.replace('longest_days = 10', 'longest_days = 10, strips = 30')}[[kit]]"
        )
    )
    core = Core(site)
    timeline = Timeline(core, core.initial())
    void = {"at": "2026-03-24T09:00:00Z", "id": "v", "kind": "correction", "of": "c", "void": True}
    left = []
    for record in [strip_on(20), check_at(23), void]:
        list(timeline.run([eventlines.parse_record(record)]))
        view = site_view(core, timeline.state, eventlines.unix_s("2026-03-24T12:00:00Z"))
        left.append([t.strips_left for t in view.tanks])
    assert left == [[49, 30], [45, 30], [49, 30]]


@pytest.mark.parametrize("thinned", [1.0, 2.0])
def test_a_thinned_sample_is_believed_as_the_tanks_water(thinned: float) -> None:
    """Every test says 25 of a sample; thinned 1 + 1 with water that holds none, the tank holds twice that."""
    records = [strip_on(day, dilution=thinned) if thinned > 1 else strip_on(day) for day in DAYS]
    told = last_day(*records)["nitrate"]["mean"]
    assert 20.0 * thinned < told < 32.0 * thinned
