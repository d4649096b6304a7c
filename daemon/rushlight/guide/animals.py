"""Limits to begin with for the animals kept, by the temperature they are kept at.

All of it is common practice, no source: rough ranges for groups, never for a species.  What a keeper knows of the
animals at hand is right, and is typed as a range of their own.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

PH = (6.2, 8.2)
"""For every group; what water an animal needs depends on more than its group."""


@dataclass(frozen=True, slots=True)
class Keeping:
    """How a tank's animals are kept: `word` as it was typed, temperature in °C, `said` for the comment above it."""

    word: str
    low_c: float
    high_c: float
    said: str

    @property
    def limits(self) -> Mapping[str, Mapping[str, float]]:
        """For `[tank.limits]`."""
        return {
            "temperature": {"low": self.low_c, "high": self.high_c},
            "ph": {"low": PH[0], "high": PH[1]},
        }


GROUPS: Mapping[str, Keeping] = {
    k.word: k
    for k in (
        Keeping("unheated", 16.0, 24.0, "Limits for animals of unheated rooms (common practice, no source)"),
        Keeping("mixed", 21.0, 28.0, "Limits for a mixed, heated tank (common practice, no source)"),
        Keeping("warm", 24.0, 30.0, "Limits for animals that need it warm (common practice, no source)"),
    )
}
USUAL = GROUPS["mixed"]


def explained() -> str:
    """The groups in words."""
    said = ", ".join(f"{k.word} {k.low_c:g} to {k.high_c:g} °C" for k in GROUPS.values())
    return f"Common practice, no source: {said}. What is known of your animals is better: give it as 22-26."


def keeping(text: str) -> Keeping:
    """A group's word, or a range in °C such as 22-26; ValueError says what is wanted."""
    if text.lower() in GROUPS:
        return GROUPS[text.lower()]
    match = re.fullmatch(r"(\d{1,2}(?:\.\d)?)-(\d{1,2}(?:\.\d)?)", text)
    if match is None or not 0 < float(match[1]) < float(match[2]) < 40:
        raise ValueError(f"{', '.join(GROUPS)}, or a range in °C such as 22-26")
    said = "Temperature as its keeper gave it; pH: common practice, no source"
    return Keeping(text, float(match[1]), float(match[2]), said)
