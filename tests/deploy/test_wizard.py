"""The first configuration: what is proposed from a fake device tree is what `check` accepts."""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import os
import subprocess
import sys
import threading
import tomllib
import tty
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from helpers.units import METRIC_WORDS
from rushlight.config import loading as config
from rushlight.guide import animals, first, first_questions, wizard
from rushlight.guide.dialogue import Dialogue
from rushlight.service.starting import checks
from rushlight_drivers import discover

BOARD = Path(__file__).parents[2] / "deploy/board"


def line(**pairs: str) -> bytes:
    """A line as the firmware itself makes it."""
    code = f"import framing, sys; sys.stdout.buffer.write(framing.line({list(pairs.items())!r}))"
    return subprocess.run([sys.executable, "-c", code], cwd=BOARD, capture_output=True, check=True).stdout


def plant(root: Path) -> Path:
    """A Pi with two thermometers, a light chip, a humidity chip, a board of ours and two boards without serial numbers."""
    w1, iio, serial = root / "sys/bus/w1/devices", root / "sys/bus/iio/devices", root / "dev/serial"
    for name in ("28-0316a2794cff", "28-0000075f1d3a"):
        (w1 / name).mkdir(parents=True)
        (w1 / name / "w1_slave").write_text("")
    (w1 / "w1_bus_master1").mkdir()
    for number, name, values in (
        (0, "bh1750", ["in_illuminance_raw"]),
        (1, "sht3x", ["in_temp_input", "in_humidityrelative_input"]),
    ):
        chip = iio / f"iio:device{number}"
        chip.mkdir(parents=True)
        (chip / "name").write_text(name + "\n")
        for value in values:
            (chip / value).write_text("1\n")
    for how, name, port in (
        ("by-id", "usb-Board_E6614103-if00", "ttyACM0"),
        ("by-path", "platform-usb-0:1.1:1.0", "ttyACM0"),
        ("by-id", "usb-1a86_USB_Serial-if00-port0", "ttyUSB1"),
        ("by-path", "platform-usb-0:1.2:1.0-port0", "ttyUSB0"),
        ("by-path", "platform-usb-0:1.3:1.0-port0", "ttyUSB1"),
    ):
        (serial / how).mkdir(parents=True, exist_ok=True)
        (serial / how / name).symlink_to(f"../../{port}")
    (root / "etc").mkdir()
    (root / "etc/timezone").write_text("Europe/Dublin\n")
    return root


def proposed(root: Path, answers: wizard.Answers | None = None, heard: dict[str, wizard.Board] | None = None) -> str:
    return wizard.propose(discover.discover(root), answers or wizard.Answers(timezone=first.timezone(root)), heard)


