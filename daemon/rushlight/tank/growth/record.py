"""What was written down of a tank's growth, and how one plant's looks read as logarithms of leaf area.

Owns the readings' errors and the guards of what says nothing: a view almost empty or almost full.  Never judges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from rushlight.events import Growth
from rushlight.localtime import DAY_S

WEEK_S = 7 * DAY_S
KEEP_S = 60 * WEEK_S
LOOKS_MOST = 600
COVER_LEAST, COVER_MOST = 0.03, 0.93
"""Outside these a cover says nothing of leaf area: a threshold splits noise, or leaves hide leaves (own choice)."""
COVER_ERROR, EXPOSURE_ERROR = 0.025, 0.05
"""Points of cover, and share of leaf area by light and focus: a trained rule on field pictures was 3 points off (BMC
Bioinformatics 2022); no source for this set-up."""
LENGTH_ERROR = 0.04
READING_CM = 0.5
POWERS = (1.4, 2.0, 2.8)
"""Leaf area as a power of a shoot's length: 1 for a shoot that only lengthens, 3 for one that keeps its form
(own choice)."""
STANDING = (2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
"""Leaves at the start, in weeks' worth of new ones: nobody is asked to count them all (own choice)."""
LEAF_SHARE = 0.1  # own choice
COUNT_ERROR = 0.7  # own choice


@dataclass(slots=True)
class Seen:
    """One look at one plant; None is 'not looked at'."""

    at_s: float
    id: str
    plant: str
    leaves: float | None = None
    longest_cm: float | None = None
    height_cm: float | None = None
    cover: float | None = None


@dataclass(slots=True)
class Cut:
    """A harvest; an empty plant is any of them."""

    at_s: float
    id: str
    plant: str
    grams: float
    """Fresh."""


@dataclass(frozen=True, slots=True)
class Level:
    """A reading of the logarithm of leaf area, but for an offset of its own kind."""

    kind: str
    value: float
    sd: float
    stretch: float = 1.0
    """How far the value moves with the logarithm of what was read."""


@dataclass(frozen=True, slots=True)
class Step:
    """One look as the filter takes it: levels, and what grew since the last count, with its error."""

    at_s: float
    levels: tuple[Level, ...]
    leaves: tuple[float, float] | None = None
    """Since when, and how many unfolded."""
    standing: float = 1.0
    """How many leaves the plant is supposed to have borne at the first look."""

    def grown(self, level: float) -> tuple[float, float, float]:
        """What the new leaves are of those that were there, as a logarithm; its standard deviation; and a leaf's part.

        `level` is the logarithm of leaf area when they were last counted, against that at the first look: a harvest
        takes leaves with it.
        """
        n = self.leaves[1] if self.leaves is not None else 0.0
        there = self.standing * math.exp(min(3.0, max(-3.0, level)))
        sd = math.sqrt(COUNT_ERROR**2 + 0.1 * n + (LEAF_SHARE * n) ** 2) / (there + n)
        return math.log1p(n / there), min(0.5, sd), 1.0 / (there + n)


def seen_of(event: Growth) -> Seen | None:
    """What of the entry bears on growth; None for a picture alone."""
    seen = Seen(
        at_s=event.at_s,
        id=event.id,
        plant=event.plant.strip().lower(),
        leaves=event.new_leaves,
        longest_cm=event.longest_cm,
        height_cm=event.height_cm,
        cover=event.cover,
    )
    told = (seen.leaves, seen.longest_cm, seen.height_cm, seen.cover)
    return None if all(part is None for part in told) else seen


def steps(looks: list[Seen], power: float, standing: float) -> list[Step]:
    """A plant's looks in order of time as the filter takes them.

    `power` is one of POWERS; `standing` is of STANDING, how many weeks' worth of new leaves it bore at first.
    """
    first, since_s, last_s = _first_leaves(looks, standing), None, -math.inf
    out: list[Step] = []
    for look in looks:
        leaves = None
        if look.leaves is not None:
            if since_s is not None and look.at_s > since_s:
                leaves = (since_s, look.leaves)
            since_s = look.at_s
        if look.at_s > last_s:
            out.append(Step(look.at_s, tuple(_levels(look, power)), leaves, first))
        else:  # two entries of one moment are one look
            out[-1] = Step(last_s, (*out[-1].levels, *_levels(look, power)), leaves or out[-1].leaves, first)
        last_s = look.at_s
    return out


def _levels(look: Seen, power: float) -> list[Level]:
    found = []
    if look.cover is not None and COVER_LEAST <= look.cover <= COVER_MOST:
        depth = -math.log1p(-look.cover)
        sd = math.hypot(EXPOSURE_ERROR, COVER_ERROR / ((1.0 - look.cover) * depth))
        found.append(Level("cover", math.log(depth), sd))
    for kind, cm in (("longest", look.longest_cm), ("height", look.height_cm)):
        if cm is not None:
            found.append(Level(kind, power * math.log(cm), power * math.hypot(LENGTH_ERROR, READING_CM / cm), power))
    return found


def _first_leaves(looks: list[Seen], standing: float) -> float:
    counted = [s for s in looks if s.leaves is not None]
    if len(counted) < 2:
        return 1.0
    weeks = max(0.1, (counted[-1].at_s - counted[0].at_s) / WEEK_S)
    weekly = sum(s.leaves or 0.0 for s in counted[1:]) / weeks
    return standing * max(0.5, weekly)


@dataclass(slots=True)
class Record:
    """Looks and harvests in order of time, and each local day's dose of light, mol m⁻², None for not known."""

    looks: list[Seen] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)
    doses: list[tuple[float, float]] = field(default_factory=list)
    """Each measured day's end, and its dose."""

    def forget(self, before_s: float) -> None:
        """Drop what is older, and what is more than can be of use."""
        self.looks = [s for s in self.looks if s.at_s >= before_s][-LOOKS_MOST:]
        self.cuts = [c for c in self.cuts if c.at_s >= before_s][-LOOKS_MOST:]
        self.doses = [d for d in self.doses if d[0] >= before_s]

    def plants(self) -> list[str]:
        """Every plant that was looked at, the tank as a whole ('') first."""
        return sorted({s.plant for s in self.looks})

    def of(self, plant: str) -> tuple[list[Seen], list[Cut]]:
        """A plant's looks, and the harvests of it or of plants that nobody named."""
        return (
            [s for s in self.looks if s.plant == plant],
            [c for c in self.cuts if not plant or not c.plant or c.plant == plant],
        )
