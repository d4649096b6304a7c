"""From the outbox to people: one worker a channel, results back to whoever owns the journal.

Owns the workers, which message is on its way, and which channel stands in for a failing one.  Never touches the
outbox from a worker: `offer` and `settle` are called by the outbox's own thread, and a worker only posts what
came of its one parcel.  A message is closed after success alone; in doubt it goes again under the same key.
"""

from __future__ import annotations

import dataclasses
import logging
import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Protocol

from rushlight.clock import Clock
from rushlight.effects import Message, Purpose, Told
from rushlight.outlets.channel_health import ChannelHealth, Verdict
from rushlight.outlets.result import Done, Later, Never, Outlet, Parcel, Result
from rushlight.settings import Priority

log = logging.getLogger(__name__)

STAND_IN_AFTER_S = 1800.0
"""A message that is not high waits this long for its own channel before another one stands in."""
OLD_S = 900.0
"""A message older than this says so: what it tells of may be over."""
HUNG_S = 360.0
"""A send that has not come back after this, though its deadline is shorter, is given up (a name look-up can hang)."""
MOST_ABANDONED = 3


class Row(Protocol):
    """A waiting message, as the outbox gives it."""

    @property
    def key(self) -> str: ...
    @property
    def channel(self) -> str: ...
    @property
    def contact(self) -> str: ...
    @property
    def priority(self) -> Priority: ...
    @property
    def title(self) -> str: ...
    @property
    def body(self) -> str: ...
    @property
    def tank(self) -> str | None: ...
    @property
    def purpose(self) -> Purpose: ...
    @property
    def alarms(self) -> tuple[Told, ...]: ...
    @property
    def created_ms(self) -> int: ...
    @property
    def tries(self) -> int: ...


class Outbox(Protocol):
    """The durable list of messages.  Keeps the order within an alarm; owned by one thread."""

    def due(self, now_s: float, channel: str | None = None, limit: int = 20) -> Sequence[Row]: ...
    def put(self, message: Message) -> bool: ...
    def sent(self, key: str, channel: str, at_s: float, receipt: str = "") -> None: ...
    def later(self, key: str, channel: str, at_s: float, why: str, wait_s: float | None = None) -> None: ...
    def release(self, channel: str, at_s: float) -> None: ...
    def never(self, key: str, channel: str, at_s: float, why: str) -> None: ...
    def drop(self, key: str, at_s: float, why: str) -> None: ...


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one parcel or, with `row` None, of a check of the channel's credentials.

    `result` None: the channel has no way to be checked, so nothing was learned.
    """

    channel: str
    job: int
    row: Row | None
    result: Result | None


@dataclass(slots=True)
class _Lane:
    """One channel: its worker's inbox and what the worker is at."""

    outlet: Outlet
    inbox: queue.Queue[tuple[int, Row | None, Parcel | None] | None]
    health: ChannelHealth
    thread: threading.Thread | None = None
    job: int = 0
    """The running job's number, 0 for none."""
    row: Row | None = None
    since_mono_s: float = 0.0
    abandoned: int = 0
    peace_until_mono_s: float = 0.0
    """Until then the receiver has asked to be left in peace."""


