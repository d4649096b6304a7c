"""A tick looks at the tanks whose time has come: who is asked is counted, and nobody is forgotten."""

from __future__ import annotations

import random
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from helpers.accelerated import T0, site_text, value
from helpers.site import config_of
from rushlight.core.step import Core
from rushlight.core.tank import TankCore
from rushlight.core.timeline import Timeline
from rushlight.core.wakeups import Wakes
from rushlight.events import Reading

pytestmark = pytest.mark.slow

TIMES = st.lists(st.tuples(st.sampled_from("abcd"), st.floats(0, 100)), max_size=40)


@given(TIMES)
def test_the_earliest_is_the_least_of_all_and_who_is_due_is_found(story: list[tuple[str, float]]) -> None:
    """Against the plain minimum over everybody, however the wakes move."""
    wake_s: dict[str, float | None] = dict.fromkeys("abcd")
    wakes = Wakes("abcd", lambda name, at_s: w if (w := wake_s[name]) is not None and w > at_s else None)
    at_s = 0.0
    for name, when_s in story:
        wake_s[name] = when_s
        wakes.touched.add(name)
        later = [w for w in wake_s.values() if w is not None and w > at_s]
        assert wakes.earliest(at_s) == min(later, default=None)
        if later:
            at_s = min(later)
            reached = {n for n, w in wake_s.items() if w == at_s}
            due = wakes.due(at_s)
            assert reached <= set(due)
            assert due == sorted(due)


def asked_in_a_day(tanks: int, monkeypatch: pytest.MonkeyPatch) -> float:
    """How often a tank is asked or ticked, on average."""
    counted: Counter[str] = Counter()
    for name in ("on_tick", "next_wake"):
        plain = getattr(TankCore, name)

        def counting(*given: object, _plain: object = plain, _name: str = name) -> object:
            counted[_name] += 1
            return _plain(*given)  # type: ignore[operator]

        monkeypatch.setattr(TankCore, name, counting)
    config = config_of(site_text(tanks, 600, ("temperature", "light")))
    core = Core(config)
    timeline = Timeline(core, core.initial())
    chance = random.Random(1)
    for step in range(144):
        for n, probe in enumerate(config.probe):
            at_s = T0 + step * 600 + n * 600 / len(config.probe)
            timeline.feed(Reading(at_s=at_s, probe=probe.id, value=value(str(probe.quantity), at_s, chance)))
    monkeypatch.undo()
    return counted.total() / tanks


def test_a_tank_is_asked_no_more_often_among_forty_than_among_five(monkeypatch: pytest.MonkeyPatch) -> None:
    few, many = asked_in_a_day(5, monkeypatch), asked_in_a_day(40, monkeypatch)
    assert few > 0
    assert many < 2 * few, f"{many:.0f} times a tank among forty, {few:.0f} among five"
