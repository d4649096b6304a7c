"""Feeds a home-automation hub over MQTT and takes its commands.

Owns when what is published: descriptions on connecting, on the hub's birth message and once a day; states every
`publish_seconds` and at once on `nudge`; an empty retained payload for every description that is no longer
there.  Publishes nothing while the broker is away, so nothing piles up: on return it says what is true then.
Works on a thread of its own and never holds up anything else; what it looks at and what it hands in goes
through the callables that it is given.  With `hub.enabled` false it only clears what was published before.
"""

from __future__ import annotations

import logging
import random
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from rushlight.clock import Clock
from rushlight.entry import doubts
from rushlight.entry.receipt import Receipt, worst
from rushlight.eventlines import LineError
from rushlight.outlets.hub import commands
from rushlight.outlets.hub.broker_link import Happened, Inbox, Link
from rushlight.outlets.hub.commands import Answer, Submit
from rushlight.outlets.hub.entities import FIELDS, Topics, entities, shortened, slug, states, unslug
from rushlight.settings import Config
from rushlight.views import SiteView

log = logging.getLogger(__name__)

SETTLE_S = (2.0, 12.0)
"""A hub takes a moment to listen to what was just described; states are said after the first and again after the
second of these."""
BIRTH_JITTER_S = (1.0, 5.0)
"""Many daemons hear the same birth message; they do not all answer at once."""
DAILY_S = 86_400.0
IN_FLIGHT = 50
REOPEN_S = 60.0
_TURN_S = 1.0
_GOODBYE_S = 2.0
_FIGHT = 5
_FIGHT_S = 60.0


class Published(Protocol):
    """Remembers for good which description topics were ever published and not removed since."""

    def get(self) -> frozenset[str]: ...

    def put(self, topics: frozenset[str]) -> None:
        """Replace what is remembered; on return it survives a restart."""
        ...


@dataclass(frozen=True, slots=True)
class _Outgoing:
    topic: str
    payload: str
    retain: bool = True


