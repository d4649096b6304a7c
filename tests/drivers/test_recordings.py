"""Every driver is played its recordings, over the real link, and must say what the recording says it says."""

from __future__ import annotations

import collections
import itertools
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter

import rushlight_drivers
from helpers.driverrigs import publish
from helpers.hub import MOSQUITTO, Broker
from helpers.serialbench import Board
from helpers.waiting import until
from rushlight_drivers import Channel, Driver, load
from rushlight_drivers.formats import session_text
from rushlight_drivers.formats.session_text import Recording, Row

FOLDER = Path(__file__).parent.parent / "recordings"
FILES = sorted(FOLDER.glob("*.rec"))


def channels(played: Recording, **link: Any) -> list[Channel]:
    """The probes that the header names, with the link's own options added."""
    found = []
    for key, value in played.header.items():
        if key.startswith("probe "):
            quantity, options = value.split(None, 1)
            checked = TypeAdapter(load(played.header["driver"]).options).validate_json(
                json.dumps(json.loads(options) | link), strict=True
            )
            found.append(Channel(key.removeprefix("probe "), checked, quantity))
    return found


def build(played: Recording, monotonic=time.monotonic, **link: Any) -> Driver:
    driver = load(played.header["driver"]).build(channels(played, **link), monotonic)
    driver.open()
    return driver


def collect(driver: Driver, count: int) -> list:
    """Poll until so many samples came, and once more to see that there are no others."""
    seen: list = []
    until(lambda: seen.extend(driver.poll(0.2)) or len(seen) >= count, 10, f"only {seen}")
    return [*seen, *driver.poll(0.2)]


def steps(rows: Iterator[Row]) -> Iterator[list[Row]]:
    for _, group in itertools.groupby(rows, key=lambda r: r.at_s):
        yield list(group)


def play_lines(played: Recording, folder: Path) -> list:
    board = Board(folder / "board")
    driver = build(played, port=str(board.path), settle_s=0.0)
    for row in played.of("from"):
        board.say(row.data)
    out = collect(driver, len(list(played.of("says"))))
    driver.close()
    board.close()
    return out


def play_asked(played: Recording, folder: Path) -> list:
    """The board waits for each question, word for word, before it gives the answer that followed it."""
    board = Board(folder / "board")
    script = collections.deque(played.of("to", "from"))
    heard = bytearray()

    def turn() -> None:
        time.sleep(0.002)
        heard.extend(board.heard(0.02))
        if script and script[0].kind == "to" and heard == script[0].data:
            script.popleft()
            heard.clear()
            while script and script[0].kind == "from":
                board.say(script.popleft().data)

    board._start(turn)
    driver = build(played, port=str(board.path), settle_s=0.0)
    out: list = []
    rounds = len(list(played.of("says"))) // len(channels(played, port="x"))
    for _ in range(rounds):
        out += driver.poll(5.0)
    driver.close()
    board.close()
    assert not script, f"never came to {script[0]}"
    return out


def play_files(played: Recording, folder: Path) -> list:
    root = folder / "devices"
    root.mkdir()
    out: list = []
    driver = None
    for group in steps(played.of("file")):
        for row in group:
            path = root / row.words[0]
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(row.data)
        driver = driver or build(played, root=str(root))
        out += driver.poll(5.0)
    assert driver is not None
    driver.close()
    return out


def play_topics(played: Recording, folder: Path) -> list:
    if not MOSQUITTO:
        pytest.skip("mosquitto is not installed")
    broker = Broker(folder / "broker", keeps=False)
    rows = list(played.of("topic"))
    for row in rows:
        if row.words[1] == "retained":
            publish(broker.port, row.words[0], row.data, retain=True)
    driver = build(played, host="127.0.0.1", port=broker.port)
    for row in rows:
        if row.words[1] == "fresh":
            publish(broker.port, row.words[0], row.data)
    out = collect(driver, len(list(played.of("says"))))
    driver.close()
    broker.stop()
    return out


class Hands:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def play_time(played: Recording, folder: Path) -> list:
    """Drivers without a link are moved through time by hand."""
    hands = Hands()
    link = {"file": str(folder / "x.rec")} if played.header["driver"] == "recorded" else {}
    (folder / "x.rec").write_text(
        session_text.format({k: played.header[k] for k in ("device", "date", "taken")}, played.rows)
    )
    driver = build(played, hands, **link)
    out: list = []
    for group in steps(played.of("says")):
        hands.now_s = group[0].at_s
        out += driver.poll(0.0)
    out += driver.poll(0.0) if played.header["driver"] == "none" else []
    driver.close()
    return out


PLAYERS = {
    "lines": play_lines,
    "query": play_asked,
    "modbus": play_asked,
    "onewire": play_files,
    "iio": play_files,
    "mqtt": play_topics,
}
"""By driver; those that are not here have no link, and are moved through time."""
ALIASES = {"recorded": {"light": "foyer-light", "ph": "foyer-ph"}}


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.stem)
def test_a_driver_says_what_its_recording_says(file, tmp_path):
    played = session_text.parse(file.read_text(encoding="utf-8"))
    driver = played.header["driver"]
    heard = [(s.channel, s.value, s.trouble) for s in PLAYERS.get(driver, play_time)(played, tmp_path)]
    alias = ALIASES.get(driver, {})
    expected = [r.sample() for r in played.of("says")]
    assert heard == [(alias.get(s.channel, s.channel), s.value, s.trouble) for s in expected]


def test_every_driver_has_a_recording():
    drivers = {session_text.parse(f.read_text(encoding="utf-8")).header["driver"] for f in FILES}
    assert drivers == set(rushlight_drivers.NAMES)


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.stem)
def test_every_recording_says_honestly_where_it_is_from(file):
    header = session_text.parse(file.read_text(encoding="utf-8")).header
    if load(header["driver"]).maturity != "proven":
        assert "simulated" in header["device"]
