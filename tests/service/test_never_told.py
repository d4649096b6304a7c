"""Who could not be told when an alarm rose is told at the first start at which they can be: once, and the same in replay."""

from __future__ import annotations

from pathlib import Path

import pytest

from helpers.site import config_of
from rushlight.clock import SimulatedClock
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.events import Acknowledge
from rushlight.journal.outbox import Row
from rushlight.outlets.result import Done, Never, Parcel, Result
from rushlight.service import snapshots
from rushlight.service.service import Service
from rushlight.settings import Config
from rushlight_drivers import Sample

SITE = """
[site]
name = "Rowan Street library"
timezone = "Europe/Dublin"
trust_clock = true
[[tank]]
id = "foyer"
name = "Foyer"
litres = 140
limits = { temperature = { low = 21, high = 27 }, ph = { low = 6.4, high = 7.8 } }
[[kit]]
id = "strip"
pads = { nitrate = [0, 10, 25, 50, 100, 250] }
[[probe]]
id = "foyer-temperature"
tank = "foyer"
quantity = "temperature"
driver = "simulated"
every_seconds = 60
[heartbeat]
accept_none = true
[page]
enabled = false
"""
PUSH = '[push]\nserver = "http://push.invalid"\ntopic = "tanks"\n'
HOOK = '[webhook]\nurl = "http://hook.invalid/"\n'
NOON_S = 1_764_072_000.0  # 25 November 2025, 12:00 UTC, far from the quiet hours


