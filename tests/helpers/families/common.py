"""What every family of simulated tanks has: what is known of a tank, what its keeper does, how a kit is read.

An invention for tests and benchmarks.  A family's laws are written once, over arrays: an array of one is a tank that is
lived, an array of thousands is what an observer holds who knows these laws and nothing else.  No part of the product is
used for the truth; the product sees configuration and event lines alone.

Everything in the water is in mg/L as NO3 and everything that moves in a day in mg/L as NO3 a day.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from scipy.special import ndtr

Array = Any
State = dict[str, Array]

DAY_S = 86400.0
NO3_PER_N = 62.005 / 14.007
"""Molar masses, IUPAC 2021 standard atomic weights."""
NEVER = 1e9
SPLITS = ("tuning", "holdout", "fresh")


def seed_of(number: int, split: str, n: int) -> int:
    """The seed of a family's n-th tank; families and splits never share one.  Raises ValueError beyond a million."""
    if not 0 <= n < 1_000_000:
        raise ValueError(f"a split has a million seeds, got {n}")
    return (number * len(SPLITS) + SPLITS.index(split)) * 1_000_000 + n


@dataclass(frozen=True)
class KitInUse:
    """A kit as the configuration knows it."""

    id: str
    method: str
    pads: tuple[float, ...]
    """For drops the numbers that can be counted, which no configuration needs."""


@dataclass
class Setting:
    """What is known of a tank by anybody who looks: the keeper, the configuration, an observer."""

    litres: float
    grams: float
    """Feed a day as the keeper gives it, and as configured where that is told; NaN where an observer does not know."""
    source: float
    limit: float
    kits: tuple[KitInUse, ...]
    start: dt.date
    every_days: float = 7.0
    jitter_days: float = 0.0
    missed: float = 0.0
    gaps: tuple[tuple[int, int], ...] = ()
    """Stretches of days without a test."""
    records_feed: bool = False
    """Feed that is weighed, day by day; written down if it is told."""
    feed_told: bool = True
    """Whether anybody says what is fed: in the configuration, or day by day."""
    change_every: int = 0
    change_odds: float = 0.0
    """Changes at no fixed time: the chance of one on any day."""
    change: float = 0.0
    top_off_every: int = 0
    top_off: float = 0.0
    """Share of the water that has evaporated and is made good."""
    prune_every: int = 0
    prune: float = 0.0
    latitude: float = 53.0
    window: Array | None = None
    """Window light at the probe by day, as a share of the lamp's; None where no probe stands."""
    lamp: Array | None = None
    """The lamp's output by day against its start; None where no probe stands."""
    lamp_from: int | None = None
    """Day on which the lamp began to fade, where `lamp` says so: truth, for the judge alone."""
    seen_days: int | None = None
    """How many days an observer has seen who looks ahead; None: all."""
    habit: Callable[[Setting, int, np.random.Generator, int], Acts] | None = None
    """What this keeper does on a day, for `planned`; None: the round that the fields above give."""
    own: dict[str, Any] = field(default_factory=dict)
    """What a family adds to what anybody may know."""
    water_c: Array | None = None
    """The water's temperature by day, where a probe stands for it."""
    plants_g: float = 100.0
    """What the plants weigh by the keeper's guess: a harvest is written down as its share of this."""
    seen_trouble: tuple[int, str] | None = None
    """A trouble that is nobody's secret, as it is written down or measured: its first day and name, for the judge."""

    @property
    def start_s(self) -> float:
        return dt.datetime.combine(self.start, dt.time(), dt.UTC).timestamp()


@dataclass(frozen=True)
class Acts:
    """What was done to a tank on one day, and written down."""

    grams: float
    """NaN where an observer does not know."""
    change: Any = 0.0
    """Fraction of the water replaced, first thing in the morning; an array where an observer draws it."""
    top_off: float = 0.0
    prune: float = 0.0
    lamp_new: bool = False
    dose: bool = False
    """Plant food without nitrogen."""
    fish: int = 0
    """Fish added."""


@dataclass(frozen=True)
class Flow:
    """One day in the water, mg/L as NO3: `exchanged` by changes and top-offs at its beginning, the rest over the day."""

    exchanged: Array
    supply: Array
    uptake: Array


