"""The daemon put together: opens the journal, starts the workers, supervises them, takes it all down again."""

from __future__ import annotations

import contextlib
import dataclasses
import logging
import threading
import zoneinfo
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from typing import Any, Literal

from pydantic import TypeAdapter

from rushlight import clock as clocks
from rushlight import eventlines
from rushlight.clock import Clock
from rushlight.entry.kitunits import in_own_units
from rushlight.host import machine, memory, sdnotify
from rushlight.intake import polling
from rushlight.journal.pictures import thinning
from rushlight.journal.pictures.kept import Pictures
from rushlight.journal.recovery import backup as backups
from rushlight.journal.upkeep import Keep
from rushlight.service import feeds, offline, page_wiring
from rushlight.service.calendar import Calendar, Job
from rushlight.service.control import Control, answers
from rushlight.service.engine import Engine
from rushlight.service.notifying import Telling
from rushlight.service.one_line import one_line
from rushlight.service.starting import last_good
from rushlight.service.starting.claim import Claim
from rushlight.service.starting.last_good import Chosen
from rushlight.service.workers import Workers
from rushlight.settings import Config
from rushlight.views import SiteView

log = logging.getLogger(__name__)

_ENGINE_LIMIT_S = 60.0
_LINK_LIMIT_S = 90.0
_LOOK_AT_CALENDAR_EVERY_S = 600.0
_LOOK_AT_BOARD_EVERY_S = 2.0
_GOODBYE_S = 15.0
_SAY_EVERY_S = 30.0


