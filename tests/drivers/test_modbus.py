"""Probes on an RS-485 bus: registers by themselves, and a simulated bus with everything that goes wrong on one."""

from __future__ import annotations

import asyncio
import shutil
import struct
import subprocess
import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from helpers.driverrigs import modbus_answer
from helpers.serialbench import Board
from helpers.waiting import until
from rushlight_drivers import Channel, LinkError
from rushlight_drivers.formats.checksums import crc16_modbus
from rushlight_drivers.modbus import ModbusDriver, Options, decode


def options(**given) -> Options:
    return Options(**({"port": "x", "address": 5, "register": 0, "reply_s": 0.2} | given))


@pytest.mark.parametrize(
    ("registers", "given_options", "expected"),
    [
        ([245], {"scale": 0.1}, 24.5),
        ([65524], {"datatype": "int16"}, -12.0),
        ([65524], {}, 65524.0),
        ([250], {"scale": 0.1, "offset": -5.0}, 20.0),
        ([0x0001, 0x0000], {"datatype": "uint32"}, 65536.0),
        ([0x0000, 0x0001], {"datatype": "uint32", "word_order": "low_first"}, 65536.0),
        ([0xFFFF, 0xFFF4], {"datatype": "int32"}, -12.0),
        ([0x41AC, 0x0000], {"datatype": "float32"}, 21.5),
        ([0x0000, 0x41AC], {"datatype": "float32", "word_order": "low_first"}, 21.5),
        ([0x7FC0, 0x0000], {"datatype": "float32"}, "no_value"),
        ([0x7F80, 0x0000], {"datatype": "float32"}, "garbled"),
        ([32767], {"datatype": "int16", "sentinels": (32767,)}, "sentinel"),
        ([0x8000], {"datatype": "int16", "sentinels": (-32768,)}, "sentinel"),
        ([1, 2], {}, "garbled"),
        ([1], {"datatype": "float32"}, "garbled"),
    ],
)
def test_what_registers_become(registers, given_options, expected):
    judged = decode(registers, options(**given_options))
    assert (judged.trouble or judged.value) == expected


@given(st.floats(-1e6, 1e6, width=32), st.booleans())
def test_floats_survive_both_orders(value, low_first):
    words = struct.unpack(">HH", struct.pack(">f", value))
    order = "low_first" if low_first else "high_first"
    judged = decode(words[::-1] if low_first else words, options(datatype="float32", word_order=order))
    assert judged.value == round(value, 9)


def test_identity_needs_its_register():
    with pytest.raises(ValidationError):
        TypeAdapter(Options).validate_python({"port": "x", "address": 5, "register": 0, "identity": 7})


# -- a bus ------------------------------------------------------------------------------------------------------


@pytest.fixture
def bus(tmp_path):
    b = Board(tmp_path / "usb-rs485")
    yield b
    b.close()


def driver(bus: Board, *several: dict) -> ModbusDriver:
    channels = [
        Channel(f"c{n}", options(port=str(bus.path), **o), "temperature") for n, o in enumerate(several or ({},))
    ]
    return ModbusDriver(channels, time.monotonic)


def said(samples) -> list:
    return [(s.channel, s.trouble or s.value) for s in samples]


REGISTERS = {(5, 0): 245, (5, 1): 7, (6, 0): 0x41AC, (6, 1): 0x0000}


def test_several_probes_and_one_that_is_absent(bus):
    bus.answer(lambda asked: modbus_answer(asked, REGISTERS), end=b"")
    d = driver(bus, {"scale": 0.1}, {"address": 9}, {"address": 6, "datatype": "float32"})
    d.open()
    start_s = time.monotonic()
    assert said(d.poll(3.0)) == [("c0", 24.5), ("c2", 21.5)]
    assert time.monotonic() - start_s < 1.0
    d.close()


def test_a_register_that_the_probe_does_not_have_is_unreadable(bus):
    bus.answer(lambda asked: modbus_answer(asked, REGISTERS), end=b"")
    d = driver(bus, {"register": 100})
    d.open()
    (sample,) = d.poll(2.0)
    assert (sample.trouble, sample.value) == ("unreadable", None)
    d.close()


DAMAGE = {
    "a changed bit": (lambda good: good[:3] + bytes([good[3] ^ 1]) + good[4:], {"checksum"}),
    "cut short": (lambda good: good[:-1], {"garbled", "checksum"}),
    "another address": (lambda good: _sealed(bytes([9]) + good[1:-2]), {"garbled"}),
    "another function": (lambda good: _sealed(good[:1] + bytes([4]) + good[2:-2]), {"garbled"}),
    "too many registers": (
        lambda good: _sealed(good[:2] + bytes([4]) + good[3:-2] + b"\x00\x01"),
        {"garbled", "checksum"},
    ),
    "noise": (lambda _: b"\xff\x00\xaa", {"garbled", "checksum"}),
}


