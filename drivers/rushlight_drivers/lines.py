"""Boards that stream lines of text over serial: JSON, name=value pairs, or separated columns.

Owns the reading of such lines (`LineCodec`, pure) and the loop that feeds it from a port.  Never emits a
number from a line whose beginning or end it has not seen, or whose checksum is wrong.

A board that can should end each line in a checksum: without one, a byte changed on the wire can turn one
number into another that looks as good.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal

from annotated_types import Ge, Le, MinLen

from rushlight_drivers.contract import Channel, DriverSpec, LinkError, Monotonic, Sample, Trouble
from rushlight_drivers.formats import jsonpointer
from rushlight_drivers.formats.checksums import TEXT_SUMS
from rushlight_drivers.formats.framing import Framer, Terminator
from rushlight_drivers.formats.numerals import judged, sentinels_of
from rushlight_drivers.links import serialport
from rushlight_drivers.links.serialport import SerialOptions, SerialPort
from rushlight_drivers.links.session import Session, disagreement


@dataclass(frozen=True, slots=True, kw_only=True)
class Options(SerialOptions):
    """One probe on a board that streams lines."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    field: Annotated[str, MinLen(1)]
    """Where this probe's value is: the JSON key (or a JSON pointer such as /water/temp), the name before `=`, or the
    number of the column, counted from 1.  The firmware in deploy/board sends `temp` (degC), `light` (lx) and `ph_mv`
    (mV: millivolts from the electrode, which a calibration makes into pH), in `pairs` with `crc16_modbus`."""
    format: Literal["json", "pairs", "columns"] = "json"
    """`json`: one object a line.  `pairs`: name=value (or name:value), apart by commas, semicolons or blanks.
    `columns`: values apart by `separator`."""
    separator: Annotated[str, MinLen(1)] = ","
    """Between columns; a blank stands for any run of blanks and tabs."""
    columns: Annotated[int, Ge(0), Le(100)] = 0
    """How many columns a line has, so that one that lost or gained some is noticed; 0: any number."""
    starts_with: str = ""
    """Only lines that begin so are this probe's; others are left alone."""
    checksum: Literal["none", "xor", "crc16_modbus", "crc16_xmodem"] = "none"
    """The line ends in `*` and this sum of what stands between an optional `$` and the `*`, in hexadecimal, high
    digits first: `xor` two digits as in NMEA 0183, the others four."""
    terminator: Terminator = "lf"
    """`lf` for lines that end in LF or CR LF, `cr` for CR alone."""
    no_value: tuple[str, ...] = ("", "null", "none", "nan", "--", "n/a")
    """What the board writes when it has no value, whatever the case of the letters."""
    sentinels: tuple[float, ...] | None = None
    """Numbers that mean a fault on this board.  Left out: −127 and 85 for temperature (cable off, and the value before
    the first conversion), none for anything else."""
    identity: str = ""
    """What `identity_field` must say; another board behind this port's name is then noticed and refused."""
    identity_field: str = "id"
    """Where each line carries the board's own name, if `identity` is given."""


_LINK_SETTINGS = (
    *serialport.LINK_SETTINGS,
    "format",
    "separator",
    "columns",
    "checksum",
    "terminator",
    "identity",
    "identity_field",
)


class _UnreadableError(Exception):
    """This line is no good, and why."""

    def __init__(self, trouble: Trouble, detail: str) -> None:
        super().__init__(detail)
        self.trouble: Trouble = trouble


Lookup = Callable[[str], object]
"""Field to what the line says there; raises KeyError when the line has no such field."""


class LineCodec:
    """Bytes to samples.  Pure: the same bytes give the same samples however they are split.

    `stranger` holds the name under which another board spoke, once one did.
    """

    def __init__(self, channels: Sequence[Channel]) -> None:
        self._channels = channels
        self._shared: Options = channels[0].options
        self._framer = Framer(self._shared.terminator)
        self.stranger = ""

    def reset(self) -> None:
        """Start afresh, as after opening the port."""
        self._framer.reset()
        self.stranger = ""

    def feed(self, chunk: bytes, mono_s: float) -> list[Sample]:
        """The samples in the lines that `chunk` completes."""
        out: list[Sample] = []
        for frame in self._framer.feed(chunk):
            if frame is None:
                out += self._all("garbled", "the line is too long", mono_s, self._channels)
            elif frame:
                out += self._line(frame, mono_s)
        return out

    def _line(self, frame: bytes, mono_s: float) -> list[Sample]:
        mine = [c for c in self._channels if frame.startswith(c.options.starts_with.encode())]
        if not mine:
            return []
        try:
            lookup = _LOOKUPS[self._shared.format](_checked(frame, self._shared.checksum), self._shared)
            self._check_identity(lookup)
        except _UnreadableError as e:
            return self._all(e.trouble, f"{e}: {_shown(frame)}", mono_s, mine)
        if self.stranger:
            return []
        found = (_sample(c, lookup, mono_s) for c in mine)
        return [s for s in found if s is not None]

    def _check_identity(self, lookup: Lookup) -> None:
        if not self._shared.identity:
            return
        try:
            said = str(lookup(self._shared.identity_field))
        except KeyError:
            raise _UnreadableError("garbled", "the line does not say which board it is from") from None
        if said != self._shared.identity:
            self.stranger = said

    def _all(self, trouble: Trouble, detail: str, mono_s: float, channels: Sequence[Channel]) -> list[Sample]:
        return [Sample(c.name, mono_s, None, trouble, detail) for c in channels]