class Service:
    """One running daemon.  `run` returns the process's exit status.

    `boot_id`, `synchronised` and the tree `sys` are the kernel's unless given; who gives them simulates a board.
    """

    def __init__(
        self,
        config: Config,
        folder: Path,
        clock: Clock | None = None,
        *,
        boot_id: str = "",
        synchronised: Callable[[], bool] = clocks.synchronised,
        sys: Path = machine.SYS,
        chosen: Chosen | None = None,
    ) -> None:
        self.config, self.folder = config, folder
        self.clock = clock or clocks.SystemClock()
        self.boot_id = boot_id or clocks.boot_id()
        self._synchronised = synchronised
        self.stop = threading.Event()
        self.claim = Claim(folder)
        self.notifier = sdnotify.Notifier()
        self.workers = Workers(self.clock, self.notifier, self.stop)
        self._supply = machine.Supply(sys)
        self._chosen = chosen or Chosen(config)
        self._ready = False
        self._door: Control | None = None
        self._shut_because = ""
        self._next_s: dict[str, float] = {}

    def assemble(self) -> None:
        """Open the journal, come back to where it stands, and wire everything; nothing runs yet."""
        memory.settle()
        journal = offline.open_journal(
            self.config, self.folder, self.clock.wall_s(), self.boot_id, wait_s=offline.LOCK_WAIT_S
        )
        for note in journal.report().notes:
            log.warning("journal=%r", note)
        self.engine = Engine(
            self.config,
            journal,
            self.clock,
            boot_id=self.boot_id,
            synchronised=lambda: self.config.site.trust_clock or self._synchronised(),
            progress=self._engine_progress(),
        )
        self.telling = Telling(self.config, self.engine, self.clock)
        self.engine.every_turn.append(self.telling.turn)
        self.weekly = feeds.Weekly(self.config, self.engine, self.telling)
        self.calendar = Calendar(
            self._jobs(),
            zoneinfo.ZoneInfo(self.config.site.timezone),
            _Periods(self.engine),
            now_s=self.engine.now_s,
            wall_s=self.clock.wall_s,
        )
        self.links = [self._link(link) for link in polling.links(self.config.probe)]
        self.heartbeat = feeds.make_heartbeat(self.config, self.engine, self.workers)

    def run(self) -> int:
        """Run until `stop` is set: 0; 1 when a worker died, so that the service manager starts us anew.

        Raises `claim.TakenError` when another daemon watches this folder; nothing has been touched then.
        """
        self.claim.take(self.clock)
        try:
            return self._run()
        finally:
            self.claim.free()

    def _run(self) -> int:
        self.assemble()
        self.workers.run("engine", lambda: self.engine.run(self.stop), self.engine.wake)
        self.telling.start()
        for link in self.links:
            self.workers.start(link)
        self._start_outlets()
        self._open_door()
        self._ready = True
        self.notifier.ready()
        self._settle_configuration()
        log.info("state=running tanks=%d probes=%d", len(self.config.tank), len(self.config.probe))
        well = self.workers.supervise(self._turn)
        self._take_down()
        return 0 if well else 1

    def _settle_configuration(self) -> None:
        """Keep what the daemon came up with, or tell people that it is not what they wrote."""
        refused = self._chosen.refused
        if refused:
            log.error("configuration=refused %s", refused)
        else:
            try:
                last_good.keep(self._chosen.text, self.folder)
            except OSError as e:
                log.warning("configuration=not kept why=%r", str(e))
        says: Literal["raise", "clear"] = "raise" if refused else "clear"
        facts = {"sentence": refused} if refused else {}
        self.engine.post(lambda: self.engine.note_condition("config_refused", says, "", facts))

    # ------------------------------------------------------------------ parts

    def _link(self, link: polling.Link) -> polling.LinkWorker:
        stamp = self.workers.stamp(f"link {link.name}", max(_LINK_LIMIT_S, 2 * link.every_s))
        worker = polling.LinkWorker(link, self.clock, self.stop, self.engine.hand, stamp)
        worker.recall(self.engine.journal.handed(link.name))
        return worker

    def _engine_progress(self) -> Callable[[], None]:
        """The engine's stamp; until all is ready it also asks for time, for it may have years to read first."""
        stamp = self.workers.stamp("engine", _ENGINE_LIMIT_S)

        def progress() -> None:
            stamp()
            if not self._ready:
                self.notifier.longer(_ENGINE_LIMIT_S)

        return progress

    def _start_outlets(self) -> None:
        if self.heartbeat is not None:
            feeds.start_heartbeat(self.heartbeat, self.workers, self.config.heartbeat.every_seconds)
        try:
            installation = self.engine.do(lambda: feeds.installation_id(self.folder, self.engine.journal))
        except OSError as e:  # alarms go on without a disk; under another name all would stand twice in hub and store
            log.error("hub=off timeseries=off until the next start, this installation's name is not to be had: %s", e)  # noqa: TRY400
        else:
            feeds.start_hub(self.config, installation, self.engine, self.workers)
            feeds.start_timeseries(self.config, installation, self.folder, self.engine, self.workers)
        self.telling.ticket_secret = page_wiring.start_page(
            self.config, self.folder, self.engine, self.workers, self.telling
        )

    def _open_door(self) -> None:
        """Let the commands of this machine in; where that can't be, say why, and try again at every look."""
        try:
            if not self.claim.held and answers(self.folder):
                raise FileExistsError("another daemon answers at the socket")
            self._door = Control(self.folder, self._handlers())
        except OSError as e:
            if str(e) != self._shut_because:
                log.warning("control=off why=%r", str(e))
            self._shut_because = str(e)
            return
        self._door.start()
        if self._shut_because:
            log.info("control=on")

    def _handlers(self) -> Mapping[str, Callable[[Mapping[str, Any]], Mapping[str, Any]]]:
        return {
            "view": lambda _: {"view": _site_view().dump_python(self.engine.view(), mode="json")},
            "record": self._record,
            "edit": self._edit,
            "entries": lambda asked: {"entries": offline.entries(self.engine.journal.reader(), asked.get("tank"))},
            "summary": lambda asked: {"text": self.weekly.text(str(asked.get("form")))},
            "send summary": lambda _: self._send_summary(),
            "trial": lambda asked: {
                "keys": self.telling.trial(str(asked["title"]), str(asked["body"]), asked["priority"])
            },
            "rehearse": lambda _: {"keys": self.telling.rehearse()},
            "trial outcome": lambda asked: {"outcome": self.telling.became(asked["keys"])},
            "confirm": lambda asked: self._confirm(str(asked["channel"])),
        }

    def _send_summary(self) -> dict[str, Any]:
        if "email" not in self.telling.channels:
            raise ValueError("no e-mail is configured; set [email]")
        self.weekly.send(extra=f":asked-{self.engine.now_s():.0f}")
        return {"said": "the summary is on its way by e-mail"}

    def _confirm(self, channel: str) -> dict[str, Any]:
        self.telling.confirm(channel)
        return {"said": f"{channel}: confirmed"}

    def _record(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        event = eventlines.parse_record(dict(asked["line"]))
        eventlines.check_names(event, self.config)
        eventlines.check_typed(event, self.config)
        event = in_own_units(event, self.config.tank, self.config.kit)
        if asked.get("now"):  # the engine's time can be put right later, a command's own clock can't
            event = dataclasses.replace(event, at_s=self.engine.now_s())
        return self.engine.submit(event).record()

    def _edit(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        reader, now_s = self.engine.journal.reader(), self.engine.now_s()
        event = offline.edit(self.config, reader, asked["of"], asked["changes"], now_s, asked["id"])
        return self.engine.submit(event).record()

    def _jobs(self) -> list[Job]:
        jobs = [
            Job("backup", self.config.storage.backup_at, self._backup),
            Job("thinning", "04:10", self._thin_out),
        ]
        if self.config.pictures.keep:
            jobs.append(Job("pictures", "04:25", self._tend_pictures))
        if "email" in self.telling.channels:
            email = self.config.email
            jobs.append(Job("weekly summary", email.weekly_at, self.weekly.send, weekday=email.weekly_day))
        if self.telling.channels:
            jobs.append(Job("self-test", "10:00", self.telling.self_test, weekday=3))
        return jobs

    def _backup(self) -> bool:
        pause, storage, now_s = threading.Event(), self.config.storage, self.engine.now_s()
        path, folder = offline.journal_path(self.folder), offline.place_of_copies(self.config, self.folder)
        if not backups.is_due(path, folder, now_s):
            return True
        made = backups.make(
            path,
            folder,
            now_s,
            lambda: self.clock.wait(pause, 0.05),
            daily=storage.backups_daily,
            weekly=storage.backups_weekly,
        )
        log.info("backup=%s", made.path)
        return True

    def _thin_out(self) -> bool:
        storage = self.config.storage
        keep = Keep(raw_days=storage.raw_days, mean_days=storage.mean_days)
        while self.engine.do(lambda: self.engine.journal.prune(self.engine.now_s(), keep)).more:
            if self.clock.wait(self.stop, 0.2) or not self.engine.time.trusted:
                return False
        return True

    def _tend_pictures(self) -> bool:
        own, most_days = offline.pictures(self.config, self.folder), self.config.pictures.days
        try:
            copies = Pictures(offline.place_of_copies(self.config, self.folder))
        except backups.BackupError as e:  # a stick that is out: tonight's bound is kept all the same
            log.warning("pictures=not copied why=%r", str(e))
            copies = None
        with self.engine.journal.reader() as reader:
            gone = thinning.tend(own, copies, reader, self.engine.now_s(), most_days=most_days)
        if gone:
            log.info("pictures=thinned n=%d", len(gone))
        return True

    # ------------------------------------------------------------------ every other second

    def _turn(self) -> None:
        mono_s = self.clock.mono_s()
        if self.telling.delivery.stuck():
            raise RuntimeError(f"channels stuck: {', '.join(self.telling.delivery.stuck())}")
        if mono_s >= self._next_s.get("calendar", 0.0) and self.engine.time.trusted:
            if "calendar" in self._next_s:
                self.calendar.look()
            else:
                self.calendar.start()
            self._next_s["calendar"] = mono_s + _LOOK_AT_CALENDAR_EVERY_S
        if mono_s >= self._next_s.get("board", 0.0):
            self._next_s["board"] = mono_s + _LOOK_AT_BOARD_EVERY_S
            self._look_at_board()

        if mono_s >= self._next_s.get("status", 0.0) and not self.workers.board.late():
            self._next_s["status"] = mono_s + _SAY_EVERY_S
            if self._door is None:
                self._open_door()
            with contextlib.suppress(TimeoutError):  # a busy engine is its own stamp's affair
                shut = "" if self._door else f"; commands don't reach it: {self._shut_because}"
                self.notifier.status(one_line(self.engine.view()) + shut)

    def _look_at_board(self) -> None:
        if dips := self._supply.look(self.clock.mono_s()):
            log.warning("supply=low dips=%d", dips)
            self.engine.post(lambda: self.engine.note_supply(dips))

    # ------------------------------------------------------------------ the end

    def _take_down(self) -> None:
        self.notifier.stopping()
        self.stop.set()
        self.calendar.stop()
        self.telling.stop()
        if self._door is not None:
            self._door.close()
        for name in self.workers.join(_GOODBYE_S):
            log.warning("worker=%r did not end", name)
        self.engine.journal.close(self.engine.now_s())
        log.info("state=stopped")


@cache
def _site_view() -> TypeAdapter[SiteView]:
    """Made once: pydantic takes longer to make it than to tell a view with it."""
    return TypeAdapter(SiteView)


class _Periods:
    """The journal's 'done for this period' keys, asked for from any thread."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def period_done(self, name: str) -> str:
        return self._engine.do(lambda: self._engine.journal.steering.period_done(name))

    def mark_period(self, name: str, period: str) -> None:
        def work() -> None:
            self._engine.journal.steering.mark_period(name, period)
            self._engine.journal.commit(self._engine.now_s(), urgent=True)

        self._engine.do(work)
