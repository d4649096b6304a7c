"""What comes in from a hub, checked and turned into events or into the reason why not.

Owns the form of commands: a JSON document with an event line in it, or the fields and buttons that
`hub_entities` describes.  Nothing here publishes, stores or reads a clock; a command that is wrong changes
nothing.  Every command carries an id, so that the same one sent twice is one entry.
"""

from __future__ import annotations

import dataclasses
import json
import uuid
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from rushlight import eventlines
from rushlight.config import checking
from rushlight.entry import doubts, firstaid
from rushlight.entry.kitunits import in_own_units
from rushlight.entry.receipt import Receipt
from rushlight.eventlines import LineError
from rushlight.events import Acknowledge, Correction, Event, Shelve, Test
from rushlight.outlets.hub.entities import FIELDS, UNSEEN_STATES
from rushlight.science.measuring.units import spoken
from rushlight.settings import Config, HubCommand, Kit, Substance
from rushlight.views import AlarmView, SiteView
from rushlight_drivers.formats.numerals import BLANKS, number

LONGEST_BYTES = 64 * 1024
LONGEST_ID = 200
AHEAD_S = 300.0
"""How far a command's time may lie ahead of ours: clocks of two machines differ a little."""
DRAFT_KEEPS_S = 3600.0
"""A value typed into a field and never recorded is forgotten after this, lest it join another day's test."""
_REMEMBERED = 256

BY = "hub"
"""Who did it, whatever name a command gives."""
MOST_SHELVED_H = 24 * 14
"""As on the page."""
_NEEDS: dict[str, HubCommand] = {
    "acknowledge": "acknowledge",
    "shelve": "shelve",
    "test": "test",
    "correction": "correct",
    "calibration": "calibrate",
    "kit_check": "calibrate",
}
"""What a kind of entry needs; `record` for the rest."""

Submit = Callable[[Event], Receipt]
"""Hands one event in and returns once it is kept; raises `TimeoutError` or another exception when it is not."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What is told to the sender.  `key` names the key at fault; empty where nothing is wrong."""

    id: str
    ok: bool
    what: str
    new: bool = False
    key: str = ""
    kind: str = ""
    kept: str = ""
    """Where the entry is: `on disk`, `in memory` or `unknown`; empty when there is none."""

    def text(self) -> str:
        """The document for the answer topic."""
        return json.dumps(dataclasses.asdict(self), ensure_ascii=False, sort_keys=True)


def parse(payload: bytes, config: Config, view: SiteView, now_s: float) -> Event:
    """The event in a JSON command; raises `LineError` with the key and what is wrong.

    `at` may be left out and is then now; `sure` true keeps what would be asked about.
    Readings are refused: they come in through a probe.
    """
    record = _decode(payload)
    if record.get("kind") == "reading":
        raise LineError(0, "kind", "readings come in through a probe, not as a command")
    if "received_at" in record:
        raise LineError(0, "received_at", "is set here and can't be given")
    command_id(record)
    sure = record.pop("sure", False) is True
    record.setdefault("at", eventlines.rfc3339(now_s))
    if record.get("kind") in ("acknowledge", "shelve"):  # a tuple: the kind may be anything, a list too
        record["by"] = BY  # whoever may publish there may give any name
    event = eventlines.parse_record(record)
    _permit(event, config)
    if event.at_s > now_s + AHEAD_S:
        raise LineError(0, "at", "lies in the future; look at the sender's clock and time zone")
    eventlines.check_names(event, config)
    event = in_own_units(event, config.tank, config.kit)
    eventlines.check_typed(event, config)
    if not sure and (doubt := doubts.question(event, config, view)) is not None:
        raise LineError(0, doubt[0], f'{doubt[1]}; if it is so, send it again with "sure": true')
    if isinstance(event, Acknowledge | Shelve) and event.alarm not in {a.id for a in all_alarms(view)}:
        raise LineError(0, "alarm", f"no alarm {event.alarm!r} stands now")
    at_s = min(event.at_s, now_s)
    return dataclasses.replace(event, at_s=at_s, received_s=0.0 if at_s == now_s else now_s)


