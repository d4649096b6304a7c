"""What becomes of one try to tell somebody, and what is handed to a channel for it.

Owns the three words a channel may answer with.  A reason is for people: it names the host and what went wrong,
never a credential, a topic, an address of a person or a server's own text.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from rushlight.effects import Purpose, Told
from rushlight.settings import Priority

Secret = Callable[[str, str], str]
"""Gives a secret by what the configuration says in place, or by its file; raises OSError where that can't be read."""


@dataclass(frozen=True, slots=True)
class Done:
    """Delivered; `receipt` is the receiver's own name for it, if it gave one."""

    receipt: str = ""


@dataclass(frozen=True, slots=True)
class Later:
    """Not now.  `after_s` is what the receiver asked for, seconds; None leaves the wait to the outbox."""

    why: str
    after_s: float | None = None


@dataclass(frozen=True, slots=True)
class Never:
    """Trying the same again is of no use."""

    why: str


Result = Done | Later | Never


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcel:
    """One message as a channel sends it.  `to` is a topic or an address, empty for the channel's own."""

    key: str
    priority: Priority
    title: str
    body: str
    to: str = ""
    purpose: Purpose = "alarm"
    alarms: tuple[Told, ...] = ()
    link: str = ""
    """Where the phone goes on a tap."""
    acknowledge_url: str = ""
    """Where a POST acknowledges the alarm; empty: no such button."""


class Outlet(Protocol):
    """One channel.  Both methods return within the channel's deadline and raise nothing that the network can cause."""

    @property
    def certificate_until_s(self) -> float | None:
        """When the certificate last seen at the other end runs out, Unix seconds; None if none was seen."""
        ...

    def send(self, parcel: Parcel) -> Result:
        """Deliver one message."""
        ...

    def check(self) -> Result | None:
        """Prove the credentials without telling anybody; None where the channel has no such way."""
        ...
