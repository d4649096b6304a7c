"""What stands though nobody was ever told: found out after each start and recovery of a channel, and told then.

An alarm may have risen while no channel was set up, or none that works; the core of that time had nobody to tell, or
believes that its message arrived.  The outbox knows better.  What it shows goes to the core as an event, so that the
state made again from the journal is the same.  Runs on the engine's own thread; sends nothing itself.
"""

from __future__ import annotations

import logging
import uuid
from collections.abc import Iterable, Sequence

from rushlight.events import Untold
from rushlight.journal.outbox import Row
from rushlight.service.engine import Engine

log = logging.getLogger(__name__)


def take_leave(engine: Engine, channels: Sequence[str], at_s: float) -> None:
    """Close what concerns channels that are no longer set up: their waiting messages and the alarm of their failing."""
    outbox = engine.journal.outbox
    gone = [row for row in outbox.waiting() if row.channel not in channels]
    for row in gone:
        log.warning("outbox=never channel=%s key=%s why='no longer set up'", row.channel, row.key)
        outbox.never(row.key, row.channel, at_s, "the channel is no longer set up")
    if gone:
        engine.journal.commit(at_s, urgent=True)
    for alarm in engine.core.book.views(engine.timeline.state.alarms):
        if alarm.alarm == "delivery_failing" and alarm.subject not in channels:
            engine.note_condition("delivery_failing", "clear", alarm.subject, {})


def tell(engine: Engine) -> None:
    """Have the core tell what stands and, by the outbox, nobody was told of.  Raises UnreadableError."""
    state = engine.timeline.state.notify
    held = {alarm_id for h in state.held.values() for alarm_id in h.steps}
    # What was not told and is to be looked at again stands behind an alarm that says more.
    standing_s = {
        i: t.since_s for i, t in state.telling.items() if t.standing and i not in held and (t.told or t.next_s is None)
    }
    if not standing_s:
        return
    with engine.journal.reader() as reader:
        rows = reader.messages_since(min(standing_s.values()) - 1.0)
    rows += engine.journal.outbox.waiting()
    untold = tuple(sorted(i for i, since_s in standing_s.items() if not _heard(rows, i, since_s)))
    if untold:
        log.warning("untold=%s", ",".join(untold))
        engine.enter(Untold(at_s=engine.now_s(), id=str(uuid.uuid4()), alarms=untold))


def _heard(rows: Iterable[Row], alarm_id: str, since_s: float) -> bool:
    """Whether a message that this alarm stands has arrived since it rose, or is on its way."""
    return any(
        row.state in ("sent", "waiting")
        and row.created_ms / 1000 >= since_s - 1.0
        and any(t.alarm == alarm_id and t.step != "return" for t in row.alarms)
        for row in rows
    )
