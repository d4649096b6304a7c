"""One row of the alarm table."""

from __future__ import annotations

from dataclasses import dataclass

from rushlight.alarms.pace import ACK_LASTS_S, Pace
from rushlight.settings import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRow:
    """One alarm.  `sitter` is the first action for somebody who only feeds the fish; empty: it is not told to them.

    `tell_return` is set where the return to normal is news, not the plain result of what the keeper just did.
    """

    name: str
    title: str
    cause: str
    consequence: str
    first_action: str
    sitter: str
    respond: str
    """Time to respond, in words a keeper uses."""
    priority: Priority
    on_delay_s: float = 0.0
    off_delay_s: float
    deadband: str
    stale: str
    trap: str = ""
    """What people reach for and should not; empty where no trap is known."""

    tell_return: bool = False
    urgent: bool = False
    """Answered within hours or not at all; at high priority it is told again within minutes."""
    by_test: bool = False
    """Only a test by hand can clear it: once acknowledged, the next test is what is asked for, not haste."""
    asks: tuple[str, ...] = ()
    """Substances that the first action asks to test: where no kit measures them, it is said who does."""
    told_by: tuple[str, ...] = ()
    """Alarms of the same tank that tell the same trouble further on; while one of them stands, this one is not told."""

    @property
    def weekly_only(self) -> bool:
        """True if the weekly summary is soon enough and no push is sent at the default priority."""
        return self.priority == "low"

    def ack_lasts_s(self, priority: Priority, times: int = 1) -> float:
        """How long the so manieth acknowledgement of one occurrence holds while the alarm still stands, seconds."""
        first_s, most_s = ACK_LASTS_S[self.pace(priority)]
        return min(most_s, first_s * 2.0 ** (min(times, 10) - 1))

    def pace(self, priority: Priority) -> Pace:
        """How it is told again at this priority."""
        if priority != "high" or not self.urgent:
            return priority
        return "tested" if self.by_test else "urgent"


BLIND = "Without fresh data the alarm neither rises nor clears; time without data does not count as delay."
LEVEL = "The estimate only widens with time; no new test neither raises nor clears it by itself."
COUNTED = "Counted from records; nothing to go stale."
