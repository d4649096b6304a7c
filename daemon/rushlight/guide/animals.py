"""Limits to begin with for the animals kept, by the temperature they are kept at.

All of it is common practice, no source: rough ranges for groups, never for a species.  What a keeper knows of the
animals at hand is right, and is typed as a range of their own.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from rushlight.localunits import METRIC, Units

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


def _span(low_c: float, high_c: float, units: Units) -> str:
    return f"{units.figure(low_c, '°C', '.0f')} to {units.say(high_c, '°C', '.0f')}"


def _example(units: Units) -> str:
    return "-".join(units.figure(c, "°C", ".0f") for c in (22.0, 26.0))


def explained(units: Units = METRIC) -> str:
    """The groups in words."""
    said = ", ".join(f"{k.word} {_span(k.low_c, k.high_c, units)}" for k in GROUPS.values())
    return f"Common practice, no source: {said}. What is known of your animals is better: give it as {_example(units)}."


def keeping(text: str, units: Units = METRIC) -> Keeping:
    """A group's word, or a range such as 22-26 in the site's degrees; ValueError says what is wanted."""
    if text.lower() in GROUPS:
        return GROUPS[text.lower()]
    match = re.fullmatch(r"(\d{1,3}(?:\.\d)?)-(\d{1,3}(?:\.\d)?)", text)
    low_c, high_c = (units.in_record(float(t), "temperature") for t in match.groups()) if match else (0.0, 0.0)
    if not 0 < low_c < high_c < 40:
        raise ValueError(f"{', '.join(GROUPS)}, or a range in {units.word('°C')} such as {_example(units)}")
    said = "Temperature as its keeper gave it; pH: common practice, no source"
    return Keeping(text, low_c, high_c, said)
