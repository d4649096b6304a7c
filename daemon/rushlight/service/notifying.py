"""The channels by which people are told, wired to the outbox.

Owns which outlets exist for a configuration and what a parcel carries beside its text.  Runs on the engine's thread;
the sending is `outlets.delivery`'s.
"""

from __future__ import annotations

import importlib
import logging
import zoneinfo
from collections import Counter
from collections.abc import Callable, Mapping, Sequence

from rushlight.alarms import oneclick
from rushlight.alarms.roster import configured_channels
from rushlight.clock import Clock
from rushlight.config import loading as configuration
from rushlight.effects import Message
from rushlight.journal.reader import Delivery as Delivered
from rushlight.journal.reader import UnreadableError
from rushlight.outlets import selftest, status
from rushlight.outlets.delivery import Delivery, Outcome, Row
from rushlight.outlets.result import Outlet, Parcel
from rushlight.service import never_told
from rushlight.service.engine import Engine
from rushlight.settings import Config, Priority
from rushlight.views import OutletView

log = logging.getLogger(__name__)

CATCH_UP_S = 60.0
"""After a pause, so long passes before anything is sent: what came back by itself is not told."""
PAUSE_S = 300.0
LOOK_AGAIN_S = 60.0
_CONFIRMED = "confirmed {}"
REHEARSAL = "This is how an urgent alarm arrives. It was asked for; nothing is wrong with the tanks."
"""Name under which the journal remembers when a person said that a channel's trial was there."""
_LOOKED_AT = 200


def outlets(config: Config, wall_s: Callable[[], float]) -> dict[str, Outlet]:
    """Every configured channel by name.  Raises OSError when a secret's file can't be read."""
    found: dict[str, Outlet] = {}
    for name in configured_channels(config):
        module = importlib.import_module(f"rushlight.outlets.{name}")
        found[name] = module.build(getattr(config, name), configuration.secret, wall_s)
    return found


def present(engine: Engine) -> status.Now:
    """The moment at which an outlet is asked how it is."""
    return status.Now(engine.clock.mono_s(), engine.now_s(), zoneinfo.ZoneInfo(engine.config.site.timezone))


