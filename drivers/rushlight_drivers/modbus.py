"""Probes on an RS-485 bus that speak Modbus RTU.

Owns the register map of each probe and the turning of registers into numbers (`decode`, pure); framing and
checksums are minimalmodbus's.  Never takes half of a two-register value, and never another address's answer.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal

import minimalmodbus
from annotated_types import Ge, Le

from rushlight_drivers.contract import Channel, DriverSpec, LinkError, Monotonic, Sample
from rushlight_drivers.formats.numerals import Judged
from rushlight_drivers.links import serialport
from rushlight_drivers.links.rounds import Round
from rushlight_drivers.links.serialport import SerialOptions, SerialPort
from rushlight_drivers.links.session import Session, disagreement


@dataclass(frozen=True, slots=True, kw_only=True)
class Options(SerialOptions):
    """One value of one probe on the bus."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    baud: Annotated[int, Ge(300), Le(1_000_000)] = 9600
    """Bits per second; all on the bus must agree."""
    settle_s: Annotated[float, Ge(0), Le(60)] = 0.0
    """Seconds after opening during which the probes may still be starting."""
    address: Annotated[int, Ge(1), Le(247)]
    """The probe's address on the bus."""
    register: Annotated[int, Ge(0), Le(65535)]
    """The (first) register, counted from 0 as on the wire.  A manual that counts 30001 or 40001 and so on means 0."""
    function: Literal[3, 4] = 3
    """3 reads holding registers, 4 input registers."""
    datatype: Literal["uint16", "int16", "uint32", "int32", "float32"] = "uint16"
    """What the register, or the two, hold."""
    word_order: Literal["high_first", "low_first"] = "high_first"
    """Which half of a two-register value comes first; the standard leaves it open."""
    scale: float = 1.0
    """The value is register × scale + offset."""
    offset: float = 0.0
    """The value is register × scale + offset."""
    sentinels: tuple[float, ...] = ()
    """Register contents that mean a fault, such as 32767 or −32768."""
    reply_s: Annotated[float, Ge(0.02), Le(5)] = 0.5
    """How long an answer may take."""
    identity_register: Annotated[int, Ge(0), Le(65535)] | None = None
    """A register that tells which device this is (model or serial number), read with the same function."""
    identity: Annotated[int, Ge(0), Le(65535)] | None = None
    """What it must hold.  Another device at this address is then noticed and not read."""

    def __post_init__(self) -> None:
        if (self.identity is None) != (self.identity_register is None):
            raise ValueError("identity and identity_register go together")


_WORDS = {"uint16": (1, ">H"), "int16": (1, ">h"), "uint32": (2, ">I"), "int32": (2, ">i"), "float32": (2, ">f")}


def decode(registers: Sequence[int], options: Options) -> Judged:
    """The number in the registers, as read from the lowest address up.

    Source for the order of bytes in a register: MODBUS Application Protocol V1.1b3, 4.2 (big-endian).
    """
    count, form = _WORDS[options.datatype]
    if len(registers) != count:
        return Judged(None, "garbled", f"{len(registers)} registers instead of {count}")
    ordered = list(registers) if options.word_order == "high_first" else list(reversed(registers))
    raw = float(struct.unpack(form, struct.pack(f">{count}H", *ordered))[0])
    if math.isnan(raw):
        return Judged(None, "no_value", "the device says that it has none")
    if raw in options.sentinels:
        return Judged(None, "sentinel", f"{raw:g} is this device's word for a fault", raw)
    value = round(raw * options.scale + options.offset, 9)
    if not math.isfinite(value):
        return Judged(None, "garbled", f"{raw} is no value")
    return Judged(value, raw=raw)


@dataclass(slots=True)
class _Station:
    """One channel and whether its device has been recognised since the port was opened."""

    channel: Channel
    known: bool = False


class _WrongDeviceError(Exception):
    """Another device answers at this address."""


class ModbusDriver(Session):
    """All probes on one bus; see `contract` for what each method promises."""

    def __init__(self, channels: Sequence[Channel], monotonic: Monotonic) -> None:
        super().__init__(channels, monotonic)
        self._port = SerialPort(channels[0].options, monotonic, self._broken)
        self._round = Round([_Station(c) for c in channels], monotonic)
        self._untidy = False

    def _acquire(self) -> None:
        if trouble := disagreement(self._channels, (*serialport.LINK_SETTINGS, "reply_s")):
            raise LinkError(trouble)
        self._port.open()
        with self._port.telling():
            self._port.raw.timeout = self._channels[0].options.reply_s
        self._untidy = False
        for station in self._round.items:
            station.known = False

    def _pass(self, deadline_s: float) -> Sequence[Sample]:
        if not self._port.settled(deadline_s):
            return []
        out = []
        for station in self._round.until(deadline_s):
            if self._broken.is_set():
                break
            judged = self._ask(station, deadline_s)
            if judged is not None:
                c = station.channel
                out.append(
                    Sample(c.name, self._monotonic(), judged.value, judged.trouble, judged.detail, raw=judged.raw)
                )
        return out

    def _ask(self, station: _Station, deadline_s: float) -> Judged | None:
        """What the probe says; None if it says nothing."""
        if self._untidy:
            # A late answer to the last question looks like an answer to this one; let it go by.
            self._port.quiet(0.1, deadline_s)
            self._untidy = False
        with self._port.telling():
            try:
                return self._read(station)
            except minimalmodbus.NoResponseError:
                self._untidy = True
                return None
            except minimalmodbus.SlaveReportedException as e:
                return Judged(None, "unreadable", f"the probe refuses ({e})")
            except minimalmodbus.ModbusException as e:
                self._untidy = True
                return Judged(None, "checksum" if "checksum" in str(e).lower() else "garbled", str(e)[:200])
            except _WrongDeviceError as e:
                return Judged(None, "unreadable", str(e))

    def _read(self, station: _Station) -> Judged:
        o: Options = station.channel.options
        instrument = minimalmodbus.Instrument(self._port.raw, o.address)
        if o.identity_register is not None and not station.known:
            found = instrument.read_registers(o.identity_register, 1, o.function)[0]
            if found != o.identity:
                raise _WrongDeviceError(f"wrong probe at address {o.address}: it holds {found}, not {o.identity}")
            station.known = True
        return decode(instrument.read_registers(o.register, _WORDS[o.datatype][0], o.function), o)

    def _release(self) -> None:
        self._port.close()


SPEC = DriverSpec(options=Options, link_of=serialport.link_of, build=ModbusDriver, maturity="tried")
