"""A rig for every driver: the channels, the device behind them, and the things that can be done to it."""

from __future__ import annotations

import struct
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from helpers.hub import MOSQUITTO, Broker
from helpers.serialbench import Board
from helpers.waiting import until
from rushlight_drivers import (
    Channel,
    Driver,
    Monotonic,
    iio,
    lines,
    load,
    modbus,
    mqtt,
    none,
    onewire,
    query,
    recorded,
    simulated,
)
from rushlight_drivers.formats.checksums import crc8_onewire, crc16_modbus


def w1_slave(celsius: float, byte6: int = 0x10) -> str:
    """What the kernel shows for a DS18B20 that measured so much."""
    pad = struct.pack("<h", round(celsius * 16)) + bytes([0x4B, 0x46, 0x7F, 0xFF, byte6, 0x10])
    return w1_slave_of(pad + bytes([crc8_onewire(pad)]))


def w1_slave_of(scratchpad: bytes, *, good: bool | None = None, milli_c: int | None = None) -> str:
    """What the kernel shows for these nine bytes."""
    crc = crc8_onewire(scratchpad[:8])
    said = "YES" if (good if good is not None else crc == scratchpad[8]) else "NO"
    milli = milli_c if milli_c is not None else int.from_bytes(scratchpad[:2], "little", signed=True) * 1000 // 16
    text = scratchpad.hex(" ")
    return f"{text} : crc={crc:02x} {said}\n{text} t={milli}\n"


def modbus_answer(request: bytes, registers: dict[tuple[int, int], int]) -> bytes:
    """An honest Modbus RTU slave: registers by (address, register); silent for an address it is not."""
    if len(request) < 8 or crc16_modbus(request[:6]) != int.from_bytes(request[6:8], "little"):
        return b""
    unit, function, first, count = struct.unpack(">BBHH", request[:6])
    if not any(a == unit for a, _ in registers):
        return b""
    try:
        words = [registers[unit, first + n] for n in range(count)]
        body = struct.pack(f">BBB{count}H", unit, function, 2 * count, *words)
    except KeyError:
        body = bytes([unit, function | 0x80, 2])
    return body + crc16_modbus(body).to_bytes(2, "little")