def may(config: Config, command: HubCommand) -> bool:
    """Whether the hub was given this."""
    return config.hub.enabled and command in config.hub.commands


def _permit(event: Event, config: Config) -> None:
    """Raises `LineError` for what the hub was not given, or has no more of than a person on the page."""
    needed = _NEEDS.get(event.kind, "record")
    if not may(config, needed):
        raise LineError(0, "kind", f"the hub may not do this; it needs {needed!r} among hub.commands")
    if isinstance(event, Shelve) and event.hours > MOST_SHELVED_H:
        raise LineError(0, "hours", f"expected at most {MOST_SHELVED_H}")
    if isinstance(event, Correction) and event.replacement is not None:
        _permit(event.replacement, config)
    if isinstance(event, Test) and event.method not in {k.method for k in config.kit}:
        raise LineError(0, "method", f"no kit of this installation tests by {event.method!r}")


def command_id(record: Mapping[str, Any]) -> str:
    """The command's id; raises `LineError` when there is none that can be used."""
    found = record.get("id")
    if not isinstance(found, str) or not found.strip():
        raise LineError(0, "id", "is missing; give each command an id of its own, so that it may be sent twice")
    if len(found) > LONGEST_ID:
        raise LineError(0, "id", f"is longer than {LONGEST_ID} characters")
    return found


def id_in(payload: bytes) -> str:
    """The id of a command that may be wrong otherwise, for its answer; empty when there is none to be found."""
    try:
        return command_id(_decode(payload))
    except LineError:
        return ""


def _decode(payload: bytes) -> dict[str, Any]:
    if len(payload) > LONGEST_BYTES:
        raise LineError(0, "line", f"is longer than {LONGEST_BYTES} bytes")
    record = eventlines.decode(payload)
    if fault := checking.unfit(record):
        raise LineError(0, "line", f"{fault.key}: {fault.what}")
    return record


# ---------------------------------------------------------------------- fields and buttons


@dataclass(slots=True)
class Draft:
    """What has been typed into one tank's fields and not been recorded yet; `touched_s` is monotonic."""

    values: dict[Substance, float] = field(default_factory=dict)
    touched_s: float = 0.0
    asked: bool = False
    """A value of it was asked about; pressed again as it is, it is kept."""


class Drafts:
    """Half-entered tests, in memory only: after a restart the fields are empty and can be seen to be."""

    def __init__(self) -> None:
        self._drafts: dict[str, Draft] = {}

    def put(self, tank: str, name: str, payload: bytes, mono_s: float) -> float:
        """Take a field's value; raises `LineError` when it is none, and nothing changes."""
        look = FIELDS.get(name)  # type: ignore[call-overload]
        if look is None:
            raise LineError(0, name[:40], "is not a value that a test has")
        value = _field_number(name, payload, look.most)
        draft = self._drafts.setdefault(tank, Draft())
        draft.values[name] = value  # type: ignore[index]
        draft.touched_s, draft.asked = mono_s, False
        return value

    def values(self, tank: str) -> Mapping[Substance, float]:
        """What has been typed for a tank."""
        draft = self._drafts.get(tank)
        return dict(draft.values) if draft else {}

    def ask_once(self, tank: str) -> bool:
        """Whether a doubt about this draft is still to be asked; it is then taken as asked."""
        draft = self._drafts.setdefault(tank, Draft())
        fresh, draft.asked = not draft.asked, True
        return fresh

    def clear(self, tank: str) -> tuple[Substance, ...]:
        """Forget a tank's draft; returns the fields that were filled."""
        draft = self._drafts.pop(tank, None)
        return tuple(draft.values) if draft else ()

    def stale(self, mono_s: float) -> list[str]:
        """Tanks whose draft is too old to be recorded any more."""
        return [t for t, d in self._drafts.items() if mono_s - d.touched_s > DRAFT_KEEPS_S]