@pytest.mark.slow
def test_the_proposal_is_accepted_by_check(tmp_path: Path) -> None:
    file = tmp_path / "config.toml"
    file.write_text(proposed(plant(tmp_path / "pi")))
    found = config.load(file)
    assert found.site.timezone == "Europe/Dublin"
    assert {(p.quantity, p.driver) for p in found.probe} == {("temperature", "onewire"), ("light", "iio")}
    assert len(found.probe) == 3
    done = subprocess.run(
        [sys.executable, "-c", "from rushlight.cli import main; main()", "check", "--no-probes", "--config", file],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


def test_guesses_are_comments_that_become_valid_when_uncommented(tmp_path: Path) -> None:
    text = proposed(plant(tmp_path / "pi"))
    bare = "\n".join(
        rest if (rest := row.removeprefix("# ")).startswith("[[probe]]") or " = " in rest else row
        for row in text.splitlines()
    )
    found = config.check(tomllib.loads(bare))
    assert len(found.probe) > 3
    assert {"humidity", "air_temperature"} <= {p.quantity for p in found.probe}


def test_boards_without_a_serial_number_are_named_by_their_socket(tmp_path: Path) -> None:
    text = proposed(plant(tmp_path / "pi"))
    assert "by-path/platform-usb-0:1.2:1.0-port0" in text
    assert "by-path/platform-usb-0:1.3:1.0-port0" in text
    assert "usb-1a86_USB_Serial" not in text
    assert "socket" in text
    assert 'ttyUSB0"' not in text


def test_a_board_of_ours_becomes_one_probe_for_each_value(tmp_path: Path) -> None:
    root = plant(tmp_path / "pi")
    port = str(root / "dev/serial/by-id/usb-Board_E6614103-if00")
    text = proposed(root, heard={port: wizard.Board("foyer-board", ("temp", "ph_mv"))})
    (tmp_path / "config.toml").write_text(text)
    ours = [p for p in config.load(tmp_path / "config.toml").probe if p.driver == "lines"]
    assert [(p.quantity, p.unit, p.options.field, p.options.identity) for p in ours] == [
        ("temperature", "degC", "temp", "foyer-board"),
        ("ph", "mV", "ph_mv", "foyer-board"),
    ]
    assert {p.options.port for p in ours} == {port}


def test_an_empty_pi_gets_a_configuration_too(tmp_path: Path) -> None:
    (tmp_path / "pi").mkdir()
    text = proposed(tmp_path / "pi")
    assert config.check(tomllib.loads(text)).probe == ()
    assert "no 1-wire bus" in text
    assert first.timezone(tmp_path / "pi") == "UTC"


def test_the_time_zone_is_also_found_behind_the_link(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc/localtime").symlink_to("/usr/share/zoneinfo/America/St_Johns")
    assert first.timezone(tmp_path) == "America/St_Johns"
    (tmp_path / "etc/timezone").write_text("Nowhere/Land\n")
    assert first.timezone(tmp_path) == "America/St_Johns"


@given(
    site=st.text(min_size=1),
    tank=st.text(min_size=1),
    litres=st.floats(0.1, 1e5),
    pads=st.lists(st.floats(0, 500), min_size=2, unique=True),
)
def test_whatever_is_answered_can_be_read_back(site: str, tank: str, litres: float, pads: list[float]) -> None:
    clean = site.encode("utf-8", "ignore").decode(), tank.encode("utf-8", "ignore").decode()
    answers = wizard.Answers(
        site=clean[0],
        tanks=(wizard.Water(clean[1], litres),),
        nitrate_pads=tuple(sorted(pads)),
        push_server="https://push.example.org",
        push_topic="t",
    )
    found = config.check(tomllib.loads(wizard.propose(discover.Findings(), answers)))
    assert (found.site.name, found.tank[0].name, found.tank[0].litres) == (*clean, litres)
    assert found.kit[0].pads["nitrate"] == answers.nitrate_pads


def ask_all(ask: Any, usual: wizard.Answers) -> wizard.Answers:
    return first_questions.ask_all(Dialogue(ask, lambda _: None), usual)


def test_questions_are_asked_again_until_they_make_sense() -> None:
    replies = iter(["Rowan Street library, Europe/Dubblin", "Rowan Street library, Europe/Dublin", "Foyer", "Foyer lots 0,9",
                    "Foyer -1 0,9", "Foyer 140 0,9", "cold -", "26-22 -", "mixed last year", "mixed 2025-01-10, warm -",
                    "mixed 2025-01-10", "5 4", "5 4 - 7,4", "0 25 10", "0 10 25 50", "push.example.org", "https://push.example.org/, open",
                    "https://push.example.org/, closed"])  # fmt: skip
    asked: list[str] = []

    def ask(question: str, default: str) -> str:
        asked.append(question)
        return next(replies)

    got = ask_all(ask, wizard.Answers(data_folder="/var/lib/rushlight"))
    assert (got.site, got.timezone) == ("Rowan Street library", "Europe/Dublin")
    source = {"nitrate": 5.0, "kh": 4.0, "ph": 7.4}
    assert got.tanks == (wizard.Water("Foyer", 140, 0.9, dt.date(2025, 1, 10), source, animals.USUAL),)
    assert (got.nitrate_pads, got.nitrate_unit) == ((0, 10, 25, 50), "")
    assert not got.home_network
    assert got.push_server == "https://push.example.org"
    assert len(got.push_topic) >= 20, "nobody may guess the topic"
    assert got.data_folder == "/var/lib/rushlight"
    assert sum(q.startswith("Who lives in Foyer (140 L, 0.9 g a day)") for q in asked) == 5, (
        "what was understood is shown"
    )
    assert next(replies, None) is None


def test_the_first_answers_are_good_enough() -> None:
    got = ask_all(lambda _, default: default, wizard.Answers(timezone="Europe/Dublin"))
    assert (got.site, got.timezone) == ("At home", "Europe/Dublin")
    config.check(tomllib.loads(wizard.propose(discover.Findings(), got)))


@pytest.mark.parametrize(
    ("said", "band", "mark"),
    [
        ("unheated", (16, 24), "common practice, no source"),
        ("Mixed", (21, 28), "common practice, no source"),
        ("warm", (24, 30), "common practice, no source"),
        ("22-26", (22, 26), "as its keeper gave it"),
    ],
)
def test_limits_are_proposed_for_the_animals_kept_and_say_where_they_are_from(
    said: str, band: tuple[float, float], mark: str
) -> None:
    got = ask_all(lambda q, default: f"{said} -" if q.startswith("Who lives") else default, wizard.Answers())
    text = wizard.propose(discover.Findings(), got)
    limits = config.check(tomllib.loads(text)).tank[0].limits
    assert (limits.temperature.low, limits.temperature.high) == band
    assert mark in text


def test_what_was_said_of_age_water_and_box_is_in_the_file_with_limits_to_go_by() -> None:
    told = wizard.Water("Foyer", 140, 0.9, dt.date(2025, 1, 10), {"nitrate": 5.0, "kh": 4.0, "ph": 7.4})
    answers = wizard.Answers(tanks=(told,), nitrate_pads=(0, 1, 5, 10), nitrate_unit="mg/L as N")
    text = wizard.propose(discover.Findings(), answers)
    written = config.check(tomllib.loads(text))
    tank, kit = written.tank[0], written.kit[0]
    assert tank.started == dt.date(2025, 1, 10)
    assert tank.source_water == {"nitrate": 5.0, "kh": 4.0, "ph": 7.4}
    assert kit.unit("nitrate") == "mg/L as N"
    assert (tank.limits.temperature.low, tank.limits.temperature.high) == (21.0, 28.0)
    assert "common practice, no source" in text
    assert not [n for n in checks.warnings(written) if "no limit" in n]


@pytest.mark.parametrize("said", ["0 10 20 NO3-N", "0, 10, 20 no3-n", "0 10 20 as N"])
def test_the_boxs_own_words_say_what_was_weighed(said: str) -> None:
    got = ask_all(lambda q, default: said if "pad" in q else default, wizard.Answers())
    assert (got.nitrate_pads, got.nitrate_unit) == ((0, 10, 20), "mg/L as N")


def test_a_place_where_people_read_gallons_is_asked_in_them_and_written_in_them() -> None:
    replies = {
        "Name": "Rowan Street library, America/Chicago, us",
        "Your tanks": "Foyer 36 0.9, Reading room 54L 0.4",
        "Who lives": "72-79 -",
        "The water": "5 71.392 125 7.4",
    }
    asked: list[str] = []

    def ask(question: str, default: str) -> str:
        asked.append(question)
        return next((r for q, r in replies.items() if question.startswith(q)), default)

    got = ask_all(ask, wizard.Answers())
    assert not [q for q in asked if METRIC_WORDS.search(q)]
    assert "gallons of water" in asked[1] and "37 gal" not in asked[1]
    assert "Foyer (36 gal, 0.9 g a day) and Reading room (14.3 gal, 0.4 g a day)" in asked[2]
    text = wizard.propose(discover.Findings(), got)
    assert 'units = "us"' in text and 'litres = "36 US gal"' in text and 'low = "72 °F"' in text
    read = config.check(tomllib.loads(text))
    # NIST SP 811, B.8: 3.785 412 L, (t/°F - 32)/1.8; 17.848 mg/L of CaCO3 in a German degree
    assert [t.litres for t in read.tank] == [pytest.approx(136.2748, rel=1e-5), pytest.approx(54.0, rel=1e-5)]
    assert read.tank[0].limits.temperature.low == pytest.approx(22.2222, rel=1e-5)
    assert read.tank[0].source_water["kh"] == pytest.approx(4.0, rel=1e-3)


def test_of_two_light_probes_in_one_tank_it_asks_which_carries_the_dose() -> None:
    pair = [
        discover.Proposal(id=i, driver="simulated", quantity="light", unit="lx", options={}, why="found")
        for i in ("light-a", "light-b")
    ]
    replies = iter(["light-x", "light-b"])
    dose = first_questions.ask_dose(Dialogue(lambda *_: next(replies), lambda _: None), pair, ["tank"], {})
    assert dose == {"light-b"}
    text = wizard.propose(discover.Findings(proposals=tuple(pair)), wizard.Answers(), dose=dose)
    assert [(p.id, p.dose) for p in config.check(tomllib.loads(text)).probe] == [("light-a", False), ("light-b", True)]
    silent = Dialogue(lambda *_: pytest.fail("asked"), lambda _: None)
    assert first_questions.ask_dose(silent, pair[:1], ["tank"], {}) == frozenset()


def test_one_question_asks_for_the_dose_of_every_tank() -> None:
    four = [
        discover.Proposal(id=i, driver="simulated", quantity="light", unit="lx", options={}, why="found")
        for i in ("light-a", "light-b", "light-c", "light-d")
    ]
    homes = {"light-a": "foyer", "light-b": "foyer", "light-c": "hall", "light-d": "hall"}
    replies = iter(["light-a, light-b", "light-b", "light-d, light-a"])
    talk = Dialogue(lambda *_: next(replies), lambda _: None)
    assert first_questions.ask_dose(talk, four, ["foyer", "hall"], homes) == {"light-d", "light-a"}
    assert talk.asked == 3, "two of one tank, or one for two tanks, is asked again"


TWO = (wizard.Water("Foyer", 140, 0.9), wizard.Water("Reading room", 60, 0.3))


def test_several_tanks_need_no_more_questions_than_one() -> None:
    asked: list[str] = []
    replies = {"Your tanks": "Foyer 140 0,9; Reading room 60 0.3", "Who lives": "mixed 2025-01-10, 22-26"}

    def ask(question: str, default: str) -> str:
        asked.append(question)
        return next((r for q, r in replies.items() if question.startswith(q)), default)

    got = ask_all(ask, wizard.Answers())
    assert len(asked) == 6
    found = config.check(tomllib.loads(wizard.propose(discover.Findings(), got)))
    assert [
        (t.id, t.name, t.litres, t.feed.grams_per_day, t.started, t.limits.temperature.low) for t in found.tank
    ] == [
        ("foyer", "Foyer", 140, 0.9, dt.date(2025, 1, 10), 21),
        ("reading-room", "Reading room", 60, 0.3, None, 22),
    ]


def test_unasked_the_boards_name_decides_and_what_nobody_said_is_marked(tmp_path: Path) -> None:
    root = plant(tmp_path / "pi")
    port = str(root / "dev/serial/by-id/usb-Board_E6614103-if00")
    text = proposed(root, wizard.Answers(tanks=TWO), {port: wizard.Board("reading-room-board", ("ph_mv",))})
    written = {p.id: p.tank for p in config.check(tomllib.loads(text)).probe}
    assert written["ph-reading-room-board"] == "reading-room"
    assert written["light-bh1750"] == "foyer"
    assert "see that its tank is right" in text
    assert "see that its tank is right" not in proposed(root), "with one tank there is no doubt"


def test_tanks_of_one_name_keep_apart() -> None:
    assert wizard.tank_ids([wizard.Water("Foyer"), wizard.Water("foyer "), wizard.Water("!")]) == [
        "foyer",
        "foyer-2",
        "tank",
    ]


@pytest.mark.parametrize(
    ("stream", "expected"),
    [
        (["\n", {"id": "b", "temp": "24.5", "light": "none"}], ("b", ("temp",))),
        (["\n", {"id": "b", "temp": "none"}, {"id": "b", "temp": "24.5", "light": "3"}], ("b", ("temp", "light"))),
        ([{"id": "b", "temp": "24.5"}], None),  # its beginning was not seen
        (["\n", "$id=b,temp=24.5*0000\r\n"], None),  # wrong sum
        (["\n", "T=24.5\r\n"], None),
        (["\n", {"temp": "24.5"}], None),  # a board that does not say who it is
        ([], None),
    ],
)
def test_a_board_is_known_by_whole_lines_with_a_right_sum(stream: list[Any], expected: Any) -> None:
    data = b"".join(x.encode() if isinstance(x, str) else line(**x) for x in stream)
    board = wizard.board_in(data)
    assert (None if board is None else (board.name, board.fields)) == expected


def test_a_board_on_a_real_port_is_heard_and_configured(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    serial = tmp_path / "dev/serial/by-id"
    serial.mkdir(parents=True)
    (serial / "usb-Board_1-if00").symlink_to(os.ttyname(theirs))
    said, stop = line(id="foyer-board", temp="24.5", light="812", ph_mv="-12.5"), threading.Event()

    def talk() -> None:
        with contextlib.suppress(OSError):
            while not stop.wait(0.1):
                os.write(ours, said)

    board = threading.Thread(target=talk)
    board.start()
    out = io.StringIO()
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
            first.main(["--root", str(tmp_path), "--listen-seconds", "10"])
    finally:
        stop.set()
        board.join()
        os.close(ours)
        os.close(theirs)
    found = config.check(tomllib.loads(out.getvalue()))
    assert [(p.quantity, p.options.identity) for p in found.probe] == [
        ("temperature", "foyer-board"),
        ("light", "foyer-board"),
        ("ph", "foyer-board"),
    ]


def test_a_silent_port_is_left_as_a_guess(tmp_path: Path) -> None:
    ours, theirs = os.openpty()
    serial = tmp_path / "dev/serial/by-id"
    serial.mkdir(parents=True)
    (serial / "usb-Board_1-if00").symlink_to(os.ttyname(theirs))
    done = subprocess.run(
        [sys.executable, "-m", "rushlight.guide.first", "--root", tmp_path, "--listen-seconds", "0.3"],
        capture_output=True,
        text=True,
        check=True,
    )
    os.close(ours)
    os.close(theirs)
    assert config.check(tomllib.loads(done.stdout)).probe == ()
    assert "# [[probe]]" in done.stdout
    assert "listening" in done.stderr
