"""The journal as event lines, ordered by when things were done, and back.

Works day piece by day piece, so that neither way needs the memory of a whole history.  A reading has no id on
the disk; its line is given `<probe>@<ms since 1970>`, with `.2` and so on where one probe has several readings
in one millisecond, so that importing a line twice leaves one reading.
"""

from __future__ import annotations

import hashlib
import re
import sqlite3
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple, TextIO

from rushlight.eventlines import format_line, parse_line
from rushlight.events import INTERNAL_KINDS, Event, Reading, Tick
from rushlight.journal import history, rows
from rushlight.journal.reader import Reader, UnreadableError
from rushlight.journal.schema import BUCKET_MS
from rushlight.journal.store import Journal

PIECE_MS = 6 * 3600 * 1000
BATCH = 5_000
_FOREVER = 2**62
_ORDINAL = re.compile(r"@-?\d+\.(\d+)$")


# ---------------------------------------------------------------------- out


def export(path: Path, out: TextIO, *, since_s: float | None = None, until_s: float | None = None) -> int:
    """Write the events done from `since_s` until before `until_s`; returns the number of lines.

    What the daemon notes about itself is left out.  Raises UnreadableError, OSError.
    """
    n = 0
    for line in lines(path, since_s=since_s, until_s=until_s):
        out.write(line + "\n")
        n += 1
    return n


def lines(path: Path, *, since_s: float | None = None, until_s: float | None = None) -> Iterator[str]:
    """The same, line by line without the newline."""
    for event in events(path, since_s=since_s, until_s=until_s):
        yield format_line(event)


def events(path: Path, *, since_s: float | None = None, until_s: float | None = None) -> Iterator[Event]:
    """The same as events, each with its id.

    What a damaged page turned into nonsense is left out, and `UnreadableError` says so at the end of the rest.
    """
    left_out: list[tuple[Any, ...]] = []
    end = _FOREVER if until_s is None else rows.ms(until_s)
    start = -_FOREVER if since_s is None else rows.ms(since_s)
    while True:
        with Reader(path) as reader:
            begin = reader.first_ms(start, end)
            if begin is None:
                break
            start = min(end, begin + PIECE_MS)
            piece = sorted(_piece(reader, begin, start, left_out), key=lambda found: found[:2])
        yield from _identified(piece)
    if left_out:
        raise UnreadableError(f"{len(left_out)} damaged entries of {path.name} were left out; the rest is written")


class _Found(NamedTuple):
    at_ms: int
    seq: int
    event: Event


def _piece(reader: Reader, low: int, high: int, left_out: list[tuple[Any, ...]]) -> Iterator[_Found]:
    for seq, at_ms, name, unit, value, flag, received_ms in reader.raw(low, high):
        yield _Found(at_ms, seq, rows.reading(at_ms, name, unit, value, flag, received_ms))
    for seq, bucket_ms, name, unit, n, total in reader.thinned(low, high):
        event = history.mean_reading(bucket_ms, name, unit, n, total)
        yield _Found(rows.ms(event.at_s), seq, event)
    mine = [row for row in reader.event_lines(low, high) if row[2] not in INTERNAL_KINDS]
    yield from rows.readable(mine, lambda row: _Found(row[1], row[0], rows.event(row[3])), left_out.append)


def _identified(piece: Iterable[_Found]) -> Iterator[Event]:
    """Pieces begin on different milliseconds, so counting within one is enough."""
    seen: Counter[tuple[str, int]] = Counter()
    for at_ms, _, event in piece:
        if isinstance(event, Reading):
            seen[event.probe, at_ms] += 1
            n = seen[event.probe, at_ms]
            yield replace(event, id=f"{event.probe}@{at_ms}" + (f".{n}" if n > 1 else ""))
        else:
            yield event


# ---------------------------------------------------------------------- in


def import_lines(journal: Journal, text: Iterable[str | bytes], *, at_s: float) -> int:
    """Take in event lines, all or none; returns how many events were new.

    Raises LineError for the first bad line, OSError when the disk won't take them; nothing is kept then.
    """
    parsed = (parse_line(line, n) for n, line in enumerate(text, start=1) if line.strip())
    return import_events(journal, parsed, at_s=at_s)


def import_events(journal: Journal, source: Iterable[Event], *, at_s: float) -> int:
    """Take in events, all or none; returns how many were new.  What `source` raises undoes everything.

    An event that is there already (its id; for a reading, probe and millisecond) is passed over.  One without
    an id is named after its content, so that it too can be taken in twice.  A reading that falls into ten
    minutes that have been thinned out already is passed over: it may well be among those.
    Raises OSError when the disk won't take them.
    """
    with journal.bulk(at_s) as sink:
        known = _Known(sink.conn, journal.last_seq)
        batch: list[Reading] = []
        new = 0
        for event in source:
            if isinstance(event, Reading):
                batch.append(event)
                if len(batch) >= BATCH:
                    new += sink.readings(known.unknown(batch))
                    batch = []
            elif type(event) is Tick:
                raise ValueError("a tick is no event to keep")
            else:
                # Arrival order is the order of the lines, so the readings before it go first.
                new += sink.readings(known.unknown(batch))
                batch = []
                new += sink.event(event if event.id else replace(event, id=content_id(event)))
        new += sink.readings(known.unknown(batch))
    return new


def content_id(event: Event) -> str:
    """An id made from what the event says: the same words, the same id."""
    return f"line-{hashlib.sha256(format_line(event).encode()).hexdigest()[:24]}"


class _Known:
    """Which readings the journal held before the import began (arrival numbers up to `upto`)."""

    def __init__(self, conn: sqlite3.Connection, upto: int) -> None:
        self._conn, self._upto = conn, upto
        self._seen: Counter[tuple[str, int]] = Counter()
        self._before: Counter[tuple[str, int]] = Counter()

    def unknown(self, batch: list[Reading]) -> list[Reading]:
        """Those of the batch that are new, in order."""
        if not batch:
            return []
        # Lines in order of time repeat a key only close by; the last two batches are enough to look back on.
        self._before, self._seen = self._seen, Counter()
        times = [rows.ms(r.at_s) for r in batch]
        held, thinned = self._held(min(times), max(times) + 1)
        fresh = []
        for at_ms, reading in zip(times, batch, strict=True):
            key = (reading.probe, at_ms)
            self._seen[key] += 1
            given = _ORDINAL.search(reading.id)
            nth = int(given[1]) if given else self._seen[key] + self._before[key]
            if nth > held[key] and (reading.probe, at_ms - at_ms % BUCKET_MS) not in thinned:
                fresh.append(reading)
        return fresh

    def _held(self, low: int, high: int) -> tuple[Counter[tuple[str, int]], set[tuple[str, int]]]:
        raw = history.between(self._conn, low, high)
        held = Counter((name, at_ms) for seq, at_ms, name, *_ in raw if seq <= self._upto)
        means: Iterable[tuple[Any, ...]] = history.means_between(self._conn, low - BUCKET_MS, high + BUCKET_MS)
        return held, {(name, bucket_ms) for _, bucket_ms, name, *_ in means}
