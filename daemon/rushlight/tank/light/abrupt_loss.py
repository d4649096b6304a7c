"""The sum that tells a large loss of the lamp, a step, within two days.

Owns what is added up for it: what each switching says (`light.lamp` scores it), and days on which the light stayed
beneath the lamp's own (`light.lamp_floor` finds them).  Owns the caution too: one odd switching, and all that one
shadow can touch, raises nothing by itself.

The sum is Page's test as a log-likelihood ratio (`science.cusum`).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from rushlight.science.inference import cusum

DECISION = 6.5
"""Sum at which a step is told.  Less is needed than for a slow loss: what healthy light now and then adds up to, half
of this, comes from single odd switchings, and those are bounded by the figures below (own choice, tried on simulated
rooms)."""
MOST_PER_EDGE, FEWEST = 3.9, 3
"""Two switchings, one odd day, raise nothing, but any third that does not speak against it does (own choice)."""
BENEATH = (2.0, 3.0)
"""What light beneath the lamp's own adds, on a first day and on any further one (own choice, tried on simulated
rooms)."""
SHADOW_S, APART_S = 8 * 3600.0, 18 * 3600.0
"""Within the first, a switching and light beneath the lamp's own may be one shadow's doing: together they count as one
switching does.  Two days' light beneath it are at least the second apart (own choice)."""
DENIED_MOST, DENIED_FOR_S = 3, 14 * 86_400.0
"""When the switchings have spoken against it so often within that time, light beneath the lamp's own is a habit of this
lamp (a dimmed noon) or of this place, and no longer counts (own choice)."""
CEILING = DECISION + 8.0  # own choice


@dataclass(slots=True)
class Abrupt:
    """The running sum and what it is made of."""

    sum: float = 0.0
    edges: int = 0
    """Switchings since the sum left zero."""
    edge_s: float | None = None
    edge_gave: float = 0.0
    """The last switching, and what it added."""
    days: int = 0
    """Days since then on which the light stayed beneath the lamp's own."""
    beneath_s: float | None = None
    beneath_gave: float = 0.0
    """When it last did, and what that added."""
    denied_s: list[float] = field(default_factory=list)
    """When the switchings last spoke against it."""

    def twice(self) -> bool:
        """Whether the light stayed beneath the lamp's own on two days, which needs no lamp-on and lamp-off to agree."""
        return self.days >= 2

    def decided(self) -> bool:
        """Whether it comes to a step: not on a switching that speaks against it, but for two days beneath the lamp."""
        unopposed = self.edge_gave > 0.0 or self.twice()
        return self.sum >= DECISION and self.edges >= FEWEST and unopposed


def take_switching(state: Abrupt, at_s: float, score: float) -> None:
    """One switching's log-likelihood ratio for the large loss."""
    shaded = state.beneath_s is not None and abs(at_s - state.beneath_s) < SHADOW_S
    score = min(score, MOST_PER_EDGE - (state.beneath_gave if shaded else 0.0))
    state.edge_s, state.edge_gave = at_s, max(0.0, score)
    state.sum = cusum.score_step(state.sum, score, CEILING)
    if state.sum > 0.0:
        state.edges = min(FEWEST, state.edges + 1)
        return
    if state.days:
        state.denied_s = [*state.denied_s[1 - DENIED_MOST :], at_s]
    state.edges = state.days = 0


def take_beneath(state: Abrupt, at_s: float) -> bool:
    """Light that stayed beneath the lamp's own at `at_s`; returns whether it counts."""
    if state.beneath_s is not None and abs(at_s - state.beneath_s) < APART_S:
        return False
    if len(state.denied_s) == DENIED_MOST and at_s - state.denied_s[0] < DENIED_FOR_S:
        return False
    shaded = state.edge_s is not None and abs(at_s - state.edge_s) < SHADOW_S
    most = MOST_PER_EDGE - (state.edge_gave if shaded else 0.0)
    state.beneath_s, state.beneath_gave = at_s, min(BENEATH[min(state.days, 1)], most)
    state.days += 1
    state.sum = cusum.score_step(state.sum, state.beneath_gave, CEILING)
    return True


def restart(state: Abrupt) -> None:
    """Nothing gathered; for a new anchor, or after a cleaning."""
    state.sum = state.edge_gave = state.beneath_gave = 0.0
    state.edges = state.days = 0
    state.edge_s = state.beneath_s = None
    state.denied_s = []
