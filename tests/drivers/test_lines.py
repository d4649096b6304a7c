"""Boards that stream lines: what their bytes may and may not become."""

from __future__ import annotations

import fcntl
import itertools
import re
import subprocess
import sys
import termios
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from helpers.driverrigs import polled
from helpers.serialbench import Board
from rushlight_drivers import Channel, LinkError
from rushlight_drivers.formats.checksums import crc16_modbus, crc16_xmodem, xor8
from rushlight_drivers.formats.framing import Framer
from rushlight_drivers.lines import LineCodec, LinesDriver, Options


def codec(*channels: Channel, **options) -> LineCodec:
    if not channels:
        channels = (Channel("t", Options(port="x", field=options.pop("field", "t"), **options), "temperature"),)
    return LineCodec(channels)


def fed(data: bytes, *channels: Channel, **options) -> list:
    """(channel, value or trouble) of a stream that begins with a line's end, as after synchronising."""
    samples = codec(*channels, **options).feed(b"\n" + data, 1.0)
    return [(s.channel, s.trouble or s.value) for s in samples]


def two(**options) -> list[Channel]:
    fields = options.pop("fields", ("t", "ph"))
    quantities = ("temperature", "ph")
    return [
        Channel(name, Options(port="x", field=f, **options), q)
        for name, f, q in zip(("t", "ph"), fields, quantities, strict=True)
    ]


@pytest.mark.parametrize(
    ("options", "line", "expected"),
    [
        ({}, b'{"t": 24.3}', 24.3),
        ({}, b'{"t": 24}', 24.0),
        ({}, b'{"t": -0.5e1}', -5.0),
        ({}, b'{"t": "24.3"}', 24.3),  # some boards print numbers as text
        ({"field": "/w/0/t"}, b'{"w": [{"t": 24.3}]}', 24.3),
        ({}, b'{"t": null}', "no_value"),
        ({}, b'{"t": NaN}', "no_value"),
        ({}, b'{"t": "nan"}', "no_value"),
        ({}, b'{"t": Infinity}', "garbled"),
        ({}, b'{"t": 1e999}', "garbled"),
        ({}, b'{"t": true}', "garbled"),
        ({}, b'{"t": [24.3]}', "garbled"),
        ({}, b'{"t": 24.3', "garbled"),
        ({}, b'{"t": 24.3}}', "garbled"),
        ({}, b'{"t": 24.3, "t": 25.0}', "garbled"),  # two readers could take different ones
        ({}, b"[24.3]", "garbled"),
        ({}, b"24.3", "garbled"),
        ({}, b"[" * 1000, "garbled"),  # deeper than the parser's stack
        ({}, b'{"t": \xff}', "garbled"),
        ({}, b'{"t": 85.0}', "sentinel"),
        ({}, b'{"t": -127}', "sentinel"),
        ({"sentinels": ()}, b'{"t": 85.0}', 85.0),
        ({"sentinels": (999.0,)}, b'{"t": 999}', "sentinel"),
        ({"format": "pairs"}, b"t=24.3", 24.3),
        ({"format": "pairs"}, b"t=24.3,ph=7.01", 24.3),
        ({"format": "pairs"}, b"ph:7.01; t:24.3", 24.3),
        ({"format": "pairs"}, b" ph=7.01\tt=24.3 ", 24.3),
        ({"format": "pairs"}, b"t=", "no_value"),
        ({"format": "pairs"}, b"t=--", "no_value"),
        ({"format": "pairs"}, b"t=24.3C", "garbled"),
        ({"format": "pairs"}, b"t=24.3 t=25", "garbled"),
        ({"format": "pairs"}, b"t=24.3,24.4", "garbled"),
        ({"format": "pairs"}, b"hello world", "garbled"),
        ({"format": "pairs"}, b"t=\xd9\xa7", "garbled"),  # an Arabic seven
        ({"format": "columns", "field": "2"}, b"7.01, 24.3", 24.3),
        ({"format": "columns", "field": "2", "separator": " "}, b"7.01 \t 24.3", 24.3),
        ({"format": "columns", "field": "2"}, b"7.01", "garbled"),
        ({"format": "columns", "field": "2"}, b"7.01,", "no_value"),
        ({"format": "columns", "field": "1"}, b"7.", "garbled"),  # what a cut line looks like
        ({"format": "columns", "field": "1"}, b"1_0", "garbled"),
        ({"format": "columns", "field": "1"}, b"+7.5", 7.5),
        ({"format": "columns", "field": "1"}, b".5", 0.5),
        ({"format": "columns", "field": "1"}, b"0x1A", "garbled"),
        ({"format": "columns", "field": "1", "columns": 2}, b"7,0,24.3", "garbled"),  # a decimal comma came in
        ({"format": "columns", "field": "1", "columns": 2}, b"7.0,24.3", 7.0),
    ],
)
def test_what_a_line_becomes(options, line, expected):
    assert fed(line + b"\r\n", **options) == [("t", expected)]