class Delivery:
    """The workers and what they are at.

    `parcel` makes what is sent of a row; `route` names a contact's channels in order; `post` takes an `Outcome`
    from a worker's thread and must not block for long.  `failing_since_s`: channels that earlier runs of the daemon
    failed on, and since when, Unix seconds.
    """

    def __init__(
        self,
        outlets: Mapping[str, Outlet],
        outbox: Outbox,
        clock: Clock,
        *,
        parcel: Callable[[Row], Parcel],
        route: Callable[[str], Sequence[str]],
        post: Callable[[Outcome], None],
        failing_since_s: Mapping[str, float] = MappingProxyType({}),
    ) -> None:
        self._outbox, self._clock, self._parcel, self._route, self._post = outbox, clock, parcel, route, post
        self._lanes = {n: _Lane(o, queue.Queue(), ChannelHealth(n)) for n, o in outlets.items()}
        self._failing_since_s = dict(failing_since_s)
        self._jobs = 0

    # -- called by the outbox's own thread -----------------------------------------------------------------

    def start(self) -> None:
        """Start the workers."""
        for name, lane in self._lanes.items():
            self._start(name, lane)

    def stop(self, timeout_s: float = 5.0) -> None:
        """Ask the workers to end and wait for them; what is on its way stays in the outbox."""
        for lane in self._lanes.values():
            lane.inbox.put(None)
        for lane in self._lanes.values():
            if lane.thread is not None:
                lane.thread.join(timeout_s)

    def offer(self, now_s: float) -> int:
        """Give each idle worker its next message; returns how many were given."""
        given = 0
        for name, lane in self._lanes.items():
            self._give_up_on_hung(name, lane)
            row = None if lane.job else self._next(name, lane, now_s)
            if row is not None:
                self._give(lane, row, _aged(row, self._parcel(row), now_s))
                given += 1
        return given

    def _next(self, name: str, lane: _Lane, now_s: float) -> Row | None:
        """The channel's next message; while its receiver wants peace, none but a high one that was not tried yet."""
        peace_s = lane.peace_until_mono_s - self._clock.mono_s()
        while rows := self._outbox.due(now_s, name, 20):
            if peace_s <= 0 or (rows[0].priority == "high" and not rows[0].tries):
                return rows[0]
            for row in rows:
                if row.priority != "high" or row.tries:
                    self._write(row, Later("its receiver has asked for a pause", max(1.0, peace_s)), now_s)
        return None

    def check(self, channel: str) -> bool:
        """Have the channel prove its credentials; False if it is busy or does not exist."""
        lane = self._lanes.get(channel)
        if lane is None or lane.job:
            return False
        self._give(lane, None, None)
        return True

    def settle(self, outcome: Outcome, now_s: float, *, clock_ok: bool = True) -> Verdict | None:
        """Write down what came of a parcel, let another channel stand in, and say if the channel's health changed.

        `clock_ok` says whether `now_s` can be held against a certificate, and against what an earlier run wrote.
        """
        lane, result = self._lanes[outcome.channel], outcome.result
        if outcome.job == lane.job:
            lane.job, lane.row = 0, None
        elif not isinstance(result, Done):
            return None  # given up on before, and nothing new
        if result is None:
            return None
        mono_s = self._clock.mono_s()
        if outcome.row is not None:
            self._write(outcome.row, result, now_s)
        if isinstance(result, Done):
            self._outbox.release(outcome.channel, now_s)
            self._failing_since_s.pop(outcome.channel, None)
        elif isinstance(result, Later) and result.after_s is not None:
            lane.peace_until_mono_s = max(lane.peace_until_mono_s, mono_s + result.after_s)
        until_s = lane.outlet.certificate_until_s if clock_ok else None
        since_s = self._failing_since_s.get(outcome.channel, now_s) if clock_ok else now_s
        return lane.health.hear(
            result,
            mono_s,
            None if until_s is None else until_s - now_s,
            sent=outcome.row is not None,
            failed_before_s=max(0.0, now_s - since_s),
        )

    def health(self) -> dict[str, ChannelHealth]:
        """Every channel's record."""
        return {name: lane.health for name, lane in self._lanes.items()}

    def stuck(self) -> list[str]:
        """Channels whose worker has died or been given up on too often; the process should start anew."""
        return [
            name
            for name, lane in self._lanes.items()
            if lane.abandoned > MOST_ABANDONED or (lane.thread is not None and not lane.thread.is_alive())
        ]

    # -- one message ---------------------------------------------------------------------------------------

    def _give(self, lane: _Lane, row: Row | None, parcel: Parcel | None) -> None:
        self._jobs += 1
        lane.job, lane.row, lane.since_mono_s = self._jobs, row, self._clock.mono_s()
        lane.inbox.put((self._jobs, row, parcel))

    def _write(self, row: Row, result: Result, now_s: float) -> None:
        match result:
            case Done(receipt):
                self._outbox.sent(row.key, row.channel, now_s, receipt)
                if row.priority != "high" or self._is_first(row):
                    self._outbox.drop(row.key, now_s, f"delivered by {row.channel}")
                log.info("outbox=sent channel=%s key=%s", row.channel, row.key)
                return
            case Later(why, after_s):
                self._outbox.later(row.key, row.channel, now_s, why, after_s)
                # Nobody waits for a receiver that puts it off for longer, nor for a clock that went back behind it.
                age_s = now_s - row.created_ms / 1000
                waits = row.priority != "high" and 0 <= age_s < STAND_IN_AFTER_S - (after_s or 0.0)
            case Never(why):
                self._outbox.never(row.key, row.channel, now_s, why)
                waits = False
        log.warning("outbox=%s channel=%s key=%s why=%r", type(result).__name__.lower(), row.channel, row.key, why)
        if not waits and row.purpose == "alarm":
            self._stand_in(row)

    def _is_first(self, row: Row) -> bool:
        return next(iter(self._route(row.contact)), row.channel) == row.channel

    def _stand_in(self, row: Row) -> None:
        """Put the message on the contact's next channel too, under the same key; once, for the key is known then."""
        channels = [c for c in self._route(row.contact) if c in self._lanes]
        after = channels[channels.index(row.channel) + 1 :] if row.channel in channels else channels
        if not after:
            return
        self._outbox.put(
            Message(
                at_s=row.created_ms / 1000,
                tank=row.tank,
                key=row.key,
                channel=after[0],
                contact=row.contact,
                priority=row.priority,
                title=row.title,
                body=row.body,
                purpose=row.purpose,
                alarms=row.alarms,
            )
        )

    def _give_up_on_hung(self, name: str, lane: _Lane) -> None:
        if not lane.job or self._clock.mono_s() - lane.since_mono_s < HUNG_S:
            return
        log.error("outlet=%s hung_s=%.0f", name, self._clock.mono_s() - lane.since_mono_s)
        lane.abandoned += 1
        lane.inbox.put(None)  # should its try end after all, so does the worker that nobody feeds any more
        lane.inbox = queue.Queue()
        outcome = Outcome(name, lane.job, lane.row, Later("no answer, and the try did not end"))
        if lane.thread is not None:
            self._start(name, lane)
        self._post(outcome)

    def work_off(self, channel: str) -> bool:
        """Do what waits for the channel's worker on the caller's thread, for who called no `start`; False: nothing."""
        lane = self._lanes[channel]
        try:
            item = lane.inbox.get_nowait()
        except queue.Empty:
            return False
        if item is not None:
            self._try(channel, lane.outlet, *item)
        return item is not None

    # -- the worker's thread -------------------------------------------------------------------------------

    def _start(self, name: str, lane: _Lane) -> None:
        inbox = lane.inbox
        lane.thread = threading.Thread(
            target=self._work, args=(name, lane.outlet, inbox), name=f"outlet-{name}", daemon=True
        )
        lane.thread.start()

    def _work(
        self, name: str, outlet: Outlet, inbox: queue.Queue[tuple[int, Row | None, Parcel | None] | None]
    ) -> None:
        while (item := inbox.get()) is not None:
            self._try(name, outlet, *item)

    def _try(self, name: str, outlet: Outlet, job: int, row: Row | None, parcel: Parcel | None) -> None:
        try:
            result = outlet.check() if parcel is None else outlet.send(parcel)
        except Exception as e:  # noqa: BLE001 - a defect in a channel must not lose the message or the worker
            # The exception's text could quote a credential; its type and place can't.
            where = _place(e)
            log.error("outlet=%s defect=%s at=%s", name, type(e).__name__, where)  # noqa: TRY400
            result = Later(f"a defect in this program ({type(e).__name__} at {where})")
        self._post(Outcome(name, job, row, result))


def _aged(row: Row, parcel: Parcel, now_s: float) -> Parcel:
    """The parcel, with its age in the text if an outage held it up."""
    age_s = now_s - row.created_ms / 1000
    if age_s < OLD_S or row.purpose != "alarm":
        return parcel
    age = f"{age_s / 3600:.0f} h" if age_s >= 5400 else f"{age_s / 60:.0f} min"
    return dataclasses.replace(parcel, body=f"{parcel.body} (Written {age} ago; it could not be sent before.)")


def _place(error: BaseException) -> str:
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    if trace is None:
        return "?"
    code = trace.tb_frame.f_code
    return f"{code.co_filename.rsplit('/', 1)[-1]}:{trace.tb_lineno}"
