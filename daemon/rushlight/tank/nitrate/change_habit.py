"""The habit of changing water: whether the keeper still has it, and since when not.

Owns the comparison of the changes before a day with those since.  Reads the ledger and the level, changes neither;
ends the habit where it has ended.
"""

from __future__ import annotations

import bisect

from rushlight.localtime import DAY_S
from rushlight.tank.ledger import Ledger
from rushlight.tank.nitrate.balance import EXCHANGE_MEMORY_DAYS, Balance, level_parts
from rushlight.tank.nitrate.kinds import scale

CHANGES_DAYS, CHANGES_MISSED = 42.0, 2.5
"""Water changes are rarer: six weeks count, or so many times the interval that was the habit (own choice)."""
HABIT_DAYS, HABIT_CHANGES = 100.0, 3
"""Over so long, and from so many changes on, changing water is a habit that can end (own choice)."""
HABIT_LEAST_DAYS = 14.0
"""And over no less than this: a series of changes on as many days, made to bring a level down, is no habit (own
choice)."""
HABIT_PART = 0.5
"""It has when by so much of it less, or more, is carried out: two changes where two and a half were due are no end (own
choice)."""
NOTABLE_CARRIED = 0.1
"""A habit of changing water has ended when the difference comes to this share of supply: what passes for quiet (own
choice)."""


def habit_ended_s(ledger: Ledger, balance: Balance) -> float | None:
    """When the habit of changing water ended, in how much, how often, or with what water; None while it is kept.

    The balance would count on the habit for months more, and call a tank quiet in which nothing has changed but that.
    Of the changes after which something may have become different, the one that parts most what was carried out.
    """
    changes = [f for f in ledger.facts if f.kind == "change" and f.at_s <= balance.at_s]
    level = sum(w * m for w, m, _ in level_parts(balance))
    carried = [f.amount * (level - (f.source or 0.0)) for f in changes]
    most, ended_s = NOTABLE_CARRIED * scale(balance.usual), None
    for n, last in enumerate(changes):
        first = bisect.bisect_right(changes, last.at_s - HABIT_DAYS * DAY_S, key=lambda f: f.at_s)
        since_s = balance.at_s - last.at_s
        if n - first < HABIT_CHANGES - 1 or since_s > EXCHANGE_MEMORY_DAYS * DAY_S:
            continue
        before_s = last.at_s - changes[first].at_s
        if before_s < HABIT_LEAST_DAYS * DAY_S:
            continue
        if since_s < min(CHANGES_DAYS * DAY_S, CHANGES_MISSED * before_s / (n - first)):
            continue
        pace = sum(carried[first + 1 : n + 1]) * DAY_S / before_s
        less = abs(pace - sum(carried[n + 1 :]) * DAY_S / since_s)
        if less > max(most, HABIT_PART * abs(pace)):
            most, ended_s = less, last.at_s
    return ended_s


def pace_since(ledger: Ledger, ended_s: float, at_s: float) -> float:
    """The share of the water that has been changed per day since the habit ended."""
    changed = sum(f.amount for f in ledger.later_than(ended_s, at_s) if f.kind == "change")
    return changed * DAY_S / (at_s - ended_s)


def end_habit(balance: Balance, exchange: float) -> None:
    """Water is not changed as it was: from now on count on `exchange`, the share of it that is changed per day."""
    balance.watched_days = max(balance.watched_days, 7.0)
    balance.exchanged = exchange * (balance.watched_days + 7.0)
