"""A notifier on a stage: alarms change, time passes, and what it says is kept."""

import datetime as dt
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter

from rushlight.alarms.evidence import Evidence
from rushlight.alarms.notify import Notifier, NotifyState
from rushlight.alarms.state_machine import AlarmRecord
from rushlight.alarms.table import TABLE
from rushlight.alarms.wording.writer import Writer
from rushlight.effects import AlarmChange
from rushlight.settings import Config, Contacts, Email, Kit, Person, Push, Site, Tank

DUBLIN = ZoneInfo("Europe/Dublin")
BASE = Config(
    site=Site(timezone="Europe/Dublin"),
    tank=(Tank(id="foyer", litres=140, name="Foyer"),),
    kit=(Kit(id="strip"),),
    push=Push(server="http://127.0.0.1:1", topic="t"),
    email=Email(host="127.0.0.1"),
    contacts=Contacts(person=(Person(id="duty", name="duty librarian"), Person(id="head", name="head librarian"))),
)
STATE = TypeAdapter(NotifyState)


def when(text):
    return dt.datetime.fromisoformat(text).replace(tzinfo=DUBLIN).timestamp()


NOON, NIGHT, MORNING = when("2025-06-10T12:00"), when("2025-06-10T23:30"), when("2025-06-11T07:00")


def change(
    at_s, state="unacknowledged", alarm="temperature_high", occurrence=1, priority=None, tank="foyer", subject=""
):
    row = TABLE[alarm]
    return AlarmChange(
        at_s=at_s,
        tank=tank,
        alarm=alarm,
        id=".".join(x for x in (tank or "site", alarm, subject) if x),
        subject=subject,
        occurrence=occurrence,
        state=state,
        priority=priority or row.priority,
    )


class Scene:
    """A notifier, its memory, and everything it has said."""

    def __init__(self, config=BASE):
        self.notifier, self.state, self.said = Notifier(config), NotifyState(), []
        self.writer, self.records, self.evidence = Writer(config), {}, {}

    def change(self, *args, **more):
        c = change(*args, **more)
        self.until(c.at_s)
        self.records[c.id] = AlarmRecord(alarm=c.alarm, tank=c.tank, subject=c.subject, priority=c.priority)
        new = self.worded(self.notifier.on_change(self.state, c))
        self.said += new
        return new

    def worded(self, effects):
        """As the core does it: with what is known at that moment."""
        tellings = self.state.telling
        return [
            self.writer.effect(e, self.records, tellings, lambda i: self.evidence.get(i, Evidence())) for e in effects
        ]

    def until(self, at_s):
        """Let time pass; the memory goes through a snapshot at every wake."""
        new = []
        while (wake := self.notifier.next_wake(self.state)) is not None and wake <= at_s:
            self.state = STATE.validate_json(STATE.dump_json(self.state))
            new += self.worded(self.notifier.on_tick(self.state, wake))
            after = self.notifier.next_wake(self.state)
            assert after is None or after > wake
        self.said += new
        return new


def minutes(messages, since_s):
    return [round((m.at_s - since_s) / 60) for m in messages]
