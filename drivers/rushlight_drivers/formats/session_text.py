r"""The plain-text form in which sessions with devices are kept.

Owns the format; never opens a device.  A recording is UTF-8 text:

    rushlight-recording 1
    device: two-probe board, simulated
    date: 2026-11-25
    taken: played over a pseudo-terminal by the tests' bench
                                        (an empty line ends the header)
    0.000  from   "T=24.31*60\r\n"      bytes from the device, as a JSON string of characters 0 to 255
    1.250  to     "R\r"                  bytes to the device
    1.300  file   28-0316/w1_slave "…"   what a kernel file held
    1.500  topic  reading/air retained "…"   a message; `fresh` or `retained`
    2.000  says   foyer-ph 7.02          what a probe said: name, then a value …
    3.000  says   foyer-ph - garbled     … or `-` and the word for what was wrong
    # a line that begins with # is a remark

Seconds count from the beginning of the recording and never go back.  The header must name the device, the
date, and how the recording was taken; other keys may follow.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import get_args

from rushlight_drivers.contract import Sample, Trouble
from rushlight_drivers.formats.numerals import number

FIRST_LINE = "rushlight-recording 1"
_NEEDED = ("device", "date", "taken")
_ARGUMENTS = {"from": 0, "to": 0, "file": 1, "topic": 2}
TROUBLES: tuple[str, ...] = tuple(t for t in get_args(Trouble) if t)


class RecordingError(ValueError):
    """The text is not a recording; says which line is wrong."""


@dataclass(frozen=True, slots=True)
class Row:
    """One thing that happened: `kind`, the words after it, and for all but `says` the bytes."""

    at_s: float
    kind: str
    words: tuple[str, ...] = ()
    data: bytes = b""

    def sample(self, start_s: float = 0.0) -> Sample:
        """The sample of a `says` row, its time counted from `start_s` on the monotonic clock."""
        channel, value, *trouble = self.words
        word: Trouble = next((t for t in get_args(Trouble) if [t] == trouble), "")
        return Sample(channel, start_s + self.at_s, number(value), word)


@dataclass(frozen=True, slots=True)
class Recording:
    """A header and its rows, oldest first."""

    header: Mapping[str, str]
    rows: tuple[Row, ...] = field(default=())

    def of(self, *kinds: str) -> Iterator[Row]:
        """The rows of these kinds."""
        return (r for r in self.rows if r.kind in kinds)

    @property
    def length_s(self) -> float:
        """From the beginning to the last row, in seconds."""
        return self.rows[-1].at_s if self.rows else 0.0


def parse(text: str) -> Recording:
    """Read a recording; raises RecordingError."""
    lines = text.split("\n")
    if lines[0].strip() != FIRST_LINE:
        raise RecordingError(f"line 1: expected {FIRST_LINE!r}")
    header: dict[str, str] = {}
    n = 1
    for n, line in enumerate(lines[1:], 2):
        if not line.strip():
            break
        key, colon, value = line.partition(":")
        if not colon or not value.strip():
            raise RecordingError(f"line {n}: expected 'key: value' or the empty line that ends the header")
        header[key.strip()] = value.strip()
    if missing := [k for k in _NEEDED if k not in header]:
        raise RecordingError(f"the header does not say: {', '.join(missing)}")
    return Recording(header, tuple(_rows(lines, n)))


def _rows(lines: list[str], first: int) -> Iterator[Row]:
    last_s = 0.0
    for n, line in enumerate(lines[first:], first + 1):
        if not line.strip() or line.startswith("#"):
            continue
        try:
            row = _row(line)
        except ValueError as e:
            raise RecordingError(f"line {n}: {e}") from None
        if row.at_s < last_s:
            raise RecordingError(f"line {n}: time goes back")
        last_s = row.at_s
        yield row


def _row(line: str) -> Row:
    time, kind, rest = [*line.split(None, 2), "", ""][:3]
    at_s = number(time)
    if at_s is None or at_s < 0:
        raise ValueError(f"{time!r} is not a number of seconds")
    if kind == "says":
        return Row(at_s, kind, _said(rest.split()))
    if kind not in _ARGUMENTS:
        raise ValueError(f"unknown kind {kind!r}; expected says, {', '.join(_ARGUMENTS)}")
    match = re.fullmatch(rf"((?:\S+\s+){{{_ARGUMENTS[kind]}}})(\".*\")\s*", rest)
    if match is None:
        raise ValueError(f"{kind} takes {_ARGUMENTS[kind]} word(s) and a text in quotes")
    return Row(at_s, kind, tuple(match[1].split()), _bytes(match[2]))


def _said(words: list[str]) -> tuple[str, ...]:
    good = len(words) == 2 and number(words[1]) is not None
    bad = len(words) == 3 and words[2] in TROUBLES and (words[1] == "-" or number(words[1]) is not None)
    if not good and not bad:
        raise ValueError(f"expected 'name value' or 'name - trouble', trouble one of {', '.join(TROUBLES)}")
    return tuple(words)


def _bytes(quoted: str) -> bytes:
    try:
        text = json.loads(quoted)
        assert isinstance(text, str)
        return text.encode("latin-1")
    except UnicodeEncodeError:
        raise ValueError("a character above 255 is not a byte") from None


def format(header: Mapping[str, str], rows: Iterable[Row]) -> str:  # noqa: A001 - `recording.format` in use
    """The text of a recording; raises ValueError for a time that is not finite."""
    out = [FIRST_LINE, *(f"{k}: {v}" for k, v in header.items()), ""]
    for r in rows:
        if not math.isfinite(r.at_s):
            raise ValueError("a row needs a finite time")
        tail = [json.dumps(r.data.decode("latin-1"))] if r.kind != "says" else []
        out.append(" ".join([f"{r.at_s:.3f}", r.kind, *r.words, *tail]))
    return "\n".join(out) + "\n"
