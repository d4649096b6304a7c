"""Fuzz targets for what devices say: bytes in, and every value that comes out is held against an outside reading.

A target returns nothing and raises nothing but AssertionError.  References: the standard library's `json`, `crcmod`'s
sums (not ours), RFC 8428's rule of base values, `struct`.
"""

from __future__ import annotations

import contextlib
import json
import re
import struct
from collections.abc import Iterable, Iterator
from functools import reduce
from typing import Any

import crcmod.predefined
import minimalmodbus

from rushlight_drivers import iio, lines, modbus, mqtt, onewire, query
from rushlight_drivers.contract import Channel, Sample
from rushlight_drivers.formats import senml, session_text
from rushlight_drivers.formats.framing import Framer
from rushlight_drivers.formats.senml import SenmlError
from rushlight_drivers.formats.session_text import RecordingError

_NUMERAL = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
# The library waits 1.75 ms between telegrams, as the bus wants it; there is no bus here.
minimalmodbus._calculate_minimum_silent_period = lambda _baudrate: 0.0


def numerals(text: str) -> set[float]:
    """Every number written out in a text, taken as long as it goes."""
    return {float(m[0]) for m in _NUMERAL.finditer(text)}


def json_numbers(document: Any) -> set[float]:
    """Every number in a JSON document, and every text in it that is one."""
    found, layer = set(), [document]
    while layer:
        item = layer.pop()
        if isinstance(item, dict):
            layer += item.values()
        elif isinstance(item, list):
            layer += item
        elif isinstance(item, str):
            with contextlib.suppress(ValueError):
                found.add(float(item))
        elif isinstance(item, int | float):
            with contextlib.suppress(OverflowError):
                found.add(float(item))
    return found


def _sane(samples: Iterable[Sample], names: set[str]) -> list[float]:
    """The values, after what the contract asks of every sample."""
    values = []
    for s in samples:
        assert s.channel in names
        assert s.trouble or s.value is not None
        assert s.value is None or (type(s.value) is float and s.value - s.value == 0.0), f"not finite: {s}"
        assert len(s.detail) < 600
        s.detail.encode()
        if s.value is not None:
            values.append(s.value)
    return values


_XMODEM = crcmod.predefined.mkPredefinedCrcFun("xmodem")
_MODBUS = crcmod.predefined.mkPredefinedCrcFun("modbus")
_MAXIM = crcmod.predefined.mkPredefinedCrcFun("crc-8-maxim")
_TEXT_SUMS = {"xor": lambda b: reduce(lambda x, y: x ^ y, b, 0), "crc16_modbus": _MODBUS, "crc16_xmodem": _XMODEM}


def _lines_channels(**shared: Any) -> list[Channel]:
    fields = {"json": ("temp", "/water/ph"), "pairs": ("T", "pH"), "columns": ("1", "3")}[shared["format"]]
    options = [lines.Options(port="/dev/null", field=f, **shared) for f in fields]
    quantities = ("temperature", "ph")
    return [Channel(q, o, q) for q, o in zip(quantities, options, strict=True)]


_LINES = [
    _lines_channels(format="json"),
    _lines_channels(format="pairs", checksum="xor"),
    _lines_channels(format="columns", checksum="crc16_modbus", separator=" "),
    _lines_channels(format="columns", columns=3, identity="B1", identity_field="2"),
    _lines_channels(format="pairs", terminator="cr"),
    _lines_channels(format="json", checksum="crc16_xmodem", identity="B1"),
]


def lines_target(data: bytes) -> None:
    """First byte: which board.  The rest: what it sends, once whole and once in twenty pieces."""
    if not data:
        return
    channels, stream = _LINES[data[0] % len(_LINES)], data[1:]
    whole, split = lines.LineCodec(channels), lines.LineCodec(channels)
    values = _sane(whole.feed(stream, 1.0), {c.name for c in channels})
    step = 1 + len(stream) // 20
    pieces = (stream[i : i + step] for i in range(0, len(stream), step))
    by_piece = [s for piece in pieces for s in split.feed(piece, 1.0)]
    assert values == [s.value for s in by_piece if s.value is not None], "depends on how the stream was cut"
    if values:
        assert set(values) <= _sent_whole(stream, channels[0].options)