class HubOutlet(threading.Thread):
    """Runs until `stop` is set; `progress` is called at least every few seconds while all is well.

    `current_view` gives the present view, or None while there is none; `submit` hands an event in and returns
    once it is kept.  Either may raise; the hub then says less and tries again.  `trouble` is a plain sentence
    for the status page, empty while all is well.
    """

    def __init__(
        self,
        config: Config,
        installation_id: str,
        clock: Clock,
        stop: threading.Event,
        *,
        current_view: Callable[[], SiteView | None],
        submit: Submit,
        published: Published,
        password: str = "",
        progress: Callable[[], None] = lambda: None,
        rng: random.Random | None = None,
    ) -> None:
        super().__init__(name="hub", daemon=True)
        self.trouble = "not connected yet"
        self.since_mono_s = clock.mono_s()
        """Since when it has been in trouble, or without it."""
        self._config, self._hub, self._id = config, config.hub, installation_id
        self._clock, self._stopping, self._progress = clock, stop, progress
        self._view, self._submit, self._published, self._password = current_view, submit, published, password
        self._rng = rng or random.Random()  # noqa: S311 - it only spreads load
        self._topics = Topics(installation_id, config.hub)
        self._listens = config.hub.enabled and bool(config.hub.commands)
        self._farewell = "offline" if config.hub.enabled else ""
        self._fields = commands.fields_of(config)
        self._tanks = {t.id for t in config.tank}
        self._drafts, self._answered = commands.Drafts(), commands.Answered()
        self._wake = threading.Event()
        self._inbox = Inbox(self._wake)
        self._link: Link | None = None
        self._connected = False
        self._outgoing: deque[_Outgoing] = deque()
        self._in_flight: dict[int, _Outgoing] = {}
        self._described: frozenset[str] = frozenset()
        self._connects: deque[float] = deque(maxlen=_FIGHT + 1)
        self._due: dict[str, float] = {}
        self._nudged = False

    # ------------------------------------------------------------------ from other threads

    def nudge(self) -> None:
        """Something changed that should be seen at once; costs nothing."""
        self._nudged = True
        self._wake.set()

    # ------------------------------------------------------------------ the thread

    def run(self) -> None:
        try:
            while not self._stopping.is_set():
                self._wake.clear()
                self._progress()
                self.turn()
                next_s = min(self._due.values(), default=float("inf")) - self._clock.mono_s()
                self._clock.wait(self._wake, min(_TURN_S, max(0.01, next_s)))
        finally:
            self._goodbye()

    def turn(self) -> None:
        """One look at everything: what happened, what is due, what waits to go out."""
        if self._link is None:
            if self._is_due("open", unless_set=True):
                self._open()
        elif not self._link.alive:
            self._reopen("the connection's thread ended", 1.0)
        for item in self._inbox.take():
            if self._link is None:
                break  # given up over an earlier item: the rest happened to a connection that is no more
            self._attend(item)
        if self._connected:
            for tank in self._drafts.stale(self._clock.mono_s()):
                self._empty_fields(tank)
            if self._is_due("describe"):
                self._describe()
            if self._nudged or self._is_due("states") or self._is_due("settled") or self._is_due("settled again"):
                self._nudged = False
                self._say_states()
            self._pump()

    def _is_due(self, what: str, *, unless_set: bool = False) -> bool:
        at_s = self._due.get(what)
        if at_s is None:
            return unless_set
        if self._clock.mono_s() < at_s:
            return False
        del self._due[what]
        return True

    def _in(self, what: str, seconds: float) -> None:
        self._due[what] = self._clock.mono_s() + seconds

    # ------------------------------------------------------------------ the connection

    def _open(self) -> None:
        client_id = f"rushlight-{slug(self._id)}"
        self._inbox = Inbox(self._wake)  # what still happens to an earlier connection is not of this one
        try:
            will = (self._topics.status, self._farewell)
            self._link = Link(self._config.mqtt, self._password, client_id, will, self._inbox)
            self._link.open()
        except (OSError, ValueError) as e:
            self._link = None
            self._say(f"the connection to the broker can't be set up ({e})")
            self._in("open", REOPEN_S)

    def _reopen(self, why: str, after_s: float) -> None:
        """Drop the link and take another one after a while."""
        self._say(why)
        self._offline()
        if self._link is not None:
            self._link.close()
        self._link = None
        self._in("open", after_s)

    def _attend(self, item: Happened) -> None:
        broker = f"the broker at {self._config.mqtt.host}"
        match item.what:
            case "connected":
                self._on_connected()
            case "refused":
                self._say(f"{broker} refuses us: {item.why}")
            case "unreachable":
                self._say(f"{broker} can't be reached")
            case "lost":
                self._on_lost(item)
            case "died":
                self._reopen(f"the connection failed ({item.why})", REOPEN_S)
            case "subscribed":
                if item.why:
                    self._say(f"{broker} does not let us listen for commands: {item.why}")
            case "sent":
                self._on_sent(item)
            case "message":
                self._on_message(item)

    def _on_connected(self) -> None:
        self._say("")
        self._connected = True
        self._connects.append(self._clock.mono_s())
        assert self._link is not None
        wanted = [(self._topics.birth, 1)]
        if self._listens:
            base = self._topics.base
            places = [f"{base}/tank/+/set/+", f"{base}/tank/+/press/+", f"{base}/site/press/+"]
            wanted += [(t, 1) for t in (self._topics.command, *places)]
        self._link.subscribe(wanted)
        self._describe()

    def _on_lost(self, item: Happened) -> None:
        if not self._connected:
            return  # a refusal ends like this too, and has been named already
        self._offline()
        now_s = self._clock.mono_s()
        fighting = len(self._connects) > _FIGHT and now_s - self._connects[0] < _FIGHT_S
        if item.taken_over or fighting:
            why = "another copy of this daemon is connected with the same installation id"
            self._reopen(why, REOPEN_S * self._rng.uniform(1.0, 2.0))
        else:
            self._say(f"the connection to the broker was lost ({item.why})")

    def _offline(self) -> None:
        self._connected = False
        self._outgoing.clear()
        self._in_flight.clear()
        for what in ("describe", "states", "settled", "settled again"):
            self._due.pop(what, None)

    def _goodbye(self) -> None:
        """Say that we leave, wait briefly until the broker has it, and disconnect."""
        if self._link is None:
            return
        if self._connected:
            self._outgoing.clear()
            self._outgoing.append(_Outgoing(self._topics.status, self._farewell))
            until_s = self._clock.mono_s() + _GOODBYE_S
            self._pump()
            while self._in_flight and self._connected and self._clock.mono_s() < until_s:
                self._wake.clear()
                for item in self._inbox.take():
                    if item.what in {"sent", "lost"}:
                        self._in_flight.pop(item.mid, None)
                        self._connected = item.what == "sent"
                self._clock.wait(self._wake, 0.1)
        self._link.close()
        self._link = None

    def _say(self, trouble: str) -> None:
        """Note and log the state once when it changes, not once a try."""
        if trouble != self.trouble:
            if trouble:
                log.warning("hub=trouble why=%r", trouble)
            else:
                log.info("hub=connected")
            if not (trouble and self.trouble):
                self.since_mono_s = self._clock.mono_s()
        self.trouble = trouble

    # ------------------------------------------------------------------ going out

    def _look(self) -> SiteView | None:
        try:
            return self._view()
        except Exception as e:  # noqa: BLE001 - whatever keeps the view away, the hub has nothing to say then
            log.warning("hub=no-view why=%r", str(e))
            return None

    def _describe(self) -> None:
        """Queue every description, and first of all the removal of those that are no longer there."""
        wanted = self._wanted()
        if wanted is None:
            self._in("describe", _TURN_S)
            return
        self._described = frozenset(t for t, _ in wanted)
        known = self._published.get()
        if not self._described <= known:
            self._published.put(known | self._described)
        self._outgoing.clear()
        gone = sorted(known - self._described)
        self._outgoing += [_Outgoing(t, "") for t in gone]
        self._outgoing += [_Outgoing(t, p) for t, p in wanted]
        self._outgoing.append(_Outgoing(self._topics.status, "online" if self._hub.enabled else ""))
        self._in("describe", DAILY_S)
        self._in("settled", SETTLE_S[0])
        self._in("settled again", SETTLE_S[1])
        log.info("hub=described entities=%d removed=%d", len(wanted), len(gone))

    def _wanted(self) -> list[tuple[str, str]] | None:
        """The descriptions that there should be; None while that is not known.

        Without a view nothing may look removed: clearing a description loses its history in the hub.
        """
        if not self._hub.enabled:
            return []
        view = self._look()
        return entities(view, self._id, self._hub, self._fields) if view is not None and view.tanks else None

    def _say_states(self) -> None:
        self._in("states", self._hub.publish_seconds)
        view = self._look() if self._hub.enabled else None
        if view is None:
            return
        for topic, payload in states(view, self._id, self._hub):
            self._publish(topic, payload)
        for tank in self._tanks:
            for name, value in self._drafts.values(tank).items():
                self._publish(f"{self._topics.place(tank)}/field__{name}", f"{value:g}")

    def _publish(self, topic: str, payload: str) -> None:
        """A state or an answer: at most once, never kept by the broker."""
        if self._link is not None and self._connected:
            self._link.publish(topic, payload, qos=0, retain=False)

    def _pump(self) -> None:
        """Move what waits to the client, a bounded number at a time."""
        while self._outgoing and len(self._in_flight) < IN_FLIGHT and self._link is not None:
            item = self._outgoing.popleft()
            mid = self._link.publish(item.topic, item.payload, qos=1, retain=item.retain)
            if not mid:
                return  # the connection is going; all is said again on the next
            self._in_flight[mid] = item

    def _on_sent(self, item: Happened) -> None:
        sent = self._in_flight.pop(item.mid, None)
        if sent is None:
            return
        if item.why:
            self._say(f"the broker does not take what we publish: {item.why}")
        elif not sent.payload and sent.topic not in self._described:
            self._published.put(self._published.get() - {sent.topic})

    # ------------------------------------------------------------------ coming in

    def _on_message(self, item: Happened) -> None:
        try:
            if item.topic == self._topics.birth:
                self._on_birth(item)
            elif item.retained and self._listens:
                # A stored command would act again at each connection.
                self._answer(None, Answer(id="", ok=False, what="retained commands are ignored", key="retain"))
            else:
                self._on_command(item)
        except Exception as e:  # noqa: BLE001 - the engine was too busy, or the disk would not; the sender is told
            log.warning("hub=command-failed why=%r", str(e))
            id_ = commands.id_in(item.payload)
            what = f"not recorded ({e or type(e).__name__}); send it again with the same id"
            self._answer(None, Answer(id=id_, ok=False, what=what))
        finally:
            # Only now: a command that was not dealt with comes again after a crash.
            if self._link is not None:
                self._link.ack(item)

    def _on_birth(self, item: Happened) -> None:
        if item.payload == b"online" and not item.retained:
            self._in("describe", self._rng.uniform(*BIRTH_JITTER_S))

    def _on_command(self, item: Happened) -> None:
        if not self._listens:
            return  # the broker may remember that we once did
        if item.topic == self._topics.command:
            self._on_document(item.payload)
            return
        parts = item.topic.removeprefix(f"{self._topics.base}/").split("/")
        if parts[2:] == ["press", "acknowledge"] and not commands.may(self._config, "acknowledge"):
            self._answer(None, Answer(id="", ok=False, what="the hub may not acknowledge alarms"))
        elif "acknowledge" not in parts and not commands.may(self._config, "test"):
            self._answer(None, Answer(id="", ok=False, what="the hub may not enter tests"))
        elif parts == ["site", "press", "acknowledge"]:
            self._acknowledge(None)
        elif len(parts) == 4 and parts[0] == "tank":
            self._on_control(parts, item.payload)

    def _on_document(self, payload: bytes) -> None:
        id_ = commands.id_in(payload)
        answer = self._answered.get(id_, payload) if id_ else None
        if answer is None:
            view = self._view()
            if view is None:
                raise TimeoutError("still starting")
            answer = commands.run(payload, self._config, view, self._clock.wall_s(), self._submit)
            if id_ and answer.ok:
                self._answered.keep(id_, payload, answer)
            self._nudged = True
        self._answer(None, answer)

    def _on_control(self, parts: list[str], payload: bytes) -> None:
        try:
            tank = unslug(parts[1])
        except ValueError:
            tank = ""
        if tank not in self._tanks:
            self._answer(None, Answer(id="", ok=False, key="tank", what=f"no tank {parts[1][:40]!r}"))
        elif parts[2] == "set":
            self._set_field(tank, parts[3], payload)
        elif parts[3] == "record":
            self._record(tank)
        elif parts[3] == "acknowledge":
            self._acknowledge(tank)

    def _set_field(self, tank: str, name: str, payload: bytes) -> None:
        try:
            self._drafts.put(tank, name, payload, self._clock.mono_s())
        except LineError as e:
            self._answer(tank, Answer(id="", ok=False, what=e.what, key=e.key))
        value = self._drafts.values(tank).get(name)  # type: ignore[call-overload]
        if name in FIELDS:
            self._publish(f"{self._topics.place(tank)}/field__{name}", "None" if value is None else f"{value:g}")

    def _record(self, tank: str) -> None:
        try:
            test = commands.test_of(tank, self._drafts.values(tank), self._config, self._clock.wall_s())
        except LineError as e:
            self._answer(tank, Answer(id="", ok=False, what=e.what, key=e.key, kind="test"))
            return
        doubt = doubts.question(test, self._config, self._view())
        if doubt is not None and self._drafts.ask_once(tank):
            what = f"{doubt[1]}; if it is so, press again"
            self._answer(tank, Answer(id="", ok=False, what=what, key=doubt[0], kind="test"))
            return
        receipt = self._submit(test)
        self._empty_fields(tank)
        values = ", ".join(f"{k} {v:g}" for k, v in test.values.items() if isinstance(v, float))
        self._answer(tank, commands.answer_of(receipt, "test", values))
        self._nudged = True

    def _empty_fields(self, tank: str) -> None:
        for name in self._drafts.clear(tank):
            self._publish(f"{self._topics.place(tank)}/field__{name}", "None")

    def _acknowledge(self, tank: str | None) -> None:
        view = self._view()
        if view is None:
            raise TimeoutError("still starting")
        found = commands.acknowledgements(view, tank, self._clock.wall_s())
        kept = worst([self._submit(event) for event in found])
        what = f"acknowledged: {', '.join(e.alarm for e in found)}" if found else "no alarm waits to be acknowledged"
        if kept != "on disk":
            what += f"; {Receipt('', kept=kept).words}"
        self._answer(tank, Answer("", ok=kept != "unknown", what=what, new=bool(found), kind="acknowledge", kept=kept))
        self._nudged = True

    def _answer(self, tank: str | None, answer: Answer) -> None:
        """On the answer topic for programs, and in words where the fields are for people."""
        self._publish(self._topics.answer, answer.text())
        words = answer.what if answer.ok else f"not done: {answer.key}: {answer.what}" if answer.key else answer.what
        self._publish(f"{self._topics.place(tank)}/answer", shortened(words))
