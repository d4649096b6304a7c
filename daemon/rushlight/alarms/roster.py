"""Who there is to be told, and by which channel: contacts, the one behind them, the holiday sitter.

Never decides when or how often (`notify` does).  Pure.
"""

from __future__ import annotations

import zoneinfo

from rushlight.alarms.table import AlarmRow
from rushlight.localtime import local_day
from rushlight.settings import CHANNELS, Config, Person


class Roster:
    """The people of a configuration; nobody where no channel is set up."""

    def __init__(self, config: Config) -> None:
        self._zone = zoneinfo.ZoneInfo(config.site.timezone)
        self._contacts = config.contacts
        self._channels = configured_channels(config)
        people = config.contacts.person or (Person(id="keeper", name="keeper"),)
        self.people = {p.id: p for p in people if self._channels}

    @property
    def gets_letters(self) -> bool:
        """Whether there is a weekly letter, which tells what is low."""
        return "email" in self._channels

    def first(self, row: AlarmRow, at_s: float) -> list[str]:
        """Who is told first: the sitter while there is one and there is something for them to do."""
        sitter = self.sitter(at_s)
        if sitter is not None and row.sitter:
            return [sitter[0]]
        return list(self.people)[:1]

    def second(self, at_s: float) -> list[str]:
        """Who is told of what nobody has acknowledged."""
        sitter = self.sitter(at_s)
        people = list(self.people)
        if sitter is not None:
            return [p for p in people if p != sitter[0]][:1]
        return people[1:2]

    def sitter(self, at_s: float) -> tuple[str, str] | None:
        """Who sits today, and whom they call; None when nobody sits."""
        day = local_day(at_s, self._zone)
        for s in self._contacts.sitter:
            if s.first_day <= day <= s.last_day and s.person in self.people:
                return s.person, s.call
        return None

    def is_sitter(self, person: Person, at_s: float) -> bool:
        """Whether it is this person who sits today."""
        sitter = self.sitter(at_s)
        return sitter is not None and sitter[0] == person.id

    def channel(self, person: Person, failing: str | None) -> str:
        """The contact's first channel, but not the one that is failing."""
        channels = [c for c in person.channels or self._channels if c in self._channels] or list(self._channels)
        return next((c for c in channels if c != failing), channels[0])


def configured_channels(config: Config) -> tuple[str, ...]:
    """The channels that the configuration sets up, in the order in which they are tried."""
    return tuple(name for name in CHANNELS if getattr(config, name).set_up)