def test_a_line_that_does_not_speak_of_a_probe_says_nothing_of_it():
    assert fed(b'{"ph": 7.0}\n', *two()) == [("ph", 7.0)]


def test_lines_of_another_kind_are_left_alone():
    assert fed(b"#boot\nP,7.0\nT,24.3\n", format="columns", field="2", starts_with="T") == [("t", 24.3)]


def test_everything_before_the_first_line_end_is_dropped():
    c = codec(format="columns", field="1")
    assert c.feed(b"2\r\n", 1.0) == []  # the tail of 7.42
    assert [s.value for s in c.feed(b"7.42\r\n", 2.0)] == [7.42]
    c.reset()
    assert c.feed(b"42\n", 3.0) == []


def test_a_line_in_two_reads_is_one_value():
    c = codec(format="columns", field="1")
    assert c.feed(b"\n7.", 1.0) == []
    (sample,) = c.feed(b"42\r\n", 2.0)
    assert (sample.value, sample.mono_s) == (7.42, 2.0)


def test_a_line_without_end_does_not_fill_the_memory():
    c = codec()
    for _ in range(1000):
        c.feed(b"\n" if _ == 0 else b"x" * 4096, 1.0)
    assert len(c._framer._pending) <= 1024
    assert [s.trouble for s in c.feed(b"\n", 1.0)] == ["garbled"]
    assert [s.value for s in c.feed(b'{"t": 24.3}\n', 1.0)] == [24.3]


SUMS = {"xor": (xor8, "%02X"), "crc16_modbus": (crc16_modbus, "%04X"), "crc16_xmodem": (crc16_xmodem, "%04x")}


@pytest.mark.parametrize("checksum", SUMS)
@pytest.mark.parametrize("dollar", [b"", b"$"])
def test_checksums(checksum, dollar):
    compute, form = SUMS[checksum]
    body = b"t=24.3,ph=7.01"
    line = dollar + body + b"*" + (form % compute(body)).encode() + b"\r\n"
    options = {"format": "pairs", "checksum": checksum}
    assert fed(line, *two(**options)) == [("t", 24.3), ("ph", 7.01)]
    assert fed(line.replace(b"24.3", b"24.8"), *two(**options)) == [("t", "checksum"), ("ph", "checksum")]
    assert fed(body + b"\n", *two(**options)) == [("t", "garbled"), ("ph", "garbled")]
    assert fed(line[:-3] + b"\n", *two(**options)) == [("t", "garbled"), ("ph", "garbled")]


# -- properties ------------------------------------------------------------------------------------------------

FORMATS = [
    ({"format": "json", "field": "t"}, lambda v: b'{"t": %s}' % v),
    ({"format": "pairs", "field": "t"}, lambda v: b"t=" + v),
    ({"format": "columns", "field": "1"}, lambda v: v),
]
numerals = st.decimals(-200, 2000, places=3, allow_nan=False).map(lambda d: str(d).encode())
anything = st.binary(max_size=60) | st.text('0123456789.,=t{}"* \r\n-+eE$:', max_size=40).map(str.encode)
streams = st.lists(
    anything | numerals.map(lambda n: b"t=" + n + b"\n") | numerals.map(lambda n: n + b"\r\n"), max_size=12
)


