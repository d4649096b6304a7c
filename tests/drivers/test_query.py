"""Instruments that answer when asked: the conversation by itself, and over a port."""

from __future__ import annotations

import itertools
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from helpers.driverrigs import polled
from helpers.serialbench import Board
from rushlight_drivers import Channel, LinkError
from rushlight_drivers.query import Options, Outcome, QueryDriver, Turn, reading


def options(**given) -> Options:
    return Options(**({"port": "x", "ask": "R", "settle_s": 0.0, "reply_s": 0.4} | given))


def talk(o: Options, *answers: bytes | None, known: bool = True) -> tuple[list[bytes], Outcome]:
    """Hold a conversation; returns what was sent and how it ended."""
    conversation = reading(o, "ph", known=known)
    sent = []
    queue = iter(answers)
    try:
        turn = next(conversation)
        while True:
            assert isinstance(turn, Turn)
            sent.append(turn.send)
            turn = conversation.send(next(queue, None))
    except StopIteration as end:
        return [s for s in sent if s], end.value


@pytest.mark.parametrize(
    ("given_options", "answers", "expected"),
    [
        ({}, [b"7.02"], 7.02),
        ({}, [b"  7.02 "], 7.02),
        ({}, [b"7,02"], "garbled"),
        ({}, [b"7.02 pH"], "garbled"),
        ({"separator": " "}, [b"7.02 pH"], 7.02),
        ({"separator": ",", "column": 2}, [b"24.3,7.02"], 7.02),
        ({"separator": ",", "column": 3}, [b"24.3,7.02"], "garbled"),
        ({}, [b"---"], "no_value"),
        ({}, [b"?"], "unreadable"),
        ({}, [b"ERR 3"], "unreadable"),
        ({}, [b"R", b"7.02"], 7.02),  # an echo of the question
        ({"ignore": ("OK",)}, [b"OK", b"7.02"], 7.02),
        ({"reply_starts": "#02"}, [b"#01 6.50", b"#02 7.02"], 7.02),  # another instrument's late answer
        ({"sentinels": (99.99,)}, [b"99.99"], "sentinel"),
        ({}, [b"\xb27.02"], "garbled"),
        ({}, [None], None),
        ({"ignore": ("OK",)}, [b"OK", None], None),
    ],
)
def test_what_an_answer_becomes(given_options, answers, expected):
    sent, outcome = talk(options(**given_options), *answers)
    assert sent == [b"R\r"]
    if expected is None:
        assert outcome == Outcome()
    else:
        assert (outcome.judged.trouble or outcome.judged.value) == expected


def test_who_it_is_is_asked_once():
    o = options(identity_ask="I", identity="SN 4711")
    assert talk(o, b"meter SN 4711", b"7.02", known=False)[0] == [b"I\r", b"R\r"]
    assert talk(o, b"7.02", known=True)[0] == [b"R\r"]
    sent, outcome = talk(o, b"meter SN 0815", b"7.02", known=False)
    assert (sent, outcome.judged, outcome.stranger) == ([b"I\r"], None, "meter SN 0815")


@given(st.lists(st.binary(max_size=30) | st.none(), max_size=5))
def test_no_answer_breaks_the_conversation_or_yields_what_was_not_said(answers):
    _, outcome = talk(options(), *answers)
    if outcome.judged is not None and outcome.judged.value is not None:
        assert outcome.judged.value in {float(a) for a in answers if a and _is_float(a)}


def _is_float(text: bytes) -> bool:
    try:
        float(text)
        return True
    except ValueError:
        return False


@pytest.mark.parametrize("given_options", [{"ask": "é"}, {"identity": "x"}, {"identity_ask": "x"}])
def test_options_that_make_no_sense_are_refused(given_options):
    with pytest.raises(ValidationError):
        TypeAdapter(Options).validate_python({"port": "x", "ask": "R"} | given_options)


# -- on a port ------------------------------------------------------------------------------------------------


@pytest.fixture
def board(tmp_path):
    b = Board(tmp_path / "usb-instrument")
    yield b
    b.close()


def driver(board: Board, *several: dict) -> QueryDriver:
    channels = [Channel(f"c{n}", options(port=str(board.path), **o), "ph") for n, o in enumerate(several or ({},))]
    return QueryDriver(channels, time.monotonic)


def said(samples) -> list:
    return [(s.channel, s.trouble or s.value) for s in samples]


