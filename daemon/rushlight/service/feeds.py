"""What leaves the daemon besides alarms: the hub, the time-series store, the heartbeat, the weekly summary.

Wires each to the engine; owns none of their rules.
"""

from __future__ import annotations

import contextlib
import dataclasses
import logging
import re
import uuid
import zoneinfo
from pathlib import Path

from rushlight import __version__
from rushlight.alarms.roster import configured_channels
from rushlight.config import loading as configuration
from rushlight.core import questions
from rushlight.effects import Message
from rushlight.events import Growth
from rushlight.host import machine
from rushlight.journal.pictures import pairs
from rushlight.journal.reader import UnreadableError
from rushlight.journal.recovery import files
from rushlight.journal.store import Journal
from rushlight.localtime import DAY_S
from rushlight.outlets import status
from rushlight.outlets.heartbeat import Heartbeat, HeartbeatFacts
from rushlight.outlets.hub.feed import HubOutlet
from rushlight.outlets.timeseries.feed import Sender, TimeseriesOutlet, Writer
from rushlight.outlets.timeseries.journal_walk import JournalHistory, back_fill_journal
from rushlight.outlets.timeseries.live import Machine, live_points
from rushlight.outlets.timeseries.points import Point, Points
from rushlight.service import never_told, offline
from rushlight.service.engine import Engine
from rushlight.service.notifying import Telling, present
from rushlight.service.workers import Workers
from rushlight.settings import Config, Tank
from rushlight.summary import build, figures, parcel, render

log = logging.getLogger(__name__)

_HISTORY_DAYS = 90
_NAME = "installation"
"""Under which the journal remembers this installation's name."""
_IS_NAME = re.compile(r"[a-z0-9][a-z0-9-]{3,63}")
_MESSAGES_LOOKED_AT = 200
UPGRADE_FAILED = "upgrade-failed"
"""A file in the data folder while the last upgrade did not come up; whoever upgrades makes and removes it."""


class HubTopics:
    """Remembers in the journal which descriptions were ever published to the hub."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def get(self) -> frozenset[str]:
        return self._engine.do(self._engine.journal.steering.topics)

    def put(self, topics: frozenset[str]) -> None:
        def work() -> None:
            journal = self._engine.journal
            for topic in topics - journal.steering.topics():
                journal.steering.add_topic(topic)
            for topic in journal.steering.topics() - topics:
                journal.steering.forget_topic(topic)
            journal.commit(self._engine.now_s(), urgent=True)

        self._engine.do(work)


def start_hub(config: Config, installation: str, engine: Engine, workers: Workers) -> None:
    """Start feeding the hub, if a broker is configured.  Raises OSError when the password can't be read."""
    if not config.mqtt.host or not (config.hub.enabled or engine.do(engine.journal.steering.topics)):
        return  # turned off, and nothing of ours left at the broker to be cleared
    hub = HubOutlet(
        config,
        installation,
        workers.clock,
        workers.stop,
        current_view=engine.view,
        submit=engine.submit,
        published=HubTopics(engine),
        password=configuration.secret(config.mqtt.password, config.mqtt.password_file),
        progress=workers.stamp("hub", 120.0),
    )
    engine.every_change.append(hub.nudge)
    engine.outlets.append(lambda: [status.link("hub", hub.trouble, hub.since_mono_s, present(engine))])
    workers.start(hub)