@pytest.mark.slow
@pytest.mark.parametrize(("options", "write"), FORMATS, ids=lambda x: x.get("format") if isinstance(x, dict) else "")
@given(pieces=streams)
def test_a_value_stands_whole_between_two_line_ends_of_what_was_sent(options, write, pieces):
    stream = b"".join(pieces)
    for s in codec(sentinels=(), **options).feed(stream, 1.0):
        if s.value is None:
            continue
        # An independent reader: whole lines only, and the number's text must stand in one of them.
        lines = stream.split(b"\n")[1:-1]
        texts = [t for line in lines for t in re.findall(rb"[-+.\deE]+", line)]
        assert any(_same(t, s.value) for t in texts)


def _same(text: bytes, value: float) -> bool:
    try:
        return float(text) == value
    except ValueError:
        return False


@pytest.mark.slow
@pytest.mark.parametrize("options", [f for f, _ in FORMATS] + [{"format": "pairs", "checksum": "xor"}])
@given(pieces=streams, cuts=st.lists(st.integers(0, 600), max_size=8))
def test_where_the_stream_is_cut_changes_nothing(options, pieces, cuts):
    stream = b"\n" + b"".join(pieces)
    whole = [(s.value, s.trouble) for s in codec(**options).feed(stream, 1.0)]
    bounds = sorted({0, len(stream), *(c for c in cuts if c < len(stream))})
    c = codec(**options)
    parts = [s for a, b in itertools.pairwise(bounds) for s in c.feed(stream[a:b], 1.0)]
    assert [(s.value, s.trouble) for s in parts] == whole


flips = st.tuples(st.integers(0, 200), st.integers(0, 7))


@given(value=numerals, body_flips=st.lists(flips, max_size=3, unique=True), flip=flips, anywhere=st.booleans())
def test_with_a_crc_no_damage_that_it_must_find_yields_a_value_that_was_not_sent(value, body_flips, flip, anywhere):
    # 0x8005 with its leading bit is (x + 1)(x^15 + x + 1): the first factor divides no error of an odd number of bits,
    # and no two-bit error shorter than the period of the second, 32767 bits, is divisible by it (W. W. Peterson and
    # D. T. Brown, "Cyclic Codes for Error Detection", Proc. IRE 49, 1961, theorems 2 and 3).  So up to three changed
    # bits of the body are found for certain, and one changed bit anywhere.
    body = b"t=" + value
    line = bytearray(b"\n" + body + b"*%04X" % crc16_modbus(body) + b"\n")
    if anywhere:
        line[1 + flip[0] % (len(line) - 1)] ^= 1 << flip[1]
    else:
        for place, bit in body_flips:
            line[1 + place % len(body)] ^= 1 << bit
    out = codec(format="pairs", checksum="crc16_modbus", sentinels=()).feed(bytes(line), 1.0)
    assert [s.value for s in out if s.value is not None and s.value != float(value)] == []


@given(data=st.binary(max_size=300), longest=st.integers(1, 50))
def test_frames_are_pieces_of_the_stream(data, longest):
    for frame in Framer("lf", longest).feed(data):
        assert frame is None or (len(frame) <= longest and b"\n" not in frame and frame in data)


# -- on a port ------------------------------------------------------------------------------------------------


@pytest.fixture
def board(tmp_path):
    b = Board(tmp_path / "usb-board")
    yield b
    b.close()


def driver(board: Board, **options) -> LinesDriver:
    given = {"field": "1", "format": "columns", "settle_s": 0.0} | options
    return LinesDriver([Channel("t", Options(port=str(board.path), **given), "temperature")], time.monotonic)


def test_a_trickle_neither_blocks_nor_makes_two_values_of_one(board):
    d = driver(board)
    d.open()
    board.say(b"\n")
    board.trickle(b"7.42\r\n", 0.03)
    seen = []
    end_s = time.monotonic() + 1.5
    while time.monotonic() < end_s:
        start_s = time.monotonic()
        seen += d.poll(0.1)
        assert time.monotonic() - start_s < 0.5
    d.close()
    assert len(seen) >= 4
    assert {s.value for s in seen} == {7.42}


