"""One record, one set of messages: told live, replayed from the export, and killed in the middle and begun again."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from helpers.site import CONFIG, config_of
from rushlight import replay
from rushlight.clock import SimulatedClock
from rushlight.effects import Message
from rushlight.events import Absence, Acknowledge, Correction, Event, Feeding, Pack, Sighting, Test, WaterChange
from rushlight.journal import export
from rushlight.journal.store import Journal
from rushlight.service.engine import Engine
from rushlight_drivers import Sample

pytestmark = pytest.mark.slow

START_S, EVERY_S, DAYS = 1_772_323_200.0, 3600.0, 18  # 2026-03-01T00:00:00Z
TEXT = CONFIG.replace("every_seconds = 300", "every_seconds = 3600") + (
    '\n[push]\nserver = "http://127.0.0.1:9"\ntopic = "x"\n'
)
KILLED = {5: "between two repeats of poisons", 9: "while a test is late", 14: "in the closure"}


def strip(**values: float) -> dict[str, Any]:
    return {"method": "strip", "kit": "strip", "values": values}


def diary() -> dict[float, list[tuple[type[Event], dict[str, Any]]]]:
    """What people do, by the day (and its part) on which they do it."""
    return {
        0.5: [(Test, strip(nitrate=25.0, kh=5.0, ph=7.0)), (Pack, {"strips": 12})],
        4.5: [(Test, strip(nitrate=50.0, nitrite=3.0, kh=5.0, ph=7.0)), (Sighting, {"what": "gasping"})],
        5.5: [(WaterChange, {"fraction": 0.3})],
        6.5: [(Test, strip(nitrate=25.0, nitrite=0.0))],
        11.5: [(Test, strip(nitrate=50.0, nitrite=0.5, kh=3.0))],
        12.5: [(Absence, {"days": 4.0})],
    }


class Told:
    """One engine over a journal, by hand; `lines` are the messages as replay would write them."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.clock = folder, SimulatedClock(START_S)
        self.found: dict[str, str] = {}
        self._left: list[Journal] = []
        self.begin()

    def begin(self) -> None:
        self.journal = Journal(self.folder / "journal.sqlite", boot_id="boot-1")
        self.journal.open(self.clock.wall_s())
        put = self.journal.outbox.put

        def noted(message: Message, *stamp: Any) -> Any:
            record = replay.record_of(message, daily=False, messages=True)
            self.found.setdefault(message.key, json.dumps(record, ensure_ascii=False))
            return put(message, *stamp)

        self.journal.outbox.put = noted  # type: ignore[method-assign,assignment]
        self.engine = Engine(config_of(TEXT), self.journal, self.clock, boot_id="boot-1", synchronised=lambda: True)

    def kill(self) -> None:
        """As `kill -9` leaves it: nothing is ended, what was in memory is gone, the files are as they lie there."""
        here = self.folder
        self.folder = here.with_name(f"{here.name}-again")
        shutil.copytree(here, self.folder)
        self._left.append(self.journal)

    def close(self) -> None:
        for journal in (*self._left, self.journal):
            journal.close(self.clock.wall_s())

    def live(self, killed: frozenset[int] = frozenset()) -> list[str]:
        todo, kinds = diary(), 0
        for n in range(round(DAYS * 86_400 / EVERY_S)):
            self.clock.advance(EVERY_S)
            at_s, day = self.clock.wall_s(), (n + 1) * EVERY_S / 86_400
            warm = 29.0 if 7.0 <= day < 7.4 else 24.0
            silent = 8.2 <= day < 8.7
            readings = [("foyer-temperature", warm + 0.01 * (n % 5)), ("foyer-ph", 7.0 + 0.01 * (n % 4))]
            readings.append(("foyer-light", 6000.0 + n % 7 if 8 <= (at_s / 3600) % 24 < 18 else 1.0 + n % 2))
            if not silent:
                self.engine.hand([Sample(i, self.clock.mono_s(), v) for i, v in readings])
            self.engine.once(0.0)
            for kind, body in todo.pop(day, []):
                kinds += 1
                self.enter(kind, id=f"entry-{kinds}", tank="foyer", **body)
            if day % 1 == 0.5:
                self.enter(Feeding, id=f"fed-{n}", tank="foyer", grams=0.9)
            if day == 5.0:
                self.enter(Acknowledge, id="seen", alarm="foyer.nitrite_high", by="duty librarian")
            if day == 15.0:
                self.enter(Correction, id="slip", of="entry-6", void=True)
            if day in killed:
                self.kill()
                self.begin()
        return list(self.found.values())

    def enter(self, kind: type[Event], **body: Any) -> None:
        """Each in a second of its own: what is entered in one and the same has an order by its kind in a replay."""
        self.clock.advance(1.0)
        self.engine.enter(kind(at_s=self.clock.wall_s(), **body))
        self.engine.once(0.0)


def replayed(path: Path) -> Iterator[str]:
    for line in replay.replay(config_of(TEXT), export.lines(path), messages=True):
        if json.loads(line)["kind"] == "message":
            yield line


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[str], Path]:
    told = Told(tmp_path_factory.mktemp("lived"))
    lines = told.live()
    told.close()
    return lines, told.journal.path


def test_a_replay_of_the_export_gives_the_same_messages(lived: tuple[list[str], Path]) -> None:
    lines, path = lived
    titles = {json.loads(line)["title"] for line in lines}
    assert len(lines) > 8 and len(titles) > 4, "there is something to compare"
    assert list(replayed(path)) == lines


def test_killed_and_begun_again_in_the_middle_it_gives_the_same_messages(
    lived: tuple[list[str], Path], tmp_path: Path
) -> None:
    told = Told(tmp_path)
    assert told.live(frozenset(KILLED)) == lived[0]
    told.close()
    assert list(replayed(told.journal.path)) == lived[0]
