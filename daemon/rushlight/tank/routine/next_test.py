"""When to test next: early when not knowing is risky, later when the tank has earned it, never too late.

Owns the due date, its reason in words, and the finding `test_overdue`.  Never judges the water: the chance that
nitrate passes its limit and the alarms that stand are handed in.

A late test becomes more pressing in the morning, when somebody can act on it, never in the night.
The date only ever moves forward to an earlier day, and by no less than a day, until a test moves it back: a date
that flutters is not believed.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from statistics import median
from zoneinfo import ZoneInfo

from rushlight.alarms import quiet_hours
from rushlight.alarms.evidence import LateTest
from rushlight.alarms.finding import Finding, Says
from rushlight.entry import firstaid
from rushlight.events import Absence, Feeding, Harvest, Sighting, Stocking, TankEvent, Test
from rushlight.localtime import DAY_S, clock_on, local_date, local_day, local_time, midnight_of
from rushlight.localunits import METRIC, Units
from rushlight.settings import Kit, Priority, Tank
from rushlight.tank.kits.next_kind import NO_STRIP
from rushlight.tank.kits.reading import measurable
from rushlight.tank.routine import care, reasons
from rushlight.tank.routine.care import Cause, Mark, Planned, Wish
from rushlight.tank.routine.reasons import MISFIT, PRESSING, SOON, SURPRISED, UNPROVEN, URGENT, Trigger

KEEP_DAYS = 60.0
NEW_TANK_DAYS, VERY_NEW_DAYS = 56.0, 28.0
"""A tank under eight weeks is still settling; under four it is tested as often as is allowed (own choice)."""
RISE = 0.10
"""A chance of passing the limit, grown by so much since now, makes not knowing risky (own choice)."""
DOUBT = (0.10, 0.90)
"""Between these chances it is open whether nitrate stands above its limit already (own choice)."""
AHEAD_DAYS = 28.0
AHEAD = ((0.20, 0.0), (0.10, 0.25), (0.05, 0.5))
"""Chances of passing the limit within four weeks, the largest first, and how far between the shortest and the longest
interval the next test may lie then: one coarse strip settles little, so a suspicion is looked into quickly, or dropped.
Chosen on simulated tanks (tests/bench/bench_schedule.py) for fewer tests than weekly ones at no later warning."""
FOLLOW_DAYS = 14.0
"""How long a change to the tank keeps the interval short after the test that followed it (own choice)."""
MORNING = "09:00"
"""The local hour at which a late test becomes more pressing; later where the quiet hours last longer."""
MOST_REASONS = 4
NO_STRIPS_S = 14 * DAY_S
"""Buying strips takes a week or two; a test that is late by more is told again (own choice)."""
BUY = "Buy test strips: none are left; until then a shop can test a sample of the water"
BUY_SITTER = "No test strips are left. Do not feed more than agreed, then call"
MORE_FEED = 1.5
"""A day's feed beyond so many times the usual counts as more (own choice)."""
USUAL_DAYS = 28
"""The usual is the middle of so many days (own choice)."""


@dataclass(slots=True)
class Fed:
    """One feeding, in grams, on a local date."""

    at_s: float
    id: str
    date: str
    grams: float


@dataclass(slots=True)
class RoutineState:
    """Tests, triggers and feedings of the last weeks, oldest first, and the date given out."""

    tests: list[tuple[float, str, str]] = field(default_factory=list)
    """When, entry, method."""
    triggers: list[Trigger] = field(default_factory=list)
    fed: list[Fed] = field(default_factory=list)
    begun_s: float | None = None
    """When this tank was first heard of."""
    due_at_s: float | None = None
    reason: str = ""
    test_id: str = ""
    """Which test the date was counted from."""
    causes: list[Cause] = field(default_factory=list)
    """What was done to the tank that brings a plan of its own."""
    marks: list[Mark] = field(default_factory=list)
    """Every test, by time."""
    asked_s: float | None = None
    asked: str = ""
    """The date given out and its reason: the routine's own, or an earlier one of a plan or of a standing alarm."""
    asked_of: list[str] = field(default_factory=list)
    """The substances that date is for, where they are others than nitrate."""
    running_out_s: dict[str, float] = field(default_factory=dict)
    """The standing alarms of `reasons.RUNNING_OUT`, and since when each is known here to stand."""
    absences: list[tuple[float, float, str]] = field(default_factory=list)
    """From when until when nobody is there to test, and by which entry."""
    reasons: list[str] = field(default_factory=list)
    """All that asks for a test by the day after that date, the earliest first."""