def _sent_whole(stream: bytes, options: lines.Options) -> set[float]:
    """Numbers in the frames between two terminators whose sum is right."""
    found: set[float] = set()
    for frame in stream.split(b"\r" if options.terminator == "cr" else b"\n")[1:-1]:
        body = frame.strip(b"\n" if options.terminator == "cr" else b"\r")
        if options.checksum != "none":
            body, _, claimed = body.removeprefix(b"$").rpartition(b"*")
            try:
                if int(claimed, 16) != _TEXT_SUMS[options.checksum](body):
                    continue
            except ValueError:
                continue
        if options.format == "json":
            with contextlib.suppress(ValueError, RecursionError):
                found |= json_numbers(json.loads(body.decode()))
        else:
            found |= numerals(body.decode("latin-1"))
    return found


_QUERY = [
    query.Options(port="/dev/null", ask="R"),
    query.Options(port="/dev/null", ask="READ 1", reply_starts="1:", separator=",", column=2, reply_end="lf"),
    query.Options(port="/dev/null", ask="R", ignore=("*OK",), identity="EC-7", identity_ask="I", separator=" "),
]


def query_target(data: bytes) -> None:
    """First byte: which instrument.  The rest: its answers."""
    if not data:
        return
    options, stream = _QUERY[data[0] % len(_QUERY)], data[1:]
    frames = [f for f in Framer(options.reply_end, synchronise=False).feed(stream) if f]
    conversation = query.reading(options, "ph", known=False)
    next(conversation)
    given: list[bytes | None] = [*frames, None, None, None]
    try:
        for line in given:
            conversation.send(line)
        raise AssertionError("asks on although there is silence")
    except StopIteration as end:
        judged = end.value.judged
    if judged is not None and judged.value is not None:
        assert judged.value - judged.value == 0.0
        assert any(judged.value in numerals(f.decode("latin-1")) for f in frames)


class _Wire:
    """The end of a bus on which these bytes come back, whatever is asked."""

    is_open, port, baudrate, timeout = True, "bus", 9600, 0.01

    def __init__(self, answer: bytes) -> None:
        self._answer = answer
        self.raw = self

    def read(self, size: int) -> bytes:
        taken, self._answer = self._answer[:size], self._answer[size:]
        return taken

    def write(self, _data: bytes) -> None: ...
    def open(self) -> None: ...
    def close(self) -> None: ...
    def flush(self) -> None: ...
    def reset_input_buffer(self) -> None: ...
    def reset_output_buffer(self) -> None: ...
    def quiet(self, _for_s: float, _deadline_s: float) -> None: ...

    @contextlib.contextmanager
    def telling(self) -> Iterator[None]:
        yield


_MODBUS_TYPES = ("uint16", "int16", "uint32", "int32", "float32")


def modbus_target(data: bytes) -> None:
    """First byte: type, word order and whether the sum is put right.  The rest: the telegram that comes back."""
    if not data:
        return
    kind, low_first = _MODBUS_TYPES[data[0] % 5], bool(data[0] & 64)
    answer = data[1:] + (_MODBUS(data[1:]).to_bytes(2, "little") if data[0] & 128 else b"")
    order: Any = "low_first" if low_first else "high_first"
    options = modbus.Options(port="/dev/null", address=7, register=0, datatype=kind, word_order=order)  # type: ignore[arg-type]
    driver = modbus.ModbusDriver([Channel("p", options)], lambda: 0.0)
    driver._port = _Wire(answer)  # type: ignore[assignment]
    judged = driver._ask(driver._round.items[0], 1.0)
    if judged is None or judged.value is None:
        return
    words = 1 if kind.endswith("16") else 2
    body = answer[: 3 + 2 * words]
    assert body[:3] == bytes([7, 3, 2 * words]), "another's answer, or another length"
    assert _MODBUS(body) == int.from_bytes(answer[len(body) : len(body) + 2], "little")
    halves = [body[3:5], body[5:7]]
    form = {"uint16": ">H", "int16": ">h", "uint32": ">I", "int32": ">i", "float32": ">f"}[kind]
    assert judged.value == round(struct.unpack(form, b"".join(halves[::-1] if low_first else halves))[0], 9)


