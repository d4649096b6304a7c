"""When an alarm is told to whom, and how often.

Owns quiet hours, repeats, escalation and the hourly budget; who there is to be told is `roster`'s.  Every
message passes through here, so there is one gate for all of them.  Never sends (outlets do), never judges
(`machine` does) and makes no words: `writer` does, of what is known when it is told.

Low priority is the weekly summary's; where no e-mail is set up that could carry one, it goes in one message on Monday
morning, or at the end of one that goes before that anyway, as one message disturbs less than two.  Medium waits for the
end of the quiet hours and for its part of the hourly budget; what then still stands goes out as one message.  High is
told at once, at any hour, and again until somebody acknowledges it; after `escalate_minutes` to the second contact as
well; what one test says of one water is one message.  What was acknowledged and still stands is no news: told again it
goes along with the next message, or by itself on a morning.  A return is told, without a sound, to those who were told
of the rise.
"""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from rushlight.alarms import quiet_hours
from rushlight.alarms.pace import RANK, REPEATS_S, Pace
from rushlight.alarms.roster import Roster
from rushlight.alarms.state_machine import OF_VALUES
from rushlight.alarms.table import TABLE
from rushlight.effects import AlarmChange, Effect, Message, Step, Told
from rushlight.localtime import DAY_S, HOUR_S, clock_on, local_day
from rushlight.settings import Config, Person, Priority

GATHER_S = 60.0
"""What is not high waits this long for company: a board that loses power silences all its probes at once (own
choice)."""
PATIENCE_S = DAY_S
"""What was acknowledged and is to be told again waits this long for company, and then for the next `MORNING`."""
BEHIND_S = 7 * DAY_S
"""What stands behind an alarm that says more is looked at again after so long: mostly it is over soon after it (own
choice)."""
MORNING = "09:00"
WEEK_BEGINS = 0
"""Monday: on its morning goes what is low where no weekly letter takes it along."""


@dataclass(slots=True)
class Telling:
    """One alarm that somebody has been told of, or is to be told of once the quiet hours are over."""

    alarm: str
    tank: str | None
    occurrence: int
    priority: Priority
    subject: str
    since_s: float
    standing: bool = True
    """True while it waits for an acknowledgement, so repeats are due."""
    said: int = 0
    """Messages so far; numbers the next one."""
    told: list[str] = field(default_factory=list)
    """Contacts who have been told of this occurrence."""
    last_key: str = ""
    last_step: Step | None = None
    """Of the last message about it alone."""
    figure: str = ""
    cause: str = ""
    """What its last message said, so that a repeat says only what is new."""
    again: bool = False
    """It was acknowledged or put aside before, and still stands."""
    first_s: float | None = None
    repeats: int = 0
    next_s: float | None = None
    escalate_s: float | None = None


@dataclass(slots=True)
class Held:
    """What waits for one contact until `until_s`: alarm ids, each with what is to be said."""

    until_s: float
    steps: dict[str, Step] = field(default_factory=dict)


@dataclass(slots=True)
class NotifyState:
    """The memory of all this."""

    telling: dict[str, Telling] = field(default_factory=dict)
    held: dict[str, Held] = field(default_factory=dict)
    sent_s: dict[str, list[float]] = field(default_factory=dict)
    """Contact to the times of the messages of the last hour."""
    wake_s: float | None = None
    away_until_s: dict[str, float] = field(default_factory=dict)
    """Tanks at which nobody is, and the morning on which somebody is again."""


