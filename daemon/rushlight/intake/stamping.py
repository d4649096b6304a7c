"""Samples in, readings out: the one place where a driver's words become the daemon's."""

from __future__ import annotations

from collections.abc import Callable

from rushlight.events import Quality, Reading
from rushlight_drivers import Sample

_FLAG_OF_TROUBLE: dict[str, Quality | None] = {
    "": None,  # nothing said: the core judges
    "no_value": 9,
    "saturated": 9,  # never dark, never a number
    "retained": 3,  # last known, not fresh
    "sentinel": 4,
    "checksum": 4,
    "garbled": 4,
}


def says_nothing(sample: Sample) -> bool:
    """Whether the device could not be read at all: that is no reading, so it falls silent like one that is gone."""
    return sample.trouble == "unreadable"


def reading(sample: Sample, at: Callable[[float], float], id_: str = "") -> Reading:
    """The event for a sample that says something; `at` turns its monotonic time into seconds since 1970."""
    return Reading(
        at_s=at(sample.mono_s),
        id=id_,
        probe=sample.channel,
        value=None if sample.trouble and sample.trouble != "retained" else sample.value,
        unit=sample.unit,
        quality=3 if sample.late and not sample.trouble else _FLAG_OF_TROUBLE[sample.trouble],
    )
