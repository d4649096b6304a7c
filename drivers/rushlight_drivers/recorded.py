"""Plays a recording: its probes say again what they said then, at the same distances in time.

Owns the playing; the format is `recording`'s.  Never waits longer than it is asked to, and falls silent at the
end, as a device does whose cable is pulled.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, ClassVar

from annotated_types import Gt, MinLen

from rushlight_drivers.contract import Channel, DriverSpec, LinkError, Monotonic, Sample
from rushlight_drivers.formats import session_text
from rushlight_drivers.links.session import Session, disagreement


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """One probe of a recording."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    file: Annotated[str, MinLen(1)]
    """The recording."""
    channel: str = ""
    """The probe's name in the recording; empty: the name it has here."""
    speed: Annotated[float, Gt(0)] = 1.0
    """2 plays it in half the time."""
    repeat: bool = False
    """Begin again at the end."""


class RecordedDriver(Session):
    """All probes of one recording; see `contract` for what each method promises."""

    def __init__(self, channels: Sequence[Channel], monotonic: Monotonic) -> None:
        super().__init__(channels, monotonic)
        self._rows: list[session_text.Row] = []
        self._length_s = self._start_s = 0.0
        self._next = 0

    def _acquire(self) -> None:
        if trouble := disagreement(self._channels, ("speed", "repeat")):
            raise LinkError(trouble)
        file = self._channels[0].options.file
        try:
            played = session_text.parse(Path(file).read_text(encoding="utf-8"))
        except (OSError, ValueError) as e:
            raise LinkError(f"{file} can't be played: {e}") from None
        wanted = {c.options.channel or c.name for c in self._channels}
        self._rows = [r for r in played.of("says") if r.words[0] in wanted]
        self._length_s, self._next, self._start_s = played.length_s, 0, self._monotonic()

    def _pass(self, deadline_s: float) -> Sequence[Sample]:
        """What has become due; waits for the next row until the deadline if nothing has."""
        while not self._broken.is_set():
            now_s = self._monotonic()
            out: list[Sample] = []
            while (due_s := self._due_s()) is not None and due_s <= now_s:
                out += self._samples(self._rows[self._next], due_s)
                self._advance()
            if out or now_s >= deadline_s:
                return out
            self._broken.wait(min(0.2, max(0.0, (deadline_s if due_s is None else min(due_s, deadline_s)) - now_s)))
        return []

    def _due_s(self) -> float | None:
        """When the next row is due, on the monotonic clock; None when there is no next."""
        if self._next >= len(self._rows):
            return None
        speed: float = self._channels[0].options.speed
        return self._start_s + self._rows[self._next].at_s / speed

    def _advance(self) -> None:
        self._next += 1
        # A recording without length would be repeated without end in a single pass.
        if self._next >= len(self._rows) and self._channels[0].options.repeat and self._length_s > 0:
            self._next = 0
            self._start_s += self._length_s / self._channels[0].options.speed

    def _samples(self, row: session_text.Row, at_s: float) -> list[Sample]:
        heard = row.sample()
        mine = [c for c in self._channels if (c.options.channel or c.name) == heard.channel]
        return [Sample(c.name, at_s, heard.value, heard.trouble) for c in mine]


SPEC = DriverSpec(options=Options, link_of=lambda o: str(o.file), build=RecordedDriver, streams=True, maturity="proven")
