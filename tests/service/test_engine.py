"""The engine: entries once, the same state after a restart, one time line, and alarms without a disk."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from helpers.site import CONFIG, config_of
from rushlight.clock import SimulatedClock
from rushlight.effects import Message
from rushlight.events import Feeding, Note, Reading, Test
from rushlight.journal.store import Journal
from rushlight.service import snapshots
from rushlight.service.engine import Engine
from rushlight_drivers import Sample

START_S = 1_772_323_200.0  # 2026-03-01T00:00:00Z
TEXT = (
    CONFIG
    + '\n[push]\nserver = "http://127.0.0.1:9"\ntopic = "x"\n[alarms]\non_delay_s = { temperature_high = 0 }\npriority = { temperature_high = "high" }\n'
)


@contextmanager
def engine(folder: Path, clock: SimulatedClock, *, synchronised: bool = True, boot: str = "boot-1") -> Iterator[Engine]:
    """An engine on its own journal, worked by hand instead of by its thread."""
    journal = Journal(folder / "journal.sqlite", boot_id=boot)
    journal.open(clock.wall_s())
    state = {"synchronised": synchronised}
    e = Engine(config_of(TEXT), journal, clock, boot_id=boot, synchronised=lambda: state["synchronised"])
    e.sync = state  # type: ignore[attr-defined]
    yield e
    journal.close(clock.wall_s())


def feel(e: Engine, clock: SimulatedClock, temp_c: float, times: int = 1, every_s: float = 60.0) -> None:
    for _ in range(times):
        clock.advance(every_s)
        e.hand([Sample("foyer-temperature", clock.mono_s(), temp_c)])
        e.once(0.01)


def test_an_entry_with_the_same_id_is_one_entry(tmp_path: Path) -> None:
    clock = SimulatedClock(START_S)
    with engine(tmp_path, clock) as e:
        entry = Feeding(at_s=START_S, id="a", tank="foyer", grams=1)
        assert [e.enter(entry).new for _ in range(3)] == [True, False, False]
        assert e.enter(entry).durable
        assert sum(isinstance(s.event, Feeding) for s in e.journal.events_since(0)) == 1


def test_two_taps_at_once_are_one_entry(tmp_path: Path) -> None:
    clock = SimulatedClock(START_S)
    with engine(tmp_path, clock) as e:
        stop, got = threading.Event(), []
        worker = threading.Thread(target=lambda: [e.once(0.05) for _ in iter(stop.is_set, True)])
        worker.start()
        entry = Feeding(at_s=START_S, id="a", tank="foyer", grams=1)
        taps = [threading.Thread(target=lambda: got.append(e.submit(entry).new)) for _ in range(8)]
        for t in taps:
            t.start()
        for t in taps:
            t.join()
        stop.set()
        worker.join()
    assert sorted(got) == [False] * 7 + [True]


@pytest.mark.slow
def test_a_restart_ends_in_the_same_state_with_or_without_the_snapshot(tmp_path: Path) -> None:
    clock = SimulatedClock(START_S)
    with engine(tmp_path, clock) as e:
        feel(e, clock, 24.0, 20)
        e.enter(Test(at_s=clock.wall_s(), id="t", tank="foyer", method="strip", values={"nitrate": 25.0}))
        feel(e, clock, 29.0, 30)
        clock.advance(7200.0)
        e.once(0.01)  # silence, told by time alone
        before = snapshots.dump(e.timeline.state)
        e.flush(urgent=True)
    with engine(tmp_path, clock) as e:
        assert snapshots.dump(e.timeline.state) == before
        e.snapshot()
    with engine(tmp_path, clock) as e:
        assert snapshots.dump(e.timeline.state) == before


def test_a_restart_puts_nothing_into_the_outbox_again(tmp_path: Path) -> None:
    clock = SimulatedClock(START_S)
    with engine(tmp_path, clock) as e:
        feel(e, clock, 29.0, 30)
        waiting = [(r.key, r.channel) for r in e.journal.outbox.waiting()]
        assert waiting
    with engine(tmp_path, clock) as e:
        e.begin()
        e.once(0.01)
        assert [(r.key, r.channel) for r in e.journal.outbox.waiting()] == waiting


def test_readings_before_the_clock_was_right_are_moved_to_where_they_belong(tmp_path: Path) -> None:
    """The board comes up in 2023; ten minutes later a time server says 2026."""
    clock = SimulatedClock(1_680_000_000.0, mono_s=10.0)
    with engine(tmp_path, clock, synchronised=False) as e:
        feel(e, clock, 24.0, 10)
        assert not e.picture().clock_ok
        clock.step_wall(START_S - 1_680_000_000.0)
        e.sync["synchronised"] = True  # type: ignore[attr-defined]
        e.once(0.01)
        assert e.picture().clock_ok
        at = [s.event.at_s for s in e.journal.events_since(0) if isinstance(s.event, Reading)]
        assert at == pytest.approx([START_S + 60.0 * n for n in range(1, 11)], abs=0.01)
        assert e.timeline.state.tanks["foyer"].latest["foyer-temperature"] == (
            24.0,
            pytest.approx(START_S + 600, abs=0.01),
        )


def test_time_never_runs_back_over_what_is_in_the_journal(tmp_path: Path) -> None:
    """After a power cut the board believes it is last month; nothing is stamped before the last entry."""
    clock = SimulatedClock(START_S)
    with engine(tmp_path, clock) as e:
        feel(e, clock, 24.0, 3)
        e.flush(urgent=True)
    early = SimulatedClock(START_S - 30 * 86400.0, mono_s=5.0)
    with engine(tmp_path, early, synchronised=False, boot="boot-2") as e:
        feel(e, early, 24.1, 2)
        times = [s.event.at_s for s in e.journal.events_since(0) if isinstance(s.event, Reading)] + [
            r.event.at_s for r in e._batch
        ]
        assert times == sorted(times)


def test_alarms_go_on_without_a_disk(tmp_path: Path) -> None:
    """The folder can't be written: the alarm still rises and its message waits to be sent."""
    (tmp_path / "not-a-folder").write_text("")
    clock = SimulatedClock(START_S)
    with engine(tmp_path / "not-a-folder", clock) as e:
        feel(e, clock, 29.0, 5)
        assert [t.alarm for r in e.journal.outbox.waiting() for t in r.alarms] == ["foyer.temperature_high"]
        receipt = e.enter(Note(at_s=clock.wall_s(), id="n", tank="foyer", text="x"))
        assert (receipt.new, receipt.durable) == (True, False)
        feel(e, clock, 29.0, 3)
        assert any(a.alarm == "storage_low" for a in e.picture().alarms) or e.journal.report().wants_attention


