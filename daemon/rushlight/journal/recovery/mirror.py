"""Two small files beside the database, for the day on which it can't be read at all.

`<name>.mirror` holds what decides whether a person is told again: open messages, periods done, cursors,
published topics.  `<name>.state` holds the newest state of the core.  Both are written whole; neither is read
while the database is well.  Nothing here raises: a mirror that fails is a mirror less, not trouble.
"""

from __future__ import annotations

import json
import logging
from dataclasses import asdict, dataclass, field
from pathlib import Path

from rushlight.journal import outbox
from rushlight.journal.recovery import files
from rushlight.journal.rows import Numbers

log = logging.getLogger(__name__)


@dataclass(slots=True)
class Mirror:
    """The steering tables at one moment."""

    at_ms: int = 0
    messages: list[outbox.Row] = field(default_factory=list)
    periods: dict[str, str] = field(default_factory=dict)
    cursors: dict[str, int] = field(default_factory=dict)
    topics: dict[str, str] = field(default_factory=dict)


def save(database: Path, mirror: Mirror) -> None:
    """Write the mirror of `database`."""
    _write(
        files.part(database, ".mirror"),
        json.dumps(
            asdict(mirror) | {"messages": [m.values(Numbers()) for m in mirror.messages]}, separators=(",", ":")
        ).encode(),
    )


def load(database: Path) -> Mirror | None:
    """The mirror as last written, or None."""
    try:
        found = json.loads(files.part(database, ".mirror").read_bytes())
        found["messages"] = [outbox.row_of(m) for m in found["messages"]]
        return Mirror(**found)
    except (OSError, ValueError, TypeError, KeyError) as e:
        log.warning("no mirror to go by: %s", e)
        return None


def save_state(database: Path, seq: int, at_ms: int, version: str, packed: bytes) -> None:
    """Write the core's state: one line of JSON, then the packed bytes."""
    head = json.dumps({"seq": seq, "at_ms": at_ms, "version": version}).encode()
    _write(files.part(database, ".state"), head + b"\n" + packed)


def load_state(database: Path) -> tuple[int, int, str, bytes] | None:
    """Arrival number, time in ms, version and packed state, or None."""
    try:
        head, _, packed = files.part(database, ".state").read_bytes().partition(b"\n")
        found = json.loads(head)
        return int(found["seq"]), int(found["at_ms"]), str(found["version"]), packed
    except (OSError, ValueError, TypeError, KeyError) as e:
        log.warning("no state to go by: %s", e)
        return None


def _write(path: Path, content: bytes) -> None:
    try:
        files.write_whole(path, content)
    except OSError as e:
        log.warning("%s not written: %s", path.name, e)
