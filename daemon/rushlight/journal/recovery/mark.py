"""The high-water mark: how far the journal had come when it was last said to be on the disk.

A small file beside the database, outside its log, so that a log that was cut short, damaged or deleted is noticed:
SQLite takes such a log for a shorter one and says nothing.  Two places are written in turn, each with its own
checksum, so that a power cut in the middle of one leaves the other.  Nothing here raises: a mark that can't be written
is a check less, not trouble.
"""

from __future__ import annotations

import datetime as dt
import json
import logging
import os
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rushlight.journal.recovery import files
from rushlight.journal.rows import EventRow

log = logging.getLogger(__name__)

SUFFIX = ".mark"
READINGS_EVERY_S = 900.0
"""A commit of readings alone moves the mark this often: each mark costs the card a page, as much as the readings."""
_TOLD = 6
_WORDS = 2000
_PLACE_BYTES = 4096


@dataclass(slots=True)
class Mark:
    """Arrival number of the newest row on the disk."""

    seq: int = 0
    count: int = 0
    """How often a mark was written; the greater of two is the newer."""
    untold: str = ""
    """What was found missing, until the alarm of it is on the disk."""


class HighWater:
    """The mark of one database; belongs to its writer."""

    def __init__(self, database: Path) -> None:
        self._path = files.part(database, SUFFIX)
        self._mark: Mark | None = None
        """None until what it promises was looked for."""
        self._said, self._saved_s = False, 0.0
        self.shortfall = ""
        """What was on the disk once and is not there any more, in words."""

    @property
    def seq(self) -> int:
        """How far the journal had come."""
        if self._mark is None:
            self._mark = load(self._path)
        return self._mark.seq

    def miss(self, seq: int, back: Sequence[EventRow]) -> bool:
        """Whether a database that counts up to `seq` has lost something, of which `back` were put back."""
        lost = max(len(back), self.seq - seq)
        if lost > 0:
            assert self._mark is not None
            self._mark.untold = _words(lost, back)[:_WORDS]
            log.error("journal=short lost=%d put_back=%s", lost, ",".join(row.id for row in back))
        self.shortfall = self._mark.untold if self._mark else ""
        return lost > 0

    def told(self) -> None:
        """Written with the next mark, so that it is rather told twice than not at all."""
        if self._mark is not None:
            self._mark.untold = ""

    def reached(self, seq: int, at_s: float, *, readings_alone: bool = False) -> None:
        """Everything up to `seq` has reached the disk by `at_s`."""
        if self._mark is None or (readings_alone and 0.0 <= at_s - self._saved_s < READINGS_EVERY_S):
            return
        self._mark.seq, self._saved_s = seq, at_s
        self._save(self._mark)

    def _save(self, mark: Mark) -> None:
        """Write it in the place of the older one and wait for the disk."""
        mark.count += 1
        try:
            fd = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o640)
            try:
                os.pwrite(fd, _place(mark), (mark.count % 2) * _PLACE_BYTES)
                os.fdatasync(fd)
            finally:
                os.close(fd)
        except OSError as e:
            if not self._said:
                log.warning("%s not written: %s", self._path.name, e)
            self._said = True
        else:
            self._said = False


def load(path: Path) -> Mark:
    """The newer of the two places that are whole; an empty mark where there is none."""
    try:
        raw = path.read_bytes()
    except OSError:
        return Mark()
    found = [m for n in (0, 1) if (m := _read(raw[n * _PLACE_BYTES : (n + 1) * _PLACE_BYTES])) is not None]
    return max(found, key=lambda m: m.count, default=Mark())


def forget(database: Path) -> None:
    """A person put another journal in this one's place on purpose: nothing is missing then."""
    files.part(database, SUFFIX).unlink(missing_ok=True)


def _words(lost: int, back: Sequence[EventRow]) -> str:
    """`lost` rows were missing, those of `back` are there again."""
    said = "1 record that was" if lost == 1 else f"{lost} records that were"
    text = f"The journal has lost {said} on the disk; was its log damaged, or an old copy put in its place?"
    if back:
        named = "; ".join(_name(row) for row in reversed(back[-_TOLD:]))
        more = f" and {len(back) - _TOLD} more" if len(back) > _TOLD else ""
        text += f" These entries were put back from the list beside it: {named}{more}."
    if lost > len(back):
        text += " The rest were readings or the daemon's own notes."
    return text


def _name(row: EventRow) -> str:
    at = dt.datetime.fromtimestamp(row.at_ms / 1000, dt.UTC).strftime("%Y-%m-%d %H:%M UTC")
    where = f" of {row.tank}" if row.tank else ""
    return f"{row.kind.replace('_', ' ')}{where}, {at} (id {row.id})"


def _place(mark: Mark) -> bytes:
    said = {"seq": mark.seq, "count": mark.count, "untold": mark.untold}
    body = json.dumps(said, ensure_ascii=False, separators=(",", ":")).encode()
    return (b"%08x %s\n" % (zlib.crc32(body), body)).ljust(_PLACE_BYTES, b" ")


def _read(place: bytes) -> Mark | None:
    try:
        text = place.rstrip(b" \n")
        if int(text[:8], 16) != zlib.crc32(text[9:]):
            return None
        found: dict[str, Any] = json.loads(text[9:])
        return Mark(int(found["seq"]), int(found["count"]), str(found.get("untold", "")))
    except (ValueError, TypeError, KeyError, RecursionError):
        return None
