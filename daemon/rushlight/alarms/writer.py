"""Puts alarms and messages into words, of what is known at the moment at which they are told.

Owns who gets which text: the keeper, a sitter, one alarm, several.  Never decides that, when or to whom something is
told (`machine`, `notify` do), keeps nothing, and works no figure out: it asks for the evidence of that moment.
"""

from __future__ import annotations

import dataclasses
import zoneinfo
from collections.abc import Mapping

from rushlight.alarms import digest, words
from rushlight.alarms.evidence import Ask
from rushlight.alarms.machine import AlarmRecord
from rushlight.alarms.roster import Roster
from rushlight.alarms.table import TABLE
from rushlight.effects import AlarmChange, Effect, Message, Told
from rushlight.localtime import HOUR_S, local_time
from rushlight.settings import Config, Person
from rushlight.views import AlarmView

OLD_NEWS_S = 900.0
"""What has stood for longer than this when it is told says since when."""


class Writer:
    """The words for one configuration; remembers nothing."""

    def __init__(self, config: Config) -> None:
        self._zone = zoneinfo.ZoneInfo(config.site.timezone)
        self._titles = {t.id: t.title for t in config.tank}
        self._roster = Roster(config)

    def effect(self, effect: Effect, records: Mapping[str, AlarmRecord], ask: Ask) -> Effect:
        """The effect with its text; what needs none as it is."""
        if isinstance(effect, AlarmChange):
            return self.change(effect, records.get(effect.id), ask)
        if isinstance(effect, Message):
            return self.message(effect, records, ask)
        return effect

    def change(self, change: AlarmChange, record: AlarmRecord | None, ask: Ask) -> AlarmChange:
        """A change of state, with its evidence."""
        row, place, told = TABLE[change.alarm], self.place(change.tank), ask(change.id)
        if change.state == "unacknowledged":
            text = words.alarm_text(row, place, told)
        else:
            until_s = record.shelved_until_s if record is not None else None
            hours = None if until_s is None else (until_s - change.at_s) / HOUR_S
            by = record.by if record is not None else ""
            text = words.change_text(row, place, told, change.state, subject=change.subject, by=by, hours=hours)
        return dataclasses.replace(change, text=text, evidence=told.record())

    def view(self, alarm: AlarmView, ask: Ask) -> AlarmView:
        """What the page shows of an alarm."""
        row, told = TABLE[alarm.alarm], ask(alarm.id)
        text = words.alarm_text(row, self.place(alarm.tank), told)
        return dataclasses.replace(alarm, text=text, first_action=words.first_action(row, told), evidence=told.record())

    def message(self, message: Message, records: Mapping[str, AlarmRecord], ask: Ask) -> Message:
        """What goes to a person, about one alarm or several."""
        person = self._roster.people[message.contact]
        items = [self._item(t, records[t.alarm], person, message.at_s, ask) for t in message.alarms]
        if len(items) == 1:
            (item,), subject = items, records[message.alarms[0].alarm].subject
            title = words.title_text(item.row, item.place, item.evidence, subject)
            return dataclasses.replace(message, title=f"{title}: over" if item.over else title, body=item.body)
        return dataclasses.replace(message, title=digest.title(items), body=digest.body(items))

    def _item(self, told: Told, record: AlarmRecord, person: Person, at_s: float, ask: Ask) -> digest.Item:
        row, place, evidence = TABLE[record.alarm], self.place(record.tank), ask(told.alarm)
        over = told.step == "return"
        sits = self._roster.is_sitter(person, at_s)
        if over:
            body = words.change_text(row, place, evidence, "normal", subject=record.subject)
        elif sits:
            sitter = self._roster.sitter(at_s)
            body = words.sitter_text(row, place, evidence, sitter[1] if sitter is not None else "")
        else:
            body = words.alarm_text(row, place, evidence)
        if not over and (told.step != "raise" or at_s - told.since_s >= OLD_NEWS_S):
            body += f" Standing since {self._clock(told.since_s, at_s)}."
        return digest.Item(row, place, evidence, body, over=over, whole=over or sits)

    def place(self, tank: str | None) -> str:
        """What people call the tank; empty for the installation itself."""
        return self._titles.get(tank, tank) if tank else ""

    def _clock(self, when_s: float, at_s: float) -> str:
        when, now = local_time(when_s, self._zone), local_time(at_s, self._zone)
        return f"{when:%H:%M}" if when.date() == now.date() else f"{when.day} {when:%B, %H:%M}"