class Notifier:
    """The rules; the memory is the `NotifyState` that is passed in and changed in place."""

    def __init__(self, config: Config) -> None:
        self._zone = zoneinfo.ZoneInfo(config.site.timezone)
        self._contacts = config.contacts
        self._roster = Roster(config)
        self._budget = (config.push.per_hour, max(1, config.push.per_hour - config.push.reserve_for_high))

    def initial(self) -> NotifyState:
        """Nobody has been told anything."""
        return NotifyState()

    def next_wake(self, state: NotifyState) -> float | None:
        """When `on_tick` has something to do next, Unix seconds; None for never."""
        return state.wake_s

    def on_change(self, state: NotifyState, change: AlarmChange) -> list[Effect]:
        """An alarm changed its state: the messages that follow at once."""
        if change.state == "unacknowledged":
            effects = self._stands(state, change)
        elif change.state in ("returned", "normal"):
            effects = self._is_over(state, change)
        else:
            effects = []
            if telling := state.telling.get(change.id):
                _rest(telling)
            _unhold(state, change.id)
        self._set_wake(state)
        return effects

    def on_tick(self, state: NotifyState, at_s: float) -> list[Effect]:
        """Repeats, escalations and what quiet hours or the budget held back."""
        if state.wake_s is None or at_s < state.wake_s:
            return []
        effects: list[Effect] = []
        for alarm_id in sorted(state.telling):
            telling = state.telling[alarm_id]
            if telling.next_s is not None and at_s >= telling.next_s:
                effects += self._repeat(state, alarm_id, telling, at_s)
            elif telling.escalate_s is not None and at_s >= telling.escalate_s:
                effects += self._escalate(state, alarm_id, telling, at_s)
        for who in sorted(w for w, h in state.held.items() if at_s >= h.until_s):
            effects += self._release(state, who, at_s)
        self._set_wake(state)
        return self.as_one(state, effects)

    def as_one(self, state: NotifyState, effects: list[Effect]) -> list[Effect]:
        """The same, where what one test of one water tells one person at one moment is one message about all of it."""
        together: dict[tuple[str, str | None], list[Message]] = {}
        for effect in effects:
            if isinstance(effect, Message) and _by_test(state, effect):
                together.setdefault((effect.contact, effect.tank), []).append(effect)
        ones = {group[0].key: group for group in together.values() if len(group) > 1}
        gone = {m.key for group in ones.values() for m in group[1:]}
        return [
            _joined(state, ones[e.key]) if isinstance(e, Message) and e.key in ones else e
            for e in effects
            if not (isinstance(e, Message) and e.key in gone)
        ]

    def tell_anew(self, state: NotifyState, at_s: float, alarm_ids: Iterable[str]) -> list[Effect]:
        """Alarms that stand though nobody was told of them, whatever this memory believes: told as if they rose now."""
        effects: list[Effect] = []
        for alarm_id in sorted(alarm_ids):
            telling = state.telling.get(alarm_id)
            if telling is None or not telling.standing:
                continue
            _unhold(state, alarm_id)
            telling.told, telling.first_s, telling.next_s, telling.escalate_s = [], None, None, None
            effects += self._tell(state, alarm_id, telling, at_s, "raise")
        self._set_wake(state)
        return self.as_one(state, effects)

    # -- an alarm stands -----------------------------------------------------------------------------------

    def _stands(self, state: NotifyState, change: AlarmChange) -> list[Effect]:
        telling = state.telling.get(change.id)
        seen_before = False
        if telling is None or telling.occurrence != change.occurrence:
            _unhold(state, change.id)
            if change.priority == "low" and self._roster.gets_letters:
                state.telling.pop(change.id, None)
                return []
            telling = state.telling[change.id] = _new_telling(change)
        else:
            seen_before = not telling.standing and RANK[change.priority] <= RANK[telling.priority]
            _renew(telling, change)
        if seen_before and telling.told and TABLE[telling.alarm].pace(telling.priority) in ("high", "medium"):
            return self._tell(state, change.id, telling, change.at_s, "reminder")
        return self._tell(state, change.id, telling, change.at_s, "repeat" if telling.told else "raise")

    def _tell(self, state: NotifyState, alarm_id: str, telling: Telling, at_s: float, step: Step) -> list[Effect]:
        teller = _told_by(state, telling)
        if teller is not None:
            urgent = TABLE[telling.alarm].urgent or TABLE[teller.alarm].urgent
            telling.next_s = at_s + (DAY_S if urgent else BEHIND_S)
            return []
        effects: list[Effect] = []
        for who in self._roster.first(TABLE[telling.alarm], at_s):
            effects += self._say(state, who, alarm_id, telling, at_s, step)
        if telling.first_s is None and who_was_told(effects):
            self._begin(telling, at_s)
        return effects

    def _begin(self, telling: Telling, at_s: float) -> None:
        """The first message is out: from now on the repeats and the escalation run."""
        urgent = _pace(telling) in ("urgent", "tested")
        steps = REPEATS_S[_pace(telling)]
        telling.first_s, telling.repeats = at_s, 0
        telling.next_s = at_s + steps[0] if steps else None
        escalates = telling.priority == "high" and bool(self._roster.second(at_s))
        wait_s = self._contacts.escalate_minutes * 60 if urgent else DAY_S
        telling.escalate_s = at_s + wait_s if escalates else None

    def _repeat(self, state: NotifyState, alarm_id: str, telling: Telling, at_s: float) -> list[Effect]:
        steps = REPEATS_S[_pace(telling)]
        first_s = telling.first_s if telling.first_s is not None else at_s
        if not steps:  # what is low stood behind another alarm and is now looked at again, once
            telling.next_s = None
        while telling.next_s is not None and telling.next_s <= at_s:
            telling.repeats += 1
            beyond = telling.repeats - len(steps) + 1
            telling.next_s = first_s + (steps[-1] * (1 + beyond) if beyond > 0 else steps[telling.repeats])
        effects = self._tell(state, alarm_id, telling, at_s, "repeat" if telling.told else "raise")
        if telling.escalate_s is not None and at_s >= telling.escalate_s:
            return effects + self._escalate(state, alarm_id, telling, at_s)
        seconds = [] if telling.escalate_s is not None or telling.priority != "high" else self._roster.second(at_s)
        for who in seconds:
            effects += self._say(state, who, alarm_id, telling, at_s, "repeat")
        return effects

    def _escalate(self, state: NotifyState, alarm_id: str, telling: Telling, at_s: float) -> list[Effect]:
        telling.escalate_s = None
        effects: list[Effect] = []
        for who in self._roster.second(at_s):
            effects += self._say(state, who, alarm_id, telling, at_s, "raise")
        return effects

    # -- an alarm is over ----------------------------------------------------------------------------------

    def _is_over(self, state: NotifyState, change: AlarmChange) -> list[Effect]:
        telling = state.telling.get(change.id)
        _unhold(state, change.id)
        if telling is None:
            return []
        _rest(telling)
        effects: list[Effect] = []
        goes_on = _untold_beside(state, telling) if telling.told else None
        if goes_on is not None:
            del state.telling[change.id]
            return self._tell(state, goes_on, state.telling[goes_on], change.at_s, "raise")
        if telling.occurrence == change.occurrence and TABLE[telling.alarm].tell_return:
            for who in [w for w in telling.told if w in self._roster.people]:
                effects += self._say(state, who, change.id, telling, change.at_s, "return")
        if not any(change.id in held.steps for held in state.held.values()):
            del state.telling[change.id]
        else:
            telling.told = []
        return effects

    # -- the one gate --------------------------------------------------------------------------------------

    def _say(
        self, state: NotifyState, who: str, alarm_id: str, telling: Telling, at_s: float, step: Step
    ) -> list[Effect]:
        """Send it now, or hold it for this contact."""
        person = self._roster.people[who]
        until_s = self._gate(state, person, telling.priority, step, at_s)
        back_s = state.away_until_s.get(telling.tank or "", at_s)
        if step == "reminder":
            until_s = max(until_s or 0.0, self._morning(at_s + PATIENCE_S), back_s)
        elif telling.priority == "low" and step != "return":
            until_s = self._weekly(max(at_s, back_s))
        elif until_s is None and telling.priority != "high":
            until_s = at_s + GATHER_S
        if until_s is not None:
            # All goes together as soon as one may go; when its time has come, the gate is asked again for all of it.
            held = state.held.setdefault(who, Held(until_s))
            held.until_s = min(held.until_s, until_s)
            if held.steps.get(alarm_id) != "raise":
                held.steps[alarm_id] = step
            return []
        return [self._message(state, person, alarm_id, telling, at_s, step)]

    def _gate(self, state: NotifyState, person: Person, priority: Priority, step: Step, at_s: float) -> float | None:
        """None to let it pass, else until when it waits."""
        if priority == "high" and step == "raise":
            return None
        if priority != "high":
            begin = person.quiet_from or self._contacts.quiet_from
            end = person.quiet_until or self._contacts.quiet_until
            until_s = quiet_hours.quiet_until(self._zone, begin, end, at_s)
            if until_s is not None:
                return until_s
        recent = [t for t in state.sent_s.get(person.id, []) if t > at_s - HOUR_S]
        most = self._budget[0] if priority == "high" else self._budget[1]
        return None if len(recent) < most else recent[-most] + HOUR_S

    def _release(self, state: NotifyState, who: str, at_s: float) -> list[Effect]:
        """The quiet hours or the full hour are over: one message with what is still true."""
        held = state.held.pop(who)
        person = self._roster.people.get(who)
        due = [(i, s, state.telling[i]) for i, s in sorted(held.steps.items()) if i in state.telling]
        due = [(i, s, t) for i, s, t in due if t.standing or s == "return"]
        due = [(i, s, t) for i, s, t in due if s == "return" or not self._goes_behind(i, t, due, at_s)]
        if person is None or not due:
            return []
        due.sort(key=lambda d: -RANK[d[2].priority])
        worst = due[0][2].priority
        until_s = self._gate(state, person, worst, "repeat", at_s)
        if until_s is not None:
            state.held[who] = Held(until_s, {i: s for i, s, _ in due})
            return []
        if len(due) == 1:
            effects: list[Effect] = [self._message(state, person, due[0][0], due[0][2], at_s, due[0][1])]
        else:
            effects = [self._digest(state, person, due, at_s, worst)]
        for alarm_id, step, telling in due:
            if step == "return":
                state.telling.pop(alarm_id, None)
            elif telling.first_s is None:
                self._begin(telling, at_s)
        return effects

    @staticmethod
    def _goes_behind(alarm_id: str, telling: Telling, due: list[tuple[str, Step, Telling]], at_s: float) -> bool:
        """Whether something in the same message says more of the same trouble; then it is looked at again later."""
        says_more = any(
            other.alarm in TABLE[telling.alarm].told_by
            and other.tank == telling.tank
            and RANK[other.priority] >= RANK[telling.priority]
            for i, s, other in due
            if i != alarm_id and s != "return"
        )
        if says_more:
            telling.next_s = at_s + (DAY_S if TABLE[telling.alarm].urgent else BEHIND_S)
        return says_more

    # -- messages ------------------------------------------------------------------------------------------

    def _message(
        self, state: NotifyState, person: Person, alarm_id: str, telling: Telling, at_s: float, step: Step
    ) -> Message:
        telling.said += 1
        key = f"{alarm_id}#{telling.occurrence}:{telling.said}-{step}@{person.id}"
        supersedes = (telling.last_key,) if step == telling.last_step == "repeat" else ()
        telling.last_key, telling.last_step = key, step
        self._note(state, person.id, telling, at_s, step)
        return Message(
            at_s=at_s,
            tank=telling.tank,
            key=key,
            channel=self._roster.channel(person, _failing(telling)),
            contact=person.id,
            priority="low" if step == "return" else telling.priority,
            alarms=(Told(alarm_id, telling.occurrence, step, telling.since_s),),
            supersedes=supersedes,
        )

    def _digest(
        self, state: NotifyState, person: Person, due: list[tuple[str, Step, Telling]], at_s: float, worst: Priority
    ) -> Message:
        for _, step, telling in due:
            self._note(state, person.id, telling, at_s, step)
        del state.sent_s[person.id][-(len(due) - 1) :]  # several things, one message
        return Message(
            at_s=at_s,
            key=f"digest:{at_s:.0f}@{person.id}",
            channel=self._roster.channel(person, _failing(due[0][2])),
            contact=person.id,
            priority="low" if all(step == "return" for _, step, _ in due) else worst,
            alarms=tuple(Told(alarm_id, telling.occurrence, step, telling.since_s) for alarm_id, step, telling in due),
        )

    def _note(self, state: NotifyState, who: str, telling: Telling, at_s: float, step: Step) -> None:
        recent = [t for t in state.sent_s.get(who, []) if t > at_s - HOUR_S]
        state.sent_s[who] = [*recent, at_s]
        if step != "return" and who not in telling.told:
            telling.told.append(who)

    def _morning(self, at_s: float) -> float:
        """The first local morning at or after `at_s`."""
        day = local_day(at_s, self._zone)
        mornings = (clock_on(day + dt.timedelta(days=n), MORNING, self._zone) for n in (0, 1))
        return next((m for m in mornings if m >= at_s), at_s)

    def _weekly(self, at_s: float) -> float:
        """The first morning of a week at or after `at_s`."""
        day = local_day(at_s, self._zone)
        days = (day + dt.timedelta(days=n) for n in range(8))
        mornings = (clock_on(d, MORNING, self._zone) for d in days if d.weekday() == WEEK_BEGINS)
        return next((m for m in mornings if m >= at_s), at_s)

    @staticmethod
    def _set_wake(state: NotifyState) -> None:
        times = [h.until_s for h in state.held.values()]
        times += [s for t in state.telling.values() for s in (t.next_s, t.escalate_s) if s is not None]
        state.wake_s = min(times, default=None)


