"""Light and other chips behind the kernel's industrial-I/O files.

Owns finding the device by name (its number changes from boot to boot), the arithmetic of raw, offset and scale,
and saturation.  Never reports a saturated chip as a value: past the end of its range a light chip may read zero,
and zero would look like night.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, ClassVar

from annotated_types import Ge, Le, MinLen

from rushlight_drivers.contract import Channel, DriverSpec, LinkError, Monotonic, Sample
from rushlight_drivers.formats.numerals import BLANKS, number
from rushlight_drivers.links.kernelfiles import ChildReader, UnreadableError
from rushlight_drivers.links.rounds import Round
from rushlight_drivers.links.session import Session

_PER_THOUSAND = ("in_temp", "in_humidityrelative")
"""Kinds that the kernel gives in thousandths (of °C, of percent)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """One value of one chip.  Temperatures come in °C, light in lx, humidity in %, voltages in mV."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    device: str = ""
    """The chip's name as its `name` file has it (or its `label`), or the folder iio:deviceN.  Prefer the name: the
    number may change with the next boot.  Left out: the only chip that has the channel."""
    channel: Annotated[str, MinLen(1)] = "in_illuminance"
    """Which of the chip's values: in_illuminance, in_temp, in_humidityrelative, in_voltage0, in_ph …"""
    full_scale: float | None = None
    """The raw count (or, for chips that have only `_input`, the value) at and beyond which the chip is saturated."""
    sentinels: tuple[float, ...] = ()
    """Raw counts that mean a fault on this chip, such as −1."""
    root: str = "/sys/bus/iio/devices"
    """Where the kernel lists the chips."""
    read_s: Annotated[float, Ge(0.1), Le(9)] = 2.0
    """How long one file may take; some chips measure for 0.8 s."""


@dataclass(frozen=True, slots=True)
class Parts:
    """What was read of one value, as text: either `input`, or `raw` with `scale` and `offset` where there are such."""

    input: str | None = None
    raw: str | None = None
    scale: str = "1"
    offset: str = "0"


def work_out(parts: Parts, channel: Channel, mono_s: float) -> Sample:
    """The sample for what was read.  (raw + offset) × scale, or `_input` as it is.

    Source: Linux Documentation/ABI/testing/sysfs-bus-iio.
    """
    options: Options = channel.options
    said = parts.input if parts.input is not None else parts.raw
    assert said is not None
    raw = number(said.strip(BLANKS))
    scale, offset = number(parts.scale.strip(BLANKS)), number(parts.offset.strip(BLANKS))
    if not said.strip():
        return Sample(channel.name, mono_s, None, "unreadable", "the kernel gave an empty file")
    if raw is None or scale is None or offset is None:
        shown = (said[:20], parts.scale[:20], parts.offset[:20])
        return Sample(channel.name, mono_s, None, "garbled", f"is no number: {shown!r}")
    if raw in options.sentinels:
        return Sample(channel.name, mono_s, None, "sentinel", f"{raw:g} is this chip's word for a fault", raw=raw)
    value = raw if parts.input is not None else (raw + offset) * scale
    value = value / 1000.0 if _kind(options.channel) in _PER_THOUSAND else value
    if not math.isfinite(value):
        return Sample(channel.name, mono_s, None, "garbled", f"raw {raw:g} at scale {scale:g} is no value", raw=raw)
    if options.full_scale is not None and raw >= options.full_scale:
        detail = f"raw {raw:g} is at the end of the chip's range: more than {value:g}"
        return Sample(channel.name, mono_s, None, "saturated", detail, raw=raw, floor=value)
    return Sample(channel.name, mono_s, value, raw=raw)


def _kind(channel: str) -> str:
    """`in_voltage0` is of the kind `in_voltage`."""
    return re.sub(r"(_object|_ambient|[0-9]).*$", "", channel)


@dataclass(slots=True)
class _Value:
    """One value and what is remembered of it, only to judge it by."""

    channel: Channel
    folder: str = ""
    warm: bool = False
    scale: str = ""