class RoutineWatch:
    """Settings of one tank's testing; what it remembers is in a `RoutineState`."""

    def __init__(
        self,
        tank: Tank,
        kits: Sequence[Kit],
        timezone: str,
        quiet: tuple[str, str] = ("22:00", "07:00"),
        units: Units = METRIC,
    ) -> None:
        self.tank = tank
        self.zone = ZoneInfo(timezone)
        self._quiet = quiet
        self._steps_asked: tuple[float, float | None] | None = None
        self._steps_found = (0.0, 0.0, 0.0)
        testing = tank.testing
        self.longest_s = testing.longest_days * DAY_S
        self.shortest_s = min(testing.shortest_days * DAY_S, self.longest_s)
        kit = next((k for k in kits if k.id == testing.kit), kits[0] if kits else None)
        self._by_strip = kit is not None and kit.method == "strip"
        pads = kit.pads.get("nitrate", ()) if kit is not None and kit.method == "strip" else ()
        self._coarse = reasons.coarse(pads, tank.limits.nitrate, units)
        self._limit = units.say(tank.limits.nitrate, "mg/L as NO3", "g")
        self._grown_reason = f"a day later the chance of nitrate above {self._limit} would have grown too far"
        self._ahead_reason = (
            f"nitrate may pass {self._limit} within four weeks, which is likely enough to be looked into"
        )
        self._any_test_counts = kit is not None and bool(kit.pads) and "nitrate" not in kit.pads
        self.measures = measurable(kits)
        started = tank.started
        self._started_s = None if started is None else midnight_of(started, self.zone)

    def initial(self) -> RoutineState:
        """Never tested."""
        return RoutineState()

    # -- facts ---------------------------------------------------------------------------------------------

    def on_fact(self, state: RoutineState, event: TankEvent) -> None:
        """A manual entry, possibly late; one with a known id replaces the old one."""
        self.void(state, event.id)
        if state.begun_s is None or event.at_s < state.begun_s:
            state.begun_s = event.at_s
        if (cause := care.cause_of(event)) is not None:
            state.causes = sorted([*state.causes, cause], key=lambda c: (c.at_s, c.id))[-50:]
        if isinstance(event, Test):
            state.marks = sorted([*state.marks, care.mark_of(event)])[-200:]
        match event:
            case Absence():
                stretch = (event.at_s, event.at_s + event.days * DAY_S, event.id)
                state.absences = sorted([*state.absences, stretch])[-20:]
            case Test() if "nitrate" in event.values or self._any_test_counts:
                state.tests = sorted([*state.tests, (event.at_s, event.id, event.method)])[-20:]
            case Stocking() if event.change > 0:
                self._trigger(state, event, "stocking")
            case Harvest():
                self._trigger(state, event, "harvest")
            case Sighting() if event.what in URGENT or event.what in SOON:
                self._trigger(state, event, event.what)
            case Feeding():
                date = local_date(event.at_s, self.zone)
                fed = sorted([*state.fed, Fed(event.at_s, event.id, date, event.grams)], key=lambda f: (f.at_s, f.id))
                state.fed = [f for f in fed if f.at_s > fed[-1].at_s - KEEP_DAYS * DAY_S]

    def on_power_back(self, state: RoutineState, at_s: float, since_s: float) -> bool:
        """Power was probably out: one test the day after; an entry of it brings the whole plan.  Whether it is news."""
        hours = (at_s - since_s) / 3600.0
        known = any(abs(c.at_s - at_s) < DAY_S for c in state.causes)
        if known or hours * 60.0 < firstaid.SHORT_OUTAGE_MIN:
            return False
        why = f"power was probably out for {hours:.0f} h (enter the power cut if so)"
        cause = Cause(at_s, f"power-{since_s:.0f}", at_s, [care.FOLLOW[0]], why, f"{firstaid.AFTER_POWER}.")
        state.causes = sorted([*state.causes, cause], key=lambda c: (c.at_s, c.id))[-50:]
        return True

    def on_misfit(self, state: RoutineState, at_s: float, test_id: str, what: str = "misfit") -> None:
        """That test's reading fits nothing that came before it: it is asked for again at once.

        `what`: `misfit` of nitrate, else the substance (`care.REPEAT`).
        """
        found = sorted([*state.triggers, Trigger(at_s, test_id, what)], key=Trigger.key)
        state.triggers = [t for t in found if t.at_s > found[-1].at_s - KEEP_DAYS * DAY_S]

    def void(self, state: RoutineState, event_id: str) -> None:
        """That entry never was; the date is worked out afresh if it hung on it."""
        if not event_id:
            return
        state.causes = [c for c in state.causes if c.id != event_id]
        state.absences = [a for a in state.absences if a[2] != event_id]
        state.marks = [m for m in state.marks if m.id != event_id]
        tests = [t for t in state.tests if t[1] != event_id]
        triggers = [t for t in state.triggers if t.id != event_id]
        fed = [f for f in state.fed if f.id != event_id]
        if (len(tests), len(triggers), len(fed)) != (len(state.tests), len(state.triggers), len(state.fed)):
            state.due_at_s = state.asked_s = None
        state.tests, state.triggers, state.fed = tests, triggers, fed

    def _trigger(self, state: RoutineState, event: TankEvent, what: str) -> None:
        found = sorted([*state.triggers, Trigger(event.at_s, event.id, what, event.arrived_s)], key=Trigger.key)
        state.triggers = [t for t in found if t.at_s > found[-1].at_s - KEEP_DAYS * DAY_S]

    # -- the date ------------------------------------------------------------------------------------------

    def due(
        self,
        state: RoutineState,
        at_s: float,
        risk: Callable[[float], float],
        pressing: AbstractSet[str] = frozenset(),
        *,
        surprised: bool = False,
        unproven: bool = False,
    ) -> tuple[float, str]:
        """When the next test is due and why, as seen at `at_s`.

        `risk(d)` is the chance that nitrate passes its limit within `d` days without a test; `pressing` names the
        tank's standing alarms; `surprised`: the last test was higher than expected, or
        an electrode alone says that nitrate rises; `unproven`: what its alarm tells rests on one test.
        """
        if state.begun_s is None:
            state.begun_s = at_s
        last = self._last(state, at_s)
        test_id = "" if last is None else f"{last[0]:.0f} {last[1]}"
        if test_id != state.test_id:
            state.test_id, state.due_at_s = test_id, None
        wishes = self._wishes(state, at_s, risk, pressing, surprised=surprised, unproven=unproven)
        due_at_s, reason = self._work_out(state, at_s, wishes)
        if state.due_at_s is None or due_at_s <= state.due_at_s - DAY_S:
            state.due_at_s, state.reason = due_at_s, reason
        urgent = self.misfit(state, at_s)
        if last is not None and urgent and last[0] < state.due_at_s:
            state.due_at_s, state.reason = last[0], MISFIT
        state.running_out_s = {
            a: state.running_out_s.get(a, at_s) for a in sorted(pressing & reasons.RUNNING_OUT.keys())
        }
        asked = [own := Wish(state.due_at_s, state.reason)]
        planned = care.due(self.planned(state, at_s))
        if planned is not None and last is not None:
            why = f"{' and '.join(planned.substances)}: {planned.why}"
            asked.append(Wish(planned.at_s, why, planned.substances))
        if last is not None:
            asked += reasons.of_what_runs_out(state.running_out_s, state.marks, self.measures, at_s, self._between)
        if not urgent:
            asked = [self._once_back(state, w) for w in sorted(asked)]
        if last is not None:
            asked += reasons.of_sights(state.triggers, state.marks, self.measures, at_s)
        asked += reasons.of_poisons(pressing, state.marks, self.measures, at_s)
        misread = [(t.at_s, t.what) for t in state.triggers if t.what in care.REPEAT]
        asked += care.repeats(misread, state.marks, at_s)
        first = min(asked, key=lambda w: w.at_s)
        advice = f"; {self._coarse}" if first is own and self.left_open(state, at_s, risk(0.0)) else ""
        state.asked_s, state.asked, state.asked_of = first.at_s, f"{first.why}{advice}", list(first.of)
        by_then = [w.why for w in sorted([*asked, *wishes]) if w.at_s <= first.at_s + DAY_S and w.why != first.why]
        state.reasons = [state.asked, *dict.fromkeys(by_then)][:MOST_REASONS]
        return state.asked_s, state.asked

    def away_until(self, state: RoutineState, at_s: float) -> float | None:
        """Until when nobody is there, if so at `at_s`: the morning on which somebody is again."""
        ends = [until_s for from_s, until_s, _ in state.absences if from_s <= at_s < until_s]
        return self._morning(max(ends)) if ends else None

    def _once_back(self, state: RoutineState, wish: Wish) -> Wish:
        """The date, moved out of a stretch in which nobody is there to test."""
        back_s = self.away_until(state, wish.at_s)
        if back_s is None:
            return wish
        was, back = (f"{local_time(s, self.zone):%-d %B}" for s in (wish.at_s, back_s))
        why = f"nobody is there to test until {back}; it would be due on {was}, so test before leaving if you can"
        return self._once_back(state, Wish(back_s, why, wish.of))

    def planned(self, state: RoutineState, at_s: float) -> list[Planned]:
        """The tests that go with what was done to the tank, made and to be made."""
        return care.plan(state.causes, state.marks, at_s, self.measures, self._started_s)

    def _last(self, state: RoutineState, at_s: float) -> tuple[float, str, str] | None:
        done = [t for t in state.tests if t[0] <= at_s]
        return done[-1] if done else None

    def _work_out(self, state: RoutineState, at_s: float, wishes: Sequence[Wish]) -> tuple[float, str]:
        """The earliest of all that asks for a test, within the shortest and longest interval after the last."""
        last = self._last(state, at_s)
        if last is None:
            never = "nitrate" if state.marks else "this tank"
            return (state.begun_s if state.begun_s is not None else at_s), f"{never} has never been tested"
        tested_s = last[0]
        earliest = min(wishes)
        # A wish that is heard of late asks for a test now, not for one last week.
        not_before_s = max(tested_s + self.shortest_s, min(at_s, tested_s + self.longest_s))
        return max(earliest.at_s, not_before_s), earliest.why

    def _wishes(
        self,
        state: RoutineState,
        at_s: float,
        risk: Callable[[float], float],
        pressing: AbstractSet[str],
        *,
        surprised: bool,
        unproven: bool,
    ) -> list[Wish]:
        """All that asks for a test, each with its date; nothing for a tank that was never tested."""
        last = self._last(state, at_s)
        if last is None:
            return []
        tested_s = last[0]
        wishes = [(tested_s + self.longest_s, self._settled_reason())]
        wishes += self._by_age(tested_s)
        wishes += self._by_risk(tested_s, at_s, risk)
        if "nitrate_rising" not in pressing:  # once it has been said there is nothing left to find out in a hurry
            wishes += self._by_suspicion(tested_s, risk)
            if surprised:
                wishes.append((tested_s + self.shortest_s, SURPRISED))
        if unproven:
            wishes.append((tested_s + self.shortest_s, UNPROVEN))
        wishes += self._by_alarms(tested_s, pressing)
        return [Wish(*w) for w in wishes + self._by_changes(state, tested_s)]

    def left_open(self, state: RoutineState, at_s: float, chance_above: float) -> bool:
        """Whether two strips have left it open that nitrate is above its limit: a third one will not settle it."""
        last = [method for tested_s, _, method in state.tests if tested_s <= at_s][-2:]
        return last == ["strip", "strip"] and bool(self._coarse) and DOUBT[0] < chance_above < DOUBT[1]

    def _settled_reason(self) -> str:
        days = self.tank.testing.longest_days
        return f"{days:g} days is the longest interval, and nothing asks for an earlier test"

    def _by_age(self, tested_s: float) -> list[tuple[float, str]]:
        """A new tank is tested often, by its age on the day of the test."""
        if self._started_s is None:
            return []
        age_days = (tested_s - self._started_s) / DAY_S
        if age_days >= NEW_TANK_DAYS:
            return []
        times = 1.0 if age_days < VERY_NEW_DAYS else 2.0
        return [(tested_s + times * self.shortest_s, f"the tank is only {max(0, int(age_days // 7))} weeks old")]

    def _by_risk(self, tested_s: float, at_s: float, risk: Callable[[float], float]) -> list[tuple[float, str]]:
        """The day before the chance of passing the limit has grown too far, counted in whole days from the test."""
        wishes = []
        chance_now = risk(0.0)
        if DOUBT[0] < chance_now < DOUBT[1]:
            halfway_s = tested_s + self._between(0.5)
            wishes.append((halfway_s, f"it is open whether nitrate is above {self._limit} already"))
        horizon = int((tested_s + self.longest_s - at_s) // DAY_S)
        for day in range(1, horizon + 1):
            chance = risk(float(day))
            if chance - chance_now >= RISE:
                days = max(0.0, (at_s - tested_s) // DAY_S + day - 1)
                wishes.append((tested_s + days * DAY_S, self._grown_reason))
                break
        return wishes

    def _by_suspicion(self, tested_s: float, risk: Callable[[float], float]) -> list[tuple[float, str]]:
        """The likelier the limit is passed within four weeks, the sooner, while nitrate is still surely below it."""
        chance = risk(AHEAD_DAYS)
        between = next((share for least, share in AHEAD if chance >= least), None)
        if between is None or risk(0.0) >= DOUBT[0]:
            return []
        return [(tested_s + self._between(between), self._ahead_reason)]

    def _by_alarms(self, tested_s: float, pressing: AbstractSet[str]) -> list[tuple[float, str]]:
        return [
            (tested_s + self._between(PRESSING[name][0]), PRESSING[name][1])
            for name in sorted(pressing & PRESSING.keys())
        ]

    def _by_changes(self, state: RoutineState, tested_s: float) -> list[tuple[float, str]]:
        """What was changed since the last test, and what was changed shortly before it."""
        wishes = []
        for trigger in [*state.triggers, *self._more_feed(state)]:
            if trigger.what not in SOON:
                continue
            days, words = SOON[trigger.what]
            if trigger.at_s > tested_s:
                wishes.append((trigger.at_s + days * DAY_S, words))
            elif tested_s - trigger.at_s < FOLLOW_DAYS * DAY_S:
                wishes.append((tested_s + self._between(0.5), f"{words} not long ago"))
        return wishes

    def misfit(self, state: RoutineState, at_s: float) -> bool:
        """Whether the last test's nitrate fits nothing, so that it is to be repeated before anything hangs on it."""
        last = self._last(state, at_s)
        return last is not None and any(t.what == "misfit" and t.at_s == last[0] for t in state.triggers)

    def _between(self, share: float) -> float:
        """A point between the shortest and the longest interval, s, in whole days where there is room."""
        seconds = self.shortest_s + share * (self.longest_s - self.shortest_s)
        return max(self.shortest_s, seconds // DAY_S * DAY_S)

    def _more_feed(self, state: RoutineState) -> list[Trigger]:
        """Days on which much more was fed than is usual here."""
        sums: dict[str, float] = {}
        last_s: dict[str, Fed] = {}
        for fed in state.fed:
            sums[fed.date] = sums.get(fed.date, 0.0) + fed.grams
            last_s[fed.date] = fed
        usual = self._usual_grams(sums)
        if usual <= 0.0:
            return []
        return [Trigger(last_s[d].at_s, last_s[d].id, "feed") for d, grams in sums.items() if grams > MORE_FEED * usual]

    def _usual_grams(self, sums: Mapping[str, float]) -> float:
        """A usual day's feed of the last weeks: days without an entry had what the configuration says; 0 is not known.

        A keeper who feeds more month by month, and writes it down, is soon asked no more for that.
        """
        assumed = self.tank.feed.grams_per_day
        last = dt.date.fromisoformat(max(sums, default="1970-01-01"))
        lately = [g for d, g in sums.items() if (last - dt.date.fromisoformat(d)).days < USUAL_DAYS]
        if assumed:
            lately += [assumed] * (USUAL_DAYS - len(lately))
            return float(median(lately))
        return float(median(lately)) if len(lately) >= 7 else 0.0

    # -- overdue -------------------------------------------------------------------------------------------

    def _steps(self, state: RoutineState) -> tuple[float, float, float] | None:
        """When an overdue test becomes low, medium and high, by the length of the interval that was allowed.

        A test may be made at any hour of the day on which it is due; of a tank never tested nothing is known at all.
        """
        if state.asked_s is None:
            return None
        asked = state.asked_s, state.tests[-1][0] if state.tests else None
        if asked != self._steps_asked:  # with nearly every tick the same: mornings cost more than all else in it
            self._steps_asked, self._steps_found = asked, self._steps_of(*asked)
        return self._steps_found

    def _steps_of(self, due_at_s: float, last_s: float | None) -> tuple[float, float, float]:
        day = local_day(due_at_s, self.zone)
        low_s = due_at_s if last_s is None else clock_on(day, "24:00", self.zone)
        allowed_s = min(self.longest_s, max(self.shortest_s, due_at_s - (due_at_s if last_s is None else last_s)))
        medium_s = min(3.0 * DAY_S, max(DAY_S, 0.25 * allowed_s))
        high_s = min(7.0 * DAY_S, max(2.0 * DAY_S, 0.75 * allowed_s))
        return low_s, self._morning(due_at_s + medium_s), self._morning(due_at_s + high_s)

    def _morning(self, at_s: float) -> float:
        """The first local morning at or after `at_s`."""
        day = local_day(at_s, self.zone)
        for date in (day, day + dt.timedelta(days=1)):
            morning_s = clock_on(date, MORNING, self.zone)
            morning_s = quiet_hours.quiet_until(self.zone, *self._quiet, morning_s) or morning_s
            if morning_s >= at_s:
                return morning_s
        return at_s

    def next_wake(self, state: RoutineState, at_s: float) -> float | None:
        """The next moment after `at_s` at which a test becomes overdue or more so."""
        steps = self._steps(state)
        return None if steps is None else min((s for s in steps if s > at_s), default=None)

    def without_strips(self, strips_left: float | None) -> bool:
        """Whether this tank is tested with strips and none is left."""
        return self._by_strip and strips_left is not None and strips_left < NO_STRIP

    def findings(self, state: RoutineState, at_s: float, strips_left: float | None = None) -> list[Finding]:
        """`test_overdue`, its priority rising with lateness; without a strip left it asks for strips, and no louder."""
        steps = self._steps(state)
        if steps is None or state.asked_s is None:
            return []
        late_s = at_s - state.asked_s
        says: Says = "raise" if at_s >= steps[0] else "clear"
        without = self.without_strips(strips_left)
        priority: Priority = "high" if at_s >= steps[2] else "medium" if at_s >= steps[1] else "low"
        if without:  # what is low of strips asks for the same; who has none for a fortnight hears of it again
            priority = "medium" if late_s >= NO_STRIPS_S else "low"
        last = self._last(state, at_s)
        evidence = LateTest(
            due_at_s=state.asked_s,
            late_days=round(max(0.0, late_s) / DAY_S, 2),
            last_test_at_s=None if last is None else last[0],
            reason=state.asked,
            strips_left=strips_left if without else None,
            sentence=reasons.overdue_sentence(
                late_s, None if last is None else at_s - last[0], others=bool(state.marks)
            ),
            cause_sentence=state.asked if state.asked_of and not without else "",
            action_sentence=BUY if without else "",
            sitter_sentence=BUY_SITTER if without else "",
            deed="Buy test strips and enter the new pack." if without else "",
            asks=tuple(state.asked_of) if not without else (),
            trap_sentence="" if without else None,
        )
        if says == "clear":
            return [Finding(alarm="test_overdue", tank=self.tank.id, says=says, evidence=evidence)]
        return [Finding(alarm="test_overdue", tank=self.tank.id, says=says, priority=priority, evidence=evidence)]
