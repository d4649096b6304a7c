"""Promises of the core that hold for any input: determinism, snapshots, order within an instant, clock steps."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.site import config_of
from rushlight.clock import SimulatedClock
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline, by_arrival
from rushlight.effects import AlarmChange, Daily, Effect
from rushlight.events import Acknowledge, Event, Feeding, Harvest, LampWork, Reading, Shelve, Test, WaterChange
from rushlight.intake.trust import TimeLine
from rushlight.service import snapshots

pytestmark = pytest.mark.slow

CORE = Core(config_of())
START_S = 1_772_323_200.0  # 2026-03-01T00:00:00Z

_at = st.integers(0, 12 * 86400 // 60).map(lambda m: START_S + m * 60.0)
_events = st.one_of(
    st.builds(Reading, at_s=_at, probe=st.just("foyer-temperature"), value=st.floats(15, 32)),
    st.builds(Reading, at_s=_at, probe=st.just("foyer-ph"), value=st.none() | st.floats(5, 9)),
    st.builds(
        Reading,
        at_s=_at,
        probe=st.just("foyer-light"),
        value=st.floats(0, 9000),
        quality=st.none() | st.sampled_from([1, 3, 4, 9]),
    ),
    st.builds(
        Test,
        at_s=_at,
        tank=st.just("foyer"),
        method=st.just("strip"),
        values=st.fixed_dictionaries({"nitrate": st.sampled_from([0.0, 10.0, 25.0, 50.0, ">250"])}),
    ),
    st.builds(Feeding, at_s=_at, tank=st.just("foyer"), grams=st.floats(0, 3)),
    st.builds(WaterChange, at_s=_at, tank=st.just("foyer"), fraction=st.floats(0.05, 0.6)),
    st.builds(Harvest, at_s=_at, tank=st.just("foyer"), fresh_grams=st.floats(10, 500)),
    st.builds(LampWork, at_s=_at, tank=st.just("foyer"), what=st.sampled_from(["replaced", "cleaned"])),
    st.builds(
        Acknowledge, at_s=_at, alarm=st.sampled_from(["foyer.temperature_high", "foyer.test_overdue"]), by=st.just("x")
    ),
    st.builds(Shelve, at_s=_at, alarm=st.just("foyer.ph_low"), by=st.just("x"), hours=st.floats(0, 48)),
)


def numbered(events: list[Event]) -> list[Event]:
    import dataclasses

    return [e if isinstance(e, Reading) else dataclasses.replace(e, id=f"e{n}") for n, e in enumerate(events)]


_stories = st.lists(_events, min_size=1, max_size=40).map(lambda es: sorted(numbered(es), key=lambda e: e.at_s))


def run(events: list[Event], *, snapshot_after: int | None = None) -> tuple[list[Effect], bytes]:
    timeline = Timeline(CORE, CORE.initial())
    effects: list[Effect] = []
    for n, event in enumerate(by_arrival(events)):
        effects += timeline.feed(event)
        if n == snapshot_after:
            state = snapshots.load(snapshots.dump(timeline.state))
            assert state is not None
            timeline = Timeline(Core(config_of()), state)
    effects += timeline.advance(START_S + 20 * 86400)
    return effects, snapshots.dump(timeline.state)


@settings(max_examples=40, deadline=None)
@given(_stories, st.integers(0, 39))
def test_snapshot_and_resume_equals_straight_through(events: list[Event], cut: int) -> None:
    assert run(events) == run(events, snapshot_after=cut % len(events))


@settings(max_examples=40, deadline=None)
@given(_stories, st.randoms(use_true_random=False))
def test_order_within_an_instant_changes_nothing(events: list[Event], rng: random.Random) -> None:
    """Lines of one moment, shuffled."""
    coarse = sorted(
        ({**_fields(e), "at_s": START_S + (e.at_s - START_S) // 3600 * 3600} for e in events), key=lambda f: f["at_s"]
    )
    built = [f.pop("cls")(**f) for f in coarse]
    shuffled = sorted(rng.sample(built, len(built)), key=lambda e: e.at_s)
    assert run(built) == run(shuffled)


def _fields(event: Event) -> dict:
    import dataclasses

    return {"cls": type(event)} | {f.name: getattr(event, f.name) for f in dataclasses.fields(event)}


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(0, 9000), min_size=20, max_size=60), st.integers(1, 19))
def test_one_more_sample_on_the_line_between_two_changes_no_dose(values: list[float], at: int) -> None:
    """The trapezoid of an interval is the sum of its parts."""
    lines = [Reading(at_s=START_S + 600.0 * n, probe="foyer-light", value=v) for n, v in enumerate(values)]
    between = Reading(at_s=START_S + 600.0 * at - 300.0, probe="foyer-light", value=(values[at - 1] + values[at]) / 2)
    doses = []
    for story in (lines, [*lines[:at], between, *lines[at:]]):
        day = next(e for e in run(story)[0] if isinstance(e, Daily))
        doses.append((day.light_dose_mol, day.light_coverage))
    assert abs(doses[0][0] - doses[1][0]) < 1e-9 * max(1.0, doses[0][0])
    assert abs(doses[0][1] - doses[1][1]) < 1e-12


def _stamped(steps: dict[int, float]) -> list[Effect]:
    """Two days of samples through the time line, with the wall clock stepped at some minutes, NTP not vouching."""
    clock = SimulatedClock(wall_s=START_S, mono_s=50.0)
    line = TimeLine(clock.wall_s(), clock.mono_s(), trusted=True)
    timeline = Timeline(CORE, CORE.initial())
    effects: list[Effect] = []
    for minute in range(2 * 1440):
        clock.step_wall(steps.get(minute, 0.0))
        line.look(clock.wall_s(), clock.mono_s(), synchronised=minute not in steps and not steps)
        at_s = line.at(clock.mono_s())
        hour = minute / 60 % 24
        light = 6000.0 if 8 <= hour < 18 else 0.0
        effects += timeline.feed(Reading(at_s=at_s, probe="foyer-light", value=light + minute % 3))
        effects += timeline.feed(Reading(at_s=at_s, probe="foyer-temperature", value=24.0 + minute % 7 / 100))
        clock.advance(60.0)
    return [*effects, *timeline.advance(START_S + 2 * 86400)]


def test_a_step_of_the_wall_clock_changes_no_dose_and_starts_no_storm() -> None:
    """An hour back, and a year forward: the doses are those of an undisturbed clock, and nobody is told anything."""
    calm = _stamped({})
    doses = [(e.date, e.light_dose_mol) for e in calm if isinstance(e, Daily)]
    assert len(doses) == 2
    assert all(dose and dose > 1 for _, dose in doses)
    for step_s in (-3600.0, 365 * 86400.0):
        shaken = _stamped({700: step_s})
        assert [(e.date, e.light_dose_mol) for e in shaken if isinstance(e, Daily)] == doses
        assert [e.id for e in shaken if isinstance(e, AlarmChange)] == [
            e.id for e in calm if isinstance(e, AlarmChange)
        ]
