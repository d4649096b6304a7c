"""What the store is told of the present moment: exact points, what may be kept back, and that it holds up nothing."""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from helpers import store as helper
from helpers.store import TOKEN, Front, Server
from helpers.timeseries import START_S, config, events
from rushlight.clock import SimulatedClock
from rushlight.effects import Estimate
from rushlight.journal.rows import Recorded
from rushlight.journal.store import Journal
from rushlight.outlets.timeseries.feed import TimeseriesOutlet
from rushlight.outlets.timeseries.journal_walk import JournalHistory
from rushlight.outlets.timeseries.live import LIVE_S, Machine, live_points
from rushlight.outlets.timeseries.points import Point, Points
from rushlight.settings import Timeseries
from rushlight.views import AlarmView, OutletView, ProbeView, SiteView, TankView

ALARM = AlarmView(
    id="foyer.nitrate_high",
    alarm="nitrate_high",
    tank="foyer",
    occurrence=2,
    state="unacknowledged",
    priority="high",
    since_s=START_S - 7200,
)
VIEW = SiteView(
    at_s=START_S,
    name="Rowan Street library",
    timezone="Europe/Dublin",
    tanks=(
        TankView(
            id="foyer",
            title="Foyer",
            litres=140,
            probes=(ProbeView(id="p", tank="foyer", quantity="light", unit="lx", fresh=False),),
            alarms=(ALARM, dataclasses.replace(ALARM, id="foyer.x", state="returned", priority="low")),
            nitrate=Estimate(mean=31.0, low=24.0, high=39.0),
            kept_up=Estimate(mean=0.8, low=0.5, high=1.1),
            days_to_limit=12.5,
            due_at_s=START_S + 86_400,
            overdue=False,
        ),
    ),
    outlets=(OutletView(name="push", title="Push", well=False, sentence=""),),
    storage="the disk is full",
)
MACHINE = Machine(version="0.9.1", board="a1b2c3d4")


def made(view: SiteView = VIEW, **more: object) -> list[Point]:
    conf = dataclasses.replace(config(), timeseries=Timeseries(**more))  # type: ignore[arg-type]
    return live_points(conf, "inst", view, MACHINE, 2.0)


def test_the_moment_in_points() -> None:
    common = {"site": "Rowan Street library", "installation": "inst"}
    state, tank, first, second = made()
    assert state.tags == common | {"version": "0.9.1", "board": "a1b2c3d4"}
    assert state.fields == {
        "at_s": START_S,
        "standing": 1.0,
        "unacknowledged": 1.0,
        "tests_overdue": 0.0,
        "probes_silent": 1.0,
        "storage_ok": 0.0,
        "channels_ok": 0.0,
        "upgrade_failed": 0.0,
        "clock_ahead_s": 2.0,
    }
    assert tank.tags == common | {"tank": "foyer"}
    assert tank.fields == {
        "due_at_s": START_S + 86_400,
        "nitrate": 31.0,
        "nitrate_low": 24.0,
        "nitrate_high": 39.0,
        "days_to_limit": 12.5,
        "kept_up": 0.8,
    }
    wanted = {"tank": "foyer", "alarm": "nitrate_high", "state": "unacknowledged", "priority": "high"}
    assert first.tags == common | wanted | {"alarm_id": "foyer.nitrate_high"}
    assert first.fields == {"since_s": START_S - 7200, "priority": 3.0}
    assert second.tags["state"] == "returned"
    assert all(p.at_ms == START_S * 1000 for p in made())


def test_what_is_kept_back_does_not_leave() -> None:
    assert [p.measurement for p in made(send=("state",))] == ["state"]
    assert made(send=("reading",)) == []
    conf = dataclasses.replace(config(), timeseries=Timeseries(send=("test", "state")))
    points = Points(conf, "inst")
    assert {p.measurement for e in events(0, 200) for p in points.of(e)} == {"test"}


# ---------------------------------------------------------------------- sent by the real outlet to the real store


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    if not helper.SERVER:
        pytest.skip("victoria-metrics is not installed")
    with helper.server(tmp_path) as s:
        yield s


@pytest.fixture
def front(server: Server) -> Iterator[Front]:
    with helper.front(server) as f:
        yield f


class Live:
    """The outlet on a simulated clock, turned by hand."""

    def __init__(self, folder: Path, front: Front) -> None:
        self.clock = SimulatedClock(wall_s=START_S)
        self.asked: list[float | None] = []
        self.journal = Journal(folder / "journal.sqlite", boot_id="boot")
        self.journal.open(START_S)
        history = JournalHistory(
            self.journal.reader, lambda w: w(self.journal), ["foyer"], folder / "aside", "timeseries"
        )
        settings = Timeseries(url=f"http://127.0.0.1:{front.port}", org="library", bucket="tanks")
        self.outlet = TimeseriesOutlet(
            settings,
            history,
            lambda: Points(config(), "inst"),
            self.clock,
            threading.Event(),
            token=TOKEN,
            live=self._live,
        )

    def _live(self, ahead_s: float | None) -> Sequence[Point]:
        self.asked.append(ahead_s)
        return live_points(config(), "inst", dataclasses.replace(VIEW, at_s=self.clock.wall_s()), MACHINE, ahead_s)


@pytest.fixture
def live(tmp_path: Path, front: Front) -> Iterator[Live]:
    made = Live(tmp_path, front)
    yield made
    made.journal.close(START_S)


def test_it_goes_out_every_two_minutes_and_knows_how_far_the_clock_is_off(live: Live, server: Server) -> None:
    for _ in range(5):
        live.outlet.turn()
        live.clock.advance(LIVE_S / 2)
    assert not live.outlet.trouble
    assert len(live.asked) == 3
    at = sorted(ms for name, _, ms in server.points() if name == "state_at_s")
    assert at == [round((START_S + LIVE_S * n) * 1000) for n in range(3)]
    assert live.asked[0] is None
    # The front's own Date header is the machine's time; this clock stands in 2025, far behind it.
    assert live.asked[1] is not None
    assert live.asked[1] < -86_400


def test_a_moment_that_is_refused_holds_up_no_row(live: Live, front: Front, server: Server) -> None:
    front.rule = lambda body: (400, "no such field") if b"state" in body or b"standing" in body else None
    live.journal.append([Recorded(e) for e in events(0, 20)], (), urgent=True, at_s=START_S)
    live.outlet.turn()
    assert not live.outlet.trouble
    found = {name for name, _, _ in server.points()}
    assert "reading_value" in found
    assert "state_at_s" not in found


def test_no_way_to_the_store_is_trouble_even_with_no_row_to_send(live: Live, front: Front) -> None:
    front.rule = lambda _: (503, "not now")
    live.outlet.turn()
    assert "503" in live.outlet.trouble
