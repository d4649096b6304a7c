"""A keeper who reacts, in a closed loop with whoever tells when to test and when to worry.

The person is the same under every adviser: puts things off, goes on holiday twice a year, says of what was told that it
was seen, and on a warning tests (where the last test is older than two days), feeds less for six weeks, changes half
the water while a strip reads above the limit, and looks for the cause, which is found sooner where the right one was
named.  Fish that stand in three times the limit are seen to be ill sooner or later, whoever advises.  An invention:
common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np

from helpers.families.common import DAY_S, NEVER, Acts, Laws, World, light_day, planned, stamp, warmth_readings
from rushlight import eventlines
from rushlight.config import loading as configuration
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.effects import AlarmChange, DueChange, Effect, Message

WARNINGS = ("nitrate_rising", "nitrate_high", "uptake_behind", "lamp_dimming")
WORDS = {"lamp": ("lamp", "light"), "hidden feed": ("feed",), "source water": ("source", "tap"), "plants": ("plant",)}
MORNING_H = 8.0
ILL = 3.0
"""So many times the limit, and fish look ill."""


class Adviser(Protocol):
    """Who tells the keeper what to do."""

    messages: int

    def morning(self, day: int) -> None:
        """It is eight o'clock."""

    def seen(self, day: int) -> None:
        """The keeper says of all that was told that it was seen."""

    def due(self, day: int) -> bool:
        """Whether a test is due today."""

    def warns(self) -> bool:
        """Whether a warning stands."""

    def names(self, kind: str) -> bool:
        """Whether the true cause is among those named."""

    def hear(self, day: int, records: list[dict[str, Any]]) -> None:
        """What was written down today, in order of time."""


@dataclass
class Calendar:
    """A test every so many days, a warning when the strip reads above the limit, a reminder each time."""

    every: float
    limit: float
    messages: int = 0
    last_day: float = -NEVER
    next_day: float = 3.0
    above: bool = False

    def morning(self, day: int) -> None:
        if day == int(self.next_day):
            self.messages += 1

    def seen(self, day: int) -> None:
        """A calendar does not ask."""

    def due(self, day: int) -> bool:
        return day >= self.next_day

    def warns(self) -> bool:
        return self.above

    def names(self, kind: str) -> bool:
        return False

    def hear(self, day: int, records: list[dict[str, Any]]) -> None:
        for r in records:
            if r["kind"] == "test":
                self.above, self.next_day = r["values"]["nitrate"] > self.limit, day + self.every


@dataclass
class Product:
    """The product, stepped event by event through its own timeline, as the daemon does it."""

    world: World
    messages: int = 0
    of_warmth: int = 0
    """Of the messages, those about the water's temperature, which no calendar hears of."""
    due_s: float | None = None
    standing: dict[str, str] = field(default_factory=dict)
    """Warnings that stand, by id, with their words."""
    unseen: set[str] = field(default_factory=set)
    """Alarms of all kinds that nobody has acknowledged, by id."""

    def __post_init__(self) -> None:
        raw = self.world.tank.raw_config | {"push": {"server": "https://push.example.org", "topic": "sim"}}
        core = Core(configuration.check(raw))
        self.start_s = self.world.tank.setting.start_s
        self.line = Timeline(core, core.initial())

    def take(self, effects: list[Effect]) -> None:
        for e in effects:
            if isinstance(e, AlarmChange):
                (self.unseen.add if e.state == "unacknowledged" else self.unseen.discard)(e.id)
            match e:
                case DueChange():
                    self.due_s = e.due_at_s
                case Message():
                    self.messages += 1
                    self.of_warmth += bool(e.alarms) and all(".temperature_" in t.alarm for t in e.alarms)
                case AlarmChange() if e.alarm in WARNINGS:
                    if e.state in {"unacknowledged", "acknowledged"}:
                        self.standing[e.id] = e.text
                    else:
                        self.standing.pop(e.id, None)

    def morning(self, day: int) -> None:
        if self.line.state.wake_s is not None:
            self.take(self.line.advance(self.start_s + (day + MORNING_H / 24.0) * DAY_S))

    def seen(self, day: int) -> None:
        at = stamp(self.world.tank.setting, day + (MORNING_H + 1.0 / 60.0) / 24.0)
        records = [{"at": at, "kind": "acknowledge", "alarm": alarm, "by": "keeper"} for alarm in sorted(self.unseen)]
        self.world.tank.records.extend(records)
        self.hear(day, records)

    def due(self, day: int) -> bool:
        return self.due_s is None or self.due_s <= self.start_s + (day + 1) * DAY_S

    def warns(self) -> bool:
        return bool(self.standing)

    def names(self, kind: str) -> bool:
        said = " ".join(self.standing.values()).lower()
        return any(word in said for word in WORDS.get(kind, ()))

    def hear(self, day: int, records: list[dict[str, Any]]) -> None:
        for record in records:
            self.take(self.line.feed(eventlines.parse_record(record)))


@dataclass
class Nobody:
    """No tool: nobody tests and nobody warns."""

    messages: int = 0

    def morning(self, day: int) -> None:
        """Nothing happens."""

    def seen(self, day: int) -> None:
        """Nothing was told."""

    def due(self, day: int) -> bool:
        return False

    def warns(self) -> bool:
        return False

    def names(self, kind: str) -> bool:
        return False

    def hear(self, day: int, records: list[dict[str, Any]]) -> None:
        """Nobody listens."""


