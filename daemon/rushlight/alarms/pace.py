"""How soon an alarm that still stands is told again, and how long an acknowledgement holds.  Pure."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

from rushlight.localtime import DAY_S, HOUR_S
from rushlight.settings import Priority

MINUTE_S = 60.0

Pace = Literal["urgent", "tested", "high", "medium", "low"]
"""How an alarm is told again: by its priority, and faster where the answer can't wait a day.  `tested` is as urgent,
but somebody has just read it off a strip and knows."""

ACK_LASTS_S: Mapping[Pace, tuple[float, float]] = MappingProxyType(
    {
        "urgent": (4 * HOUR_S, 4 * HOUR_S),
        "tested": (3 * DAY_S, 3 * DAY_S),
        "high": (3 * DAY_S, 7 * DAY_S),
        "medium": (28 * DAY_S, 91 * DAY_S),
        "low": (91 * DAY_S, 91 * DAY_S),
    }
)
"""How long an acknowledgement holds while the alarm still stands (the ReAlarmTime of IEC 62541-9): at first, and at
most.  Each holds twice as long as the one before it: who has seen it twice need not be told of it every month.  Three
days for a poison that a test showed are our own choice."""

LOOKED_AT_S = 7 * DAY_S
"""A test made since shows the same to whoever makes it, so the three days count from it; at most so long after the
acknowledgement, though (own choice)."""

REPEATS_S: Mapping[Pace, tuple[float, ...]] = MappingProxyType(
    {
        "urgent": (5 * MINUTE_S, 15 * MINUTE_S, 30 * MINUTE_S, HOUR_S, 2 * HOUR_S, 4 * HOUR_S, 8 * HOUR_S, DAY_S),
        "tested": (HOUR_S, 4 * HOUR_S, 8 * HOUR_S, DAY_S),
        "high": (DAY_S, 3 * DAY_S, 7 * DAY_S),
        "medium": (3 * DAY_S, 10 * DAY_S, 28 * DAY_S),
        "low": (),
    }
)
"""When an unacknowledged alarm is told again, after it was first told; the last step then recurs (own choice)."""

RANK: Mapping[Priority, int] = MappingProxyType({"low": 0, "medium": 1, "high": 2})