def test_several_instruments_on_one_port(board):
    board.answer(lambda asked: {b"01R": b"#01 7.02\r", b"02R": b"#02 6.61\r"}.get(asked, b""))
    d = driver(board, {"ask": "01R", "reply_starts": "#01"}, {"ask": "02R", "reply_starts": "#02"})
    d.open()
    assert said(d.poll(3.0)) == [("c0", 7.02), ("c1", 6.61)]
    d.close()


def test_a_silent_instrument_says_nothing_and_the_other_is_still_asked(board):
    board.answer(lambda asked: b"6.61\r" if asked == b"02R" else b"")
    d = driver(board, {"ask": "01R"}, {"ask": "02R"})
    d.open()
    start_s = time.monotonic()
    assert said(d.poll(3.0)) == [("c1", 6.61)]
    assert time.monotonic() - start_s < 2.0
    d.close()


def test_an_answer_that_comes_late_is_not_the_answer_to_the_next_question(board):
    """The first instrument answers after its time; the second is silent: there must be no value at all."""
    count = itertools.count()

    def reply(asked: bytes) -> bytes:
        if asked == b"01R" and next(count) == 0:
            time.sleep(0.5)  # longer than reply_s
            return b"7.02\r"
        return b""

    board.answer(reply)
    d = driver(board, {"ask": "01R"}, {"ask": "02R"})
    d.open()
    assert said(d.poll(3.0)) == []
    d.close()


def test_what_was_said_unasked_is_not_an_answer(board):
    board.answer(lambda _: b"")
    d = driver(board)
    d.open()
    board.say(b"5.55\r")
    assert said(d.poll(1.0)) == []
    d.close()


def test_an_instrument_that_talks_without_end_does_not_hold_up_the_poll(board):
    board.keep_saying(b"x" * 100, 0.005)
    d = driver(board)
    d.open()
    start_s = time.monotonic()
    assert said(d.poll(1.0)) == []
    assert time.monotonic() - start_s < 2.0
    d.close()


def test_a_trickled_answer_is_whole_or_nothing(board):
    def reply(_: bytes) -> bytes:
        for byte in b"7.0":
            board.say(bytes([byte]))
            time.sleep(0.05)
        return b"2\r"

    board.answer(reply)
    d = driver(board)
    d.open()
    assert said(d.poll(2.0)) == [("c0", 7.02)]
    d.close()


def test_the_wrong_probe_behind_the_name_is_named_and_never_read(board, tmp_path):
    asked_for = []

    def meter(serial: bytes, value: bytes):
        def reply(asked: bytes) -> bytes:
            asked_for.append((serial, asked))
            return serial + b"\r" if asked == b"I" else value + b"\r"

        return reply

    board.answer(meter(b"PH-1", b"7.02"))
    d = driver(board, {"identity_ask": "I", "identity": "PH-1"})
    d.open()
    assert said(d.poll(2.0)) == [("c0", 7.02)]
    d.close()
    other = Board(tmp_path / "usb-other")
    other.answer(meter(b"NO3-1", b"18.0"))
    board.path.unlink()
    board.path.symlink_to(other.device)  # two like probes were swapped
    try:
        d.open()
        with pytest.raises(LinkError, match=r"wrong probe behind this name: 'NO3-1', not 'PH-1'"):
            d.poll(2.0)
        assert (b"NO3-1", b"R") not in asked_for
        d.close()
    finally:
        other.close()


def test_one_stranger_on_a_shared_port_does_not_silence_the_others(board):
    answers = {b"01I": b"A\r", b"01R": b"7.02\r", b"02I": b"Z\r", b"02R": b"1.0\r"}
    board.answer(lambda asked: answers.get(asked, b""))
    d = driver(
        board,
        {"ask": "01R", "identity_ask": "01I", "identity": "A"},
        {"ask": "02R", "identity_ask": "02I", "identity": "B"},
    )
    d.open()
    assert said(d.poll(3.0)) == [("c0", 7.02), ("c1", "unreadable")]
    d.close()


def test_a_board_that_starts_up_is_not_asked(board):
    board.answer(lambda _: b"7.02\r")
    d = QueryDriver([Channel("c", options(port=str(board.path), settle_s=0.6), "ph")], time.monotonic)
    d.open()
    board.say(b"hello\r")
    assert list(d.poll(0.2)) == []
    assert said(polled(d)) == [("c", 7.02)]
    d.close()
