"""What has just been done, said on the screen that comes after it.  Writes nothing."""

from __future__ import annotations

import re
from dataclasses import dataclass

from markupsafe import Markup

from rushlight.entry import entered, firstaid
from rushlight.events import Correction, Event, Test
from rushlight.web import formats
from rushlight.web.serving.page_request import PageRequest

_RECENT = 80


@dataclass(frozen=True, slots=True)
class Notice:
    """What has just been done, and the id by which it can be undone."""

    words: str
    undo: str = ""


def notice(asked: PageRequest) -> Notice | None:
    """What the address says was just done, looked up in the journal."""
    query = asked.request.query
    held = " The disk does not take it just now: it is kept in memory only, and a restart before the disk does would"
    held = f"{held} lose it." if "held" in query else ""
    entry_id = query.get("done") or query.get("undone") or query.get("again") or ""
    if not entry_id:
        return Notice(f"Done.{held}") if held else None
    with asked.daemon.reader() as reader:
        events = [s.event for s in reader.entries(limit=_RECENT)]
        standing = reader.entry(entry_id)
    changed = _changed(asked, query.get("by") or entry_id)
    event = standing or next((e for e in events if e.id == entry_id), None)
    if event is None:
        return Notice(f"Entered.{held}") if "done" in query else None
    said = entered.of_event(event, asked.units)
    gone = any(isinstance(e, Correction) and e.of == entry_id and e.void for e in events)
    if gone:
        return Notice(f"Undone. {said}.{changed}{held}")
    when = formats.shown_moment(event.at_s, asked.daemon.now_s(), asked.zone)
    if "mended" in query:
        return Notice(Markup("Put right. It now says: {}, {}.{}").format(said, when, f"{changed}{held}"), entry_id)
    if "again" in query:
        once = Markup("That was entered already, once: {}, {}.{}").format(said, when, _read(asked, event))
        return Notice(once, entry_id)
    changed = changed or f" {firstaid.now(event, asked.daemon.now_s())}".rstrip()
    more = f"{_read(asked, event)}{changed}{held}{_clock(query.get('clock', ''))}"
    return Notice(Markup("Entered. {}, {}.{}").format(said, when, more), entry_id)


def _changed(asked: PageRequest, entry_id: str) -> str:
    """What an entry changed, as the daemon answered it; empty for one of before its last start."""
    answer = asked.daemon.answered(entry_id)
    return f" {answer.changed}" if answer is not None and answer.changed else ""


def _read(asked: PageRequest, event: Event) -> str:
    """What the test just entered says, where that is more than the pads that were tapped."""
    if not isinstance(event, Test) or (event.picture is None and event.dilution == 1.0):
        return ""
    view = asked.tank_view(event.tank)
    return "".join(f" {words}" for words in view.last_read) if view.last_test_at_s == event.at_s else ""


def _clock(gap: str) -> str:
    """A warning where the phone's clock and ours are far apart; `gap` in seconds, the phone ahead."""
    if not re.fullmatch(r"-?\d{1,12}", gap):
        return ""
    gap_s = int(gap)
    far = entered.length(abs(gap_s))
    return (
        f" Your device's clock is {far} {'ahead of' if gap_s > 0 else 'behind'} this machine's: one of the two is "
        "wrong, and the time above is this machine's. Set it right, or undo and enter it with its time."
    )
