"""What a strip that surprises leads to: a second one at once, and a warning within two weekly tests; and what does not.

Tanks and eyes are simulated here, by laws of their own; no figure is the program's.
"""

import dataclasses
import math
import random

import pytest

from rushlight.events import Test
from rushlight.localtime import DAY_S
from rushlight.settings import Feed, Kit, Tank
from rushlight.tank.nitrate.report import rising
from rushlight.tank.nitrate.watch import NitrateWatch

SUPPLY = 1.25
"""mg/L as NO3 a day."""
FAILS_DAY = 100


class Kept:
    """A tank whose plants eat by Michaelis and Menten, its keeper's eye, and the watch that is told what it sees."""

    def __init__(self, seed: int, home: float, pads: tuple[float, ...], limit: float) -> None:
        self.random = random.Random(seed)
        self.level, self.home, self.day, self.pads = home, home, 0, pads
        kit = Kit(id="strip", method="strip", pads={"nitrate": pads})
        tank = Tank(id="foyer", litres=100, feed=Feed(grams_per_day=0.6))
        tank = dataclasses.replace(tank, limits=dataclasses.replace(tank.limits, nitrate=limit))
        self.watch = NitrateWatch(tank, (kit,), "UTC", has_electrode=False)
        self.state = self.watch.initial()

    def live(self, lost: float = 0.0) -> None:
        """A day at this share of uptake lost."""
        eaten = SUPPLY * (1.0 - lost) * self.level / (8.0 + self.level) * (8.0 + self.home) / self.home
        self.level = max(0.5, self.level + SUPPLY - eaten + self.random.gauss(0.0, 0.1))
        self.day += 1
        self.watch.close_day(self.state, None, "", self.day * DAY_S)

    def strip(self) -> None:
        """The pad that an eye with an error of 20 % calls the nearest."""
        seen = self.level * math.exp(self.random.gauss(0.0, 0.2))
        value = min(self.pads, key=lambda p: abs(p - seen))
        at_s = self.day * DAY_S + 60.0
        entry = Test(at_s=at_s, id=f"t{at_s}", tank="foyer", method="strip", values={"nitrate": value})
        self.watch.on_fact(self.state, entry)

    def report(self):
        return self.watch.report(self.state, self.day * DAY_S + 3600.0)


def warned_after_days(seed: int) -> tuple[int | None, int | None]:
    """Days from the failure until a second strip was asked for at once, and until a warning stood."""
    kept = Kept(seed, 6.0 + seed % 9, (0.0, 10.0, 25.0, 50.0, 100.0, 250.0), 40.0)
    asked: int | None = None
    again = -1
    while kept.day < FAILS_DAY + 42:
        since = kept.day - FAILS_DAY
        kept.live(0.8 * min(1.0, max(0.0, since / 5.0)))
        if kept.day % 7 and kept.day != again:
            continue
        kept.strip()
        if since < 0:
            continue
        told = kept.report()
        if rising(told) == "raise":
            return asked, since
        if told.asks_again and kept.day != again:
            asked, again = since if asked is None else asked, kept.day + 1
    return asked, None


@pytest.mark.slow
def test_a_sudden_failure_is_heard_within_two_weekly_tests_of_the_strip_that_shows_it():
    """Four fifths of uptake gone within five days; the second strip is made on the day after it is asked for.

    A level that rises by a milligram a day stays on its pad for a week or two: no strip can show it before.
    """
    lived = [warned_after_days(seed) for seed in range(8)]
    assert all(warned is not None and warned <= 32 for _, warned in lived)
    asked = [(a, w) for a, w in lived if a is not None]
    assert len(asked) >= 6
    assert all(a <= 18 and w is not None and w - a <= 14 for a, w in asked)


@pytest.mark.slow
def test_pads_on_both_sides_of_the_limit_warn_of_no_rise():
    """Settled tanks at 15 to 20 mg/L, pads of 20 and 40 beside a limit of 25, half a year of weekly strips."""
    raised = 0
    for seed in range(4):
        kept = Kept(seed, 15.0 + 5.0 * (seed % 2), (0.0, 20.0, 40.0, 80.0, 160.0), 25.0)
        while kept.day < 180:
            kept.live()
            if kept.day % 7 == 0:
                kept.strip()
                raised += rising(kept.report()) == "raise"
    assert raised == 0
