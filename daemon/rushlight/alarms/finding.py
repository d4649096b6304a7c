"""What a watch says about one alarm right now: the only way a watch talks to the alarm book."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from rushlight.alarms.evidence import Evidence
from rushlight.settings import Priority

Says = Literal["raise", "clear", "hold"]
"""`hold` is 'between the two thresholds' or 'no data': it raises nothing and clears nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One watch's word on one alarm.

    `alarm` is a name of the table, `tank` None for the installation itself, `subject` the probe or channel
    where one tank can have the alarm several times.  `priority` overrides the table's where the situation
    decides it.  `evidence` is what is known at this moment, whatever it `says`; the words are made from it.
    """

    alarm: str
    tank: str | None
    says: Says
    subject: str = ""
    priority: Priority | None = None
    tested_s: float | None = None
    """When the test was made on which the word rests, where a person made it."""
    evidence: Evidence = field(default_factory=Evidence)

    @property
    def id(self) -> str:
        """The alarm's name for good: tank (or `site`), alarm and subject joined by dots."""
        parts = (self.tank or "site", self.alarm, self.subject)
        return ".".join(p for p in parts if p)