class House:
    """The daemon as `run` assembles it, on one thread and simulated time; nothing is really sent."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.clock, self.water_c = folder, SimulatedClock(NOON_S, 10.0), 31.0
        self.service: Service | None = None

    def start(self, channels: str, *, away_s: float = 20.0) -> Service:
        self.stop()
        self.clock.advance(away_s)
        self.service = Service(config_of(SITE + channels), self.folder, self.clock, boot_id="boot", synchronised=bool)
        self.service.assemble()
        self.service.engine.begin()
        return self.service

    def stop(self) -> None:
        if self.service is not None:
            self.service.engine.flush(urgent=True)
            self.service.engine.snapshot()
            self.service.engine.journal.close(self.clock.wall_s())
            self.service = None

    @property
    def engine(self):
        assert self.service is not None
        return self.service.engine

    def live(self, seconds: float) -> None:
        for _ in range(round(seconds / 20)):
            self.clock.advance(20.0)
            self.engine.hand([Sample("foyer-temperature", self.clock.mono_s(), self.water_c)])
            self.engine.once(0.0)

    def rows(self) -> list[Row]:
        with self.engine.journal.reader() as reader:
            return reader.messages_since(0.0)

    def about(self, alarm: str) -> list[Row]:
        return [r for r in self.rows() if any(alarm in t.alarm and t.step != "return" for t in r.alarms)]

    def as_replayed(self, config: Config) -> bytes:
        core = Core(config)
        timeline = Timeline(core, core.initial())
        for stored in self.engine.journal.events_since(0):
            timeline.feed(stored.event)
        timeline.advance(self.engine.timeline.state.at_s)
        return snapshots.dump(timeline.state)


@pytest.fixture
def house(tmp_path: Path):
    made = House(tmp_path)
    yield made
    made.stop()


def test_an_alarm_from_before_any_channel_is_told_at_the_first_start_with_one(house: House) -> None:
    house.start("")
    house.live(3600)
    [alarm] = [a for t in house.engine.view().tanks for a in t.alarms if a.alarm == "temperature_high"]
    assert (alarm.state, house.rows()) == ("unacknowledged", [])
    service = house.start(PUSH)
    house.live(40)
    [row] = house.about("temperature_high")
    assert (row.channel, row.priority, row.state) == ("push", alarm.priority, "waiting")
    assert "Standing since 12:" in row.body
    house.engine.journal.outbox.sent(row.key, "push", house.clock.wall_s())
    house.start(PUSH)
    house.live(40)
    assert len(house.about("temperature_high")) == 1, "told, so not told again for a start"
    house.live(400)
    assert len(house.about("temperature_high")) == 2, "but repeated like any other: nobody has acknowledged it"
    assert service.config == house.service.config


def test_the_journal_makes_the_same_state_again(house: House) -> None:
    """The snapshot of the silent time is thrown away: what the events make is what the daemon came to."""
    house.start(PUSH)
    house.live(3600)
    for row in house.about("temperature_high"):
        house.engine.journal.outbox.never(row.key, "push", house.clock.wall_s(), "refuses the credentials (401)")
    service = house.start(PUSH)
    house.live(600)
    house.engine.flush(urgent=True)
    assert len({r.key for r in house.about("temperature_high")}) > 1
    assert house.as_replayed(service.config) == snapshots.dump(house.engine.timeline.state)


def test_what_was_refused_for_good_is_told_once_the_channel_is_mended(house: House) -> None:
    house.start(PUSH)
    house.live(1200)
    first = house.about("temperature_high")
    for row in first:
        house.engine.journal.outbox.never(row.key, "push", house.clock.wall_s(), "refuses the credentials (401)")
    house.start(PUSH)
    house.live(40)
    [row] = [r for r in house.about("temperature_high") if r.state == "waiting"]
    assert row.key not in {r.key for r in first}


def test_what_was_refused_for_good_is_told_again_as_soon_as_the_channel_delivers(house: House) -> None:
    """A server that refuses everybody for an hour: a medium alarm of that hour would be told again after days only."""

    class Moody:
        certificate_until_s = None
        answer: Result = Never("refuses the credentials (401)")

        def send(self, _parcel: Parcel) -> Result:
            return self.answer

        def check(self) -> Result:
            return self.answer

    outlet = Moody()
    telling = house.start(PUSH).telling
    telling.delivery._lanes["push"].outlet = outlet
    house.water_c = 24.0

    def live(seconds: float) -> None:
        for _ in range(round(seconds / 20)):
            house.live(20)
            while telling.delivery.work_off("push"):
                house.engine.once(0.0)

    live(600)
    house.engine.note_condition("delivery_failing", "raise", "email", {"channel": "email", "sentence": "It is shut"})
    live(1800)
    assert {r.state for r in house.about("delivery_failing.email")} == {"failed"}
    outlet.answer = Done()
    live(1800)
    assert {r.state for r in house.about("delivery_failing.email")} == {"failed"}, (
        "nobody knows yet that it is well again"
    )
    assert telling.delivery.check("push")
    live(300)
    assert sorted(r.state for r in house.about("delivery_failing.email")) == ["failed", "sent"]


def test_what_waited_for_a_channel_that_is_gone_goes_by_the_one_that_came(house: House) -> None:
    house.start(PUSH)
    house.live(1200)
    assert [r for r in house.about("temperature_high") if r.state == "waiting"]
    house.engine.note_condition("delivery_failing", "raise", "push", {"channel": "push", "sentence": "x"})
    house.start(HOOK)
    house.live(120)
    by_push = {r.state for r in house.rows() if r.channel == "push"}
    assert "waiting" not in by_push, "else the outside watcher would hear nothing for ever"
    assert [r.channel for r in house.about("temperature_high") if r.state == "waiting"] == ["webhook"]
    standing = [a for a in house.engine.view().alarms if a.alarm == "delivery_failing" and a.state != "returned"]
    assert standing == [], "nobody can prove a channel that is not there any more"


@pytest.mark.parametrize("ending", ["over", "acknowledged"])
def test_what_is_over_or_seen_by_somebody_is_not_told(ending: str, house: House) -> None:
    house.start("")
    house.live(1200)
    if ending == "over":
        house.water_c = 24.0
        house.live(7200)
    else:
        house.engine.enter(Acknowledge(at_s=house.clock.wall_s(), alarm="foyer.temperature_high", by="duty"))
    house.start(PUSH)
    house.live(40)
    assert house.about("temperature_high") == []


def test_after_a_long_pause_what_came_back_by_itself_is_not_told(house: House) -> None:
    house.start("")
    house.live(1200)
    house.water_c = 24.0
    house.start(PUSH, away_s=86400.0)
    house.live(40)
    assert house.about("temperature_high") == [], "it waits until the daemon has caught up"
    house.water_c = 31.0
    house.live(40)
    assert len(house.about("temperature_high")) == 1


def test_a_start_with_nothing_untold_writes_nothing(house: House) -> None:
    house.water_c = 25.0
    house.start(PUSH)
    house.live(600)
    house.start(PUSH)
    house.live(600)
    assert [s for s in house.engine.journal.events_since(0) if s.event.kind == "untold"] == []
