"""Instruments that answer when asked, in text over serial: one or several on a port.

Owns the conversation (`reading`, a generator without I/O: it yields what to send and is given what came back)
and the loop that speaks it.  Never takes a late answer to an earlier question for the answer to this one, as far
as that can be told: the line is listened to until it is quiet before each question, and `reply_starts` lets an
instrument's address be asked for.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Generator, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal

from annotated_types import Ge, Le, MinLen

from rushlight_drivers.contract import Channel, DriverSpec, LinkError, Monotonic, Sample
from rushlight_drivers.formats.framing import Framer, Terminator
from rushlight_drivers.formats.numerals import BLANKS, Judged, judged, sentinels_of
from rushlight_drivers.links import serialport
from rushlight_drivers.links.rounds import Round
from rushlight_drivers.links.serialport import SerialOptions, SerialPort
from rushlight_drivers.links.session import Session, disagreement

_ENDS = {"cr": b"\r", "lf": b"\n", "crlf": b"\r\n", "none": b""}


@dataclass(frozen=True, slots=True, kw_only=True)
class Options(SerialOptions):
    """One value of one instrument that is asked for it."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    baud: Annotated[int, Ge(50), Le(4_000_000)] = 9600
    """Bits per second; both sides must agree."""
    ask: Annotated[str, MinLen(1)]
    """The question, without its end; for several instruments on a port it holds the instrument's address."""
    ask_end: Literal["cr", "lf", "crlf", "none"] = "cr"
    """What ends a question."""
    reply_end: Terminator = "cr"
    """What ends an answer: `cr` for CR or CR LF, `lf` for LF or CR LF."""
    reply_s: Annotated[float, Ge(0.05), Le(8)] = 1.5
    """How long an answer may take, from the question to its end."""
    reply_starts: str = ""
    """An answer begins so (the instrument's address, say), which is cut off; anything else is another's answer."""
    ignore: tuple[str, ...] = ()
    """What begins so is passed over, such as an acknowledgement that comes before or after the answer.  The question
    itself, sent back as an echo, is always passed over."""
    refusals: tuple[str, ...] = ("?", "err", "ERR")
    """What begins so means that the instrument does not understand, or can't."""
    separator: str = ""
    """Between the columns of an answer; a blank stands for any run of blanks.  Empty: the answer is the value alone, so
    that 7,02 is not taken for 7."""
    column: Annotated[int, Ge(1), Le(100)] = 1
    """Which column is the value."""
    no_value: tuple[str, ...] = ("", "null", "none", "nan", "--", "---", "n/a")
    """What the instrument writes when it has no value, whatever the case of the letters."""
    sentinels: tuple[float, ...] | None = None
    """Numbers that mean a fault on this instrument.  Left out: −127 and 85 for temperature, none for anything else."""
    identity_ask: str = ""
    """A question whose answer tells which instrument this is, such as its serial number."""
    identity: str = ""
    """What that answer must contain.  Another instrument behind this port's name is then noticed and not read."""

    def __post_init__(self) -> None:
        if not (self.ask + self.identity_ask).isascii():
            raise ValueError("questions are plain ASCII")
        if bool(self.identity) != bool(self.identity_ask):
            raise ValueError("identity and identity_ask go together")


