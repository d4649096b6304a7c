"""Which pictures stay: none that was undone, none past its age, and of the rest what fits the bound.

Owns that choice.  Thinned out are those whose neighbours in time are near for their age, so that a year ago, twelve
weeks and four weeks are there to be seen after ten years as after one.  What no entry names goes first, but only for
want of room: a journal that lost its entries must not cost the pictures.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from rushlight.events import Growth
from rushlight.journal.pictures.kept import Held, Pictures, copy_missing
from rushlight.journal.reader import Reader
from rushlight.localtime import DAY_S

YOUNG_S = 90 * DAY_S
"""Pictures of the last weeks are thinned out last."""
ROOM = 0.95
"""Of the bound are used after the night's upkeep: room for the next day's."""


@dataclass(frozen=True, slots=True)
class Dated:
    """One picture of one tank, by its entry."""

    at_s: float
    tank: str
    name: str


def dated(entries: Iterable[Growth]) -> list[Dated]:
    """The entries' pictures in order of time."""
    return sorted((Dated(e.at_s, e.tank, e.picture) for e in entries if e.picture), key=lambda d: (d.at_s, d.name))


def tend(pictures: Pictures, copies: Pictures | None, reader: Reader, now_s: float, *, most_days: int) -> list[str]:
    """One night's upkeep: delete what goes, also among the copies, and copy what is new; returns what went.

    A picture that an entry names and that is gone comes back from the copies.  Raises OSError, UnreadableError.
    """
    stand, back = reader.of_kind("growth")
    shown = dated(e for e in stand if isinstance(e, Growth))
    undone = {e.picture for e in back if isinstance(e, Growth) and e.picture} - {d.name for d in shown}
    gone = superfluous(shown, undone, pictures.held(), now_s, most_bytes=pictures.most_bytes, most_days=most_days)
    for name in gone:
        pictures.drop(name)
    if copies is not None:
        for name in {*gone, *undone}:
            copies.drop(name)
        named = {d.name for d in shown if now_s - d.at_s <= most_days * DAY_S} - set(gone)
        copy_missing(copies, pictures, named.__contains__)
        copy_missing(pictures, copies)
    return gone


def superfluous(
    shown: Iterable[Dated],
    undone: Iterable[str],
    held: Mapping[str, Held],
    now_s: float,
    *,
    most_bytes: int,
    most_days: int,
) -> list[str]:
    """Names of the files to delete, in order of name.

    `shown` are the pictures that standing entries name, `undone` those that entries named which were taken back; of a
    picture that two entries name the newest counts.
    """
    newest = {d.name: d for d in sorted(shown, key=lambda d: d.at_s)}
    gone = {n for n in undone if n in held and n not in newest}
    gone |= {n for n, d in newest.items() if n in held and now_s - d.at_s > most_days * DAY_S}
    excess = sum(h.bytes for n, h in held.items() if n not in gone) - ROOM * most_bytes
    for name in sorted((n for n in held if n not in newest and n not in gone), key=lambda n: (held[n].written_s, n)):
        if excess <= 0:
            break
        gone.add(name)
        excess -= held[name].bytes
    left = [d for n, d in newest.items() if n in held and n not in gone]
    return sorted(gone | _thinned(left, held, now_s, excess))


def _thinned(left: list[Dated], held: Mapping[str, Held], now_s: float, excess: float) -> set[str]:
    """Least missed first: the gap that a picture's loss leaves, as a share of its age."""
    before: dict[str, Dated | None] = {}
    after: dict[str, Dated | None] = {}
    for tank in {d.tank for d in left}:
        own = sorted((d for d in left if d.tank == tank), key=lambda d: (d.at_s, d.name))
        for n, d in enumerate(own):
            before[d.name] = own[n - 1] if n else None
            after[d.name] = own[n + 1] if n + 1 < len(own) else None

    def missed(d: Dated) -> float:
        one, other = before[d.name], after[d.name]
        if one is None or other is None:  # a tank's first and its last are what all others are compared with
            return float("inf")
        return (other.at_s - one.at_s) / max(YOUNG_S, now_s - d.at_s)

    heap = [(missed(d), d.at_s, d.name, d) for d in left]
    heapq.heapify(heap)
    gone: set[str] = set()
    while excess > 0 and heap:
        worth, at_s, name, d = heapq.heappop(heap)
        if name in gone:
            continue
        if worth != (now_worth := missed(d)):
            heapq.heappush(heap, (now_worth, at_s, name, d))
            continue
        gone.add(name)
        excess -= held[name].bytes
        one, other = before[name], after[name]
        if one is not None:
            after[one.name] = other
        if other is not None:
            before[other.name] = one
    return gone
