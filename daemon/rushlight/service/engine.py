"""The engine: one thread that owns the core and the database.

Everything that happens comes through its bounded queue: samples from links, entries from people, results from
outlets.  For each event it steps the core and writes event, effects and outbox rows in one transaction; what a
person entered and whatever may tell a person is committed before anybody hears of it, plain readings in batches.
Never sends anything and never waits for a device or the network.
"""

from __future__ import annotations

import contextlib
import dataclasses
import logging
import queue
import threading
import uuid
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from typing import Any, Literal, TypeVar

from rushlight.clock import Clock
from rushlight.core import questions
from rushlight.core.step import Core, SiteState
from rushlight.core.timeline import Timeline
from rushlight.core.unfinished import unfinished
from rushlight.core.view import site_view
from rushlight.effects import AlarmChange, Effect, Message, Remark, TestRead
from rushlight.entry import entered
from rushlight.entry.receipt import Receipt
from rushlight.events import Condition, ConditionName, Correction, Event, Reading, Started, Supply
from rushlight.host import memory
from rushlight.intake import stamping
from rushlight.intake.polling import Pledge
from rushlight.intake.trust import Restamp, Stepped, TimeLine
from rushlight.journal.rows import Recorded, whole_ms
from rushlight.journal.store import Journal
from rushlight.service import snapshots
from rushlight.settings import Config
from rushlight.views import OutletView, SiteView
from rushlight_drivers import Sample

log = logging.getLogger(__name__)
T = TypeVar("T")

QUEUE_ITEMS = 10_000
"""Beyond this the newest samples are dropped and counted; entries and results wait for room instead."""
LAG_S = 2.0
"""Time's own ticks run this much behind, so that a sample on its way is not overtaken by its own silence."""
SNAPSHOT_EVERY_S = 6 * 3600.0
_LOOK_EVERY_S = 2.0
"""What arrives wakes the engine at once; time alone does so this often."""
_REACHED = "core reached"
"""Name under which the journal remembers how far time's ticks had come."""
_RETRY_EVERY_S = 60.0
_ANSWERS_KEPT = 100
_MEND_EVERY_S = 1.0
_PROGRESS_EVENTS = 5_000
_CHECKPOINT_EVERY_S = 3600.0


class UnansweredError(TimeoutError):
    """The engine had begun and did not end in time: what was asked for may still come about."""