def start_timeseries(config: Config, installation: str, folder: Path, engine: Engine, workers: Workers) -> None:
    """Start feeding the time-series store, if one is configured.  Raises OSError when the token can't be read."""
    if not config.timeseries.url:
        return
    history = JournalHistory(
        engine.journal.reader,
        lambda work: engine.do(lambda: work(engine.journal)),
        [t.id for t in config.tank],
        folder / "refused-lines.txt",
        "timeseries",
        engine.now_s,
    )
    board = machine.board_number()

    def live(ahead_s: float | None) -> list[Point]:
        now = Machine(version=__version__, board=board, upgrade_failed=(folder / UPGRADE_FAILED).exists())
        return live_points(config, installation, engine.view(), now, ahead_s)

    outlet = TimeseriesOutlet(
        config.timeseries,
        history,
        lambda: Points(config, installation),
        workers.clock,
        workers.stop,
        token=configuration.secret(config.timeseries.token, config.timeseries.token_file),
        # Asked on the engine's own thread, so that it is never seen between trust and restamp.
        clock_ok=lambda: engine.do(lambda: engine.time.trusted),
        progress=workers.stamp("timeseries", 300.0),
        live=live,
    )
    engine.outlets.append(lambda: [status.link("timeseries", outlet.trouble, outlet.since_mono_s, present(engine))])
    workers.start(outlet)


def backfill(config: Config, folder: Path, *, since_s: float | None, until_s: float | None) -> int:
    """Send the journal to the store again, past no cursor; returns the points sent.  Raises StoreError, OSError."""
    writer = Writer(config.timeseries, configuration.secret(config.timeseries.token, config.timeseries.token_file))
    sender = Sender(writer.write, lambda line, why: log.warning("refused=%r line=%r", why, line))
    try:
        path, name = offline.journal_path(folder), installation_id(folder)
        return back_fill_journal(path, config, name, sender, since_s=since_s, until_s=until_s)
    finally:
        writer.close()


def installation_id(folder: Path, journal: Journal | None = None) -> str:
    """This installation's own name for good, made once, kept beside the journal and in it.  Raises OSError.

    A file that holds no name is put aside and made anew from the journal; only without that is the name a new one.
    Without `journal`, such a file is an error.
    """
    file, known = folder / "installation", journal.steering.period_done(_NAME) if journal else ""
    with contextlib.suppress(OSError, UnicodeDecodeError):
        said = file.read_text(encoding="ascii").strip()
        if _IS_NAME.fullmatch(said):
            if journal and said != known:
                journal.steering.mark_period(_NAME, said)
            return said
    name = known or uuid.uuid4().hex[:16]
    folder.mkdir(parents=True, exist_ok=True)
    if file.exists():
        if journal is None:
            raise OSError(f"{file} holds no name; start the daemon, which mends it")
        aside = files.put_by(file)
        what = (
            "it was written again as it was" if known else "a new one was made: hub and store see another installation"
        )
        journal.tell(f"The file {file.name} held no name; it was put aside as {aside.name} and {what}.")
    files.write_whole(file, f"{name}\n".encode())
    if journal:
        journal.steering.mark_period(_NAME, name)
    return name


def make_heartbeat(config: Config, engine: Engine, workers: Workers) -> Heartbeat | None:
    """What pings the outside watcher, if there is one.  Raises OSError when its address can't be read."""
    beat = config.heartbeat
    if not (beat.url or beat.url_file):
        return None
    url = configuration.secret(beat.url, beat.url_file)
    made = Heartbeat(beat, url, beat.fail_url, workers.clock, lambda: heartbeat_facts(engine, workers))
    engine.outlets.append(lambda: [status.watcher(made.trouble, made.last_ping_mono_s, present(engine))])
    return made


def start_heartbeat(heartbeat: Heartbeat, workers: Workers, every_s: float) -> None:
    """Give it a thread."""
    stamp = workers.stamp("heartbeat", every_s + 120.0)
    workers.run("heartbeat", lambda: heartbeat.run(workers.stop, stamp))


