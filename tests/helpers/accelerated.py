"""The engine and its journal on a simulated clock: years of a tank with four probes, as fast as they can be worked.

Nothing is left out that lasts: quality, watches, alarms, the journal's commits, checkpoints, snapshots, thinning.  The
threads of links and outlets are; what the outbox holds is taken as sent at once.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from pathlib import Path

from helpers.site import config_of
from rushlight.clock import SimulatedClock
from rushlight.events import Feeding, Test
from rushlight.journal.store import Journal
from rushlight.journal.upkeep import Keep
from rushlight.service import offline
from rushlight.service.engine import Engine
from rushlight_drivers import Sample

T0 = 1_790_000_000.0
DAY_S = 86_400.0
QUANTITIES = ("temperature", "ph", "light", "nitrate")

_HEAD = """
[site]
name = "Rowan Street library"
timezone = "Europe/Dublin"
[[kit]]
id = "strip"
pads = { nitrate = [0, 10, 25, 50, 100, 250] }
"""
_TANK = """
[[tank]]
id = "{tank}"
litres = 140
lamp = {{ hours = [{{ on = "08:00", off = "18:00" }}] }}
limits = {{ nitrate = 60, temperature = {{ low = 21, high = 27 }}, ph = {{ low = 6.4, high = 7.8 }} }}
"""
_PROBE = """
[[probe]]
id = "{tank}-{quantity}"
tank = "{tank}"
quantity = "{quantity}"
driver = "simulated"
every_seconds = {every_s}
"""


def site_text(tanks: int = 1, every_s: int = 10, quantities: tuple[str, ...] = QUANTITIES) -> str:
    """The configuration of so many tanks, each with a probe a quantity."""
    names = ["foyer", *(f"tank-{n}" for n in range(2, tanks + 1))][:tanks]
    probes = (_PROBE.format(tank=t, quantity=q, every_s=every_s) for t in names for q in quantities)
    return _HEAD + "".join(_TANK.format(tank=t) for t in names) + "".join(probes)


def value(quantity: str, at_s: float, chance: random.Random) -> float:
    """What a healthy tank's probe says."""
    hour = at_s / 3600 % 24
    if quantity == "light":
        day = max(0.0, 900 * math.sin((hour - 6) / 12 * math.pi))
        return round((6000.0 if 7 <= hour < 17 else 0.0) * chance.gauss(1, 0.01) + day + chance.random(), 1)
    mean, slow, noise = {"temperature": (24.0, 0.4, 0.03), "ph": (7.1, 0.1, 0.01), "nitrate": (22.0, 1.0, 0.3)}[
        quantity
    ]
    return round(mean + slow * math.sin(hour / 12 * math.pi) + chance.gauss(0, noise), 3)


class House:
    """One engine over a journal in `folder`; `live` lets it run."""

    def __init__(
        self, folder: Path, *, every_s: int = 10, keep: Keep | None = None, text: str = "", from_s: float = T0
    ) -> None:
        self.config = config_of(text or site_text(every_s=every_s))
        self.clock, self.every_s, self.keep = SimulatedClock(from_s), every_s, keep or Keep()
        self.chance = random.Random(11)
        self.journal: Journal = offline.open_journal(self.config, folder, from_s)
        self.engine = Engine(self.config, self.journal, self.clock, boot_id="boot-1", synchronised=lambda: True)
        self.days = 0
        self._channels = [(p.id, str(p.quantity)) for p in self.config.probe]

    def step(self) -> None:
        """One sample of every probe, and the engine's turn."""
        self.clock.advance(self.every_s)
        at_s, mono_s = self.clock.wall_s(), self.clock.mono_s()
        self.engine.hand([Sample(i, mono_s, value(q, at_s, self.chance)) for i, q in self._channels])
        self.engine.once(0.0)

    def live(self, days: int, after_step: Callable[[], None] = lambda: None) -> Iterator[int]:
        """Live so many days; gives the number of the day that is over."""
        for _ in range(days):
            for _step in range(round(DAY_S / self.every_s)):
                self.step()
                after_step()
            self._evening()
            self.days += 1
            yield self.days

    def _evening(self) -> None:
        """The fish are fed, once a week somebody tests; messages leave; history is thinned."""
        at_s = self.clock.wall_s()
        for tank in self.config.tank:
            self.engine.enter(Feeding(at_s=at_s, tank=tank.id, grams=0.9))
            if self.days % 7 == 0:
                self.engine.enter(Test(at_s=at_s, tank=tank.id, method="strip", kit="strip", values={"nitrate": 25.0}))
        for row in self.journal.outbox.waiting():
            self.journal.outbox.sent(row.key, row.channel, at_s)
        while self.journal.prune(at_s, self.keep).more:
            pass

    def close(self) -> None:
        """End it as the daemon would."""
        self.journal.close(self.clock.wall_s())
