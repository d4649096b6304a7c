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
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rushlight.events import KINDS, Event
from rushlight.journal import files

log = logging.getLogger(__name__)

SUFFIX = ".mark"
NAMED = 24
"""So many of the newest entries are known by name."""
_TOLD = 6
_PLACE_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Named:
    """One entry of which the mark knows: enough to tell a person what to enter again."""

    id: str
    kind: str
    tank: str
    at_s: float


@dataclass(slots=True)
class Mark:
    """Arrival number of the newest row on the disk, and the newest entries, oldest first."""

    seq: int = 0
    entries: deque[Named] = field(default_factory=lambda: deque(maxlen=NAMED))
    count: int = 0
    """How often a mark was written; the greater of two is the newer."""


class HighWater:
    """The mark of one database; belongs to its writer."""

    def __init__(self, database: Path) -> None:
        self._path = files.part(database, SUFFIX)
        self._mark: Mark | None = None
        """None until what it promises was looked for."""
        self._coming: dict[str, Named] = {}
        self._said = False
        self.shortfall = ""
        """What was on the disk once and is not there any more, in words."""

    def look(self, seq: int, has: Callable[[str], bool]) -> int:
        """Miss what was once said to be on the disk, in a database that counts up to `seq`.

        `has` tells whether an entry is in it.  Returns how far the counting has come, so that no number is given out
        twice.
        """
        mark = load(self._path) if self._mark is None else self._mark
        gone = [e for e in mark.entries if not has(e.id)]
        lost = max(len(gone), mark.seq - seq)
        if lost > 0:
            self.shortfall = _words(gone, lost)
            log.error("journal=short lost=%d ids=%s", lost, ",".join(e.id for e in gone))
            mark.entries = deque((e for e in mark.entries if e not in gone), maxlen=NAMED)
        self._mark = mark
        return max(seq, mark.seq)

    def coming(self, event: Event) -> None:
        """An event that is about to be written; those that people enter are known by name."""
        if event.kind in KINDS:
            self._coming[event.id] = Named(event.id, event.kind, getattr(event, "tank", None) or "", event.at_s)

    def reached(self, seq: int, written: Callable[[str], bool]) -> None:
        """Everything up to `seq` has reached the disk, and of what was coming that which `written` tells."""
        coming, self._coming = self._coming, {}
        if self._mark is not None:
            self._mark.seq = seq
            self._mark.entries.extend(e for e in coming.values() if written(e.id))
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


def _words(gone: Sequence[Named], lost: int) -> str:
    """`lost` rows are missing, those of `gone` by name."""
    said = "1 record that was" if lost == 1 else f"{lost} records that were"
    text = f"The journal has lost {said} on the disk; was its log damaged, or an old copy put in its place?"
    if gone:
        named = "; ".join(_name(e) for e in reversed(gone[-_TOLD:]))
        more = f" and {len(gone) - _TOLD} more" if len(gone) > _TOLD else ""
        text += f" Look for these entries, and enter again what is missing: {named}{more}."
    return text


def _name(entry: Named) -> str:
    at = dt.datetime.fromtimestamp(entry.at_s, dt.UTC).strftime("%Y-%m-%d %H:%M UTC")
    where = f" of {entry.tank}" if entry.tank else ""
    return f"{entry.kind.replace('_', ' ')}{where}, {at} (id {entry.id})"


def _place(mark: Mark) -> bytes:
    entries = [[e.id, e.kind, e.tank, e.at_s] for e in mark.entries]
    while True:
        body = json.dumps({"seq": mark.seq, "count": mark.count, "entries": entries}, separators=(",", ":")).encode()
        whole = b"%08x %s\n" % (zlib.crc32(body), body)
        if len(whole) <= _PLACE_BYTES or not entries:
            return whole[:_PLACE_BYTES].ljust(_PLACE_BYTES, b" ")
        entries = entries[1:]


def _read(place: bytes) -> Mark | None:
    try:
        text = place.rstrip(b" \n")
        if int(text[:8], 16) != zlib.crc32(text[9:]):
            return None
        found: dict[str, Any] = json.loads(text[9:])
        entries = deque((Named(str(e[0]), str(e[1]), str(e[2]), float(e[3])) for e in found["entries"]), maxlen=NAMED)
        return Mark(int(found["seq"]), entries, int(found["count"]))
    except (ValueError, TypeError, KeyError, IndexError, RecursionError):
        return None
