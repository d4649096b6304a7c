"""Journals and their contents for tests: real files, invented entries of the scenario's tanks."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from rushlight.effects import AlarmChange, Message
from rushlight.events import Feeding, Reading, Test
from rushlight.journal.rows import Recorded
from rushlight.journal.store import Journal

T0 = 1_790_000_000.0
"""21 September 2026."""


def opened(path: Path, at_s: float = T0, *, boot_id: str = "boot-1", **options: Any) -> Journal:
    journal = Journal(path, boot_id=boot_id, **options)
    journal.open(at_s)
    return journal


def reading(n: int, *, probe: str = "foyer-ph", every_s: float = 10.0, **fields: Any) -> Recorded:
    at_s = T0 + n * every_s
    event = Reading(at_s=at_s, probe=probe, value=fields.pop("value", 7.0 + n % 50 / 100), **fields)
    return Recorded(event, mono_s=1000.0 + n * every_s)


def strip(event_id: str, at_s: float = T0, **fields: Any) -> Recorded:
    event = Test(at_s=at_s, id=event_id, tank="foyer", method="strip", values={"nitrate": 25.0}, **fields)
    return Recorded(event, mono_s=1000.0 + at_s - T0)


def feeding(event_id: str, at_s: float = T0, **fields: Any) -> Recorded:
    return Recorded(Feeding(at_s=at_s, id=event_id, tank="foyer", grams=0.9, **fields), mono_s=1000.0 + at_s - T0)


def alarm(n: int = 1, *, at_s: float = T0, state: Any = "unacknowledged") -> AlarmChange:
    return AlarmChange(
        at_s=at_s,
        tank="foyer",
        alarm="ph_high",
        id="foyer.ph_high.foyer-ph",
        occurrence=n,
        state=state,
        priority="high",
        text="Foyer: pH 8.1, above 7.8.",
        evidence={"ph": 8.1, "limit_ph": 7.8},
    )


def message(key: str, *, at_s: float = T0, channel: str = "push", **fields: Any) -> Message:
    return Message(at_s=at_s, key=key, channel=channel, title="Foyer", body="pH 8.1, above 7.8.", **fields)


def query(path: Path, sql: str, *values: Any) -> list[tuple[Any, ...]]:
    """Ask the file itself, past all our code."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as conn:
        return conn.execute(sql, values).fetchall()


def sound(path: Path) -> bool:
    return query(path, "PRAGMA integrity_check") == [("ok",)]
