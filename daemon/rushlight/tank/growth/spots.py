"""Light at the leaf: hand readings beside the tank's own probe, as a share that turns each day's dose into a plant's.

Owns the readings, the table, and the published ranges it is held against.  A share holds as long as lamp, probe and
leaves are where they were; repeated, it shows leaves that have grown out of the light.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median

from rushlight.events import LightSpot
from rushlight.localtime import DAY_S
from rushlight.science.measuring import units

NEAR_S = 900.0
"""The tank's probe must have been read so near to the hand reading: daylight moves within a quarter of an hour
(own choice)."""
LEAST_LX = 30.0
"""Below this at the probe a share is a division by noise (own choice)."""
KEEP_MOST = 400
OLD_S = 120 * DAY_S
"""A share older than this is said to be old: leaves move (common practice, no source)."""
HAND_ERROR = 0.15
"""Of a hand reading, by tilt and place, as a share: no source."""
LIVE_MOL = (0.17, 0.65)
"""What acclimatised foliage plants of deep shade need so as not to lose mass: light compensation points of 4 to 15 µmol
m⁻² s⁻¹ over twelve hours; two Leea lived 25 days in 0.09 to 0.26 mol, where a fig died
(studies of indoor plants, by their abstracts)."""
GROW_MOL = (0.5, 1.7)
"""What low-light foliage plants are grown in indoors: 75 to 250 foot-candles over twelve hours (Univ. Hawaii CTAHR
SCM-7, 2004, for Dracaena; extension classes).  Two sources differ threefold, so it is said as a range."""
MEDIAN_ERROR = math.sqrt(math.pi / 2.0)
"""How much wider a median strays than a mean, for many normal values; a little less for few."""
TREND_SURE = 1.6448536269514722
FALLEN = 0.8
"""A share below this part of what it was is a fall worth a word (own choice)."""


@dataclass(slots=True)
class Spot:
    """One hand reading: its share of what the tank's probe read then; None where that was silent or in the dark."""

    at_s: float
    id: str
    place: str
    share: float | None


@dataclass(slots=True)
class SpotsState:
    """Readings in order of time."""

    spots: list[Spot] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class LeafLight:
    """One line of the table.  Doses are mol m⁻² d⁻¹."""

    place: str
    share: float
    age_days: float
    dose_mol: float | None
    before: float | None
    """The share at the first readings since the lamp was last worked on."""
    sentence: str


def share_of(event: LightSpot, probe: float | None, factor: float, *, quantum: bool) -> float | None:
    """The hand reading over the probe's at that moment, both as photons; None where nothing can be divided.

    `factor` is the lamp's µmol m⁻² s⁻¹ per lx; `probe` is in lx, or in µmol m⁻² s⁻¹ for a `quantum` probe.
    """
    if probe is None:
        return None
    by_hand = units.to_standard("light", event.value, event.unit or "lx")
    if "mol" not in units.standard_unit("light", event.unit or "lx"):
        by_hand *= factor
    at_probe = probe if quantum else probe * factor
    return by_hand / at_probe if at_probe >= LEAST_LX * factor else None


def note(state: SpotsState, event: LightSpot, share: float | None) -> None:
    """Keep a reading; a second version takes the place of the first."""
    void(state, event.id)
    spot = Spot(event.at_s, event.id, event.place.strip(), share)
    state.spots = sorted([*state.spots, spot], key=lambda s: (s.at_s, s.id))[-KEEP_MOST:]


def void(state: SpotsState, event_id: str) -> None:
    """That reading never was."""
    state.spots = [s for s in state.spots if s.id != event_id]


def table(state: SpotsState, at_s: float, dose_mol: float | None, since_s: float | None) -> list[LeafLight]:
    """A line for each place, the darkest first.

    `dose_mol` is the tank's own mean daily dose of late; `since_s` when the lamp was last worked on: what was read
    before says nothing of the lamp of now.
    """
    out = []
    for place, spots in _by_place(state, since_s).items():
        last = spots[-1]
        assert last.share is not None
        dose = None if dose_mol is None else dose_mol * last.share
        before = spots[0].share if len(spots) > 1 else None
        age = (at_s - last.at_s) / DAY_S
        out.append(LeafLight(place, last.share, age, dose, before, _sentence(last.share, dose, age, before)))
    return sorted(out, key=lambda line: (line.share, line.place))


def _by_place(state: SpotsState, since_s: float | None) -> dict[str, list[Spot]]:
    found: dict[str, list[Spot]] = {}
    names: dict[str, str] = {}
    for spot in state.spots:
        if spot.share is not None and (since_s is None or spot.at_s >= since_s):
            found.setdefault(names.setdefault(spot.place.lower(), spot.place), []).append(spot)
    return found


def _sentence(share: float, dose: float | None, age: float, before: float | None) -> str:
    said = f"{100 * share:.0f} % of the tank's own light, measured {age:.0f} days ago"
    if age * DAY_S > OLD_S:
        said += ", which is old: measure again"
    if dose is not None:
        said = f"about {dose:.2g} mol/m² a day ({said}); {meaning(dose)}"
    if before is not None and share < FALLEN * before:
        said += f"; it was {100 * before:.0f} %"
    return said[0].upper() + said[1:] + "."


def meaning(dose_mol: float) -> str:
    """What low-light foliage plants are known to do in it, said as ranges."""
    live, grow = (f"{low:g} to {high:g}" for low, high in (LIVE_MOL, GROW_MOL))
    if dose_mol < LIVE_MOL[0]:
        return f"below what keeps low-light foliage alive for long ({live})"
    if dose_mol < GROW_MOL[0]:
        return f"may keep low-light foliage alive ({live}), below what it grows in ({grow})"
    if dose_mol <= GROW_MOL[1]:
        return f"within what low-light foliage grows in ({grow})"
    return f"above what low-light foliage grows in ({grow})"


@dataclass(frozen=True, slots=True)
class Trend:
    """How the shares have moved since the first readings: places that surely fell, and the middle one."""

    fallen: tuple[LeafLight, ...]
    change: float
    sd: float
    places: int

    @property
    def down(self) -> bool:
        """Whether the leaves as a whole get surely less of the tank's light than they did."""
        return self.change + TREND_SURE * self.sd < 0.0 and self.change < math.log(FALLEN)


def trend(lines: Sequence[LeafLight]) -> Trend | None:
    """What repeated readings say; None where no place was read twice."""
    twice = [line for line in lines if line.before and line.share > 0.0]
    if not twice:
        return None
    moves = [math.log(line.share / (line.before or 1.0)) for line in twice]
    sd = HAND_ERROR * math.sqrt(2.0)
    fallen = tuple(
        line for line, m in zip(twice, moves, strict=True) if m + TREND_SURE * sd < 0.0 and m < math.log(FALLEN)
    )
    # The middle one: a single plant that its neighbours shade is not the whole tank.
    wide = MEDIAN_ERROR if len(moves) > 2 else 1.0
    return Trend(fallen, median(moves), wide * sd / math.sqrt(len(moves)), len(moves))
