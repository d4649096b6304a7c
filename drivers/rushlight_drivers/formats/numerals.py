"""Numbers as devices write them: plain ASCII, whole, finite, and nothing else.

Owns the one rule by which text becomes a number in this package, and the words for what is wrong with what
is not one.  Never repairs: a number with something wrong about it is no number, because a wrong value does more
harm than a missing one.
"""

from __future__ import annotations

import math
import re
from collections.abc import Container
from dataclasses import dataclass

from rushlight_drivers.contract import Trouble

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_LONGEST = 64
BLANKS = " \t\r\n"
"""What may stand around a word.  To Python's `strip` and `split` some control bytes are blanks too; on a wire those are
digits that were hurt, and 1 7.02 is not 7.02."""
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


@dataclass(frozen=True, slots=True)
class Judged:
    """What a device's word for a value amounts to; `raw` is a number that was refused."""

    value: float | None = None
    trouble: Trouble = ""
    detail: str = ""
    raw: float | None = None


def judged(said: object, no_value: Container[str], sentinels: Container[float]) -> Judged:
    """Judge one word: `no_value` holds, in small letters, what the device writes when it has none."""
    if said is None or (isinstance(said, str) and said.strip(BLANKS).lower() in no_value):
        return Judged(None, "no_value", "the device says that it has none")
    value = as_number(said.strip(BLANKS) if isinstance(said, str) else said)
    if value is None:
        return Judged(None, "garbled", f"is no number: {str(said)[:40]!r}")
    if value in sentinels:
        return Judged(None, "sentinel", f"{value:g} is this device's word for a fault", value)
    return Judged(value)