def test_a_full_queue_drops_samples_and_counts_them_but_never_an_entry(tmp_path: Path) -> None:
    clock = SimulatedClock(START_S)
    with engine(tmp_path, clock) as e:
        for n in range(10_050):
            e.hand([Sample("foyer-temperature", clock.mono_s() + n, 24.0)])
        assert e.dropped_samples == 50
        with pytest.raises(TimeoutError):
            e.submit(Note(at_s=START_S, id="n", tank="foyer", text="x"), timeout_s=0.1)


def test_a_clock_that_leaps_ahead_makes_no_time_pass_and_no_probe_silent(tmp_path: Path) -> None:
    """A time server says three weeks later: the tank was watched all along, so nobody hears of silent probes."""
    clock = SimulatedClock(START_S)
    with engine(tmp_path, clock) as e:
        e.begin()
        feel(e, clock, 24.0, 10)
        clock.step_wall(21 * 86400.0)
        feel(e, clock, 24.0, 30)
        assert e.now_s() == pytest.approx(clock.wall_s(), abs=0.01)
        assert not [a for a in e.picture().tanks[0].alarms if a.id.endswith("foyer-temperature")]


def test_a_clock_put_right_backwards_does_not_stop_the_alarms(tmp_path: Path) -> None:
    """For a while the clock was three weeks ahead.  The water too warm after that is told at once, not in three weeks."""
    clock = SimulatedClock(START_S)
    with engine(tmp_path, clock) as e:
        e.begin()
        feel(e, clock, 24.0, 10)
        clock.step_wall(21 * 86400.0)
        feel(e, clock, 24.0, 30)
        clock.step_wall(-21 * 86400.0)
        feel(e, clock, 24.0, 30)
        assert e.timeline.state.at_s == pytest.approx(clock.wall_s(), abs=5.0)
        feel(e, clock, 29.0, 30)
        assert [a.alarm for a in e.picture().tanks[0].alarms if a.alarm == "temperature_high"]
        before = snapshots.dump(e.timeline.state)
        e.flush(urgent=True)
    with engine(tmp_path, clock) as e:
        assert snapshots.dump(e.timeline.state) == before


