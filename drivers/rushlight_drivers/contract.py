"""What a probe driver promises, and the words it may use.

This module owns the vocabulary between a driver and whoever polls it: `Channel` going in, `Sample`
coming out, `LinkError` when the wire is gone.  It never imports the daemon and never reads a clock:
time comes in as a `Monotonic` callable.

The contract, method by method:

`open()`   Acquires the link (port, broker, folder).  It MAY raise `LinkError`; it MUST return within
           ten seconds; it MUST NOT judge whether the probes behind the link are well.
`poll(s)`  Makes at most one pass and returns what arrived, oldest first, possibly nothing.  It MUST
           return within `s` seconds plus one second of grace.  It MAY raise `LinkError` when the link
           is lost; the caller then calls `close()` and, later, `open()` again.  It MUST NOT raise
           anything else, whatever bytes arrive, and MUST NOT exit.
`close()`  Releases the link.  It MUST NOT raise, MAY be called twice, before `open()`, or from another
           thread to break off a poll, and MUST leave the driver ready for another `open()`.

The ethics: emit as received.  No cache, no smoothing, no gap filled, no derived value.  A device that
says "I have no value" is a Sample with `value=None`; a device that cannot measure the quantity sends
no Sample; a silent device sends no Sample either, and its silence is the poller's to notice.  A value
that was not sent, whole and framed, is never emitted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol, runtime_checkable

Monotonic = Callable[[], float]
"""Seconds on a clock that never steps; only differences mean anything."""

Trouble = Literal[
    "",  # nothing wrong: `value` is what the device measured
    "no_value",  # the device itself says that it has none
    "sentinel",  # a number that the device uses to say 'fault' (85, -127, all-zero scratchpad …)
    "checksum",  # framed whole, but the sum is wrong
    "garbled",  # framed, but not in the agreed form
    "saturated",  # at or beyond the end of the range; `floor` carries the lower bound if known
    "retained",  # a broker's stored message: last known, not fresh
    "unreadable",  # the kernel or the bus answered with an error
]


class LinkError(Exception):
    """The link is gone or could not be had; say which one and what to try next."""


@dataclass(frozen=True, slots=True)
class Channel:
    """One probe as the driver sees it.

    `name` is the caller's word for it and comes back in each `Sample`; `options` is an instance of the
    driver's own `Options` class; `every_s` is how often the caller would like a value, in seconds.
    """

    name: str
    options: Any
    quantity: str = ""
    unit: str = ""
    every_s: float = 60.0


@dataclass(frozen=True, slots=True)
class Sample:
    """One thing a device said.

    `mono_s` is the monotonic time at which the last byte of it was in hand; where the device says how long
    ago it measured (SenML's relative times do), it is that moment.  `unit` is filled only when the device
    itself names one (SenML does).  `source_unix_s` is the device's own idea of the time, for
    those that have one.  `raw` is what the value was worked out from (counts, millivolts), if anything.
    """

    channel: str
    mono_s: float
    value: float | None
    trouble: Trouble = ""
    detail: str = ""
    unit: str = ""
    raw: float | None = None
    floor: float | None = None
    source_unix_s: float | None = None
    late: bool = False
    """True: the link handed it out again, and it may have been measured long before it came."""


class Driver(Protocol):
    """One link and the channels behind it.  See the module's docstring for what each method promises."""

    def open(self) -> None: ...

    def poll(self, timeout_s: float) -> Sequence[Sample]: ...

    def close(self) -> None: ...


@runtime_checkable
class Confirming(Protocol):
    """What a driver has besides, whose link hands each message out again until it is confirmed (MQTT at QoS 1).

    Messages are counted as they come; `upto` is the number of the last one that `poll` has handed over, thinned away
    or not.  None of the methods blocks; `confirm` and `identities` may be called from any thread.
    """

    confirms: bool
    """False: this link hands nothing out twice, and nothing need be confirmed."""
    upto: int

    @property
    def pressed(self) -> bool:
        """Whether so many wait to be confirmed that the link will soon hand out no more."""
        ...

    def identities(self, upto: int) -> bytes:
        """By what the messages up to this number, as far as they wait, would be known when they came again."""
        ...

    def confirm(self, upto: int) -> None:
        """They are kept for good; the link is told at the next poll."""
        ...

    def recall(self, identities: bytes) -> None:
        """What an earlier run kept and perhaps never confirmed: it is confirmed, and not handed over again."""
        ...


@dataclass(frozen=True, slots=True)
class DriverSpec:
    """A driver as the registry lists it.

    `options` is a frozen dataclass with defaults, checked whole by the configuration loader.
    `link_of(options)` names the link: channels with equal links share one driver instance.
    `build(channels, monotonic)` makes the instance and touches nothing.
    `maturity` is one of draft, tried, proven: draft has met recordings alone, tried a simulated
    device, proven a real one.
    """

    options: type
    link_of: Callable[[Any], str]
    build: Callable[[Sequence[Channel], Monotonic], Driver]
    streams: bool = False
    """True when the device talks unasked (lines, mqtt): polled without pause, and thinned by the caller to one
    value per `every_s`.  False when each poll asks: polled once per `every_s`."""
    maturity: Literal["draft", "tried", "proven"] = "draft"
    quantities: frozenset[str] = field(default_factory=frozenset)
    """Quantities that this driver can carry; empty means any."""
