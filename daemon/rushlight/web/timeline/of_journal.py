"""What the journal says of one tank over a stretch of time: closed days, entries as they stand, alarms rise to end."""

from __future__ import annotations

import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass

from rushlight.effects import AlarmChange, Daily
from rushlight.events import Acknowledge, Correction, Event, Shelve, TankEvent
from rushlight.journal.reader import Reader
from rushlight.localtime import DAY_S, local_date
from rushlight.settings import Priority

MOST_ENTRIES, MOST_ALARMS = 6000, 4000
"""Of the newest: some ten years of a diligent keeper."""
_OVER = frozenset({"returned", "normal", "out_of_service"})


@dataclass(frozen=True, slots=True)
class Episode:
    """One rise of one alarm; `to_s` None while it stands."""

    id: str
    alarm: str
    priority: Priority
    from_s: float
    to_s: float | None
    text: str


@dataclass(frozen=True, slots=True)
class Record:
    """All of it, oldest first."""

    days: Sequence[Daily]
    entries: Sequence[Event]
    episodes: Sequence[Episode]


def read(
    reader: Reader, tank: str, probes: Sequence[str], span_s: tuple[float, float], zone: zoneinfo.ZoneInfo
) -> Record:
    """Three queries."""
    from_s, to_s = span_s
    days = reader.days(tank, local_date(from_s, zone), local_date(to_s, zone))
    stored = [s.event for s in reader.entries(tank, from_s, limit=MOST_ENTRIES)]
    mine = {None, *probes}
    entries = [e for e in standing(stored) if e.at_s <= to_s and getattr(e, "probe", None) in mine]
    # An alarm that rose before the stretch may stand in it: so far back is looked for its rise.
    changes = reader.alarms(from_s - 60 * DAY_S, tank, limit=MOST_ALARMS)
    found = [e for e in episodes(changes) if e.from_s <= to_s and (e.to_s is None or e.to_s >= from_s)]
    return Record(days, entries[::-1], found)


def standing(events: Sequence[Event]) -> list[Event]:
    """Entries as they stand, newest first: the undone ones gone, the corrected ones in their last form."""
    fixes: dict[str, Correction] = {}
    for event in events:
        if isinstance(event, Correction):
            fixes.setdefault(event.of, event)  # the newest comes first, and it is the one that counts
    found: list[Event] = []
    for event in events:
        fix = fixes.get(event.id)
        if isinstance(event, Correction | Acknowledge | Shelve) or (fix and fix.void):
            continue
        replaced = fix.replacement if fix else None
        found.append(replaced if isinstance(replaced, TankEvent) else event)
    return sorted(found, key=lambda e: -e.at_s)


def episodes(changes: Sequence[AlarmChange]) -> list[Episode]:
    """Changes, newest first, as episodes, oldest first."""
    open_: dict[tuple[str, int], Episode] = {}
    for change in reversed(changes):
        key = (change.id, change.occurrence)
        before = open_.get(key)
        over = change.state in _OVER
        if before is None:
            if over or change.state == "shelved":
                continue  # its rise lies before what was read
            open_[key] = Episode(change.id, change.alarm, change.priority, change.at_s, None, change.text)
            continue
        ended = before.to_s if before.to_s is not None else (change.at_s if over else None)
        if not over and change.state == "unacknowledged":
            ended = None  # it came again before anybody had seen it
        text = before.text if over or not change.text else change.text
        open_[key] = Episode(before.id, before.alarm, change.priority, before.from_s, ended, text)
    return sorted(open_.values(), key=lambda e: e.from_s)