class Laws(Protocol):
    """A family of tanks."""

    name: str
    number: int
    kinds: tuple[str, ...]
    """What can go wrong; `s["kind"]` is an index into these, and counts from `s["onset"]` on."""
    jitter: tuple[str, ...]
    """Constants that an observer may blur when it draws its tanks anew."""

    def setting(self, rng: np.random.Generator, days: int) -> Setting: ...

    def draw(self, c: Setting, rng: np.random.Generator, n: int) -> State: ...

    def step(self, c: Setting, s: State, day: int, acts: Acts, rng: np.random.Generator) -> Flow: ...


@dataclass
class LivedTank:
    """One tank: what anybody may know, the truth day by day, and its event lines.

    `levels[d]` is at the midnight that starts day d.
    """

    laws: Laws
    seed: int
    setting: Setting
    levels: list[float] = field(default_factory=list)
    supply: list[float] = field(default_factory=list)
    uptake: list[float] = field(default_factory=list)
    exchanged: list[float] = field(default_factory=list)
    acts: list[Acts] = field(default_factory=list)
    tests: list[tuple[float, int, float]] = field(default_factory=list)
    """Day with its fraction, index of the kit, what was read."""
    records: list[dict[str, Any]] = field(default_factory=list)
    onset_day: int | None = None
    kind: str = "steady"

    @property
    def crossing_day(self) -> int | None:
        """First midnight above the limit."""
        return next((d for d, x in enumerate(self.levels) if x > self.setting.limit), None)

    @property
    def raw_config(self) -> dict[str, Any]:
        return configuration(self.setting)

    def lines(self) -> list[str]:
        """Event lines in order, with the light probe's readings where one stands."""
        end = {"at": stamp(self.setting, len(self.levels)), "kind": "note", "tank": "sim", "id": "end", "text": "end"}
        days = len(self.levels)
        warmth = (r for day in range(days) for r in warmth_readings(self.setting, day, self.seed))
        records = [*self.records, *light_readings(self.setting, days, self.seed), *warmth, end]
        return [json.dumps(r) for r in sorted(records, key=lambda r: (r["at"], r["kind"], r.get("id", "")))]


# Supply and trouble, as all families have them.


def daily_supply(c: Setting, grams: Array, share: Array) -> Array:
    """mg/L as NO3 a day from feed at 42 % protein; protein is 16 % nitrogen (the factor 6.25, Jones 1941)."""
    return grams * 1000.0 * 0.42 / 6.25 * share * NO3_PER_N / c.litres


def trouble(s: State, day: int, a_day: float, kinds: int, rng: np.random.Generator, quiet_days: int = 45) -> None:
    """Let something go wrong, once in a tank's life, with the same small chance on every day."""
    if day < quiet_days:
        return
    new = (rng.random(len(s["level"])) < a_day) & (s["onset"] >= NEVER)
    if new.any():
        s["onset"] = np.where(new, float(day), s["onset"])
        s["kind"] = np.where(new, rng.integers(0, kinds, len(new)), s["kind"])


def ramp(s: State, day: int) -> Array:
    """How far a trouble of its own length has gone, 0 to 1."""
    return np.clip((day - s["onset"]) / s["length"], 0.0, 1.0)


def settle(c: Setting, s: State, exchanged: Array, supply: Array, uptake: Array) -> Flow:
    """Move the level by one day; plants take no more than there is."""
    uptake = np.clip(uptake, 0.0, s["level"] + exchanged + supply)
    s["level"] = s["level"] + exchanged + supply - uptake
    return Flow(exchanged, supply, uptake)


def exchange(s: State, acts: Acts, source: Array) -> Array:
    """What changes and top-offs do to the level; evaporated water leaves its nitrate behind."""
    return acts.change * (source - s["level"]) + acts.top_off * source


# Kits.


