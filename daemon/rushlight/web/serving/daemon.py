"""What the page needs of the daemon, as a protocol, so that the page knows nothing of the engine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from rushlight.effects import Estimate
from rushlight.entry.receipt import Receipt
from rushlight.events import Event
from rushlight.journal.pictures.kept import Pictures
from rushlight.journal.reader import Reader
from rushlight.settings import Config
from rushlight.views import SiteView


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A 'what if': feed in g a day, lamp light as a multiple of today's, and a water change now; None is 'as it is'."""

    feed_grams: float | None = None
    light_factor: float | None = None
    change_fraction: float | None = None


@dataclass(frozen=True, slots=True)
class CalibrationNote:
    """One calibration as it came out: when, whether it is used, and the verdict in words."""

    id: str
    at_s: float
    accepted: bool
    words: str


class Daemon(Protocol):
    """The daemon as the page sees it.  Every method may be called from any thread; TimeoutError: it is too busy."""

    @property
    def config(self) -> Config: ...

    def now_s(self) -> float: ...

    def mono_s(self) -> float: ...

    def view(self) -> SiteView: ...

    def submit(self, event: Event) -> Receipt: ...

    def answered(self, entry_id: str) -> Receipt | None:
        """What was answered to one of the last entries: what was understood, and what it changed."""
        ...

    def reader(self) -> Reader: ...

    def pictures(self) -> Pictures | None:
        """The diary's pictures; None where none are kept."""
        ...

    def what_if(self, tank: str, trial: Trial) -> list[tuple[int, Estimate]]:
        """Nitrate on each of the coming days, by the core; empty before any test."""
        ...

    def light_sentences(self, tank: str) -> list[str]:
        """What is to be said of the tank's light; what cannot be judged, and why."""
        ...

    def calibrations(self, probe: str) -> list[CalibrationNote]:
        """The probe's calibrations, newest first."""
        ...

    def in_force(self, probe: str, raw: Sequence[float]) -> list[float | None]:
        """Raw values through the calibration that is in force now, in the quantity's own unit."""
        ...

    def rehearse(self) -> None:
        """Send a trial by every channel, as loud as the most urgent alarm."""
        ...

    def confirm(self, channel: str) -> None:
        """A person has the trial of that channel in hand.  Raises ValueError for no such channel."""
        ...
