"""Readings in forms that other programs know: SenML (RFC 8428) and CSV (RFC 4180), out and in.

Imports config.checking, drivers, drivers.formats, eventlines, events, science, settings.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Protocol, TextIO

from rushlight.events import Event, Reading
from rushlight.exchange import senml_pack, sheet
from rushlight.settings import Config, Probe


class _Form(Protocol):
    def write(self, readings: Iterable[tuple[Reading, Probe]], out: TextIO, /) -> int: ...

    def read(self, source: TextIO, probes: Mapping[str, Probe], /) -> Iterator[Reading]: ...


_FORMS: Mapping[str, _Form] = {"senml": senml_pack, "csv": sheet}
FORMS = tuple(_FORMS)


def write(form: str, events: Iterable[Event], config: Config, out: TextIO) -> int:
    """Write the readings among `events`; returns how many were written.

    CSV carries every reading.  SenML has no word for quality, so it carries those that have a value and are not
    flagged bad (4) or missing (9).  Readings of probes that the configuration no longer has are left out: nobody
    knows their unit.

    Raises:
        ValueError: `form` is none of `FORMS`.
    """
    known = {p.id: p for p in config.probe}
    readings = ((e, known[e.probe]) for e in events if isinstance(e, Reading) and e.probe in known)
    return _FORMS[_known(form)].write(readings, out)


def read(form: str, source: TextIO, config: Config) -> Iterator[Reading]:
    """The readings in `source`, in its order.

    Raises:
        ValueError: `form` is none of `FORMS`.
        rushlight.eventlines.LineError: the first thing that is wrong, with its line (CSV) or record (SenML).
    """
    return _FORMS[_known(form)].read(source, {p.id: p for p in config.probe})


def _known(form: str) -> str:
    if form not in FORMS:
        raise ValueError(f"no such form: {form!r}; one of {', '.join(FORMS)}")
    return form
