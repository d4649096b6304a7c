"""The queries of deploy/timeseries.md, run against a real server that holds a few days of one library."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from helpers import store as helper
from helpers.store import TOKEN, Server
from helpers.timeseries import START_S, config
from rushlight.effects import AlarmChange, Daily, Estimate
from rushlight.events import Reading, Test
from rushlight.outlets.timeseries.feed import Sender, Writer, back_fill
from rushlight.outlets.timeseries.points import PRIORITY_CODES, STATE_CODES, Points
from rushlight.settings import Timeseries

pytestmark = pytest.mark.skipif(not helper.SERVER, reason="victoria-metrics is not installed")

PAGE = (Path(__file__).parents[2] / "deploy" / "timeseries.md").read_text()
QUERIES = [q for block in re.findall(r"```promql\n(.*?)```", PAGE, re.DOTALL) for q in block.strip().splitlines()]
NOW_S = START_S + 3 * 86400 + 3600


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with helper.server(tmp_path_factory.mktemp("store")) as s, helper.front(s) as front:
        settings = Timeseries(url=f"http://127.0.0.1:{front.port}", org="library", bucket="tanks")
        writer = Writer(settings, TOKEN)
        sender = Sender(writer.write, lambda line, why: pytest.fail(f"{why}: {line}"))
        back_fill(items(), Points(config(), "inst"), sender)
        writer.close()
        yield s


def items() -> Iterator[Reading | Test | Daily | AlarmChange]:
    for i in range(12):  # the last one 25 min before now
        yield Reading(at_s=NOW_S - 25 * 60 - 300 * (11 - i), probe="foyer-temp", value=24.5)
    yield Reading(at_s=NOW_S - 20 * 60, probe="foyer-temp", value=85.0, quality=4)
    yield Test(at_s=NOW_S - 2 * 86400, tank="foyer", method="strip", values={"nitrate": 25.0}, id="a")
    yield Test(at_s=NOW_S - 60, tank="foyer", method="strip", values={"nitrate": ">250"}, id="b")
    yield Daily(
        at_s=START_S + 3 * 86400,
        tank="foyer",
        date="2025-06-03",
        light_dose_mol=5.5,
        lamp_percent=97.5,
        nitrate=Estimate(mean=18.0, low=12.5, high=24.0),
        kept_up=Estimate(mean=0.93, low=0.8, high=1.0),
    )
    for name, states in (("ph_low", ("unacknowledged", "acknowledged")), ("ph_high", ("unacknowledged", "normal"))):
        for i, state in enumerate(states):
            yield AlarmChange(
                at_s=START_S + 3600 * i,
                tank="foyer",
                alarm=name,
                id=f"foyer.{name}",
                occurrence=1,
                state=state,  # type: ignore[arg-type]
                priority="medium",
                text="",
            )


# What each query must give for the few values above, worked out by hand.
ANSWERS: dict[str, float] = {
    'reading_value{quantity="temperature"} and': 24.5,
    'last_over_time(estimate_value{quantity="nitrate"}': 18.0,
    'last_over_time(estimate_low{quantity="nitrate"}': 12.5,
    'last_over_time(estimate_high{quantity="nitrate"}': 24.0,
    'test_value{quantity="nitrate"}': 250.0,
    "100 *": 93.0,
    'last_over_time(estimate_value{quantity="lamp_percent"}': 97.5,
    'last_over_time(estimate_value{quantity="light_dose_mol"}': 5.5,
    "(time() - max by (site, tank)": 60 / 86400,
    "count by (site, tank)": 1.0,
    "(time() - max by (site, installation)": 20 * 60.0,
}


def test_every_query_has_an_answer_here() -> None:
    assert len(QUERIES) == len(ANSWERS)
    for query in QUERIES:
        assert sum(query.startswith(start) for start in ANSWERS) == 1, query


@pytest.mark.parametrize("query", QUERIES)
def test_a_query_of_the_page_works(server: Server, query: str) -> None:
    # The plain temperature panel is asked at a moment at which the good reading is the newest.
    at_s = NOW_S - 24 * 60 if query.startswith("reading_value") else NOW_S
    found = server.query(query, at_s)
    assert len(found) == 1, found
    expected = next(v for start, v in ANSWERS.items() if query.startswith(start))
    assert float(found[0]["value"][1]) == pytest.approx(expected, rel=1e-6)


def test_a_value_that_is_not_believed_is_not_drawn(server: Server) -> None:
    query = next(q for q in QUERIES if q.startswith("reading_value"))
    assert server.query(query, NOW_S - 19 * 60) == []
    assert float(server.query('reading_value{quantity="temperature"}', NOW_S - 19 * 60)[0]["value"][1]) == 85.0


def test_the_codes_on_the_page_are_those_in_use() -> None:
    for name, code in {**STATE_CODES, **PRIORITY_CODES}.items():
        assert f"{code:g} {name.replace('_', ' ')}" in PAGE