def test_a_board_that_starts_up_is_not_listened_to(board):
    d = driver(board, settle_s=0.5)
    d.open()
    board.say(b"starting\n12.5\n13.5\n")
    assert list(d.poll(0.2)) == []
    time.sleep(0.4)
    board.say(b"4.0\n")  # the tail of a line: the settling ended in the middle of it
    board.say(b"24.0\n")
    assert [s.value for s in polled(d)] == [24.0]
    d.close()


def test_unplugged_and_plugged_in_again_under_another_number(board):
    d = driver(board)
    d.open()
    board.say(b"\n24.0\n")
    assert polled(d)[0].value == 24.0
    first = board.device
    board.unplug()
    with pytest.raises(LinkError, match="is gone"):
        d.poll(1.0)
    d.close()
    with pytest.raises(LinkError, match="plugged in"):
        d.open()
    keep = Board(board.path.with_name("other"))  # takes the freed number, so that ours gets another
    board.plug()
    try:
        assert board.device != first
        d.open()
        board.say(b"\n25.0\n")
        assert polled(d)[0].value == 25.0
        d.close()
    finally:
        keep.close()


def test_the_wrong_board_behind_the_name_is_named_and_not_read(board, tmp_path):
    d = driver(board, format="json", field="t", identity="A7")
    d.open()
    board.say(b'\n{"id": "A7", "t": 24.0}\n')
    assert polled(d)[0].value == 24.0
    d.close()
    other = Board(tmp_path / "usb-other")
    board.path.unlink()
    board.path.symlink_to(other.device)  # the two were swapped, or renumbered
    try:
        d.open()
        other.say(b'\n{"id": "B2", "t": 7.0}\n')
        with pytest.raises(LinkError, match=r"wrong board.*'B2', not 'A7'"):
            d.poll(1.0)
        d.close()
    finally:
        other.close()


def test_a_port_that_is_in_use_is_refused_and_the_holder_named(board):
    hold = (
        f"import serial, sys; p = serial.Serial({str(board.path)!r}, exclusive=True);"
        "print('held', flush=True); sys.stdin.read()"
    )
    holder = subprocess.Popen([sys.executable, "-c", hold], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    try:
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(LinkError, match=rf"held by .*\({holder.pid}\)"):
            driver(board).open()
    finally:
        holder.communicate(timeout=5)


def test_the_port_is_ours_alone_while_it_is_open(board):
    d = driver(board)
    d.open()
    with board.path.open("rb", buffering=0) as rival, pytest.raises(BlockingIOError):
        fcntl.flock(rival, fcntl.LOCK_EX | fcntl.LOCK_NB)
    d.close()


def test_hang_up_on_close_is_cleared_so_that_a_board_does_not_restart(board):
    d = driver(board, dtr=False)
    d.open()
    port = d._port.raw
    assert port.dtr is False
    assert not termios.tcgetattr(port.fileno())[2] & termios.HUPCL
    d.close()


@pytest.mark.parametrize("what", ["file", "folder"])
def test_what_is_not_a_port_is_said(tmp_path, what):
    path = tmp_path / "port"
    path.touch() if what == "file" else path.mkdir()
    d = LinesDriver([Channel("t", Options(port=str(path), field="t"), "temperature")], time.monotonic)
    with pytest.raises(LinkError, match="is not a serial port"):
        d.open()


def test_two_probes_that_disagree_about_their_port_are_told_which_setting():
    a, b = Options(port="x", field="a"), Options(port="x", field="b", baud=9600)
    d = LinesDriver([Channel("a", a), Channel("b", b)], time.monotonic)
    with pytest.raises(LinkError, match="a and b share a link but differ in baud: 115200 and 9600"):
        d.open()


def test_a_device_that_nobody_reads_can_not_block_a_write(board):
    d = driver(board)
    d.open()
    start_s = time.monotonic()
    with pytest.raises(LinkError):
        for _ in range(100):
            d._port.write(b"x" * 65536)
    assert time.monotonic() - start_s < 5
    d.close()