def who_was_told(effects: Iterable[Effect]) -> list[str]:
    """The contacts that these effects address."""
    return [e.contact for e in effects if isinstance(e, Message)]


def _by_test(state: NotifyState, message: Message) -> bool:
    """Whether it is about something urgent that a test of the water said."""
    tellings = [state.telling.get(told.alarm) for told in message.alarms if told.step != "return"]
    return len(tellings) == 1 == len(message.alarms) and all(
        t is not None and TABLE[t.alarm].pace(t.priority) == "tested" for t in tellings
    )


def _joined(state: NotifyState, messages: list[Message]) -> Message:
    """One message for several of one moment, tank and person; a later one takes the place of it as of each."""
    first = messages[0]
    key = "+".join(m.key.rpartition("@")[0] for m in messages) + f"@{first.contact}"
    alarms = tuple(told for m in messages for told in m.alarms)
    for told in alarms:
        state.telling[told.alarm].last_key = key
    recent = state.sent_s.get(first.contact, [])
    state.sent_s[first.contact] = recent[: len(recent) - len(messages) + 1]
    supersedes = tuple(dict.fromkeys(k for m in messages for k in m.supersedes))
    return replace(first, key=key, alarms=alarms, supersedes=supersedes)


def _new_telling(change: AlarmChange) -> Telling:
    return Telling(
        alarm=change.alarm,
        tank=change.tank,
        occurrence=change.occurrence,
        priority=change.priority,
        subject=change.subject,
        since_s=change.at_s,
    )