_MQTT = [
    mqtt.Options(topic="t"),
    mqtt.Options(topic="t", format="json", pointer="/water/temp", time_pointer="/at"),
    mqtt.Options(topic="t", format="json"),
    mqtt.Options(topic="t", format="senml"),
    mqtt.Options(topic="t", format="senml", record="b/ph"),
]


def mqtt_target(data: bytes) -> None:
    """First byte: which probe, and whether the message was a stored one.  The rest: the payload."""
    if not data:
        return
    options, payload = _MQTT[data[0] % len(_MQTT)], data[1:]
    retained = bool(data[0] & 128)
    samples = mqtt.PayloadCodec([Channel("p", options, "ph")]).samples("t", payload, 5.0, retained=retained)
    values = _sane(samples, {"p"})
    assert not retained or all(s.trouble for s in samples), "a stored message passed for a fresh one"
    if not values:
        return
    text = payload.decode()
    if options.format == "number":
        assert set(values) == {float(text)}
    elif options.format == "json":
        assert set(values) <= json_numbers(json.loads(text))
    else:
        assert set(values) <= _senml_sums(json.loads(text))


def _senml_sums(pack: list[dict[str, Any]]) -> set[float]:
    """Every value with the base value in force, after RFC 8428, section 4.1."""
    base, found = 0.0, set()
    for record in pack:
        base = float(record.get("bv", base))
        found.add(float(record.get("v", 0.0)) + base)
    return found


def senml_target(data: bytes) -> None:
    """A pack, resolved; then written, and read again."""
    try:
        records = senml.parse(data)
    except SenmlError:
        return
    pack = json.loads(data.decode())
    for r in records:
        assert r.value is None or r.value in _senml_sums(pack)
        assert r.time_s - r.time_s == 0.0
        assert r.total is None or r.total - r.total == 0.0
    if records and all(any(x is not None for x in (r.value, r.text, r.truth, r.data, r.total)) for r in records):
        assert senml.parse(senml.format(records)) == records


_IIO = [
    Channel("p", iio.Options(channel="in_illuminance"), "light"),
    Channel("p", iio.Options(channel="in_temp"), "temperature"),
]


def kernel_target(data: bytes) -> None:
    """First byte: which of the kernel's files.  The rest: what it holds."""
    if not data:
        return
    which, content = data[0] % 4, data[1:]
    if which == 0:
        verdict = onewire.judge(content)
        if verdict.value_c is not None:
            pad = bytes.fromhex(content.decode()[:26])
            assert _MAXIM(pad[:8]) == pad[8]
            assert verdict.value_c == struct.unpack("<h", pad[:2])[0] / 16
    elif which == 1:
        verdict = onewire.judge_millidegrees(content)
        assert verdict.value_c is None or verdict.value_c == int(content) / 1000
    else:
        raw, scale, offset, *_ = [*content.decode("ascii", "replace").split("|"), "1", "0"]
        parts = iio.Parts(None, raw, scale, offset) if which == 2 else iio.Parts(raw)
        for value in _sane([iio.work_out(parts, _IIO[len(content) % 2], 1.0)], {"p"}):
            per = 1000.0 if len(content) % 2 else 1.0
            raw = raw.strip()
            ready = float(raw) / per
            assert value == (ready if which == 3 else (float(raw) + float(offset)) * float(scale) / per)


def recording_target(data: bytes) -> None:
    """A file in our plain-text form: read, written, read again."""
    try:
        text = data.decode()
        played = session_text.parse(text)
    except (RecordingError, UnicodeDecodeError):
        return
    for row in played.of("says"):
        value = row.sample().value
        assert value is None or value in numerals(text)
    again = session_text.parse(session_text.format(played.header, played.rows))
    assert [(r.kind, r.words, r.data) for r in again.rows] == [(r.kind, r.words, r.data) for r in played.rows]
