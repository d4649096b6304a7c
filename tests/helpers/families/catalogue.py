"""The families by name, and a tank by family, split and number."""

from __future__ import annotations

from helpers.families.common import Laws, LivedTank, live, seed_of
from helpers.families.fade import Fade
from helpers.families.ground import Ground
from helpers.families.growing import Growing
from helpers.families.leaf import Leaf
from helpers.families.mixed import Mixed
from helpers.families.window import Window

FAMILIES: dict[str, Laws] = {laws.name: laws for laws in (Fade(), Leaf(), Window(), Mixed(), Growing(), Ground())}


def tank(family: str, split: str, n: int, days: int) -> LivedTank:
    """The n-th tank of a family's split, lived for so many days; the same every time."""
    laws = FAMILIES[family]
    return live(laws, seed_of(laws.number, split, n), days)