def _sealed(body: bytes) -> bytes:
    return body + crc16_modbus(body).to_bytes(2, "little")


@pytest.mark.parametrize("damage", DAMAGE)
def test_a_damaged_answer_is_no_value_and_the_next_good_one_is(bus, damage):
    spoil, expected = DAMAGE[damage]
    turns = iter([True, False, False])
    bus.answer(
        lambda asked: spoil(modbus_answer(asked, REGISTERS)) if next(turns) else modbus_answer(asked, REGISTERS),
        end=b"",
    )
    d = driver(bus)
    d.open()
    (sample,) = d.poll(2.0)
    assert sample.value is None
    assert sample.trouble in expected
    assert said(d.poll(2.0)) == [("c0", 245.0)]
    d.close()


def test_an_answer_that_comes_late_is_not_taken_for_the_next_ones(bus):
    """Modbus RTU answers don't say which register they are from, so a late one must be let go by."""
    first = iter([True])

    def reply(asked: bytes) -> bytes:
        if next(first, False):
            time.sleep(0.25)  # longer than reply_s
        return modbus_answer(asked, REGISTERS)

    bus.answer(reply, end=b"")
    d = driver(bus, {"register": 0}, {"register": 1})
    d.open()
    assert said(d.poll(3.0)) in ([("c1", 7.0)], [])
    assert said(d.poll(3.0)) == [("c0", 245.0), ("c1", 7.0)]
    d.close()


def test_the_wrong_device_at_an_address_is_named_and_not_read(bus):
    bus.answer(lambda asked: modbus_answer(asked, REGISTERS), end=b"")
    d = driver(bus, {"identity_register": 1, "identity": 8}, {"identity_register": 1, "identity": 7})
    d.open()
    samples = d.poll(3.0)
    assert said(samples) == [("c0", "unreadable"), ("c1", 245.0)]
    assert "wrong probe at address 5: it holds 7, not 8" in samples[0].detail
    d.close()


def test_unplugging_the_adapter_is_a_link_error_at_once(bus):
    bus.answer(lambda asked: modbus_answer(asked, REGISTERS), end=b"")
    d = driver(bus)
    d.open()
    d.poll(2.0)
    bus.unplug()
    with pytest.raises(LinkError, match="is gone"):
        d.poll(2.0)
    d.close()
    bus.plug()
    bus.answer(lambda asked: modbus_answer(asked, REGISTERS), end=b"")
    d.open()
    assert said(d.poll(2.0)) == [("c0", 245.0)]
    d.close()


@pytest.fixture
def library_bus(tmp_path):
    """An independent slave, pymodbus's, at the other end of a pair of pseudo-terminals made by socat."""
    from pymodbus import FramerType
    from pymodbus.server import ModbusSerialServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    if not shutil.which("socat"):
        pytest.skip("socat is not installed")
    near, far = tmp_path / "near", tmp_path / "far"
    pair = subprocess.Popen(["socat", f"pty,raw,echo=0,link={near}", f"pty,raw,echo=0,link={far}"])
    until(lambda: near.exists() and far.exists(), 5)
    loop = asyncio.new_event_loop()

    async def serve() -> ModbusSerialServer:
        data = [
            SimData(0, values=[245, 65524], datatype=DataType.REGISTERS),
            SimData(10, values=[21.5], datatype=DataType.FLOAT32),
        ]
        server = ModbusSerialServer(SimDevice(1, simdata=data), port=str(far), framer=FramerType.RTU, baudrate=9600)
        await server.serve_forever(background=True)
        return server

    server = loop.run_until_complete(serve())
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    yield str(near)
    asyncio.run_coroutine_threadsafe(server.shutdown(), loop).result(5)
    loop.call_soon_threadsafe(loop.stop)
    thread.join(5)
    loop.close()
    pair.terminate()
    pair.wait(5)


def test_registers_of_an_independent_slave(library_bus):
    maps = [
        {"register": 0, "scale": 0.1},
        {"register": 1, "datatype": "int16"},
        {"register": 10, "datatype": "float32"},
        {"register": 10, "datatype": "float32", "function": 4},
    ]
    channels = [
        Channel(f"c{n}", options(port=library_bus, address=1, reply_s=1.0, **m), "temperature")
        for n, m in enumerate(maps)
    ]
    d = ModbusDriver(channels, time.monotonic)
    d.open()
    assert said(d.poll(5.0)) == [("c0", 24.5), ("c1", -12.0), ("c2", 21.5), ("c3", 21.5)]
    d.close()
