"""The split of a change into causes, on tanks in which the one true cause is known."""

import pytest

from helpers.nitrate_causes import CAUSES, story
from helpers.nitrate_tanks import DAY_S, START_S, STRIP
from rushlight.events import Test
from rushlight.settings import Feed, Tank
from rushlight.tank.causes import ORDER
from rushlight.tank.nitrate import NitrateWatch


def told(cause, seed, days=None):
    tale = story(seed, cause)
    watch = NitrateWatch(tale.tank, (STRIP,), "UTC", has_electrode=False)
    state = watch.initial()
    days = days or len(tale.lights)
    for event in tale.events:
        if event.at_s < START_S + days * DAY_S:
            watch.on_fact(state, event)
    for n, light in enumerate(tale.lights[:days]):
        watch.close_day(state, light, light.date, START_S + (n + 1) * DAY_S)
    return watch.report(state, START_S + days * DAY_S)


@pytest.mark.parametrize("cause", CAUSES)
def test_the_one_true_cause_leads_in_most_tanks(cause):
    days = 140 if cause in {"water changes", "source water"} else None
    first = [r.causes[0].cause for r in (told(cause, 4321 + n, days) for n in range(6)) if r.causes]
    assert len(first) >= 4
    assert first.count(cause) >= 0.66 * len(first)


@pytest.mark.parametrize("cause", ["feed", "light", "unexplained"])
def test_parts_add_up_and_are_told_largest_first(cause):
    report = next(r for r in (told(cause, 4321 + n) for n in range(6)) if r.causes)
    means = [share.change.mean for share in report.causes]
    in_order = sorted(means, reverse=True)  # causes that explain about the same may change places, simplest first
    assert max(abs(a - b) for a, b in zip(means, in_order, strict=True)) <= 0.1 * in_order[0]
    assert all(s.change.low <= s.change.mean <= s.change.high for s in report.causes)
    assert {s.cause for s in report.causes} <= set(ORDER)
    assert report.causes[-1].text
    assert f"{abs(sum(means)):.2f} mg/L a day faster" in report.causes_sentence


def test_nothing_is_accused_in_a_tank_that_is_quiet():
    report = told("unexplained", 4321, 95)
    assert report.causes == ()
    assert report.causes_sentence == ""


def test_one_strip_asks_for_another_and_more_of_them_do_not():
    watch = NitrateWatch(Tank(id="sim", litres=100, feed=Feed(grams_per_day=0.6)), (STRIP,), "UTC", has_electrode=False)
    state = watch.initial()

    def strip(day, value):
        at_s = START_S + day * DAY_S
        watch.on_fact(state, Test(at_s=at_s, id=f"{day}", tank="sim", method="strip", values={"nitrate": value}))
        return watch.report(state, at_s + 3600).causes_sentence

    for week in range(16):
        assert strip(7 * week, 10) == ""
    assert "test again" in strip(7 * 16, 25)
    later = strip(7 * 17, 50)
    assert "Nothing recorded explains" in later
    assert "test again" not in later
