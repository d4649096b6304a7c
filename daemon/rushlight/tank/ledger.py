"""What the nitrate watch has been told, in the order in which it was done.

Owns the sorted list of facts and the feed of each local day.  Never asks when a fact arrived: two ledgers with the
same facts are equal, however they came.  Never runs the filter.
"""

from __future__ import annotations

import bisect
from dataclasses import dataclass, field
from typing import Literal

from rushlight.tank.kits.said import Said

FactKind = Literal[
    "test",
    "change",
    "inflow",
    "feeding",
    "harvest",
    "stocking",
    "lamp",
    "light",
    "temperature",
    "growth",
    "electrode",
    "calibration",
]


@dataclass(slots=True, kw_only=True)
class Fact:
    """One thing that bears on nitrate, in the filter's own units.

    What `amount` means goes by `kind`: test, reading error as a share; change, fraction replaced; inflow, litres per
    litre of tank; feeding, nitrogen in g; harvest, nitrogen in g; stocking, fish; light, mol m⁻² d⁻¹; temperature, °C;
    growth, share of the pace before; electrode, mg/L.
    """

    at_s: float
    kind: FactKind
    id: str = ""
    amount: float = 0.0
    low: float = 0.0
    """A test's lower end, mg/L."""
    high: float | None = None
    """A test's upper end, mg/L; None is open above."""
    source: float | None = None
    """Nitrate of the water that came in, mg/L; None is not known."""
    word: str = ""
    """A test's method, a feeding's or a light day's local date, a lamp work's kind."""
    lamp_percent: float | None = None
    window: float | None = None
    """The part of a day's light that came through a window, mol m⁻² d⁻¹; None is not known."""
    dirty: bool = False
    """A light day's probe is known to be dirty: the plants got more than it saw."""
    said: Said | None = None
    """A test's evidence, as the filter takes it; the ends above are those of the tank's water, for people."""

    def key(self) -> tuple[float, str, str, float, float, str]:
        """The order of facts: by time, then id, then content, never by arrival."""
        return (self.at_s, self.id, self.kind, self.amount, self.low, self.word)


@dataclass(slots=True)
class Ledger:
    """Facts in order, and the nitrogen fed on each local day that has an entry, g."""

    facts: list[Fact] = field(default_factory=list)
    fed: dict[str, float] = field(default_factory=dict)

    def add(self, fact: Fact) -> None:
        """Put a fact in its place."""
        self.facts.insert(bisect.bisect_right(self.facts, fact.key(), key=Fact.key), fact)
        if fact.kind == "feeding":
            self._sum_day(fact.word)

    def remove(self, fact_id: str) -> Fact | None:
        """Take out the fact with this id; None if there is none."""
        for i in range(len(self.facts) - 1, -1, -1):
            if self.facts[i].id == fact_id:
                gone = self.facts.pop(i)
                if gone.kind == "feeding":
                    self._sum_day(gone.word)
                return gone
        return None

    def later_than(self, at_s: float, until_s: float) -> list[Fact]:
        """Facts with at_s < t ≤ until_s."""
        first = bisect.bisect_right(self.facts, at_s, key=lambda f: f.at_s)
        last = bisect.bisect_right(self.facts, until_s, key=lambda f: f.at_s)
        return self.facts[first:last]

    def forget_until(self, at_s: float, date: str) -> None:
        """Drop facts up to and including `at_s`, and the feed of days before `date`."""
        self.facts = self.later_than(at_s, float("inf"))
        self.fed = {day: grams for day, grams in self.fed.items() if day >= date}

    def _sum_day(self, date: str) -> None:
        amounts = [f.amount for f in self.facts if f.kind == "feeding" and f.word == date]
        if amounts:
            self.fed[date] = sum(amounts)
        else:
            self.fed.pop(date, None)
