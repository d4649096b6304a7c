"""The phone page, wired to the engine: what `web.daemon.Daemon` promises, kept by the engine's thread."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from pathlib import Path

from rushlight.core import questions
from rushlight.effects import Estimate
from rushlight.entry.receipt import Receipt
from rushlight.events import Event
from rushlight.journal.pictures.kept import Pictures
from rushlight.journal.reader import Reader
from rushlight.service import offline
from rushlight.service.engine import Engine
from rushlight.service.notifying import Telling
from rushlight.service.workers import Workers
from rushlight.settings import Config
from rushlight.views import SiteView
from rushlight.web.app import App
from rushlight.web.serving.access import Access
from rushlight.web.serving.daemon import CalibrationNote, Trial
from rushlight.web.serving.server import Server

log = logging.getLogger(__name__)


class EnginePage:
    """The engine as the page sees it."""

    def __init__(self, engine: Engine, telling: Telling | None = None) -> None:
        self._engine, self._telling = engine, telling

    @property
    def config(self) -> Config:
        """The configuration."""
        return self._engine.config

    def now_s(self) -> float:
        """Unix seconds."""
        return self._engine.now_s()

    def mono_s(self) -> float:
        """Monotonic seconds."""
        return self._engine.clock.mono_s()

    def view(self) -> SiteView:
        """The installation as it stands."""
        return self._engine.view()

    def submit(self, event: Event) -> Receipt:
        """Hand an entry on."""
        return self._engine.submit(event)

    def answered(self, entry_id: str) -> Receipt | None:
        """What was answered to one of the last entries."""
        return self._engine.answers.get(entry_id)

    def reader(self) -> Reader:
        """The journal, to be read from this thread."""
        return self._engine.journal.reader()

    def pictures(self) -> Pictures | None:
        """See `Daemon.pictures`."""
        return offline.pictures(self.config, self._engine.journal.path.parent) if self.config.pictures.keep else None

    def what_if(self, tank: str, trial: Trial) -> list[tuple[int, Estimate]]:
        """See `Daemon.what_if`."""
        wanted = (trial.feed_grams, trial.light_factor, trial.change_fraction)
        return self._engine.ask(lambda core, state, at_s: questions.what_if(core, state, at_s, tank, *wanted))

    def light_sentences(self, tank: str) -> list[str]:
        """See `Daemon.light_sentences`."""
        return self._engine.ask(lambda core, state, at_s: questions.light_sentences(core, state, at_s, tank))

    def calibrations(self, probe: str) -> list[CalibrationNote]:
        """See `Daemon.calibrations`."""
        kept = self._engine.ask(lambda _core, state, _at_s: questions.calibrations(state, probe))
        return [CalibrationNote(c.id, c.at_s, c.accepted, c.words) for c in kept]

    def in_force(self, probe: str, raw: Sequence[float]) -> list[float | None]:
        """See `Daemon.in_force`."""
        return self._engine.ask(lambda core, state, _at_s: questions.in_force(core, state, probe, raw))

    def rehearse(self) -> None:
        """See `Daemon.rehearse`."""
        if self._telling is not None:
            self._telling.rehearse()

    def confirm(self, channel: str) -> None:
        """See `Daemon.confirm`."""
        if self._telling is None:
            raise ValueError("no channel is set up")
        self._telling.confirm(channel)


def start_page(
    config: Config, folder: Path, engine: Engine, workers: Workers, telling: Telling | None = None
) -> bytes | None:
    """Start serving the page, if it is wanted.  What is wrong with it is logged and stops nothing else.

    Returns the secret under which it takes acknowledgements from notifications; None when it is not served.
    """
    page = config.page
    if not page.enabled:
        return None
    try:
        access = Access(folder, engine.now_s, workers.clock.mono_s)
    except RuntimeError as e:
        log.error("page=off why=%r", str(e))  # noqa: TRY400 - the sentence says it all
        sentence = f"The page is off: {e}."
        engine.post(lambda: engine.journal.tell(sentence))
        return None
    if access.told:
        engine.post(lambda: engine.journal.tell(access.told))
    files = (page.certificate, page.certificate_key) if page.certificate else None
    app = App(EnginePage(engine, telling), access)
    server = Server(app, page.listen, page.port, workers.clock, certificate=files, proxy=page.proxy)
    stamp = workers.stamp("page", 90.0)
    workers.run("page", lambda: server.run(workers.stop, stamp), server.wake)
    return access.secret
