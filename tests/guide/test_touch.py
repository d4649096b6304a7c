"""Probes named by touch, through their real drivers: files of the kernel that a hand changes, as the hand would."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from helpers.driverrigs import w1_slave
from rushlight import clock
from rushlight.guide import first, touch
from rushlight.guide.dialogue import Dialogue
from rushlight_drivers import discover

TANKS = {"foyer": "Foyer", "reading-room": "Reading room", "hall": "Hall"}
OURS, THEIRS = "28-0316a2794cff", "28-0000075f1d3a"


class Pi:
    """Thermometers and light chips as the kernel shows them (w1_therm's `w1_slave`, IIO's `in_illuminance_raw`)."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def thermometer(self, name: str, celsius: float) -> None:
        folder = self.root / "sys/bus/w1/devices" / name
        folder.mkdir(parents=True, exist_ok=True)
        self._put(folder / "w1_slave", w1_slave(celsius))

    def light(self, number: int, name: str, lux: float) -> None:
        folder = self.root / f"sys/bus/iio/devices/iio:device{number}"
        folder.mkdir(parents=True, exist_ok=True)
        self._put(folder / "name", f"{name}\n")
        self._put(folder / "in_illuminance_scale", "1.0\n")
        self._put(folder / "in_illuminance_raw", f"{lux:.0f}\n")

    def _put(self, file: Path, text: str) -> None:
        beside = file.with_suffix(".new")
        beside.write_text(text)
        beside.replace(file)

    def probes(self) -> list[discover.Proposal]:
        return list(discover.discover(self.root).proposals)


class Hand:
    """Somebody who presses Enter and, once every probe was heard, touches what belongs to the tank that is named."""

    def __init__(self, touches: dict[str, Callable[[], None]], answers: str = "") -> None:
        self._touches, self._answers = touches, answers
        self._next: Callable[[], None] | None = None
        self._heard = list[bool]()
        self.questions, self.seen = list[str](), ""

    def ask(self, question: str, default: str) -> str:
        self.questions.append(question)
        return default if "touch" in question else self._answers or default

    def write(self, text: str) -> None:
        self.seen += text
        self._next = next((t for name, t in self._touches.items() if f"Now touch {name}'s" in text), self._next)
        self._heard.clear()

    @contextmanager
    def hear(self, probes: Sequence[discover.Proposal]) -> Iterator[touch.Ears]:
        with first.ears(clock.SystemClock())(probes) as ears:

            def wait(seconds: float) -> None:
                ears.wait(seconds)
                if len(self._heard) == 2 and self._next is not None:  # the guide has seen how it was before
                    self._next()
                    self._next = None
                self._heard.extend([True] * all(ears.value(p.id) is not None for p in probes))

            yield cast("touch.Ears", SimpleNamespace(value=ears.value, wait=wait))


@pytest.fixture
def pi(tmp_path: Path) -> Iterator[Pi]:
    return Pi(tmp_path)


def homes(pi: Pi, hand: Hand, tanks: dict[str, str]) -> dict[str, str]:
    return touch.homes(Dialogue(hand.ask, hand.write), pi.probes(), tanks, hand.hear, clock.SystemClock())


def two(count: int = 2) -> dict[str, str]:
    return dict(list(TANKS.items())[:count])


@pytest.mark.slow
def test_a_warmed_thermometer_and_a_shaded_light_probe_are_the_tanks_and_the_others_are_the_last_ones(pi: Pi) -> None:
    """One question for two tanks with a thermometer and a light probe each."""
    pi.thermometer(OURS, 24.0)
    pi.thermometer(THEIRS, 24.5)
    pi.light(0, "bh1750", 800)
    pi.light(1, "veml7700", 600)

    def touch_foyers() -> None:
        pi.thermometer(THEIRS, 27.0)
        pi.light(0, "bh1750", 40)

    hand = Hand({"Foyer": touch_foyers})
    found = homes(pi, hand, two())
    assert found == {
        "temperature-1d3a": "foyer", "light-bh1750": "foyer",
        "temperature-4cff": "reading-room", "light-veml7700": "reading-room",
    }  # fmt: skip
    assert len(hand.questions) == 1, hand.questions
    assert "temperature-1d3a: touched, 24.5 became 27" in hand.seen