class Engine:
    """Owns the core's state and the journal; every method but `run` may be called from any thread."""

    def __init__(
        self,
        config: Config,
        journal: Journal,
        clock: Clock,
        *,
        boot_id: str,
        synchronised: Callable[[], bool],
        progress: Callable[[], None] = lambda: None,
    ) -> None:
        self.config, self.journal, self.clock = config, journal, clock
        self.core = Core(config)
        self.timeline = Timeline(self.core, self.core.initial())
        self._boot_id, self._synchronised, self._progress = boot_id, synchronised, progress
        self._thread: int | None = None
        self._inbox: queue.Queue[Callable[[], None]] = queue.Queue(QUEUE_ITEMS)
        self._version = snapshots.version(config)
        self._batch: list[Recorded] = []
        self._next_s: dict[str, float] = {}
        self._pledges: dict[str, Pledge] = {}
        """By link: what is to be confirmed after the next commit."""
        self._conditions: dict[tuple[str, str], str] = {}
        self._snapped_untrusted = self._restamp_due = False
        self._storage_said: str | None = None
        """The trouble with the disk of which the alarm has been told; None: it has not been told anything yet."""
        self._unread: dict[str, str] = {}
        """Probes that cannot be read, and why, so that each is logged once."""
        self._replaced = journal.report().replaced
        self.dropped_samples = 0
        self.answers: dict[str, Receipt] = {}
        """What was answered to the last entries, by their ids."""
        self.every_turn: list[Callable[[float], None]] = []
        """Called on the engine's thread at the end of each turn with the present moment; must not block."""
        self.every_change: list[Callable[[], None]] = []
        """Called after something was written that others may want to show."""
        self.outlets: list[Callable[[], Sequence[OutletView]]] = []
        """Asked on the engine's thread how news leaves the daemon; must not block."""
        trusted = synchronised()
        self._rebuild(past_lost=journal.past_lost)
        reached_s = self.timeline.state.at_s
        self.time = TimeLine(clock.wall_s(), clock.mono_s(), trusted=trusted, last_s=reached_s)
        self.paused_s = 0.0 if reached_s is None else max(0.0, self.now_s() - reached_s)
        """How long nobody was watching before this start."""
        self.evaluated_mono_s: float | None = None

    # ------------------------------------------------------------------ from other threads

    def hand(self, samples: Sequence[Sample], pledge: Pledge | None = None) -> bool:
        """Samples from a link; never blocks.  False: the queue is full, and they were dropped and counted.

        Those with a pledge are not counted: whoever has them keeps them, and hands them again.
        """
        try:
            self._inbox.put_nowait(lambda: self._take_samples(samples, pledge))
        except queue.Full:
            self.dropped_samples += 0 if pledge else len(samples)
            return False
        return True

    def submit(self, event: Event, timeout_s: float = 10.0) -> Receipt:
        """An entry by a person; returns once it is known where it is kept, or that this can't be known in time.

        Raises TimeoutError when the engine is too busy to take it, and ValueError for a correction of nothing.
        """
        known = event if event.id else dataclasses.replace(event, id=str(uuid.uuid4()))
        try:
            return self.do(lambda: self.enter_checked(known), timeout_s)
        except UnansweredError as e:
            return Receipt(known.id, kept="unknown", why=str(e))

    def do(self, work: Callable[[], T], timeout_s: float = 10.0) -> T:
        """Run `work` on the engine's thread and return what it returns; raises what it raises, or TimeoutError.

        After a plain TimeoutError it has not run and never will; `UnansweredError`: nobody knows.
        Called on that thread itself, it runs at once instead of waiting for itself.
        """
        if threading.get_ident() == self._thread:
            return work()
        future: Future[T] = Future()

        def run() -> None:
            if not future.set_running_or_notify_cancel():
                return
            try:
                future.set_result(work())
            except Exception as e:  # noqa: BLE001 - it belongs to the caller
                future.set_exception(e)

        try:
            self._inbox.put(run, timeout=timeout_s)
        except queue.Full:
            raise TimeoutError("the engine is too busy") from None
        try:
            return future.result(timeout_s)
        except TimeoutError:
            if future.cancel():
                raise TimeoutError("the engine is too busy") from None
            if not future.done():
                raise UnansweredError("the engine did not answer in time") from None
            return future.result()

    def post(self, work: Callable[[], None]) -> None:
        """Have `work` done on the engine's thread, without waiting for it.  Raises TimeoutError: there is no room."""
        try:
            self._inbox.put(work, timeout=10.0)
        except queue.Full:
            raise TimeoutError("the engine is too busy") from None

    def wake(self) -> None:
        """End the thread's wait for work: it looks at once whether it is to stop."""
        with contextlib.suppress(queue.Full):  # then it does not wait
            self._inbox.put_nowait(lambda: None)

    def view(self) -> SiteView:
        """The installation as it stands now."""
        return self.do(self.picture)

    def ask(self, question: Callable[[Core, SiteState, float], T]) -> T:
        """Put a question of `core.questions` about this moment to the core, on the engine's thread; changes nothing."""

        def answer() -> T:
            state = self.timeline.state
            return question(self.core, state, max(self.now_s(), state.at_s or 0.0))

        return self.do(answer)

    def now_s(self) -> float:
        """The time line's present moment, Unix seconds."""
        return self.time.at(self.clock.mono_s())

    # ------------------------------------------------------------------ the thread

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set, then write what is left and a snapshot."""
        self.begin()
        while not stop.is_set():
            self._progress()
            self.once(_LOOK_EVERY_S)
        self.flush(urgent=True)
        self.snapshot()

    def once(self, wait_s: float) -> None:
        """One turn: what is in the queue, then what time brings.  Whoever calls this owns the engine."""
        self._thread = threading.get_ident()
        try:
            self._inbox.get(timeout=wait_s)()
            while True:
                self._inbox.get_nowait()()
        except queue.Empty:
            pass
        self._look_at_clock()
        now_s = self.now_s()
        self._act([], self.timeline.advance(now_s - LAG_S))
        self._housekeeping(now_s)
        self.evaluated_mono_s = self.clock.mono_s()
        for call in self.every_turn:
            call(now_s)

    def begin(self) -> None:
        """Tell the core and the journal that watching begins anew: before the first turn, and where time made a leap.

        A clock that is trusted may say an earlier time than the core has reached: that one was wrong then.
        """
        reached_s, now_s = self.timeline.state.at_s or 0.0, self.now_s()
        at_s = now_s if self.time.trusted else max(now_s, reached_s)
        event = whole_ms(Started(at_s=at_s, id=str(uuid.uuid4()), reached_s=reached_s))
        if at_s < reached_s:
            self.journal.steering.mark_period(_REACHED, "")
            self.journal.outbox.forget_dates_after(at_s)
        effects = self.timeline.feed(event)
        self._act([Recorded(event, self.clock.mono_s(), self.time.trusted)], effects)
        for entry in self.journal.take_missing():  # late, as what is typed a day later is: nobody was silent till then
            self.enter(dataclasses.replace(entry, received_s=max(at_s, self.now_s())))

    def _take_samples(self, samples: Sequence[Sample], pledge: Pledge | None = None) -> None:
        for sample in samples:
            if sample.trouble:
                log.debug("probe=%s trouble=%s detail=%r", sample.channel, sample.trouble, sample.detail)
            if stamping.says_nothing(sample):
                if self._unread.get(sample.channel) != sample.detail:
                    log.warning("probe=%s state=unread why=%r", sample.channel, sample.detail)
                    self._unread[sample.channel] = sample.detail
                continue
            self._unread.pop(sample.channel, None)
            self._step(stamping.reading(sample, self.time.at), sample.mono_s)
        if pledge is not None:
            self._pledges[pledge.link] = pledge
            if pledge.pressed or not self._batch:
                self.flush(urgent=True)

    def enter_checked(self, event: Event) -> Receipt:
        """Take an entry that a person typed.  Raises ValueError for a correction of what is not in the journal."""
        if isinstance(event, Correction) and not self.journal.has(event.of):
            raise ValueError(f"of: no entry {event.of!r} in the journal; 'rushlight export' shows their ids")
        if self.journal.has(event.id):
            return dataclasses.replace(self.enter(event), understood=entered.of_event(event, self.core.units))
        at_s = max(self.now_s(), self.timeline.state.at_s or 0.0)
        before = questions.tanks_told(self.core, self.timeline.state, at_s, event)
        kept = self.enter(event)
        after = questions.tanks_told(self.core, self.timeline.state, at_s, event)
        said = entered.answer(event, before, after, self.core.zone, self.core.units)
        kept = dataclasses.replace(kept, understood=entered.of_event(event, self.core.units), changed=said)
        self.answers[kept.id] = kept
        while len(self.answers) > _ANSWERS_KEPT:
            del self.answers[next(iter(self.answers))]
        return kept

    def enter(self, event: Event) -> Receipt:
        """Take an entry, on the engine's own thread (or while no thread runs)."""
        event = event if event.id else dataclasses.replace(event, id=str(uuid.uuid4()))
        if self.journal.has(event.id):
            return self._receipt(event.id, new=False)
        now_s = self.now_s()
        if not event.received_s and event.at_s < now_s - LAG_S:
            event = dataclasses.replace(event, received_s=now_s)
        self._step(event, self.clock.mono_s())
        return self._receipt(event.id, new=True)

    def _receipt(self, event_id: str, *, new: bool) -> Receipt:
        """Where an entry is by now; trouble with the disk is told from here on, not when it is next looked for."""
        if not self.journal.holds(event_id):
            return Receipt(event_id, new=new)
        self._mind_storage()
        return Receipt(event_id, new=new, kept="in memory", why=self.journal.report().trouble_sentence)

    def _step(self, event: Event, mono_s: float) -> bool:
        """One event through the core.  It arrives now, so never before the moment the core has reached.

        Returns whether what it led to, if it had to be, is on the disk.
        """
        reached_s = self.timeline.state.at_s
        if reached_s is not None and event.arrived_s < reached_s:
            event = dataclasses.replace(event, received_s=reached_s)
        event = whole_ms(event)
        effects = self.timeline.feed(event)
        return self._act([Recorded(event, mono_s, self.time.trusted)], effects)

    def _act(self, recorded: Sequence[Recorded], effects: Sequence[Effect]) -> bool:
        self._batch += recorded
        for effect in effects:
            if isinstance(effect, AlarmChange):
                log.info("alarm=%s state=%s priority=%s", effect.id, effect.state, effect.priority)
            elif isinstance(effect, Remark):
                log.info("remark=%r", effect.text)
        if not effects and all(isinstance(r.event, Reading) for r in recorded):
            return True
        durable = self.flush(effects, urgent=True)
        for call in self.every_change:
            call()
        return durable

    def put(self, message: Message) -> None:
        """A message that no alarm caused, on the engine's own thread."""
        self.flush([message], urgent=True)

    def flush(self, effects: Sequence[Effect] = (), *, urgent: bool) -> bool:
        """Write the batch and what follows from it, in one transaction; False when the disk would not have it."""
        if not (self._batch or effects):
            self._redeem()
            return True
        urgent = urgent or bool(self._pledges)
        for pledge in self._pledges.values():
            self.journal.note_handed(pledge.link, pledge.identities())
        if effects and self.timeline.state.at_s is not None:  # None: nothing has happened yet
            # Plain readings say themselves how far time had come, and each page written wears the card.
            self.journal.steering.mark_period(_REACHED, f"{self.timeline.state.at_s:.3f}")
        kept = [e for e in effects if not isinstance(e, Remark | TestRead)]  # nothing that a later look needs
        done = self.journal.append(self._batch, kept, urgent=urgent, at_s=self.now_s())
        self._batch = []
        if not urgent:
            self.journal.commit(self.now_s())
        self._redeem()
        return done.durable or not urgent

    def _redeem(self) -> None:
        """Confirm what is on the disk by now: a link hands out again all that is not."""
        if self._pledges and not self.journal.holds_anything:
            for pledge in self._pledges.values():
                pledge.confirm()
            self._pledges.clear()

    # ------------------------------------------------------------------ time, disk, self

    def _look_at_clock(self) -> None:
        seen = self.time.look(self.clock.wall_s(), self.clock.mono_s(), synchronised=self._synchronised())
        match seen:
            case Restamp(shift_s):
                log.warning("clock=restamped shift_s=%.3f trusted=%s", shift_s, self.time.trusted)
                self._restamp()
            case Stepped(by_s, taken):
                log.warning("clock=stepped by_s=%.3f taken=%s", by_s, taken)
                if taken:
                    self.begin()
                else:
                    self.note_condition("clock_untrusted", "raise", "", {"step_s": by_s})
        if self.time.trusted and seen is None:
            self.note_condition("clock_untrusted", "clear", "", {})
        elif not self.time.trusted:
            self.note_condition("clock_untrusted", "raise", "", {})

    def _restamp(self) -> None:
        """Everything of this boot gets its right time, and the state is made again from it.

        While the disk is away there is nothing to make it from: the state goes on, and the rows are moved later.
        """
        self.flush(urgent=True)
        self._restamp_due = not self.journal.report().durable
        if self._restamp_due:
            return
        self.journal.restamp(self._boot_id, self.time.offset_s, self.now_s())
        if self._snapped_untrusted:
            self.journal.drop_snapshots()
            # On the disk before the state is made again, or it would be made from the very snapshot to be dropped.
            self._snapped_untrusted = not self.journal.commit(self.now_s(), urgent=True)
        self.journal.steering.mark_period(_REACHED, "")
        self._rebuild()

    def note_condition(
        self, alarm: ConditionName, says: Literal["raise", "clear"], subject: str, facts: dict[str, Any]
    ) -> None:
        """The daemon's own health, on the engine's own thread; a word repeated costs nothing."""
        if self._conditions.get((alarm, subject), "clear") == says:
            return
        self._conditions[alarm, subject] = says
        event = Condition(
            at_s=self.now_s(),
            id=str(uuid.uuid4()),
            alarm=alarm,
            says=says,
            subject=subject,
            facts=facts,
        )
        self._step(event, self.clock.mono_s())

    def note_supply(self, dips: int) -> None:
        """The board's supply dipped; on the engine's own thread."""
        self._step(Supply(at_s=self.now_s(), id=str(uuid.uuid4()), dips=dips), self.clock.mono_s())

    def _due(self, what: str, every_s: float) -> bool:
        mono_s = self.clock.mono_s()
        if mono_s < self._next_s.setdefault(what, mono_s + every_s):
            return False
        self._next_s[what] = mono_s + every_s
        return True

    def _housekeeping(self, now_s: float) -> None:
        if self._due("flush", self.config.storage.flush_seconds):
            self.flush(urgent=False)
        if self._due("retry", _RETRY_EVERY_S) or (self.journal.trouble and self._due("mend", _MEND_EVERY_S)):
            self._mend_storage(now_s)
        if self.journal.trouble != self._storage_said:
            self._mind_storage()
        if self._due("checkpoint", _CHECKPOINT_EVERY_S):
            self.journal.checkpoint()
        if self._due("snapshot", SNAPSHOT_EVERY_S):
            self.flush(urgent=True)
            self.snapshot()
            memory.give_back()

    def _mend_storage(self, now_s: float) -> None:
        """Try to get the disk back where it is away, and see to what had to wait for it."""
        self.journal.retry(now_s)
        report = self.journal.report()
        if self._restamp_due and report.durable:
            self._restamp()
        if self.journal.past_came_late and report.durable:
            self._take_up_past()
        if report.durable and report.replaced != self._replaced:
            self._replaced = report.replaced
            self.snapshot()  # the new file knows nothing of what was
        self._mind_storage()
        if self.dropped_samples:
            log.warning("dropped_samples=%d", self.dropped_samples)

    def _mind_storage(self) -> None:
        """Tell the alarm of the disk how the disk is."""
        report = self.journal.report()
        self._storage_said = report.trouble
        facts = {"sentence": report.sentence} if report.sentence else {}
        self.note_condition("storage_low", "raise" if report.wants_attention else "clear", "", facts)
        if report.durable:
            self.journal.shortfall_told()

    def _take_up_past(self) -> None:
        """The journal could not be read at the start and can be now: the state is made again, from all of it.

        What happened meanwhile is in it by now; what followed from that has been done and is not done again.
        """
        self.journal.past_came_late = False
        self.flush(urgent=True)
        log.warning("journal=came late, taking up what it holds")
        self._rebuild()
        self.begin()

    def snapshot(self) -> None:
        """Keep the state as it is now, so that a start need not go through the whole record."""
        at_s = self.timeline.state.at_s
        if at_s is not None:
            blob = snapshots.dump(self.timeline.state)
            self.journal.snapshot(self.journal.last_seq, blob, version=self._version, at_s=at_s)
            self._snapped_untrusted |= not self.time.trusted

    def picture(self) -> SiteView:
        """The installation as it stands now, on the engine's own thread."""
        at_s = max(self.now_s(), self.timeline.state.at_s or 0.0)
        outlets = tuple(outlet for ask in self.outlets for outlet in ask())
        view = site_view(self.core, self.timeline.state, at_s, clock_ok=self.time.trusted)
        view = dataclasses.replace(view, outlets=outlets, storage=self.journal.report().trouble_sentence)
        return dataclasses.replace(view, unfinished=unfinished(self.config, self.timeline.state, view))

    def _rebuild(self, *, past_lost: bool = False) -> None:
        """The state from the newest usable snapshot and every event since; what followed from them is done already.

        `past_lost`: another file took the journal's place, or its log was damaged.  How far time had come is still
        known then, but not what was heard until there, and no probe was silent for that.
        """
        state, seq = None, 0
        held = self.journal.latest_snapshot(self._version)
        if held is not None:
            seq, state = held[0], snapshots.load(held[1])
        if state is None:
            state, seq = self.core.initial(), 0
        self.timeline = Timeline(self.core, state)
        for n, stored in enumerate(self.journal.events_since(seq)):
            if n % _PROGRESS_EVENTS == 0:
                self._progress()  # after an upgrade this is the whole history, and takes a small board minutes
            if self._known(stored.event):
                self.timeline.feed(stored.event)
        reached = self.journal.steering.period_done(_REACHED)
        if reached and not past_lost:
            with contextlib.suppress(ValueError):  # a damaged page
                self.timeline.advance(float(reached))
        for standing in questions.tool_alarms(self.core, self.timeline.state):
            self._conditions[standing] = "raise"

    def _known(self, event: Event) -> bool:
        """Whether what the event is about is still in the configuration."""
        inner = event.replacement if isinstance(event, Correction) and event.replacement else event
        probe, tank = getattr(inner, "probe", None), getattr(inner, "tank", None)
        return (probe is None or probe in self.core.probes) and (tank is None or tank in self.core.tanks)