class Telling:
    """Takes from the outbox what is due and writes back what came of it; called once a turn by the engine."""

    def __init__(self, config: Config, engine: Engine, clock: Clock) -> None:
        self.config, self.engine, self._clock = config, engine, clock
        self.channels = tuple(configured_channels(config))
        self.outlets = outlets(config, engine.now_s)
        self._before = self._known_before()
        self.delivery = Delivery(
            self.outlets,
            engine.journal.outbox,
            clock,
            parcel=self._parcel,
            route=self._route,
            post=self._post,
            failing_since_s={k: d.failing_since_s for k, d in self._before.items() if d.failing_since_s is not None},
        )
        self.ticket_secret: bytes | None = None
        """Under which the page takes acknowledgements from notifications; None: messages carry no button."""
        self._started_mono_s = clock.mono_s()
        self._look_mono_s: float | None = self._started_mono_s
        """When it is looked next at what nobody was told of; None: it is known."""
        self._came_up = False
        self._people = {p.id: p for p in config.contacts.person}
        engine.outlets.append(self.standing)

    def start(self) -> None:
        self.delivery.start()

    def stop(self) -> None:
        """Messages on their way stay in the outbox until their outcome is known."""
        self.delivery.stop()

    def turn(self, now_s: float) -> None:
        """Offer idle workers their next message, unless the daemon has only just come back from a pause."""
        if not self._came_up:
            self._came_up = True
            never_told.take_leave(self.engine, self.channels, now_s)
        if self.engine.paused_s > PAUSE_S and self._clock.mono_s() - self._started_mono_s < CATCH_UP_S:
            return
        self._tell_untold()
        self.delivery.offer(now_s)

    def _tell_untold(self) -> None:
        """Once after the start and after each recovery of a channel, as soon as the journal can be read."""
        mono_s = self._clock.mono_s()
        if self._look_mono_s is None or mono_s < self._look_mono_s:
            return
        self._look_mono_s = None
        try:
            never_told.tell(self.engine)
        except UnreadableError as e:
            log.warning("untold=not known why=%r", str(e))
            self._look_mono_s = mono_s + LOOK_AGAIN_S

    def self_test(self) -> bool:
        """Make every channel that carried nothing for a week carry something, and prove the mail account."""

        def work() -> bool:
            now_s = self.engine.now_s()
            zone = zoneinfo.ZoneInfo(self.config.site.timezone)
            proven_s = {channel: d.proven_s for channel, d in self._deliveries().items()}
            for message in selftest.messages(self.channels, proven_s, now_s, zone):
                self.engine.put(message)
            for channel in self.channels:
                self.delivery.check(channel)
            return True

        return self.engine.do(work)

    def standing(self) -> list[OutletView]:
        """How each channel is doing; on the engine's own thread."""
        now = present(self.engine)
        waiting = Counter(row.channel for row in self.engine.journal.outbox.waiting())
        health = self.delivery.health()
        if not health:
            return [status.nobody()]
        names = self.channels
        return [status.channel(health[n], now, before=self._beyond(n), waiting=waiting[n]) for n in names]

    def _beyond(self, name: str) -> status.Before:
        """What is known of a channel from earlier runs, and from people."""
        before = self._before.get(name)
        confirmed = self.engine.journal.steering.period_done(_CONFIRMED.format(name))
        return status.Before(
            delivered_s=before.proven_s if before else None,
            failing_since_s=before.failing_since_s if before else None,
            confirmed_s=float(confirmed) if confirmed else None,
        )

    def rehearse(self) -> dict[str, str]:
        """Put a trial on every channel, as loud as the most urgent alarm; returns its key by channel."""
        return self.trial(f"Rehearsal from {self.config.site.name}", REHEARSAL, "high")

    def trial(self, title: str, body: str, priority: Priority) -> dict[str, str]:
        """Put a message on every channel, to see whether it arrives; returns its key by channel."""

        def work() -> dict[str, str]:
            now_s = self.engine.now_s()
            keys = {channel: f"trial:{channel}:{now_s:.3f}" for channel in self.channels}
            for channel, key in keys.items():
                self.engine.put(
                    Message(
                        at_s=now_s,
                        key=key,
                        channel=channel,
                        priority=priority,
                        title=title,
                        body=body,
                        purpose="check",  # it means something on its own channel only
                    )
                )
            return keys

        return self.engine.do(work)

    def became(self, keys: Mapping[str, str]) -> dict[str, tuple[str, str]]:
        """What became of trials: by channel the state of its message, and why it has not gone through."""
        with self.engine.journal.reader() as reader:
            rows = {row.key: row for row in reader.messages(_LOOKED_AT)}
        return {c: (rows[key].state, rows[key].why) for c, key in keys.items() if key in rows}

    def confirm(self, channel: str) -> None:
        """A person says that a trial message by this channel is there.  Raises ValueError for no such channel."""
        if channel not in self.channels:
            raise ValueError(f"no channel called {channel!r} is set up")

        def work() -> None:
            now_s = self.engine.now_s()
            self.engine.journal.steering.mark_period(_CONFIRMED.format(channel), f"{now_s:.0f}")
            self.engine.journal.commit(now_s, urgent=True)

        self.engine.do(work)

    def _deliveries(self) -> dict[str, Delivered]:
        """How each channel has done, by the journal.  Raises UnreadableError."""
        with self.engine.journal.reader() as reader:
            return {d.channel: d for d in reader.deliveries()}

    def _known_before(self) -> dict[str, Delivered]:
        """How each channel did in earlier runs, as far as the journal can be read."""
        try:
            return self._deliveries()
        except UnreadableError:
            return {}

    def send(self, message: Message) -> None:
        """Put one message in the outbox (the weekly summary, a trial on request)."""
        self.engine.do(lambda: self.engine.put(message))

    def _post(self, outcome: Outcome) -> None:
        def settle() -> None:
            verdict = self.delivery.settle(outcome, self.engine.now_s(), clock_ok=self.engine.time.trusted)
            self.engine.journal.commit(self.engine.now_s(), urgent=True)
            if verdict is not None:
                self.engine.note_condition("delivery_failing", verdict.says, verdict.channel, dict(verdict.facts))
                if verdict.says == "clear":
                    self._look_mono_s = self._clock.mono_s()  # what it refused for good meanwhile, nobody has heard

        self.engine.post(settle)

    def _route(self, contact: str) -> Sequence[str]:
        person = self._people.get(contact)
        return person.channels if person is not None and person.channels else self.channels

    def _parcel(self, row: Row) -> Parcel:
        person = self._people.get(row.contact)
        to = "" if person is None else {"push": person.topic, "email": person.email}.get(row.channel, "")
        base = self.config.contacts.page_url.rstrip("/")
        link = f"{base}/tanks/{row.tank}" if base and row.tank else base
        return Parcel(
            key=row.key,
            purpose=row.purpose,
            priority=row.priority,
            title=row.title,
            body=row.body,
            to=to,
            alarms=row.alarms,
            link=link,
            acknowledge_url=self._acknowledge_url(base, row),
        )

    def _acknowledge_url(self, base: str, row: Row) -> str:
        """Where a POST acknowledges these very rises; empty for what is over and for what is about several tanks."""
        secret, alarms = self.ticket_secret, row.alarms
        one_matter = len(alarms) == 1 or (alarms and row.tank is not None)
        if not (base and secret and one_matter) or any(told.step == "return" for told in alarms):
            return ""
        tickets = (oneclick.ticket(secret, told.alarm, told.occurrence) for told in alarms)
        return f"{base}/acknowledge/{oneclick.JOIN.join(tickets)}"
