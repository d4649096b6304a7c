"""What is told of one tank at one moment never contradicts itself, whatever happened: judged by `helpers.judge`.

Histories are drawn: strips of any pad at any pace, water changes, feed, harvests, lamp work, corrections.
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from helpers import judge
from helpers.site import config_of
from rushlight import eventlines
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.core.view import site_view
from rushlight.effects import Message
from rushlight.replay import with_phone
from rushlight.views import SiteView, TankView

CONFIG = with_phone(config_of())
DAY_S = 86_400.0
T0 = eventlines.unix_s("2026-03-01T10:00:00Z")
PADS = [0, 10, 25, 50, 100, 250]
STANDS = ("unacknowledged", "acknowledged")
AGAIN = "Test again in a day or two"

entries = st.one_of(
    st.builds(
        lambda n, kh, nitrite: {
            "kind": "test",
            "method": "strip",
            "values": {"nitrate": n, "kh": kh, "nitrite": nitrite},
        },
        st.sampled_from(PADS),
        st.sampled_from([3, 5]),
        st.sampled_from([0, 0, 0, 0, 0.5, 3]),
    ),
    st.builds(lambda f: {"kind": "water_change", "fraction": f}, st.sampled_from([0.1, 0.3, 0.5])),
    st.builds(lambda g: {"kind": "feeding", "grams": g}, st.sampled_from([0.5, 0.9, 3.0])),
    st.just({"kind": "harvest", "fresh_grams": 300}),
    st.just({"kind": "lamp", "what": "replaced"}),
    st.just({"kind": "undo"}),
)
histories = st.lists(st.tuples(st.sampled_from([0.5, 2.0, 4.0, 9.0]), entries), min_size=4, max_size=22)


def lived(history: list[tuple[float, dict[str, Any]]]) -> list[tuple[SiteView, list[Message], bool]]:
    """After each entry: what may be looked at, what was sent since the one before, and whether water was changed since
    the last test."""
    timeline = Timeline(core := Core(CONFIG), core.initial())
    at_s, out, ids, changed_s, tested_s = T0, [], [], 0.0, 0.0
    for n, (days, body) in enumerate(history):
        at_s += days * DAY_S
        line = {"at": eventlines.rfc3339(at_s), "id": f"e{n}"}
        if body["kind"] == "undo":
            if not ids:
                continue
            of, _ = ids.pop()
            line |= {"kind": "correction", "of": of, "void": True}
            changed_s = tested_s = 0.0
        else:
            line |= {"tank": "foyer"} | body
            ids.append((line["id"], body["kind"]))
            changed_s = at_s if body["kind"] == "water_change" else changed_s
            tested_s = at_s if body["kind"] == "test" else tested_s
        said = timeline.feed(eventlines.parse_line(json.dumps(line)))
        said += timeline.advance(at_s + 7200.0)
        view = site_view(core, timeline.state, at_s + 7200.0)
        out.append((view, [e for e in said if isinstance(e, Message)], changed_s > tested_s > 0.0))
    return out


def texts_of(tank: TankView) -> list[str]:
    told = tank.account
    alarms = [a.text for a in tank.alarms if a.state in STANDS]
    return [told.headline, *told.evidence, told.cause, told.todo, *told.also, tank.state_sentence, *alarms]


@pytest.mark.slow
@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(histories)
def test_no_text_contradicts_another_of_its_moment(history: list[tuple[float, dict[str, Any]]]) -> None:
    for view, messages, changed in lived(history):
        tank = view.tanks[0]
        texts = texts_of(tank)
        assert judge.faults(texts) == [], texts
        for message in messages:
            assert judge.faults([message.body]) == [], message.body
            assert len(message.body) <= 300
            assert len(message.title) <= 30
        if tank.nitrate is not None:
            (level, low, high), *_ = judge.figures(texts, judge.LEVEL)
            assert judge.same(level, tank.nitrate.mean)
            assert low <= high
        if changed:  # what was done is not asked for again
            orders = [tank.account.todo, *tank.account.also]
            assert not judge.asks_for_water(orders), orders
        if any(AGAIN in t for t in texts):  # and the date is one that serves it
            assert tank.due_at_s is not None
            assert tank.due_at_s <= max(view.at_s, (tank.last_test_at_s or 0.0) + 3.0 * DAY_S), tank.due_reason
        standing = [a for a in tank.alarms if a.state in STANDS]
        quiet = "quiet" in view.headline.lower() or tank.account.headline.startswith("Nothing asks")
        assert not (quiet and standing and any(a.state == "unacknowledged" for a in standing)), (
            view.headline,
            standing,
        )
        if tank.days_to_limit and tank.net_rate is not None and tank.nitrate is not None:
            straight = (40.0 - tank.nitrate.mean) / tank.net_rate.mean
            assert 0.5 <= straight / tank.days_to_limit <= 2.0


@pytest.mark.slow
def test_who_is_told_to_test_again_in_a_day_or_two_finds_that_date_on_the_page() -> None:
    core = Core(CONFIG)
    timeline = Timeline(core, core.initial())
    told = []
    for day in range(-10, 45):
        at_s = T0 + day * DAY_S
        lines: list[dict[str, Any]] = [{"kind": "feeding", "grams": 2.0}]
        if day >= 0 and day % 7 == 0:
            lines.append({"kind": "test", "method": "strip", "values": {"nitrate": 25, "kh": 5}})
        for n, line in enumerate(lines):
            line |= {"id": f"e{day}-{n}", "at": eventlines.rfc3339(at_s), "tank": "foyer"}
            timeline.feed(eventlines.parse_line(json.dumps(line)))
        tank = site_view(core, timeline.state, at_s).tanks[0]
        if any(AGAIN in t for t in texts_of(tank)):
            told.append(tank)
    assert told, "the story does not come to it"
    for tank in told:
        assert tank.due_at_s is not None
        assert tank.last_test_at_s is not None
        assert tank.due_at_s <= tank.last_test_at_s + 2.0 * DAY_S


BAD = [
    (["Nitrate about 21 mg/L (15 to 28), limit 40.", "nitrate about 620 mg/L (90 %: 500 to 700), above its limit"], "two figures"),
    (["Nitrate about 36 mg/L (30 to 44), limit 40, rising 0.1 mg/L a day (−0.2 to 0.4)."], "holds 0"),
    (
        ["Nitrate about 36 mg/L (30 to 44), limit 40, rising 0.13 mg/L a day (0.1 to 0.2).",
         "As things are, even odds of passing 40 mg/L in about 110 days."],
        "110.0 days",
    ),
    (["Nitrate about 41 mg/L (36 to 48), limit 40, rising 0.4 mg/L a day (0.1 to 0.6); even odds in about 3 days"], "at 41.0"),
    (["Nitrate about 30 mg/L (25 to 36), limit 40, not clearly rising or falling.",
      "nitrate about 30 mg/L (90 %: 25 to 36), rising by 0.5 mg/L a day; the chance"], "surely moves and does not"),
    (["Nitrate about 44 mg/L (34 to 55), limit 40. Told last at 44 mg/L."], "without news"),
    (["The lamp gives 84 % (83 to 85) of what it was.", "The lamp gives only 60 % of the light that it gave."], "the lamp"),
]  # fmt: skip


@pytest.mark.parametrize(("texts", "fault"), BAD, ids=[f for _, f in BAD])
def test_the_judge_finds_each_contradiction_that_was_told_once(texts: list[str], fault: str) -> None:
    """The complaints of the issue, word for word or nearly so: a judge that passes them judges nothing."""
    assert any(fault in found for found in judge.faults(texts)), judge.faults(texts)


@pytest.mark.parametrize(
    "text",
    [
        "Stop feeding, change the water as the planner shows, treated and as warm as the tank, and test tomorrow.",
        "Change 20 L, 2 times.",
    ],
)
def test_the_judge_knows_an_order_to_change_water(text: str) -> None:
    assert judge.asks_for_water([text])
    assert not judge.asks_for_water(["Test the water: it has been changed since the last test."])
