"""Which test next: what kind, on a sample thinned how far, by what it can be expected to tell.

Owns the expected information of a reading not made yet, and the sentence that says why.  The question is whether the
tank stands above its limit: information is that about yes or no, in bits (Shannon 1948, "A Mathematical Theory of
Communication", Bell Syst. Tech. J. 27:379-423; Lindley 1956, "On a Measure of the Information Provided by an
Experiment", Ann. Math. Statist. 27:986-1005), and as much again for the level about it, of which far less is needed.
Never decides when: that is `routine`.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from operator import mul
from typing import Literal

from rushlight.effects import Estimate
from rushlight.localunits import METRIC, Units
from rushlight.science.chemistry import solutions
from rushlight.science.inference.interval import seen_below, strip_span
from rushlight.settings import Kit, Tank
from rushlight.tank.kits.reading import READING_ERROR, READING_FLOOR
from rushlight.tank.kits.said import Said

Kind = Literal["strip", "picture", "thinned", "drops", "laboratory", "nothing yet"]
CUPS = ((3, 1), (2, 1), (1, 1), (1, 2), (1, 3))
"""Parts of tank water and of other water that a person can pour with two cups (own choice)."""
LEVEL_WEIGHT = 0.1
"""What a bit about the level is worth beside one about the limit (own choice)."""
STRIP_COST, SCARCE_COST, POURING_COST = 0.02, 0.08, 0.005
"""Bits that a strip must earn, one of the last few, and the trouble of thinning (chosen so that a strip less is used
where it tells next to nothing; no source)."""
LABORATORY_COST = 0.9
"""A laboratory's price and its wait, in bits (own choice)."""
WORTH_ASKING = 0.05
"""With fewer bits to be had from any test, nothing is to be found out yet (own choice)."""
FEW_STRIPS = 8.0
PICTURE_SD = {True: 0.13, False: 0.20}
"""A picture's error, with known solutions and by the chart alone (`tests/bench/bench_pictures.py`)."""
ENOUGH: dict[Kind, str] = {
    "strip": "A strip by eye is enough",
    "drops": "The drop test is enough",
    "laboratory": "A laboratory's or a shop's figure is enough",
}
_GRID, _MARKS = 60, 14


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """One test that could be made."""

    kind: Kind
    bits: float
    """About the limit and the level, weighed."""
    cost: float
    cups: tuple[int, int] | None = None
    border: float | None = None
    """Of a thinned strip: the tank's level at which two pads meet that lies nearest to the limit, mg/L."""
    sentence: str = ""

    @property
    def worth(self) -> float:
        """Bits less their cost."""
        return self.bits - self.cost


def options(
    tank: Tank,
    kits: Sequence[Kit],
    nitrate: Estimate,
    *,
    water: float = 0.0,
    strips_left: float | None = None,
    standards: bool = False,
    pictures: bool = False,
    left_open: bool = False,
) -> list[Option]:
    """Every test that could be made now, the best first; `water` is the nitrate of the water to thin with, mg/L.

    `pictures`: this keeper takes them; `standards`: of this kit in known solutions.  `left_open`: two strips have left
    it open which side of the limit it is, so that a third one, which errs as they did, tells nothing new.
    """
    belief = _belief(nitrate)
    limit = tank.limits.nitrate
    strip = next((k for k in kits if k.method == "strip" and k.pads.get("nitrate")), None)
    cost = SCARCE_COST if strips_left is not None and strips_left < FEW_STRIPS else STRIP_COST
    found: list[Option] = []
    if strip is not None and (strips_left is None or strips_left >= 1.0):
        pads = strip.pads["nitrate"]
        plain = _pads(strip, pads)
        if not left_open:
            found.append(Option(kind="strip", bits=_bits(belief, plain, limit), cost=cost))
        if pictures:
            bits = _bits(belief, _marks(belief, PICTURE_SD[standards], 0.5 * _first(pads)), limit)
            found.append(Option(kind="picture", bits=bits, cost=cost))
        for cups in CUPS:
            parts = sum(cups) / cups[0]
            bits = _bits(belief, plain, limit, parts, water)
            border = nearest_border(pads, limit, parts, water)
            found.append(Option(kind="thinned", bits=bits, cost=cost + POURING_COST, cups=cups, border=border))
    if any(k.method == "drops" for k in kits):
        bits = _bits(belief, _marks(belief, READING_ERROR["drops"], READING_FLOOR["drops"]), limit)
        found.append(Option(kind="drops", bits=bits, cost=STRIP_COST))
    laboratory = _bits(belief, _marks(belief, READING_ERROR["lab"], READING_FLOOR["lab"]), limit)
    found.append(Option(kind="laboratory", bits=laboratory, cost=LABORATORY_COST))
    return sorted(found, key=lambda o: -o.worth)


def choose(
    found: Sequence[Option], tank: Tank, water: float | None, units: Units = METRIC, *, above: bool = False
) -> Option:
    """The best test with its reason, or 'nothing yet' where none would tell anything.

    `above`: nitrate is believed to stand above its limit, and then whether it comes down is worth the usual test.
    """
    limit = tank.limits.nitrate
    line = units.say(limit, "mg/L", "g")
    clear = not found or max(o.bits for o in found) < WORTH_ASKING
    usual = next((o for o in found if o.kind in ENOUGH), None)
    if above and usual is not None and (clear or found[0].kind == "strip"):
        sure = "it is clear that nitrate stands" if clear else "nitrate is told"
        words = f"{sure} above {line} (as NO3), and the test shows whether it comes down"
        return replace(usual, sentence=f"{ENOUGH[usual.kind]}: {words}.")
    if clear:
        words = f"Nothing to test yet: it is clear on which side of {line} (as NO3) nitrate stands."
        return Option(kind="nothing yet", bits=0.0, cost=0.0, sentence=words)
    return replace(found[0], sentence=_sentence(found[0], limit, water, units))