def _shown(frame: bytes) -> str:
    """A short, printable form of what came, for the log."""
    return repr(frame[:60])[1:]


def _checked(frame: bytes, kind: str) -> bytes:
    """The line without its frame and sum; raises _UnreadableError when the sum is missing or wrong."""
    if kind == "none":
        return frame
    compute, digits = TEXT_SUMS[kind]
    match = re.fullmatch(rb"\$?(.*)\*([0-9A-Fa-f]+)", frame, re.DOTALL)
    if match is None or len(match[2]) != digits:
        raise _UnreadableError("garbled", "no checksum")
    if int(match[2], 16) != compute(match[1]):
        raise _UnreadableError("checksum", "wrong checksum")
    return match[1]


def _ascii(body: bytes) -> str:
    if not body.isascii():
        raise _UnreadableError("garbled", "bytes that are not ASCII")
    return body.decode("ascii")


def _json_lookup(body: bytes, _: Options) -> Lookup:
    try:
        document = jsonpointer.loads(body)
    except jsonpointer.NotJsonError:
        raise _UnreadableError("garbled", "is not JSON") from None
    if not isinstance(document, dict):
        raise _UnreadableError("garbled", "is not a JSON object")

    def lookup(field: str) -> object:
        if not field.startswith("/"):
            return document[field]
        try:
            return jsonpointer.resolve(document, field)
        except (jsonpointer.NotFoundError, ValueError):
            raise KeyError(field) from None

    return lookup


def _pairs_lookup(body: bytes, _: Options) -> Lookup:
    table: dict[str, str] = {}
    for item in re.split(r"[,; \t]+", _ascii(body).strip(" \t,;")):
        match = re.fullmatch(r"([^=:]+)[=:]([^=:]*)", item)
        if match is None or match[1] in table:
            raise _UnreadableError("garbled", "is not a row of name=value")
        table[match[1]] = match[2]
    return table.__getitem__


def _columns_lookup(body: bytes, options: Options) -> Lookup:
    text = _ascii(body)
    blank = not options.separator.strip()
    cells = re.split(r"[ \t]+", text.strip(" \t")) if blank else text.split(options.separator)
    if options.columns and len(cells) != options.columns:
        raise _UnreadableError("garbled", f"{len(cells)} columns instead of {options.columns}")

    def lookup(field: str) -> object:
        if not field.isdecimal() or not 1 <= int(field) <= len(cells):
            raise KeyError(field)
        return cells[int(field) - 1]

    return lookup


_LOOKUPS: dict[str, Callable[[bytes, Options], Lookup]] = {
    "json": _json_lookup,
    "pairs": _pairs_lookup,
    "columns": _columns_lookup,
}


def _sample(channel: Channel, lookup: Lookup, mono_s: float) -> Sample | None:
    """What a whole, checked line says of one channel; None if it does not speak of it."""
    options: Options = channel.options
    try:
        said = lookup(options.field)
    except KeyError:
        if options.format == "columns":
            return Sample(channel.name, mono_s, None, "garbled", f"no column {options.field}")
        return None
    j = judged(said, options.no_value, sentinels_of(options.sentinels, channel.quantity))
    return Sample(channel.name, mono_s, j.value, j.trouble, j.detail, raw=j.raw)


class LinesDriver(Session):
    """A board on a serial port; see `contract` for what each method promises."""

    def __init__(self, channels: Sequence[Channel], monotonic: Monotonic) -> None:
        super().__init__(channels, monotonic)
        self._codec = LineCodec(channels)
        self._port = SerialPort(channels[0].options, monotonic, self._broken)

    def _acquire(self) -> None:
        if trouble := disagreement(self._channels, _LINK_SETTINGS):
            raise LinkError(trouble)
        self._port.open()
        self._codec.reset()

    def _pass(self, deadline_s: float) -> Sequence[Sample]:
        if not self._port.settled(deadline_s):
            return []
        while chunk := self._port.read(deadline_s):
            samples = self._codec.feed(chunk, self._monotonic())
            if self._codec.stranger:
                o = self._port.options
                wanted = self._channels[0].options.identity
                raise LinkError(f"wrong board behind {o.port}: it says {self._codec.stranger!r}, not {wanted!r}")
            if samples or self._monotonic() >= deadline_s:
                return samples
        return []

    def _release(self) -> None:
        self._port.close()


SPEC = DriverSpec(options=Options, link_of=serialport.link_of, build=LinesDriver, streams=True, maturity="tried")