@pytest.mark.slow
def test_tank_after_tank_is_touched_after_one_question(pi: Pi) -> None:
    pi.thermometer(OURS, 24.0)
    pi.thermometer(THEIRS, 24.5)
    pi.thermometer("28-00000f00d001", 23.0)
    hand = Hand({"Foyer": lambda: pi.thermometer(THEIRS, 27.0), "Reading room": lambda: pi.thermometer(OURS, 26.0)})
    assert homes(pi, hand, two(3)) == {
        "temperature-1d3a": "foyer", "temperature-4cff": "reading-room", "temperature-d001": "hall",
    }  # fmt: skip
    assert len(hand.questions) == 1, hand.questions


def test_what_was_not_touched_in_time_is_asked_for_in_one_question(pi: Pi, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(touch, "PATIENCE_S", 1.5)
    pi.thermometer(OURS, 24.0)
    pi.thermometer(THEIRS, 24.5)
    hand = Hand({}, "Reading room, Foyer")
    assert homes(pi, hand, two()) == {"temperature-1d3a": "reading-room", "temperature-4cff": "foyer"}
    assert "Nothing moved clearly enough" in hand.seen
    assert len(hand.questions) == 2


def test_skipping_the_touch_leads_to_the_names(pi: Pi) -> None:
    pi.thermometer(OURS, 24.0)
    pi.thermometer(THEIRS, 24.5)
    asked = iter(["skip", "Cellar", "Hall"])
    talk = Dialogue(lambda *_: next(asked), lambda _: None)
    now = clock.SystemClock()
    assert set(touch.homes(talk, pi.probes(), TANKS, first.ears(now), now).values()) == {"hall"}
    assert talk.asked == 3, "a name that is no tank's is asked again"


def test_a_single_probe_is_asked_for_and_a_named_board_is_not() -> None:
    thermometer = discover.Proposal(id="temperature-4cff", driver="onewire", quantity="temperature", why="found")
    board = [
        discover.Proposal(
            id=f"{q}-reading-room-board", driver="lines", quantity=q, options={"port": "/dev/a"}, why="heard"
        )
        for q in ("temperature", "ph")
    ]
    asked: list[str] = []

    def ask(question: str, _default: str) -> str:
        asked.append(question)
        return "foyer"

    def hear(_: object) -> touch.Ears:
        pytest.fail("nothing is to be touched")

    found = touch.homes(Dialogue(ask, lambda _: None), [thermometer, *board], TANKS, hear, clock.SystemClock())
    assert found == {board[0].id: "reading-room", board[1].id: "reading-room", "temperature-4cff": "foyer"}
    assert asked == ["Which tank is it in: temperature-4cff"]


def test_one_tank_asks_nothing() -> None:
    silent = Dialogue(lambda *_: pytest.fail("asked"), lambda _: None)
    probe = discover.Proposal(id="t", driver="onewire", quantity="temperature")
    assert touch.homes(silent, [probe], {"tank": "Tank"}, lambda _: pytest.fail("heard"), clock.SystemClock()) == {}


@pytest.mark.parametrize(
    ("quantity", "before", "after", "expected"),
    [
        ("temperature", {"a": 24.0, "b": 24.0}, {"a": 25.2, "b": 24.1}, "a"),
        ("temperature", {"a": 24.0, "b": 24.0}, {"a": 24.9, "b": 24.0}, ""),  # water moves as well
        ("temperature", {"a": 24.0, "b": 24.0}, {"a": 26.0, "b": 25.5}, ""),  # two hands, or the heating
        ("temperature", {"a": 24.0, "b": 24.0}, {"b": 26.0}, "b"),
        ("temperature", {"a": 24.0}, {"a": 20.0}, ""),
        ("light", {"a": 800.0, "b": 900.0}, {"a": 300.0, "b": 880.0}, "a"),
        ("light", {"a": 800.0, "b": 900.0}, {"a": 300.0, "b": 400.0}, ""),  # the lamp went off
        ("light", {"a": 1.0, "b": 900.0}, {"a": 0.0, "b": 900.0}, ""),  # night
        ("light", {}, {}, ""),
    ],
)
def test_only_what_moves_clearly_more_than_the_rest_counts(
    quantity: str, before: dict[str, float], after: dict[str, float], expected: str
) -> None:
    assert touch.touched(quantity, before, after) == expected