def nearest_border(pads: Sequence[float], limit: float, parts: float, water: float) -> float:
    """The tank's level, mg/L, at which a thinned sample changes from one pad to the next, nearest to the limit."""
    ends = [strip_span(p, pads).high for p in pads]
    borders = [solutions.of_tank(end, parts, water) for end in ends if end is not None]
    return min(borders, key=lambda b: abs(math.log(max(b, 1e-3) / limit)))


def _sentence(best: Option, limit: float, water: float | None, units: Units) -> str:
    line = units.say(limit, "mg/L as NO3", "g")
    match best.kind:
        case "thinned":
            assert best.cups is not None
            tank_parts, other = best.cups
            of = f"holding {units.say(water, 'mg/L', 'g')} itself" if water else "free of nitrate"
            return (
                f"Thin the sample, {tank_parts} part{'s' if tank_parts > 1 else ''} of tank water and {other} of water "
                f"{of}: two pads then meet at {units.say(best.border or 0.0, 'mg/L as NO3', '.0f')} in the tank, "
                f"near the limit of {limit:g}."
            )
        case "picture":
            return f"Take a picture of the strip: it tells finer than its pads on which side of {line} it lies."
        case "drops":
            return f"Use the drop test: pads are too coarse to tell on which side of {line} nitrate stands."
        case "laboratory":
            return f"Have a sample measured by a laboratory or a shop: the kits here are too coarse about {line}."
        case _:
            return f"A strip by eye tells enough: it can show on which side of {line} nitrate stands."


def _belief(nitrate: Estimate) -> list[tuple[float, float]]:
    """Levels and their chances: a normal belief cut at 0, with the estimate's own spread."""
    sd = max((nitrate.high - nitrate.low) / (2.0 * 1.645), 0.02 * nitrate.mean, 0.2)
    low, high = max(0.0, nitrate.mean - 3.5 * sd), nitrate.mean + 3.5 * sd
    levels = [low + (high - low) * (i + 0.5) / _GRID for i in range(_GRID)]
    weights = [math.exp(-0.5 * ((c - nitrate.mean) / sd) ** 2) for c in levels]
    total = sum(weights)
    return [(c, w / total) for c, w in zip(levels, weights, strict=True)]


def _pads(kit: Kit, pads: Sequence[float]) -> list[Said]:
    """Every answer that a strip can give."""
    share = kit.error_percent / 100.0 if kit.error_percent else READING_ERROR["strip"]
    made = []
    for pad in pads:
        span = strip_span(pad, pads)
        said = Said(
            substance="nitrate", by="pads", low=span.low, high=span.high, share=share, floor=READING_FLOOR["strip"]
        )
        made.append(said)
    return made


def _marks(belief: Sequence[tuple[float, float]], share: float, floor: float) -> list[Said]:
    """A number's answers, gathered into stretches finer than its error."""
    low, high = belief[0][0], belief[-1][0]
    edges = [low + (high - low) * i / _MARKS for i in range(1, _MARKS)]
    ends = [0.0, *edges, None]
    spans = pairwise(ends)
    return [Said(substance="nitrate", by="number", low=a or 0.0, high=b, share=share, floor=floor) for a, b in spans]


def _first(pads: Sequence[float]) -> float:
    return min((p for p in pads if p > 0.0), default=1.0)


def _bits(
    belief: Sequence[tuple[float, float]], answers: Sequence[Said], limit: float, parts: float = 1.0, water: float = 0.0
) -> float:
    """Expected information of a reading: about above or below the limit, and a little about the level.

    0 where no answer, however fine, could tell enough to be worth asking.  `parts` and `water` are how far the sample
    is thinned, and what it is thinned with, mg/L.
    """
    above = sum(w for c, w in belief if c > limit)
    unsure = _entropy(above)
    if unsure * (1.0 + LEVEL_WEIGHT * math.log2(len(belief))) < WORTH_ASKING:
        return 0.0
    question = level = 0.0
    levels, weights = [c for c, _ in belief], [w for _, w in belief]
    first_over = bisect_right(levels, limit)
    table = _table(levels, answers, parts, water)
    sums = [sum(column) for column in zip(*table, strict=True)]
    for row in table:
        given = [p / s if s > 0.0 else 0.0 for p, s in zip(row, sums, strict=True)]
        joint = list(map(mul, weights, given))
        chance = sum(joint)
        if chance <= 0.0:
            continue
        over = sum(joint[first_over:])
        for part, prior in ((over, above), (chance - over, 1.0 - above)):
            if part > 1e-12 and prior > 0.0:
                question += part * math.log2(part / (chance * prior))
        level += sum(j * math.log2(g / chance) for j, g in zip(joint, given, strict=True) if j > 1e-12)
    return question + LEVEL_WEIGHT * unsure * level


def _table(levels: Sequence[float], answers: Sequence[Said], parts: float, water: float) -> list[list[float]]:
    """P(answer | level): the answers are spans of one reading, and where two of them meet is worked out once."""
    borders = dict.fromkeys(b for a in answers for b in (a.low, a.high))
    eyes = replace(answers[0], dilution=parts, source=water).eyes(levels)
    below = {b: seen_below(b, eyes) for b in borders}
    return [[max(0.0, u - o) for u, o in zip(below[a.high], below[a.low], strict=True)] for a in answers]


def _entropy(chance: float) -> float:
    """Bits that a yes or no is unsure by: the level matters only where the limit is in question."""
    return 0.0 if not 0.0 < chance < 1.0 else -chance * math.log2(chance) - (1 - chance) * math.log2(1 - chance)
