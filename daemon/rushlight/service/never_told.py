"""What stands though nobody was ever told: found out after each start and recovery of a channel, and told then.

An alarm may have risen while no channel was set up, or none that works; the core of that time had nobody to tell, or
believes that its message arrived.  The outbox knows better.  What it shows goes to the core as an event, so that the
state made again from the journal is the same.  Runs on the engine's own thread; sends nothing itself.
"""

from __future__ import annotations

import logging
import uuid
from collections.abc import Iterable, Sequence

from rushlight.core import questions
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
    for alarm, subject in engine.ask(lambda core, state, _at_s: questions.tool_alarms(core, state)):
        if alarm == "delivery_failing" and subject not in channels:
            engine.note_condition("delivery_failing", "clear", subject, {})


def tell(engine: Engine) -> None:
    """Have the core tell what stands and, by the outbox, nobody was told of.  Raises UnreadableError."""
    standing_s = engine.ask(lambda _core, state, _at_s: questions.expected_to_be_known(state))
    if not standing_s:
        return
    with engine.journal.reader() as reader:
        rows = reader.messages_since(min(standing_s.values()) - 1.0)
    rows += engine.journal.outbox.waiting()
    untold = questions.never_told(standing_s, delivered(rows, "sent", "waiting"))
    if untold:
        log.warning("untold=%s", ",".join(untold))
        engine.enter(Untold(at_s=engine.now_s(), id=str(uuid.uuid4()), alarms=untold))


def delivered(rows: Iterable[Row], *states: str) -> list[questions.Delivered]:
    """The messages in one of these states, as the core judges them."""
    return [questions.Delivered(row.created_ms / 1000, row.alarms) for row in rows if row.state in states]