def heartbeat_facts(engine: Engine, workers: Workers) -> HeartbeatFacts:
    """What the outside watcher's ping stands for.

    One silent probe that the keeper's quiet hours hold back does not stop the ping: the keeper chose to hear of it in
    the morning.  Nobody chose to be blind, so the silence of every probe stops it until somebody has been told.
    """

    def gather() -> HeartbeatFacts:
        waiting, now_s = engine.journal.outbox.waiting(), engine.now_s()
        untold = {t.alarm for row in waiting for t in row.alarms}
        silence = engine.ask(lambda core, state, _at_s: questions.silence(core, state))
        ago_s = None if engine.evaluated_mono_s is None else engine.clock.mono_s() - engine.evaluated_mono_s
        nobody = not configured_channels(engine.config)
        return HeartbeatFacts(
            evaluated_ago_s=ago_s,
            untold_silent=tuple(a for a in silence.unacknowledged if nobody or a in untold),
            blind=silence.blind(_sent(engine) if silence.all_silent else ()),
            high_waiting_s=max((now_s - r.created_ms / 1000 for r in waiting if r.priority == "high"), default=None),
            storage_ok=engine.journal.report().durable or "site.storage_low" not in untold,
            stuck=tuple(workers.board.late()),
        )

    return engine.do(gather)


def _sent(engine: Engine) -> list[questions.Delivered] | None:
    """The newest messages that arrived; None where the journal can't be read."""
    try:
        with engine.journal.reader() as reader:
            return never_told.delivered(reader.messages(_MESSAGES_LOOKED_AT), "sent")
    except UnreadableError:
        return None


class Weekly:
    """The weekly summary: made from the view and the journal, sent as one message that names its week."""

    def __init__(self, config: Config, engine: Engine, telling: Telling) -> None:
        self.config, self._engine, self._telling = config, engine, telling

    def text(self, form: str) -> str:
        """The summary as `text` or `html`."""
        as_page = form == "html"
        summary = self._build(with_pictures=as_page)
        return render.as_page(summary) if as_page else render.as_text(summary)

    def send(self, *, extra: str = "") -> bool:
        """Put this week's summary into the outbox; `extra` makes it another message than the scheduled one."""
        summary = self._build(with_pictures=True)
        body = parcel.pack(render.letter(summary))
        message = Message(
            at_s=self._engine.now_s(),
            key=f"weekly:{summary.week.key}{extra}",
            channel="email",
            priority="low",
            title=render.subject(summary),
            body=body,
            purpose="summary",
        )
        self._telling.send(message)
        return True

    def _build(self, *, with_pictures: bool) -> build.Summary:
        config, view = self.config, self._engine.view()
        since_s = view.at_s - _HISTORY_DAYS * DAY_S
        with self._engine.journal.reader() as reader:
            days = {t.id: reader.days(t.id)[-_HISTORY_DAYS:] for t in config.tank}
            entries = [s.event for s in reader.entries(since_s=since_s, limit=2000)]
            changes = reader.alarms(since_s=view.at_s - 8 * DAY_S)
        material = build.Material(
            view=view,
            days=days,
            changes=changes,
            entries=entries,
            watched=bool(config.heartbeat.url or config.heartbeat.url_file) or config.heartbeat.accept_none,
        )
        if with_pictures:
            drawn = {
                t.id: [*figures.tank_pictures(config, t, days[t.id], entries, view.at_s), *self._diary(t, view.at_s)]
                for t in config.tank
            }
            material = dataclasses.replace(material, pictures=drawn)
        return build.build(material)

    def _diary(self, tank: Tank, at_s: float) -> list[build.Picture]:
        """The tank's plants then and now, where pictures are kept and wanted in the summary."""
        if not (self.config.pictures.keep and self.config.pictures.in_summary):
            return []
        own = offline.pictures(self.config, self._engine.journal.path.parent)
        with self._engine.journal.reader() as reader:
            stand, _ = reader.of_kind("growth", tank.id)
        looks = [e for e in stand if isinstance(e, Growth) and own.has(e.picture)]
        found = pairs.then_and_now([e.at_s for e in looks], figures.THEN_S)
        if found is None or found[0] is None:
            return []
        read = [(e, own.read(e.picture)) for e in (looks[n] for n in found if n is not None)]
        then, now = (figures.Shot(e.at_s, data or b"", e.cover) for e, data in read)
        zone = zoneinfo.ZoneInfo(self.config.site.timezone)
        return figures.then_and_now(tank, then, now, at_s, zone) if then.jpeg and now.jpeg else []
