"""The time line on a board without a battery clock."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from rushlight.intake.trust import PATIENCE_S, Restamp, Stepped, TimeLine


def look(line: TimeLine, wall_s: float, mono_s: float, *, synchronised: bool = True) -> object:
    return line.look(wall_s, mono_s, synchronised=synchronised)


def test_untrusted_time_is_restamped_once_by_the_whole_error() -> None:
    """The board comes up in 2023 and learns two minutes later that it is 2026."""
    line = TimeLine(1_680_000_000.0, 10.0, trusted=False)
    wrong_at = line.at(50.0)
    assert look(line, 1_680_000_090.0, 100.0, synchronised=False) is None
    shift = look(line, 1_790_000_120.0, 130.0)
    assert shift == Restamp(110_000_000.0)
    assert line.trusted
    assert line.at(50.0) - wrong_at == 110_000_000.0
    assert look(line, 1_790_000_121.0, 131.0) is None


def test_an_untrusted_clock_never_stamps_before_the_last_journal_entry() -> None:
    line = TimeLine(0.0, 5.0, trusted=False, last_s=1_790_000_000.0)
    assert line.at(5.0) > 1_790_000_000.0


def test_a_date_set_by_hand_is_believed_but_not_trusted() -> None:
    line = TimeLine(1000.0, 0.0, trusted=False)
    assert look(line, 501_010.0, 10.0, synchronised=False) == Restamp(500_000.0)
    assert not line.trusted


def test_a_trusted_clock_that_steps_moves_nothing() -> None:
    """An hour back and a year forward: the stamps go on evenly."""
    for step_s in (-3600.0, 365 * 86400.0):
        line = TimeLine(1_790_000_000.0, 0.0, trusted=True)
        before = line.at(100.0)
        assert look(line, 1_790_000_100.0 + step_s, 100.0, synchronised=False) == Stepped(step_s, taken=False)
        for mono_s in range(101, 4000, 7):
            assert look(line, 1_790_000_000.0 + step_s + mono_s, mono_s, synchronised=False) is None
        assert line.at(200.0) - before == 100.0


def test_a_step_that_the_kernel_vouches_for_is_taken_after_ten_minutes() -> None:
    line = TimeLine(1_790_000_000.0, 0.0, trusted=True)
    assert look(line, 1_790_003_600.0, 0.5) == Stepped(3599.5, taken=False)
    seen = [look(line, 1_790_003_600.0 + m, 0.5 + m) for m in range(1, int(PATIENCE_S) + 1)]
    assert seen[:-1] == [None] * (int(PATIENCE_S) - 1)
    assert seen[-1] == Stepped(3599.5, taken=True)
    assert line.at(1000.0) == 1_790_003_600.0 + 999.5


def test_a_step_that_goes_back_by_itself_leaves_no_trace() -> None:
    line = TimeLine(1_790_000_000.0, 0.0, trusted=True)
    look(line, 1_789_996_400.0, 0.0)
    assert look(line, 1_790_000_060.0, 60.0) is None
    assert line.at(60.0) == 1_790_000_060.0


@given(st.lists(st.floats(-1.9, 1.9), min_size=5, max_size=60))
def test_small_drift_is_followed_and_stamps_never_run_backwards(drifts: list[float]) -> None:
    line = TimeLine(1_790_000_000.0, 0.0, trusted=True)
    last = line.at(0.0)
    for n, drift_s in enumerate(drifts, start=1):
        look(line, 1_790_000_000.0 + n + drift_s, float(n))
        now = line.at(float(n))
        assert now > last
        last = now
