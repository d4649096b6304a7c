"""Digital thermometers on the kernel's 1-wire bus (`w1_therm`): DS18B20 and its relatives.

Owns the judging of a scratchpad (`judge`, pure) and the round over the bus.  Never takes a fault's number for a
temperature: the chip's power-on value, an all-zero scratchpad (whose checksum is right), an all-ones one, and
the value the bus gives when nothing pulls it up all look like temperatures.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, ClassVar

from annotated_types import Ge, Le

from rushlight_drivers.contract import Channel, DriverSpec, LinkError, Monotonic, Sample, Trouble
from rushlight_drivers.formats.checksums import crc8_onewire
from rushlight_drivers.links.kernelfiles import ChildReader, UnreadableError
from rushlight_drivers.links.rounds import Round
from rushlight_drivers.links.session import Session

_LOW_C, _HIGH_C = -55.0, 125.0
_POWER_ON_C = 85.0
_FAR_K = 10.0
"""A tank can't warm to exactly the power-on value by this much between two readings."""
_THERMOMETERS = ("28", "10", "22", "3b", "42")
"""1-Wire family codes that the kernel's w1_therm reads."""
_SIXTEENTHS = ("28", "22", "3b", "42")
"""Families whose first two bytes are the temperature in 1/16 °C."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """One thermometer on the 1-wire bus; values come in °C."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    device: str = ""
    """The folder below `root`, such as 28-0316a2794cff: family and serial number, burnt in for good.  Left out: the
    only thermometer on the bus."""
    root: str = "/sys/bus/w1/devices"
    """Where the kernel lists the bus."""
    read_s: Annotated[float, Ge(0.1), Le(9)] = 3.0
    """How long one reading may take; the chip itself needs 0.75 s."""


_W1_SLAVE = re.compile(r"((?:[0-9a-f]{2} ){9}): crc=[0-9a-f]{2} (YES|NO)\n((?:[0-9a-f]{2} ){9})t=(-?[0-9]{1,7})\n?")
_MILLIDEGREES = re.compile(r"-?[0-9]{1,7}\n?")


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a file's content amounts to: a temperature in °C, or what is wrong with it.

    `number_c` is the number that was refused, where there was one.
    """

    value_c: float | None = None
    trouble: Trouble = ""
    detail: str = ""
    number_c: float | None = None


_DEAD = {
    bytes(9): Verdict(None, "sentinel", "all bytes are zero: the data line is shorted", 0.0),
    b"\xff" * 9: Verdict(None, "sentinel", "all bytes are ones: nothing answers on the data line", -0.0625),
}
"""Scratchpads of a dead bus.  The checksum of the first is right, which is why it has to be named."""


def judge(content: bytes, family: str = "28", last_good_c: float | None = None) -> Verdict:
    """Read `w1_slave`: nine bytes, the kernel's verdict on their sum, and the temperature it worked out.

    Source: Linux Documentation/w1/slaves/w1_therm.rst.  `family` is the two digits before the dash.
    """
    if not content:
        return Verdict(None, "unreadable", "the kernel gave an empty file: no answer on the bus")
    match = _W1_SLAVE.fullmatch(content.decode("ascii", "replace"))
    if match is None:
        return Verdict(None, "garbled", f"is not a w1_slave file: {content[:40]!r}")
    scratchpad, kept = bytes.fromhex(match[1]), bytes.fromhex(match[3])
    if dead := _DEAD.get(scratchpad):
        return dead
    if match[2] != "YES" or crc8_onewire(scratchpad[:8]) != scratchpad[8]:
        return Verdict(None, "checksum", "the scratchpad's checksum is wrong")
    said_c = int(match[4]) / 1000.0
    word_c = int.from_bytes(scratchpad[:2], "little", signed=True) / 16.0
    if kept != scratchpad or (family in _SIXTEENTHS and abs(word_c - said_c) > 0.001):
        return Verdict(None, "garbled", "the kernel's temperature is not the one in the bytes", said_c)
    # The byte tells a relative's power-on value from a measurement only in the families of 1/16 °C.
    fresh = family in _SIXTEENTHS and scratchpad[6] == 0x0C
    return _plausible(word_c if family in _SIXTEENTHS else said_c, last_good_c, never_converted=fresh)


def judge_millidegrees(content: bytes, last_good_c: float | None = None) -> Verdict:
    """Read `temperature`, which shows no bytes: 0 and −0.0625 °C, which it also gives for a dead bus, are refused.

    Source: Linux Documentation/ABI/testing/sysfs-driver-w1_therm.
    """
    if not content:
        return Verdict(None, "unreadable", "the kernel gave an empty file: bus error, or a bulk read is under way")
    text = content.decode("ascii", "replace")
    if not _MILLIDEGREES.fullmatch(text):
        return Verdict(None, "garbled", f"is not a temperature file: {content[:40]!r}")
    said = int(text)
    if said in {0, -62, -63}:
        return Verdict(None, "sentinel", "is what a shorted or open data line reads as", said / 1000.0)
    return _plausible(said / 1000.0, last_good_c, never_converted=False)


def _plausible(value_c: float, last_good_c: float | None, *, never_converted: bool) -> Verdict:
    if not _LOW_C <= value_c <= _HIGH_C:
        return Verdict(None, "sentinel", "is outside what the chip can measure: no power, or no pull-up", value_c)
    if value_c == _POWER_ON_C:
        if never_converted:
            return Verdict(None, "sentinel", "is the power-on value: the chip has not measured yet", value_c)
        if last_good_c is None or abs(value_c - last_good_c) > _FAR_K:
            return Verdict(None, "sentinel", "is the power-on value, far from what was measured before", value_c)
    return Verdict(value_c)


@dataclass(slots=True)
class _Thermometer:
    """What is remembered of one chip, only to judge it by."""

    channel: Channel
    device: str = ""
    """Its folder on the bus."""
    warm: bool = False
    """Whether the first reading since opening has been taken and thrown away."""
    last_good_c: float | None = field(default=None)


def _only_one(root: str) -> str:
    """The only thermometer's folder name; raises UnreadableError if there is none, or more than one."""
    found = sorted(p.name for p in Path(root).iterdir() if p.name.partition("-")[0].lower() in _THERMOMETERS)
    if len(found) > 1:
        raise UnreadableError("refused", f"{len(found)} thermometers on the bus; say which with `device`")
    if not found:
        raise UnreadableError("missing", f"no thermometer below {root}; is its cable in?")
    return found[0]


