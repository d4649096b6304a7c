"""The closed loop: one person, one tank, several advisers."""

from __future__ import annotations

import json

import pytest

from helpers.families import keeper
from helpers.families.catalogue import FAMILIES
from helpers.families.common import NEVER, World, seed_of
from helpers.families.keeper import ADVISERS, Calendar, Keeper, Nobody, Product, advised
from rushlight import eventlines
from rushlight.config import loading as config
from rushlight.effects import AlarmChange, DueChange
from rushlight.replay import record_of, replay


def world(family: str, n: int, days: int, kind: int | None = None) -> World:
    """A tank in which nothing goes wrong, or on day 30 the trouble that is asked for."""
    laws = FAMILIES[family]
    made = World(laws, seed_of(laws.number, "tuning", n), days)
    made.state["onset"][:] = 30.0 if kind is not None else NEVER + 1.0  # past NEVER nothing new goes wrong
    made.state["kind"][:] = kind or 0
    return made


def quiet(made: World, monkeypatch: pytest.MonkeyPatch) -> World:
    monkeypatch.setattr("helpers.families.leaf.trouble", lambda *a, **k: None)
    return made


def test_a_calendar_asks_every_week_and_warns_above_the_limit() -> None:
    calendar = Calendar(7.0, 60.0)
    assert not calendar.due(2)
    assert calendar.due(3)
    calendar.hear(4, [{"kind": "test", "values": {"nitrate": 80.0}}])
    assert calendar.warns()
    assert not calendar.due(10)
    assert calendar.due(11)
    calendar.hear(11, [{"kind": "test", "values": {"nitrate": 40.0}}])
    assert not calendar.warns()


def test_an_adviser_who_never_warns_changes_nothing_in_the_water(monkeypatch: pytest.MonkeyPatch) -> None:
    lives = []
    for adviser in (Nobody(), Calendar(7.0, 1e6), Calendar(30.0, 1e6)):
        made = quiet(world("leaf", 2, 150), monkeypatch)
        lived = Keeper(made, adviser, 150).live()
        lives.append((made.tank.levels, lived.tests))
    assert lives[0][0] == lives[1][0] == lives[2][0]
    assert lives[0][1] == 0 < lives[2][1] < lives[1][1]


def test_a_warning_that_is_followed_keeps_the_level_down(monkeypatch: pytest.MonkeyPatch) -> None:
    left, told = (
        Keeper(quiet(world("leaf", 2, 400, kind=0), monkeypatch), adviser, 400).live()
        for adviser in (Nobody(), Calendar(7.0, 60.0))
    )
    assert left.above > 60
    assert told.above < 0.5 * left.above
    assert told.hungry > 0
    assert told.changes > 0


def test_the_loop_hears_what_a_replay_of_its_journal_says() -> None:
    made, heard = world("leaf", 1, 40, kind=2), []

    class Listening(Product):
        def take(self, effects: list[object]) -> None:
            heard.extend(e for e in effects if isinstance(e, (AlarmChange, DueChange)))
            super().take(effects)

    Keeper(made, Listening(made), 40).live()
    said = [json.loads(x) for x in replay(config.check(made.tank.raw_config), made.tank.lines())]
    said = [r for r in said if r["kind"] in {"alarm", "due"} and r["at"] <= eventlines.rfc3339(heard[-1].at_s)]
    assert len(said) >= 3
    assert [json.loads(json.dumps(record_of(e, daily=False))) for e in heard] == said


def test_every_adviser_lives_every_family() -> None:
    assert set(ADVISERS) == {"product", "weekly", "monthly", "nobody"}
    for laws in FAMILIES.values():
        lived = advised(laws, seed_of(laws.number, "tuning", 0), 8, "product")
        assert lived.days == 8
        assert lived.tests > 0


def test_who_is_named_is_looked_at_first() -> None:
    made = world("leaf", 1, 10)
    product = Product(made)
    product.standing = {"x": "Look at the lamp first."}
    assert product.names("lamp")
    assert not product.names("source water")
    assert set(keeper.WORDS) <= {"lamp", *(k for laws in FAMILIES.values() for k in laws.kinds)}


@pytest.mark.parametrize("name", ["window", "growing"])
def test_a_probe_is_heard_in_the_night_too(name: str) -> None:
    """Were its readings kept until the evening, it would be told as silent every morning."""
    laws = FAMILIES[name]
    lived = advised(laws, seed_of(laws.number, "tuning", 1), 30, "product")
    assert lived.messages < 10