@dataclass(frozen=True, slots=True)
class Turn:
    """What the conversation wants next: send this (nothing: only listen on), then give it the next line.

    It is given None once `within_s` has gone since the last sending.
    """

    send: bytes
    within_s: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a conversation ended: with a value or trouble, in silence, or with a stranger."""

    judged: Judged | None = None
    stranger: str = ""


Conversation = Generator[Turn, bytes | None, Outcome]


def reading(options: Options, quantity: str, *, known: bool = True) -> Conversation:
    """Ask for one value; unless the instrument is `known`, ask first who it is."""
    if options.identity and not known:
        said = yield from _exchange(options, options.identity_ask)
        if said is None:
            return Outcome()
        if options.identity not in said:
            return Outcome(stranger=said)
    said = yield from _exchange(options, options.ask)
    return Outcome() if said is None else Outcome(_judge(said, options, quantity))


def _judge(said: str, options: Options, quantity: str) -> Judged:
    """What a whole answer amounts to."""
    if said.startswith(options.refusals):
        return Judged(None, "unreadable", f"the instrument refuses {options.ask!r}: {said[:40]!r}")
    if not said.isascii():
        return Judged(None, "garbled", f"bytes that are not ASCII: {said[:40]!r}")
    blank = options.separator.strip() == ""
    cells = [said] if not options.separator else re.split(r"[ \t]+", said) if blank else said.split(options.separator)
    if len(cells) < options.column:
        return Judged(None, "garbled", f"no column {options.column} in {said[:40]!r}")
    return judged(cells[options.column - 1], options.no_value, sentinels_of(options.sentinels, quantity))


def _exchange(options: Options, question: str) -> Generator[Turn, bytes | None, str | None]:
    """One question and its answer, without what was to be passed over; None if none came in time."""
    turn = Turn(question.encode("ascii") + _ENDS[options.ask_end], options.reply_s)
    while True:
        line = yield turn
        if line is None:
            return None
        said = line.decode("latin-1").strip(BLANKS)
        passed_over = not said or said == question.strip() or said.startswith(options.ignore)
        if not passed_over and said.startswith(options.reply_starts):
            return said.removeprefix(options.reply_starts).strip(BLANKS)
        turn = Turn(b"", options.reply_s)


@dataclass(slots=True)
class _Instrument:
    """One channel and whether it has said who it is since the port was opened."""

    channel: Channel
    known: bool = False


class QueryDriver(Session):
    """All instruments on one port; see `contract` for what each method promises."""

    def __init__(self, channels: Sequence[Channel], monotonic: Monotonic) -> None:
        super().__init__(channels, monotonic)
        self._port = SerialPort(channels[0].options, monotonic, self._broken)
        self._round = Round([_Instrument(c) for c in channels], monotonic)
        self._late = False

    def _acquire(self) -> None:
        if trouble := disagreement(self._channels, (*serialport.LINK_SETTINGS, "reply_end")):
            raise LinkError(trouble)
        self._port.open()
        self._late = False
        for instrument in self._round.items:
            instrument.known = False

    def _pass(self, deadline_s: float) -> Sequence[Sample]:
        if not self._port.settled(deadline_s):
            return []
        out = []
        strangers = []
        for instrument in self._round.until(deadline_s):
            c = instrument.channel
            outcome = self._speak(reading(c.options, c.quantity, known=instrument.known), deadline_s)
            if self._broken.is_set():
                break
            if outcome.stranger:
                strangers.append(f"wrong probe behind this name: {outcome.stranger[:40]!r}, not {c.options.identity!r}")
                out.append(Sample(c.name, self._monotonic(), None, "unreadable", strangers[-1]))
            elif (j := outcome.judged) is not None:
                instrument.known = True
                out.append(Sample(c.name, self._monotonic(), j.value, j.trouble, j.detail, raw=j.raw))
        if len(strangers) == len(self._channels):
            # Nothing here is what was looked for; opening the name again may lead to the right device.
            raise LinkError(f"{self._port.options.port}: {strangers[0]}")
        return out

    def _speak(self, conversation: Conversation, deadline_s: float) -> Outcome:
        """Carry the conversation over the port until it ends."""
        lines: deque[bytes] = deque()
        framer = Framer(self._channels[0].options.reply_end, synchronise=False)
        until_s = deadline_s
        try:
            turn = next(conversation)
            while True:
                if turn.send:
                    self._port.quiet(0.5 if self._late else 0.03, deadline_s)
                    lines.clear()
                    framer.reset()
                    self._port.write(turn.send)
                    until_s = min(deadline_s, self._monotonic() + turn.within_s)
                answer = self._line(framer, lines, until_s)
                self._late = answer is None
                turn = conversation.send(answer)
        except StopIteration as end:
            assert isinstance(end.value, Outcome)
            return end.value

    def _line(self, framer: Framer, lines: deque[bytes], until_s: float) -> bytes | None:
        while not lines:
            chunk = self._port.read(until_s)
            if not chunk:
                return None
            lines.extend(f for f in framer.feed(chunk) if f)
        return lines.popleft()

    def _release(self) -> None:
        self._port.close()


SPEC = DriverSpec(options=Options, link_of=serialport.link_of, build=QueryDriver, maturity="tried")