def kit_traits(rng: np.random.Generator, n: int, bias: tuple[float, float], error: float) -> State:
    """How strips are read in this household: a bias for good, a spread, and how an eye calls the nearest pad."""
    return {
        "bias": rng.uniform(bias[0], bias[1], n),
        "drop_bias": rng.uniform(0.95, 1.05, n),
        "geometric": rng.random(n) < 0.5,
        "lognormal": rng.random(n) < 0.5,
        "error": np.full(n, error),
        "lean": np.full(n, 0.5),
    }


def _scale(kit: KitInUse, s: State) -> tuple[Array, Array]:
    """Bias and spread of this kit; a family's laws may move the spread from day to day."""
    if kit.method == "drops":
        return s["drop_bias"], np.full_like(s["error"], 0.08)
    return s["bias"], s["error"]


def read(kit: KitInUse, s: State, level: float, rng: np.random.Generator) -> float:
    """The pad that this tank's keeper calls the nearest."""
    bias, error = _scale(kit, s)
    middle, draw = level * bias[0], rng.standard_normal() * error[0]
    seen = middle * math.exp(draw) if s["lognormal"][0] else max(0.0, middle * (1.0 + draw))
    borders = _borders(kit, bool(s["geometric"][0]), s["lean"][0])
    return kit.pads[int(np.searchsorted(borders, seen))]


def chances(kit: KitInUse, s: State, levels: Array, value: float) -> Array:
    """P(`value` is read) at these levels; a slip of the hand is one in 1,000."""
    i = kit.pads.index(value)
    bias, error = _scale(kit, s)
    middle = np.maximum(levels * bias, 1e-3)

    def under(k: int) -> Array:
        if k < 0:
            return np.zeros_like(middle)
        if k >= len(kit.pads) - 1:
            return np.ones_like(middle)
        plain, curved = _borders(kit, False, s["lean"])[k], _borders(kit, True, s["lean"])[k]
        border = np.where(s["geometric"], curved, plain)
        z = np.where(s["lognormal"], np.log(np.maximum(border, 1e-6) / middle), border / middle - 1.0) / error
        return ndtr(z)

    return np.maximum(under(i) - under(i - 1), 0.001)


def _borders(kit: KitInUse, geometric: bool, lean: Array) -> Array:
    """Where one pad ends and the next begins, by pad; `lean` is how far up from the lower pad that is, 0.5 half-way."""
    pads = np.array(kit.pads)
    if kit.method == "drops":
        return 0.5 * (pads[1:] + pads[:-1])
    if not geometric:
        return np.multiply.outer(pads[1:], lean) + np.multiply.outer(pads[:-1], 1.0 - lean)
    raised = np.maximum(pads, 0.5 * pads[1] if pads[0] == 0 else 0.0)
    return np.sqrt(raised[1:] * raised[:-1])


# What the product is given.


def configuration(c: Setting) -> dict[str, Any]:
    """The decoded TOML of section 7."""
    kits = [
        {"id": k.id, "method": k.method} | ({"pads": {"nitrate": list(k.pads)}} if k.method == "strip" else {})
        for k in c.kits
    ]
    probes: list[dict[str, Any]] = []
    if c.lamp is not None:
        probes.append({"id": "light", "quantity": "light", "unit": "lx", "every_seconds": 1800})
    if c.water_c is not None:
        probes.append({"id": "water", "quantity": "temperature", "every_seconds": 3600, "silent_seconds": 7 * 3600})
    tank = {
        "id": "sim",
        "litres": round(c.litres, 1),
        "source_water": {"nitrate": c.source},
        "feed": {"protein_percent": 42} | ({"grams_per_day": round(c.grams, 3)} if c.feed_told else {}),
        "testing": {"kit": c.kits[0].id},
        "limits": {"nitrate": c.limit},
        "lamp": {"hours": [{"on": "08:00", "off": "18:00"}]},
    }
    site = {"name": "simulated", "timezone": "UTC", "latitude": round(c.latitude, 1), "longitude": 0.0}
    probes = [{"tank": "sim", "driver": "none"} | p for p in probes]
    return {"site": site, "tank": [tank], "kit": kits} | ({"probe": probes} if probes else {})