def _renew(telling: Telling, change: AlarmChange) -> None:
    """The same occurrence asks again: it got worse, or its acknowledgement or shelf time ran out."""
    telling.priority = change.priority
    telling.again = telling.again or not telling.standing
    telling.standing, telling.first_s, telling.next_s, telling.escalate_s = True, None, None, None


def _told_by(state: NotifyState, telling: Telling) -> Telling | None:
    """An alarm of the same tank that tells the same trouble, no more softly: one that says more, or another probe's.

    What was acknowledged or put aside of one probe never hides what another one says: that one may be the sound one.
    """
    others = (o for o in state.telling.values() if o.told and o.tank == telling.tank)
    return next(
        (
            other
            for other in others
            if (other.alarm in TABLE[telling.alarm].told_by or (other.standing and _beside(other, telling)))
            and RANK[other.priority] >= RANK[telling.priority]
        ),
        None,
    )


def _beside(one: Telling, other: Telling) -> bool:
    """Whether two probes of one water say the same of it."""
    same = (one.alarm, one.tank) == (other.alarm, other.tank)
    return same and one.alarm in OF_VALUES and one.subject != other.subject


def _untold_beside(state: NotifyState, over: Telling) -> str | None:
    """The alarm of another probe that still says what this one said and that nobody has heard of; its id."""
    beside = (i for i, t in sorted(state.telling.items()) if t.standing and not t.told and _beside(over, t))
    return next(beside, None)


def _pace(telling: Telling) -> Pace:
    row = TABLE[telling.alarm]
    return "high" if row.by_test and telling.again and telling.priority == "high" else row.pace(telling.priority)


def _failing(telling: Telling) -> str | None:
    """The channel whose failing is the news."""
    return telling.subject if telling.alarm == "delivery_failing" else None


def _rest(telling: Telling) -> None:
    telling.standing, telling.next_s, telling.escalate_s = False, None, None


def _unhold(state: NotifyState, alarm_id: str) -> None:
    for who in list(state.held):
        state.held[who].steps.pop(alarm_id, None)
        if not state.held[who].steps:
            del state.held[who]
