"""What deploy/hub.md shows is true: its commands are taken, its configuration is one, its answers look like that."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest

from helpers.hub import config, standing, view, with_tank
from rushlight.entry.receipt import Receipt
from rushlight.events import Event
from rushlight.outlets.hub import commands
from rushlight.outlets.hub.entities import PROBES
from rushlight.settings import Hub, Mqtt, Timeseries

DEPLOY = Path(__file__).parents[2] / "deploy"
PAGE = (DEPLOY / "hub.md").read_text()
SENT, ANSWERED = (b.strip().splitlines() for b in re.findall(r"```json\n(.*?)```", PAGE, re.DOTALL))
ALARMS = (standing("foyer.test_overdue"), standing("foyer.probe_silent.foyer-ph"))
SITE = with_tank(view(), "foyer", alarms=ALARMS)


@pytest.mark.parametrize("line", SENT)
def test_a_command_of_the_page_is_taken(line: str) -> None:
    taken: list[Event] = []

    def submit(event: Event) -> Receipt:
        taken.append(event)
        return Receipt(event.id)

    answer = commands.run(line.encode(), config(), SITE, 1.75e9, submit)
    assert answer.ok, answer
    assert [e.id for e in taken] == [json.loads(line)["id"]]


def test_the_answers_of_the_page_are_the_answers() -> None:
    good = commands.run(SENT[0].encode(), config(), SITE, 1.75e9, lambda e: Receipt(e.id))
    assert json.loads(good.text()) == json.loads(ANSWERED[0])
    wrong = SENT[1].replace('"foyer"', '"foier"')
    bad = commands.run(wrong.encode(), config(), SITE, 1.75e9, lambda _: pytest.fail("it was taken"))
    assert json.loads(bad.text()) == json.loads(ANSWERED[1])


@pytest.mark.parametrize("page", ["hub.md", "timeseries.md"])
def test_the_configuration_of_the_page_is_one(page: str) -> None:
    [text] = re.findall(r"```toml\n(.*?)```", (DEPLOY / page).read_text(), re.DOTALL)
    sections = {"mqtt": Mqtt, "hub": Hub, "timeseries": Timeseries}
    for name, keys in tomllib.loads(text).items():
        sections[name](**keys)


def test_every_unit_and_class_is_on_the_page() -> None:
    for look in PROBES.values():
        assert look.unit is None or look.unit in PAGE
        assert look.device_class is None or look.device_class in PAGE
