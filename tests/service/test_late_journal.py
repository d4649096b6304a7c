"""A daemon whose journal could not be opened at the start works from memory and takes up the past when it comes."""

from __future__ import annotations

from pathlib import Path

from helpers.accelerated import House
from rushlight.events import Test
from rushlight.service import snapshots
from rushlight.service.engine import Engine


def minutes(house: House, count: int) -> None:
    for _ in range(count):
        house.step()


def test_what_the_disk_held_is_taken_up_when_it_comes_late(tmp_path: Path) -> None:
    first = House(tmp_path, every_s=60)
    minutes(first, 30)
    first.engine.enter(
        Test(at_s=first.clock.wall_s(), id="known", tank="foyer", method="strip", values={"nitrate": 25})
    )
    first.engine.flush(urgent=True)

    second = House(tmp_path, every_s=60, from_s=first.clock.wall_s())  # the first still has it locked
    assert not second.journal.report().durable
    minutes(second, 3)
    entered = Test(at_s=second.clock.wall_s(), id="meanwhile", tank="foyer", method="strip", values={"nitrate": 50})
    assert not second.engine.enter(entered).durable
    tests = second.engine.timeline.state.tanks["foyer"].tests
    assert [t.id for t in tests] == ["meanwhile"], "of the first strip it can't know"

    first.close()
    minutes(second, 3)
    assert second.journal.report().durable
    state = second.engine.timeline.state
    assert [t.id for t in state.tanks["foyer"].tests] == ["known", "meanwhile"]
    second.engine.flush(urgent=True)
    second.journal.drop_snapshots()
    second.journal.commit(second.clock.wall_s(), urgent=True)
    straight = Engine(second.config, second.journal, second.clock, boot_id="boot-1", synchronised=lambda: True)
    assert snapshots.dump(straight.timeline.state) == snapshots.dump(state), "as if it had been read at the start"
    second.close()


def test_an_empty_journal_that_comes_late_changes_nothing(tmp_path: Path) -> None:
    first = House(tmp_path, every_s=60)
    second = House(tmp_path, every_s=60)
    minutes(second, 2)
    state = second.engine.timeline.state
    first.close()
    minutes(second, 2)
    assert second.journal.report().durable
    assert second.engine.timeline.state is state
    second.close()
