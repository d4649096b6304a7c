"""Simulated plants, and people who look at them: a judge for growth rates, written before what it judges.

An invention for tests and benchmarks.  Two laws and a third by which none of the product's formulae is exact:
`logistic` (Verhulst), `light` (growth in proportion to the light that the leaves catch, less upkeep) and `gompertz`.
What is looked at: cover with leaves before leaves and an exposure that is off, leaf counts with leaves overlooked, the
longest shoot.  Harvests when it gets crowded.  The product sees entries alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from rushlight.events import Growth, Harvest, TankEvent
from rushlight.settings import Tank
from rushlight.tank.growth.watch import GrowthState, GrowthWatch

WEEK_S = 7 * 86_400.0
START_S = 1_767_225_600.0
"""2026-01-01."""
LAWS = ("logistic", "light", "gompertz")


@dataclass(frozen=True)
class Laws:
    """One tank's own constants."""

    law: str
    area: float
    """Leaf area at the start."""
    fastest: float
    room: float
    depth: float
    """How much a leaf area covers."""


@dataclass
class Plants:
    """One tank's plants over some weeks, and what was written down of them."""

    gross: list[float] = field(default_factory=list)
    """Logarithm of all that has grown, harvests counted as grown, at each day's end."""
    entries: list[TankEvent] = field(default_factory=list)
    fresh_g: list[float] = field(default_factory=list)
    """True fresh mass at each day's end, before a harvest of that day."""

    start_s: float = START_S
    laws: Laws | None = None
    """What an observer may be told who knows everything but the weather of growth and the hour of its fall."""

    def rate(self, day: int, weeks: int = 4) -> float:
        """The true mean relative rate of the weeks before a day's end, per week."""
        return (self.gross[day] - self.gross[day - 7 * weeks]) / weeks


@dataclass(frozen=True)
class Look:
    """How somebody looks: every so many days, at what."""

    every_days: int = 7
    cover: bool = True
    leaves: bool = True
    longest: bool = True


def live(seed: int, weeks: int, look: Look, *, halved_week: int | None = None, law: str = "") -> Plants:
    """Live one tank; from `halved_week` on it grows half as fast as it would."""
    rng = np.random.default_rng([18, seed])
    law = law or LAWS[seed % len(LAWS)]
    eye = _Eye(rng)
    area, gross, slow_walk = rng.uniform(0.4, 1.5), 0.0, 0.0
    fastest = rng.uniform(0.12, 0.3)
    room = rng.uniform(4.0, 7.0)
    crowded = rng.uniform(0.45, 0.7) * room
    catch, upkeep = fastest * 1.25, fastest * 0.25
    out = Plants(laws=Laws(law, area, fastest, room, eye.depth))
    for day in range(7 * weeks):
        if day % 7 == 0:
            slow_walk = 0.6 * slow_walk + rng.normal(0.0, 0.08)
        rate = _rate(law, area, fastest, room, catch, upkeep) * math.exp(slow_walk)
        if halved_week is not None and day >= 7 * halved_week:
            rate *= 0.5
        gross += rate / 7.0
        area *= math.exp(rate / 7.0)
        eye.unfold(area * (1.0 - math.exp(-max(0.0, rate) / 7.0)))
        out.gross.append(gross)
        out.fresh_g.append(60.0 * area)
        at_s = START_S + (day + 1) * 86_400.0 - 6 * 3600.0
        if day % look.every_days == look.every_days - 1:
            out.entries.append(eye.see(area, at_s, look, f"look-{day}"))
        if area > crowded:
            taken = rng.uniform(0.2, 0.45) * area
            area -= taken
            grams = 60.0 * taken
            out.entries.append(Harvest(at_s=at_s + 600.0, id=f"cut-{day}", tank="foyer", fresh_grams=grams))
            crowded = rng.uniform(0.45, 0.7) * room
    return out


def _rate(law: str, area: float, fastest: float, room: float, catch: float, upkeep: float) -> float:
    if law == "logistic":
        return fastest * (1.0 - area / room)
    if law == "light":
        return catch * -math.expm1(-0.5 * area) / (0.5 * area) - upkeep
    return 0.5 * fastest * math.log(room / area)


class _Eye:
    """A person with a phone: what each look makes of the plants."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.per_area = rng.uniform(15.0, 40.0)
        self.overlooked = rng.uniform(0.03, 0.12)
        self.power = rng.uniform(1.5, 2.6)
        self.shoot_cm = rng.uniform(12.0, 25.0)
        self.depth = rng.uniform(0.35, 0.65)
        self.new = 0.0

    def unfold(self, area: float) -> None:
        self.new += area * self.per_area

    def see(self, area: float, at_s: float, look: Look, name: str) -> Growth:
        rng = self.rng
        cover = longest = leaves = None
        if look.cover:
            exposed = area * math.exp(rng.normal(0.0, 0.05))
            cover = float(np.clip(-math.expm1(-self.depth * exposed) + rng.normal(0.0, 0.02), 0.0, 1.0))
        if look.leaves:
            leaves = float(rng.binomial(max(0, round(self.new)), 1.0 - self.overlooked) + rng.integers(-1, 2))
            leaves, self.new = max(0.0, leaves), 0.0
        if look.longest:
            longest = max(
                0.5, round(2.0 * self.shoot_cm * area ** (1.0 / self.power) * math.exp(rng.normal(0, 0.03))) / 2
            )
        return Growth(at_s=at_s, id=name, tank="foyer", new_leaves=leaves, longest_cm=longest, cover=cover)


def tell(plants: Plants) -> Iterator[tuple[TankEvent, GrowthState]]:
    """Every entry handed to a watch in order, and the watch's state after it."""
    watch = GrowthWatch(Tank(id="foyer", litres=140.0), "Europe/Dublin")
    state = watch.initial()
    for event in plants.entries:
        watch.on_fact(state, event)
        yield event, state