@pytest.mark.slow
@pytest.mark.parametrize("sent", [True, False])
@pytest.mark.parametrize("restarted", [True, False])
def test_a_week_that_was_named_under_a_wrong_date_is_told_when_it_comes(
    tmp_path: Path, *, sent: bool, restarted: bool
) -> None:
    """For a while the kernel vouched for a date in May.  The summary of that week in May goes out, and only once."""
    clock, weeks_s = SimulatedClock(START_S), 70 * 86400.0

    def summary(at_s: float, week: str) -> Message:
        return Message(
            at_s=at_s,
            key=f"weekly:{week}",
            channel="email",
            purpose="summary",
            priority="low",
            title="t",
            body=f"said at {at_s:.0f}",
        )

    def arrive(e: Engine) -> list[str]:
        rows = [row for row in e.journal.outbox.waiting() if not row.alarms]
        for row in rows:
            e.journal.outbox.sent(row.key, row.channel, e.now_s())
        e.journal.commit(e.now_s(), urgent=True)
        return [row.key for row in rows]

    with engine(tmp_path, clock) as e:
        e.begin()
        feel(e, clock, 24.0, 10)
        e.put(summary(e.now_s(), "2026-W09"))
        assert arrive(e) == ["weekly:2026-W09"]
        clock.step_wall(weeks_s)
        feel(e, clock, 24.0, 30)
        e.put(summary(e.now_s(), "2026-W19"))
        if sent:
            assert arrive(e) == ["weekly:2026-W19"]
        clock.step_wall(-weeks_s)
        if not restarted:
            feel(e, clock, 24.0, 30)
        e.flush(urgent=True)
    with engine(tmp_path, clock) as e:
        e.begin()
        assert arrive(e) == [], "what waited under the wrong date is not sent"
        e.put(summary(e.now_s(), "2026-W09"))
        assert arrive(e) == [], "this week's has been sent"
        clock.advance(weeks_s)
        feel(e, clock, 24.0, 2)
        for _ in range(2):
            e.put(summary(e.now_s(), "2026-W19"))
        assert arrive(e) == ["weekly:2026-W19"]


def test_a_probe_heard_in_the_instant_of_its_silence_is_not_silent_for_good(tmp_path: Path) -> None:
    clock = SimulatedClock(START_S)
    with engine(tmp_path, clock) as e:
        e.begin()
        feel(e, clock, 24.0, 3, every_s=600.0)
        clock.advance(e.core.probes["foyer-temperature"].silent_after_s(e.timeline.state.probes["foyer-temperature"]))
        e.hand([Sample("foyer-temperature", clock.mono_s(), 24.0)])
        e.once(0.0)
        feel(e, clock, 24.0, 6, every_s=300.0)
        assert not [a for a in e.picture().tanks[0].alarms if a.id.endswith("foyer-temperature")]
