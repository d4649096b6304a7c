"""What the demonstration does around the invented year: its earlier months, a second start, an address for a push."""

from __future__ import annotations

import datetime as dt
import itertools
import socket
from pathlib import Path

import pytest
from click.testing import CliRunner

from rushlight.cli import demonstration
from rushlight.demo import staff, year
from rushlight.effects import AlarmChange, Daily
from rushlight.localtime import DAY_S
from rushlight.service import control
from rushlight.web.timeline.of_journal import episodes


def change(at_s: float, state: str) -> AlarmChange:
    return AlarmChange(
        at_s=at_s,
        tank="foyer",
        alarm="lamp_dimming",
        id="foyer.lamp_dimming",
        occurrence=1,
        state=state,  # type: ignore[arg-type]
        priority="medium",
        text="said",
    )


def test_an_alarm_of_the_earlier_months_ends_with_them_and_is_not_the_live_ones() -> None:
    earlier = demonstration.closed([change(100.0, "unacknowledged"), change(200.0, "acknowledged")], 1000.0)
    told = [e for e in earlier if isinstance(e, AlarmChange)]
    found = episodes([*told, change(2000.0, "unacknowledged")][::-1])
    assert [(e.from_s, e.to_s) for e in found] == [(100.0, 1000.0), (2000.0, None)]


def test_a_day_that_is_moved_takes_its_new_date_over_a_change_of_clocks() -> None:
    """Dublin went to summer time on 29 March 2026."""
    day = Daily(at_s=year.local(1, 11), tank="foyer", date="2026-01-10")
    later = demonstration.moved(day, 100 * DAY_S)
    assert isinstance(later, Daily) and later.date == (dt.date(2026, 1, 10) + dt.timedelta(days=100)).isoformat()


@pytest.mark.slow
def test_without_going_live_it_ends_with_the_story(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its first month, for the year takes seconds."""
    play = staff.play
    monkeypatch.setattr(staff, "play", lambda core: itertools.islice(play(core), 20_000))
    got = CliRunner().invoke(demonstration.demo, ["--no-live", "--folder", str(tmp_path / "data")])
    assert got.exit_code == 0, got.output
    assert "tank-days" in got.output
    assert not (tmp_path / "data").exists(), "nothing is kept"


def test_a_second_start_says_so_before_it_plays_a_year(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    first = control.Control(tmp_path / "data", {})
    first.start()
    try:
        got = CliRunner().invoke(demonstration.demo, ["--folder", str(tmp_path / "data"), "--port", "18080"])
    finally:
        first.close()
    assert got.exit_code == 1 and "runs already" in got.output and "http://127.0.0.1:18080/" in got.output


def test_a_port_that_is_taken_is_named_before_a_year_is_played(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        got = CliRunner().invoke(demonstration.demo, ["--folder", str(tmp_path), "--port", str(port)])
    assert got.exit_code == 1 and f"port {port} is taken" in got.output and f"--port {port + 1}" in got.output


@pytest.mark.parametrize("address", ["topic", "https://", "ftp://push.example.org/topic", "https://push.example.org/"])
def test_an_address_that_is_none_is_refused(address: str) -> None:
    got = CliRunner().invoke(demonstration.demo, ["--push", address])
    assert got.exit_code == 2 and "--push" in got.output
