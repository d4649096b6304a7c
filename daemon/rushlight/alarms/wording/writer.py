"""Puts alarms and messages into words, of what is known at the moment at which they are told.

Owns who gets which text: the keeper, a sitter, one alarm, several.  Never decides that, when or to whom something is
told (`machine`, `notify` do), keeps nothing, and works no figure out: it asks for the evidence of that moment.
"""

from __future__ import annotations

import dataclasses
import zoneinfo
from collections.abc import Mapping

from rushlight.alarms.evidence import Ask
from rushlight.alarms.notify import Telling
from rushlight.alarms.roster import Roster
from rushlight.alarms.state_machine import AlarmRecord
from rushlight.alarms.table import TABLE
from rushlight.alarms.wording import letter, words
from rushlight.effects import AlarmChange, Effect, Message, Told
from rushlight.localtime import HOUR_S, local_time
from rushlight.localunits import Units
from rushlight.settings import Config, Person
from rushlight.views import AlarmView

OLD_NEWS_S = 900.0
"""What has stood for longer than this when it is told says since when (own choice)."""


class Writer:
    """The words for one configuration; remembers nothing."""

    def __init__(self, config: Config) -> None:
        self._zone = zoneinfo.ZoneInfo(config.site.timezone)
        self._titles = {t.id: t.title for t in config.tank}
        self._roster = Roster(config)
        self._units = Units(config.site.units)

    def effect(
        self, effect: Effect, records: Mapping[str, AlarmRecord], tellings: Mapping[str, Telling], ask: Ask
    ) -> Effect:
        """The effect with its text; what needs none as it is."""
        if isinstance(effect, AlarmChange):
            return self.change(effect, records.get(effect.id), ask)
        if isinstance(effect, Message):
            return self.message(effect, records, tellings, ask)
        return effect

    def change(self, change: AlarmChange, record: AlarmRecord | None, ask: Ask) -> AlarmChange:
        """A change of state, with its evidence."""
        row, place, told = TABLE[change.alarm], self.place(change.tank), ask(change.id)
        if change.state == "unacknowledged":
            text = words.alarm_text(row, place, told, self._units)
        else:
            until_s = record.shelved_until_s if record is not None else None
            hours = None if until_s is None else (until_s - change.at_s) / HOUR_S
            by = record.by if record is not None else ""
            text = words.change_text(row, place, told, change.state, subject=change.subject, by=by, hours=hours)
        return dataclasses.replace(change, text=text, evidence=told.record())

    def view(self, alarm: AlarmView, ask: Ask) -> AlarmView:
        """What the page shows of an alarm."""
        row, told = TABLE[alarm.alarm], ask(alarm.id)
        text = words.alarm_text(row, self.place(alarm.tank), told, self._units)
        return dataclasses.replace(alarm, text=text, first_action=words.first_action(row, told), evidence=told.record())

    def message(
        self, message: Message, records: Mapping[str, AlarmRecord], tellings: Mapping[str, Telling], ask: Ask
    ) -> Message:
        """What goes to a person, about one alarm or several; notes what is told, so that a repeat can tell news."""
        person = self._roster.people[message.contact]
        items = []
        for told in message.alarms:
            telling = tellings.get(told.alarm)
            item = self._item(told, records[told.alarm], telling, person, message.at_s, ask)
            if telling is not None:
                telling.figure, telling.cause = letter.figure(item), letter.cause(item)
            items.append(item)
        return dataclasses.replace(message, title=letter.title(items), body=letter.body(items))

    def _item(
        self, told: Told, record: AlarmRecord, telling: Telling | None, person: Person, at_s: float, ask: Ask
    ) -> letter.Item:
        sitter = self._roster.sitter(at_s) if self._roster.is_sitter(person, at_s) else None
        old = told.step != "raise" or at_s - told.since_s >= OLD_NEWS_S
        return letter.Item(
            row=TABLE[record.alarm],
            place=self.place(record.tank),
            subject=record.subject,
            evidence=ask(told.alarm),
            step=told.step,
            since=self._since(told.since_s, at_s) if old and told.since_s else "",
            before=telling.figure if telling is not None else "",
            cause_before=telling.cause if telling is not None else "",
            sits=sitter is not None,
            call=sitter[1] if sitter is not None else "",
            units=self._units,
        )

    def place(self, tank: str | None) -> str:
        """What people call the tank; empty for the installation itself."""
        return self._titles.get(tank, tank) if tank else ""

    def _since(self, when_s: float, at_s: float) -> str:
        """The local time of today, or the day and how many days that is."""
        when, now = local_time(when_s, self._zone), local_time(at_s, self._zone)
        days = (now.date() - when.date()).days
        if days == 0:
            return f"{when:%H:%M}"
        return f"{when.day} {when:%B}, {when:%H:%M}" if days == 1 else f"{when.day} {when:%B}, for {days} days"