class Rig:
    """One driver and its device.  `value` is what the device says after `speak`."""

    name: str
    value: float
    quantity = "temperature"
    loses_link = True
    """Whether the driver can notice by itself that the link is gone."""
    has_device = True
    """Whether there is anything that may be absent."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @property
    def options(self) -> object:
        raise NotImplementedError

    def channels(self) -> list[Channel]:
        return [Channel("probe", self.options, self.quantity, "", 1.0)]

    def build(self, monotonic: Monotonic = time.monotonic) -> Driver:
        return load(self.name).build(self.channels(), monotonic)

    def plug(self) -> None:
        """Bring the device into being."""

    def speak(self) -> None:
        """Make the device say its value now, if it talks unasked."""

    def noise(self, data: bytes) -> None:
        """Make the device say something else."""

    def unplug(self) -> None:
        """Take the device away."""

    def close(self) -> None:
        self.unplug()


class _Serial(Rig):
    board: Board | None = None

    @property
    def port(self) -> str:
        return str(self.folder / "usb-board")

    def plug(self) -> None:
        self.board = Board(Path(self.port))
        self._play()

    def _play(self) -> None: ...

    def unplug(self) -> None:
        if self.board is not None:
            self.board.close()
            self.board = None


class LinesRig(_Serial):
    name, value = "lines", 24.31

    @property
    def options(self) -> lines.Options:
        return lines.Options(port=self.port, field="t", settle_s=0)

    def speak(self) -> None:
        assert self.board
        self.board.say(b'\n{"t": 24.31, "id": "A7"}\r\n')

    def noise(self, data: bytes) -> None:
        assert self.board
        self.board.say(data)


class QueryRig(_Serial):
    name, value, quantity = "query", 7.02, "ph"
    _noise: bytes | None = None

    @property
    def options(self) -> query.Options:
        return query.Options(port=self.port, ask="R", settle_s=0, reply_s=0.5)

    def _play(self) -> None:
        assert self.board
        self.board.answer(lambda asked: self._noise or (b"7.02\r" if asked == b"R" else b"?\r"))

    def speak(self) -> None:
        self._noise = None

    def noise(self, data: bytes) -> None:
        self._noise = data


class ModbusRig(_Serial):
    name, value = "modbus", 24.5
    _noise: bytes | None = None

    @property
    def options(self) -> modbus.Options:
        return modbus.Options(port=self.port, address=5, register=0, scale=0.1, reply_s=0.3)

    def _play(self) -> None:
        assert self.board
        self.board.answer(lambda asked: self._noise or modbus_answer(asked, {(5, 0): 245}), end=b"")

    def speak(self) -> None:
        self._noise = None

    def noise(self, data: bytes) -> None:
        self._noise = data


class _Tree(Rig):
    loses_link = False

    @property
    def root(self) -> Path:
        return self.folder / "devices"

    @property
    def away(self) -> Path:
        return self.folder / "devices.away"

    def plug(self) -> None:
        if self.away.exists():
            self.away.rename(self.root)
        else:
            self.root.mkdir()
            self._grow()

    def _grow(self) -> None: ...

    def unplug(self) -> None:
        if self.root.exists():
            self.root.rename(self.away)


class OneWireRig(_Tree):
    name, value = "onewire", 23.125

    @property
    def options(self) -> onewire.Options:
        return onewire.Options(device="28-0316a2794cff", root=str(self.root))

    @property
    def file(self) -> Path:
        return self.root / "28-0316a2794cff" / "w1_slave"

    def _grow(self) -> None:
        self.file.parent.mkdir()
        self.speak()

    def speak(self) -> None:
        self.file.write_text(w1_slave(self.value))

    def noise(self, data: bytes) -> None:
        self.file.write_bytes(data)


class IioRig(_Tree):
    name, value, quantity = "iio", 83.3333, "light"

    @property
    def options(self) -> iio.Options:
        return iio.Options(device="luxmeter", root=str(self.root), full_scale=65535)

    @property
    def chip(self) -> Path:
        return self.root / "iio:device0"

    def _grow(self) -> None:
        self.chip.mkdir()
        (self.chip / "name").write_text("luxmeter\n")
        (self.chip / "in_illuminance_scale").write_text("0.833333\n")
        self.speak()

    def speak(self) -> None:
        (self.chip / "in_illuminance_raw").write_text("100\n")

    def noise(self, data: bytes) -> None:
        (self.chip / "in_illuminance_raw").write_bytes(data)


class MqttRig(Rig):
    name, value = "mqtt", 24.6
    lines = "allow_anonymous true\n"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        if not MOSQUITTO:
            pytest.skip("mosquitto is not installed")
        # Started once to find a free port; from then on the address stays, as a broker's does.
        self.broker = Broker(folder.with_name(f"{folder.name}-broker"), lines=self.lines, keeps=False)
        self.broker.stop()

    @property
    def options(self) -> mqtt.Options:
        return mqtt.Options(topic="reading-room/temperature", host="127.0.0.1", port=self.broker.port)

    def plug(self) -> None:
        self.broker.start()

    def speak(self) -> None:
        self.noise(b"24.6")

    def noise(self, data: bytes) -> None:
        publish(self.broker.port, "reading-room/temperature", data)

    def unplug(self) -> None:
        self.broker.stop()


def publish(port: int, topic: str, payload: bytes, *, retain: bool = False, times: int = 1) -> None:
    """Say something to the broker from a client of its own, and wait until the broker has it."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for _ in range(times):
        client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(5)
    client.disconnect()
    client.loop_stop()


class RecordedRig(Rig):
    name, value, quantity = "recorded", 7.02, "ph"
    loses_link = False

    @property
    def options(self) -> recorded.Options:
        return recorded.Options(file=str(self.folder / "session.rec"))

    def plug(self) -> None:
        (self.folder / "session.rec").write_text(
            "rushlight-recording 1\ndevice: none, written by hand\ndate: 2026-11-25\ntaken: invented\n\n"
            "0.000 says probe 7.02\n1000.0 says probe 7.03\n"
        )

    def unplug(self) -> None:
        (self.folder / "session.rec").unlink(missing_ok=True)


class SimulatedRig(Rig):
    name, value = "simulated", 24.2
    loses_link = False
    has_device = False

    @property
    def options(self) -> simulated.Options:
        return simulated.Options(swing=0.0, noise=0.0)


class NoneRig(Rig):
    name, value = "none", 0.0
    loses_link = False
    has_device = False

    @property
    def options(self) -> none.Options:
        return none.Options()


RIGS: tuple[type[Rig], ...] = (
    LinesRig,
    QueryRig,
    ModbusRig,
    OneWireRig,
    IioRig,
    MqttRig,
    RecordedRig,
    SimulatedRig,
    NoneRig,
)


def polled(driver: Driver, wanted: Callable[[list], object] = bool, within_s: float = 5.0) -> list:
    """Poll until the samples so far are what is wanted; returns all of them."""
    seen: list = []

    def more() -> bool:
        seen.extend(driver.poll(0.2))
        return bool(wanted(seen))

    until(more, within_s, "the driver never said it")
    return seen


def descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))
