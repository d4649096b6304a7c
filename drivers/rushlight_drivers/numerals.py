"""Numbers as devices write them: plain ASCII, whole, finite, and nothing else.

Owns the one rule by which text becomes a number in this package.  Never repairs: a number with something
wrong about it is no number, because a wrong value does more harm than a missing one.
"""

from __future__ import annotations

import math
import re

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_LONGEST = 64
_POWER_ON_C, _DISCONNECTED_C = 85.0, -127.0


def number(text: str) -> float | None:
    """The finite number that `text` is, or None.

    Python's own `float` would also take `nan`, `inf`, `1_0` and the digits of other scripts; and `7.`, which
    is what a line looks like that lost its end.
    """
    if len(text) > _LONGEST or not _NUMBER.fullmatch(text):
        return None
    value = float(text)
    return value if math.isfinite(value) else None


def as_number(said: object) -> float | None:
    """A JSON number or strict text as a finite float, else None; booleans are no numbers."""
    if isinstance(said, str):
        return number(said)
    if isinstance(said, bool) or not isinstance(said, int | float):
        return None
    return number(repr(said))


def sentinels_of(given: tuple[float, ...] | None, quantity: str) -> tuple[float, ...]:
    """The fault values to look for: those given, or for temperature the two that 1-Wire boards are known for."""
    if given is not None:
        return given
    return (_DISCONNECTED_C, _POWER_ON_C) if quantity in {"temperature", "air_temperature"} else ()