class OneWireDriver(Session):
    """All thermometers below one root; see `contract` for what each method promises."""

    def __init__(self, channels: Sequence[Channel], monotonic: Monotonic) -> None:
        super().__init__(channels, monotonic)
        self._reader = ChildReader(monotonic, self._broken)
        self._round = Round([_Thermometer(c) for c in channels], monotonic)

    def _acquire(self) -> None:
        root = Path(self._channels[0].options.root)
        if not root.is_dir():
            raise LinkError(f"{root} is not there; is the 1-wire bus switched on in the boot configuration?")
        for thermometer in self._round.items:
            thermometer.warm = False

    def _pass(self, deadline_s: float) -> Sequence[Sample]:
        out = []
        for thermometer in self._round.until(deadline_s):
            if self._broken.is_set():
                break
            if (sample := self._sample(thermometer, deadline_s)) is not None:
                out.append(sample)
        return out

    def _sample(self, thermometer: _Thermometer, deadline_s: float) -> Sample | None:
        name, options = thermometer.channel.name, thermometer.channel.options
        try:
            if not thermometer.warm:
                thermometer.device = options.device or _only_one(options.root)
                # After power-up the first conversion may not have been made yet; the second is of now.
                self._ask_for_checks(f"{options.root}/{thermometer.device}")
                self._judged(thermometer, deadline_s)
                thermometer.warm = True
            verdict = self._judged(thermometer, deadline_s)
        except UnreadableError as e:
            return None if e.why == "broken off" else Sample(name, self._monotonic(), None, "unreadable", str(e))
        if verdict.value_c is not None:
            thermometer.last_good_c = verdict.value_c
        detail = f"{verdict.number_c:g} °C {verdict.detail}" if verdict.number_c is not None else verdict.detail
        return Sample(name, self._monotonic(), verdict.value_c, verdict.trouble, detail, raw=verdict.number_c)

    def _judged(self, thermometer: _Thermometer, deadline_s: float) -> Verdict:
        o: Options = thermometer.channel.options
        folder = f"{o.root}/{thermometer.device}"
        try:
            content = self._reader.read(f"{folder}/w1_slave", self._left_s(o, deadline_s))
        except UnreadableError as e:
            if e.why != "missing":
                raise
            return judge_millidegrees(self._bytes_of(folder, o, deadline_s), thermometer.last_good_c)
        return judge(content, thermometer.device[:2].lower(), thermometer.last_good_c)

    def _bytes_of(self, folder: str, options: Options, deadline_s: float) -> bytes:
        try:
            return self._reader.read(f"{folder}/temperature", self._left_s(options, deadline_s))
        except UnreadableError as e:
            if e.why == "missing":
                raise UnreadableError("missing", f"{Path(folder).name} is not on the bus; is its cable in?") from None
            raise

    def _ask_for_checks(self, folder: str) -> None:
        """Have the kernel itself check that a conversion took place, where it can and we may tell it so."""
        path = f"{folder}/features"
        if os.access(path, os.W_OK):
            with contextlib.suppress(UnreadableError):
                self._reader.write(path, b"3\n", 0.5)

    def _left_s(self, options: Options, deadline_s: float) -> float:
        return min(options.read_s, max(0.05, deadline_s - self._monotonic()))


SPEC = DriverSpec(
    options=Options,
    link_of=lambda o: str(o.root),
    build=OneWireDriver,
    maturity="tried",
    quantities=frozenset({"temperature", "air_temperature"}),
)