class IioDriver(Session):
    """All chips below one root; see `contract` for what each method promises."""

    def __init__(self, channels: Sequence[Channel], monotonic: Monotonic) -> None:
        super().__init__(channels, monotonic)
        self._reader = ChildReader(monotonic, self._broken)
        self._round = Round([_Value(c) for c in channels], monotonic)

    def _acquire(self) -> None:
        root = Path(self._channels[0].options.root)
        if not root.is_dir():
            raise LinkError(f"{root} is not there; is the chip's overlay switched on in the boot configuration?")
        for value in self._round.items:
            value.warm, value.folder, value.scale = False, "", ""

    def _pass(self, deadline_s: float) -> Sequence[Sample]:
        out = []
        for value in self._round.until(deadline_s):
            if self._broken.is_set():
                break
            try:
                sample = self._sample(value, deadline_s)
            except UnreadableError as e:
                if e.why == "broken off":
                    break
                value.folder = ""  # look for it by name again: it may have come back under another number
                sample = Sample(value.channel.name, self._monotonic(), None, "unreadable", str(e))
            if sample is not None:
                out.append(sample)
        return out

    def _sample(self, value: _Value, deadline_s: float) -> Sample:
        if not value.folder:
            value.folder, value.warm = self._find(value.channel.options, deadline_s), False
        parts = self._parts(value, deadline_s)
        if not value.warm or parts.scale != value.scale:
            # The first count after power-up or after a change of range may still belong to what was before.
            value.scale = parts.scale
            parts = self._parts(value, deadline_s)
            value.warm = True
        if parts.scale != value.scale:
            detail = "the chip changed its range while it was being read"
            value.scale = parts.scale
            return Sample(value.channel.name, self._monotonic(), None, "no_value", detail)
        return work_out(parts, value.channel, self._monotonic())

    def _parts(self, value: _Value, deadline_s: float) -> Parts:
        o: Options = value.channel.options
        stem = f"{value.folder}/{o.channel}"
        ready = self._text(f"{stem}_input", o, deadline_s)
        if ready is not None:
            return Parts(input=ready)
        raw = self._text(f"{stem}_raw", o, deadline_s)
        if raw is None:
            raise UnreadableError("missing", f"{stem}_raw and {stem}_input are not there")
        shared = f"{value.folder}/{_kind(o.channel)}"  # several channels of a kind may share one scale
        found = {}
        for name, default in (("scale", "1"), ("offset", "0")):
            own = self._text(f"{stem}_{name}", o, deadline_s)
            if own is None and shared != stem:
                own = self._text(f"{shared}_{name}", o, deadline_s)
            found[name] = default if own is None else own
        return Parts(None, raw, found["scale"], found["offset"])

    def _text(self, path: str, options: Options, deadline_s: float) -> str | None:
        """The file's content, or None if there is no such file."""
        try:
            within_s = min(options.read_s, max(0.05, deadline_s - self._monotonic()))
            return self._reader.read(path, within_s).decode("ascii", "replace")
        except UnreadableError as e:
            if e.why == "missing":
                return None
            raise

    def _find(self, options: Options, deadline_s: float) -> str:
        """The folder of the chip that is meant; raises UnreadableError if there is none, or more than one."""
        folders = sorted(p for p in Path(options.root).iterdir() if p.name.startswith("iio:device"))
        if options.device:
            meant, wanted = "name the folder instead", f"called {options.device}"
            found = [f for f in folders if f.name == options.device]
            found = found or [f for f in folders if options.device in self._names(f, options, deadline_s)]
        else:
            meant, wanted = "say which with `device`", f"with {options.channel}"
            found = [f for f in folders if any((f / f"{options.channel}_{end}").exists() for end in ("raw", "input"))]
        if len(found) > 1:
            raise UnreadableError("refused", f"{len(found)} chips {wanted}; {meant}")
        if not found:
            raise UnreadableError("missing", f"no chip {wanted} below {options.root}")
        return str(found[0])

    def _names(self, folder: Path, options: Options, deadline_s: float) -> set[str]:
        said = (self._text(f"{folder}/{f}", options, deadline_s) for f in ("name", "label"))
        return {s.strip() for s in said if s}


SPEC = DriverSpec(options=Options, link_of=lambda o: str(o.root), build=IioDriver, maturity="tried")