def _field_number(name: str, payload: bytes, most: float) -> float:
    # Strict and whole: a long payload that was cut could pass for another number.
    value = number(payload.decode(errors="replace").strip(BLANKS))
    if value is None or not 0 <= value <= most:
        raise LineError(0, name, f"expected a number from 0 to {most:g}, got {payload[:40].decode(errors='replace')!r}")
    return value


def test_of(tank: str, values: Mapping[Substance, float], config: Config, now_s: float) -> Test:
    """The test that a press on 'record' stands for; raises `LineError` when no field was filled."""
    if not values:
        raise LineError(0, "values", "nothing was entered; fill at least one field first")
    kit = kit_of(tank, config)
    units = {s: unit for s, unit in kit.units.items() if s in values}
    return Test(at_s=now_s, id=new_id(), tank=tank, method=kit.method, kit=kit.id, values=dict(values), units=units)


def kit_of(tank: str, config: Config) -> Kit:
    """The kit that a tank is tested with."""
    wanted = next((t.testing.kit for t in config.tank if t.id == tank), "")
    return next((k for k in config.kit if k.id == wanted), config.kit[0])


def fields_of(config: Config) -> dict[str, dict[Substance, str]]:
    """What can be entered for each tank, each with its unit: what its kit measures, else everything."""
    found = {}
    for t in config.tank:
        kit = kit_of(t.id, config)
        measured = tuple(s for s in FIELDS if s in kit.pads) or tuple(FIELDS)
        found[t.id] = {s: spoken(s, kit.unit(s)) for s in measured}
    return found


def acknowledgements(view: SiteView, tank: str | None, now_s: float) -> list[Acknowledge]:
    """One event for each alarm of a tank, or of the installation itself, that waits for a person."""
    alarms = view.alarms if tank is None else next((t.alarms for t in view.tanks if t.id == tank), ())
    return [Acknowledge(at_s=now_s, id=new_id(), alarm=a.id, by=BY) for a in alarms if a.state in UNSEEN_STATES]


def all_alarms(view: SiteView) -> list[AlarmView]:
    """Every alarm that is not normal."""
    return [*view.alarms, *(a for t in view.tanks for a in t.alarms)]


def new_id() -> str:
    """An id for an entry made by a press."""
    return f"hub-{uuid.uuid4()}"


class Answered:
    """The last answers by id, so that a command that comes twice is answered alike and acts once.

    The journal knows ids for good; this only makes the second answer the same as the first.
    """

    def __init__(self) -> None:
        self._answers: OrderedDict[tuple[str, bytes], Answer] = OrderedDict()

    def get(self, id_: str, payload: bytes) -> Answer | None:
        """The answer that the very same command got."""
        return self._answers.get((id_, payload))

    def keep(self, id_: str, payload: bytes, answer: Answer) -> None:
        """Remember an answer; the oldest goes."""
        self._answers[id_, payload] = answer
        while len(self._answers) > _REMEMBERED:
            self._answers.popitem(last=False)


def run(payload: bytes, config: Config, view: SiteView, now_s: float, submit: Submit) -> Answer:
    """Check one JSON command, hand it in, and say what became of it.  Raises what `submit` raises."""
    try:
        event = parse(payload, config, view, now_s)
    except LineError as e:
        return Answer(id=id_in(payload), ok=False, what=e.what, key=e.key)
    try:
        receipt = submit(event)
    except ValueError as e:  # a correction of what is not there
        key, _, what = str(e).partition(": ")
        return Answer(id=event.id, ok=False, what=what or key, key=key if what else "", kind=event.kind)
    return answer_of(receipt, event.kind, "" if receipt.changed else firstaid.now(event, now_s))


def answer_of(receipt: Receipt, kind: str, more: str = "") -> Answer:
    """What the sender is told of an entry that was taken, or perhaps taken; `more` says what it was."""
    what = f"{receipt.words}: {more}" if more else receipt.words
    what = f"{what}. {receipt.changed}" if receipt.changed else what
    return Answer(receipt.id, ok=receipt.kept != "unknown", what=what, new=receipt.new, kind=kind, kept=receipt.kept)