def stamp(c: Setting, day: float) -> str:
    """RFC 3339 text of a day with its fraction."""
    return dt.datetime.fromtimestamp(round(c.start_s + day * DAY_S), dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


LAMP_LX = 5000.0
STEPS = 48
"""Light readings a day."""


def light_day(c: Setting, day: int, rng: np.random.Generator) -> list[float]:
    """A day's readings in lux: the lamp from 8 to 18 h, and the window's share under the sun's height."""
    assert c.window is not None and c.lamp is not None
    hour = (np.arange(STEPS) + 0.5) * 24.0 / STEPS
    height = np.maximum(0.0, sun_sine(c, day, hour))
    lamp = LAMP_LX * c.lamp[day] * ((hour > 8.0) & (hour < 18.0))
    # The window's dose of the day is given as a share of a full lamp's dose, ten hours of LAMP_LX.
    window = c.window[day] * LAMP_LX * 10.0 * height / max(1e-6, height.sum() * 24.0 / STEPS)
    return [float(f"{x:.4g}") for x in (lamp + window) * rng.normal(1.0, 0.01, STEPS)]


def sun_sine(c: Setting, day: int, hour: Array) -> Array:
    """Sine of the sun's height by Cooper's declination (Solar Energy 12, 1969)."""
    n = (c.start + dt.timedelta(days=day)).timetuple().tm_yday
    tilt = math.radians(23.45) * math.sin(2.0 * math.pi * (284 + n) / 365.0)
    place = math.radians(c.latitude)
    return math.sin(place) * math.sin(tilt) + math.cos(place) * math.cos(tilt) * np.cos(np.pi * (hour - 12.0) / 12.0)


def light_readings(c: Setting, days: int, seed: int) -> list[dict[str, Any]]:
    """Reading records of the whole stretch; none where no probe stands."""
    if c.lamp is None:
        return []
    rng = np.random.default_rng([seed, 7])
    return [
        {"at": stamp(c, day + (k + 0.5) / STEPS), "kind": "reading", "probe": "light", "value": x}
        for day in range(days)
        for k, x in enumerate(light_day(c, day, rng))
    ]


WARMTH_STEPS = 6
"""Readings of the water's temperature a day."""


def warmth_readings(c: Setting, day: int, seed: int) -> list[dict[str, Any]]:
    """A day's readings in °C, in the sixteenths that such a probe gives; none where none stands."""
    if c.water_c is None:
        return []
    rng = np.random.default_rng([seed, 9, day])
    hours = np.arange(WARMTH_STEPS) * 24.0 / WARMTH_STEPS
    seen = c.water_c[day] + 0.3 * np.sin(np.pi * (hours - 9.0) / 12.0) + rng.normal(0.0, 0.06, WARMTH_STEPS)
    return [
        {"at": stamp(c, day + h / 24.0), "kind": "reading", "probe": "water", "value": round(x * 16.0) / 16.0}
        for h, x in zip(hours, seen, strict=True)
    ]


def act_records(c: Setting, day: int, acts: Acts) -> list[dict[str, Any]]:
    """What a keeper writes down of a day's work."""
    out: list[dict[str, Any]] = []

    def note(hour: float, kind: str, **keys: Any) -> None:
        out.append({"at": stamp(c, day + hour / 24.0), "kind": kind, "tank": "sim", "id": f"{kind}-{day}"} | keys)

    if acts.change:
        note(0.05, "water_change", fraction=round(float(acts.change), 3))
    if acts.top_off:
        note(0.1, "top_off", litres=round(acts.top_off * c.litres, 2))
    if acts.prune:
        note(0.15, "harvest", fresh_grams=round(acts.prune * c.plants_g, 1))
    if acts.lamp_new:
        note(0.2, "lamp", what="replaced")
    if acts.dose:
        note(0.25, "dose", what="plant food")
    if acts.fish:
        note(0.3, "stocking", change=acts.fish)
    if c.feed_told and (c.records_feed or acts.grams < 0.8 * c.grams):
        note(9.0, "feeding", grams=round(acts.grams, 3))
    return out


def test_record(c: Setting, at_day: float, kit: KitInUse, value: float) -> dict[str, Any]:
    return {
        "at": stamp(c, at_day),
        "kind": "test",
        "tank": "sim",
        "id": f"test-{at_day:.4f}",
        "method": kit.method,
        "kit": kit.id,
        "values": {"nitrate": value},
    }


test_record.__test__ = False  # type: ignore[attr-defined]


# Living.


def planned(c: Setting, day: int, rng: np.random.Generator, n: int = 0) -> Acts:
    """What this keeper does on a day when nothing alarms; for `n` tanks at once where an observer draws."""
    if c.habit is not None:
        return c.habit(c, day, rng, n)
    grams = c.grams * max(0.2, rng.normal(1.0, 0.15)) if c.records_feed and not n else c.grams
    change: Any = c.change if c.change_every and day % c.change_every == 3 else 0.0
    if c.change_odds:
        change = np.where(rng.random(n or 1) < c.change_odds, c.change, 0.0)
        change = change if n else float(change[0])
    top = c.top_off if c.top_off_every and day % c.top_off_every == 1 else 0.0
    prune = c.prune if c.prune_every and day and day % c.prune_every == 0 else 0.0
    return Acts(round(grams, 3), change, top, prune)


class World:
    """One tank that is lived day by day; a keeper who reacts hands in other acts than the planned ones."""

    def __init__(self, laws: Laws, seed: int, days: int) -> None:
        self.rng = np.random.default_rng([seed, 1])
        self.people = np.random.default_rng([seed, 2])
        self.eyes = np.random.default_rng([seed, 5])  # of their own, so that more tests are not another life
        self.tank = LivedTank(laws, seed, laws.setting(self.rng, days))
        self.state = laws.draw(self.tank.setting, self.rng, 1)
        self.day = 0

    def live(self, acts: Acts) -> tuple[float, float]:
        """One day; the level after the morning's exchange, and at the day's end."""
        t, s = self.tank, self.state
        before = float(s["level"][0])
        flow = t.laws.step(t.setting, s, self.day, acts, self.rng)
        t.levels.append(before)
        for kept, now in ((t.supply, flow.supply), (t.uptake, flow.uptake), (t.exchanged, flow.exchanged)):
            kept.append(float(np.asarray(now).reshape(-1)[0]))
        t.acts.append(acts)
        t.records += act_records(t.setting, self.day, acts)
        if t.onset_day is None and s["onset"][0] < NEVER:
            t.onset_day, t.kind = self.day, t.laws.kinds[int(s["kind"][0])]
        if t.onset_day is None and t.setting.lamp_from is not None and self.day >= t.setting.lamp_from:
            t.onset_day, t.kind = self.day, "lamp"
        if t.onset_day is None and t.setting.seen_trouble is not None and self.day >= t.setting.seen_trouble[0]:
            t.onset_day, t.kind = self.day, t.setting.seen_trouble[1]
        self.day += 1
        return before + t.exchanged[-1], float(s["level"][0])

    def test(self, at_day: float, start: float, end: float, kit: int = 0) -> float:
        """Read a strip on the day that has just been lived, between its level at the start and at the end."""
        t = self.tank
        level = start + (at_day % 1.0) * (end - start)
        value = read(t.setting.kits[kit], self.state, level, self.eyes)
        t.tests.append((at_day, kit, value))
        t.records.append(test_record(t.setting, at_day, t.setting.kits[kit], value))
        return value


def live(laws: Laws, seed: int, days: int) -> LivedTank:
    """A tank whose keeper does as planned and lets everything go its way."""
    world = World(laws, seed, days)
    c, people = world.tank.setting, world.people
    due = people.uniform(0, c.every_days)
    for day in range(days):
        start, end = world.live(planned(c, day, people))
        if due >= day + 1:
            continue
        away = any(a <= day < b for a, b in c.gaps)
        if not away and people.random() >= c.missed:
            world.test(day + people.uniform(8, 21) / 24.0, start, end, int(people.integers(len(c.kits))))
        due = max(due + c.every_days + people.uniform(-1, 1) * c.jitter_days, day + 1)
    return world.tank


def a_date(rng: np.random.Generator) -> dt.date:
    """Tanks begin in all seasons."""
    return dt.date(2024, 1, 1) + dt.timedelta(days=int(rng.integers(0, 366)))