@dataclass
class Lived:
    """What a stretch under one adviser came to."""

    days: int = 0
    above: int = 0
    tests: int = 0
    changes: int = 0
    messages: int = 0
    of_warmth: int = 0
    """Of the messages, those about the water's temperature."""
    hungry: int = 0
    """Days of short feed."""
    above_untold: int = 0
    """Of the days above the limit, those on which no warning stood and nobody had begun to act."""


class Keeper:
    """Lives one tank for so many days under an adviser."""

    def __init__(self, world: World, adviser: Adviser, days: int) -> None:
        self.world, self.adviser, self.days = world, adviser, days
        self.rng = np.random.default_rng([world.tank.seed, 4])
        begins = [self.rng.integers(0, 183) + 183 * k for k in range(days // 183 + 1)]
        self.away = {d for b in begins for d in range(b, b + int(self.rng.integers(8, 17)))}
        self.tested = self.changed = self.looked = -NEVER
        self.less_until = -NEVER
        self.mends: float | None = None
        self.last_value = 0.0
        self.out = Lived()

    def live(self) -> Lived:
        for day in range(self.days):
            self._day(day)
        self.out.messages = self.adviser.messages
        self.out.of_warmth = getattr(self.adviser, "of_warmth", 0)
        return self.out

    def _day(self, day: int) -> None:
        # As many draws every day, whoever advises, so that the same person lives the same life.
        willing, notices, finds = self.rng.random(3)
        hour = self.rng.uniform(9, 20)
        self.adviser.hear(day, self._read(day, early=True))
        self.adviser.morning(day)
        here, out = day not in self.away, self.out
        if here and willing < 0.7:
            self.adviser.seen(day)
        c, s = self.world.tank.setting, self.world.state
        ill = float(s["level"][0]) > ILL * c.limit and notices < 0.2
        acting = here and (ill or (self.adviser.warns() and willing < 0.7))
        acts = planned(c, day, self.world.people)
        acts = self._react(day, acts, ill, finds) if acting else acts
        if day < self.less_until:
            acts = Acts(round(0.6 * c.grams, 3), acts.change, acts.top_off, acts.prune, acts.lamp_new)
            out.hungry += 1
        self._mend(day)
        known = len(self.world.tank.records)
        start, end = self.world.live(acts)
        worried = self.adviser.warns() and day - self.tested > 2 and day - self.tested > 7 * (day < self.less_until)
        if here and willing < 0.7 and (self.adviser.due(day) or worried):
            self.last_value = self.world.test(day + hour / 24, start, end)
            self.tested = day
            out.tests += 1
        out.days += 1
        out.changes += bool(acts.change)
        over = end > c.limit
        out.above += over
        out.above_untold += over and not self.adviser.warns() and day >= self.less_until
        self.adviser.hear(day, self._written(day, known))

    def _react(self, day: int, acts: Acts, ill: bool, finds: float) -> Acts:
        c = self.world.tank.setting
        self.less_until = max(self.less_until, day + 42)
        change = acts.change
        if (ill or self.last_value > c.limit) and day - self.changed >= 7 and (ill or day - self.tested <= 7):
            change, self.changed = 0.5, day
        lamp = False
        if day - self.looked >= 7 and self.mends is None:
            self.looked = day
            kind = self.world.tank.laws.kinds[int(self.world.state["kind"][0])]
            kind = "lamp" if c.lamp_from is not None and day >= c.lamp_from else kind
            if finds < (0.8 if self.adviser.names(kind) else 0.3):
                lamp = kind == "lamp"
                self.mends = None if lamp else day + 14
        return Acts(acts.grams, change, acts.top_off, acts.prune, lamp)

    def _mend(self, day: int) -> None:
        """What was found is put right two weeks later; leaves that died grow again by themselves."""
        if self.mends is not None and day >= self.mends:
            self.mends = None
            s = self.world.state
            s["onset"] = np.where(s["onset"] <= day, NEVER, s["onset"])

    def _written(self, day: int, known: int) -> list[dict[str, Any]]:
        records = self.world.tank.records[known:] + self._read(day, early=False)
        return sorted(records, key=lambda r: (r["at"], r["kind"], r.get("id", "")))

    def _read(self, day: int, *, early: bool) -> list[dict[str, Any]]:
        """What probes read before the morning, or from then on: no probe waits with it until the evening."""
        c, seed = self.world.tank.setting, self.world.tank.seed
        if not isinstance(self.adviser, Product):
            return []
        records = warmth_readings(c, day, seed)
        if c.lamp is not None:
            values = light_day(c, day, np.random.default_rng([seed, 8, day]))
            records = records + [
                {"at": stamp(c, day + (k + 0.5) / len(values)), "kind": "reading", "probe": "light", "value": x}
                for k, x in enumerate(values)
            ]
        morning = stamp(c, day + MORNING_H / 24.0)
        return sorted((r for r in records if (r["at"] < morning) == early), key=lambda r: r["at"])


ADVISERS = ("product", "weekly", "monthly", "nobody")


def advised(laws: Laws, seed: int, days: int, who: str) -> Lived:
    """One tank under one of `ADVISERS`; the same seed is the same tank and the same person."""
    world = World(laws, seed, days)
    limit = world.tank.setting.limit
    adviser: Adviser
    if who == "product":
        adviser = Product(world)
    elif who == "nobody":
        adviser = Nobody()
    else:
        adviser = Calendar({"weekly": 7.0, "monthly": 30.0}[who], limit)
    return Keeper(world, adviser, days).live()
