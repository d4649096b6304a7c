"""Runs event lines through the same core in simulated time and writes what it would have said.

Touches no device, no network and no data directory.  Same input, same bytes out.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable, Iterator
from typing import Any

from rushlight import eventlines
from rushlight.alarms.roster import configured_channels
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.effects import AlarmChange, Daily, DueChange, Effect, Estimate, Message, TestRead
from rushlight.events import Event, Reading
from rushlight.settings import Config

_DIGITS = 6
"""Significant digits written: more than any estimate deserves, few enough to be the same on every machine."""


def replay(
    config: Config, lines: Iterable[str | bytes], *, daily: bool = False, messages: bool = False
) -> Iterator[str]:
    """One line of JSON text per effect; raises `eventlines.LineError` at the first bad line.

    Effects that depend on a bad line are never written: a line is checked before it acts.  `messages`: also what would
    be sent to people; where the configuration sets up no channel, what would be sent to one person with a phone.
    """
    core = Core(with_phone(config) if messages and not configured_channels(config) else config)
    timeline = Timeline(core, core.initial())
    for effect in timeline.run(events(config, lines)):
        record = record_of(effect, daily=daily, messages=messages)
        if record is not None:
            yield json.dumps(record, ensure_ascii=False, separators=(", ", ": "), allow_nan=False)


def events(config: Config, lines: Iterable[str | bytes]) -> Iterator[Event]:
    """Checked events; those without an id are given their line's number for one.  Empty lines are passed over."""
    probes = {p.id for p in config.probe}
    ids: set[str] = set()
    for n, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        event = eventlines.parse_line(line, n)
        if type(event) is not Reading or event.unit or event.probe not in probes:
            eventlines.check_names(event, config, n)
        if type(event) is not Reading:
            event = event if event.id else dataclasses.replace(event, id=f"line-{n}")
            if event.id in ids:
                continue  # the same entry sent twice is one entry
            ids.add(event.id)
        yield event


def record_of(effect: Effect, *, daily: bool, messages: bool = False) -> dict[str, Any] | None:
    """The JSON object for an effect, or None for one that replay does not write."""
    head: dict[str, Any] = {"at": eventlines.rfc3339(effect.at_s), "kind": effect.kind, "tank": effect.tank}
    match effect:
        case AlarmChange():
            return head | {
                "alarm": effect.alarm,
                "id": effect.id,
                "occurrence": effect.occurrence,
                "state": effect.state,
                "priority": effect.priority,
                "text": effect.text,
                "evidence": rounded(dict(effect.evidence)),
            }
        case DueChange():
            return head | {"due_at": eventlines.rfc3339(effect.due_at_s), "reason": effect.reason}
        case TestRead():
            return head | _body(effect)
        case Daily() if daily:
            return head | _body(effect)
        case Message() if messages:
            return {
                "at": head["at"],
                "kind": effect.kind,
                "to": effect.contact,
                "priority": effect.priority,
                "step": effect.step,
                "title": effect.title,
                "body": effect.body,
                "alarms": [t.alarm for t in effect.alarms],
            }
    return None


def _body(effect: Effect) -> dict[str, Any]:
    own = (f.name for f in dataclasses.fields(effect) if f.name not in {"at_s", "tank"})
    return {name: rounded(getattr(effect, name)) for name in own}


def with_phone(config: Config) -> Config:
    """The same installation as if its keeper had a phone to be told on."""
    push = dataclasses.replace(config.push, server="https://phone.invalid", topic="keeper")
    return dataclasses.replace(config, push=push)


def rounded(value: Any) -> Any:
    """Floats to six significant digits, estimates to objects, all the way down."""
    match value:
        case Estimate():
            return {"mean": rounded(value.mean), "low": rounded(value.low), "high": rounded(value.high)}
        case float():
            return float(f"{value:.{_DIGITS}g}")
        case dict():
            return {k: rounded(v) for k, v in value.items()}
        case list() | tuple():
            return [rounded(v) for v in value]
    return value
