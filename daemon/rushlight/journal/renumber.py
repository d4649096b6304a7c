"""Moves rows that were numbered without a database up behind what the database turned out to hold.

Only for a journal that began in memory because its disk was away at the start.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from rushlight.journal import outbox, rows
from rushlight.journal.pending import Key, Pending

Values = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Shift:
    """How far arrival numbers and those of other tables move up; this boot's number; each probe's by its old one."""

    seq: int
    last: Mapping[str, int]
    boot: int
    probe: Mapping[int, int]


def apply(pending: Pending, shift: Shift) -> None:
    """Renumber everything held."""
    moved = (_reading(row, shift) for row in pending.readings)
    pending.readings = deque(moved, maxlen=pending.readings.maxlen)
    others: dict[Key, tuple[str, Values]] = {}
    for (table, key), (sql, values) in pending.others.items():
        match table:
            case "event":
                others[table, key] = sql, (values[0] + shift.seq, *values[1:7], _boot(values[7], shift), *values[8:])
            case "alarm":
                new = (
                    key + shift.last[table],
                    values[1] + shift.seq,
                    *values[2:11],
                    _boot(values[11], shift),
                    *values[12:],
                )
                others[table, new[0]] = sql, new
            case "due":
                new = (key + shift.last[table], *values[1:])
                others[table, new[0]] = sql, new
            case "outbox":
                row = dict(zip(outbox.COLUMNS, values, strict=True))
                row |= {"no": row["no"] + shift.last[table], "boot": _boot(row["boot"], shift)}
                others[table, key] = sql, tuple(row.values())
            case "boot":
                others[table, shift.boot] = sql, (shift.boot, values[1], values[2] + shift.seq)
            case "probe":
                others[table, shift.probe[key]] = sql, (shift.probe[key], *values[1:])
            case _:
                others[table, key] = sql, values
    pending.others = others


def _reading(row: rows.ReadingRow, shift: Shift) -> rows.ReadingRow:
    seq, probe, at_ms, value, flag, boot, *rest = row
    return (seq + shift.seq, shift.probe[probe], at_ms, value, flag, _boot(boot, shift), *rest)  # type: ignore[return-value]


def _boot(boot: int | None, shift: Shift) -> int | None:
    return None if boot is None else shift.boot
