"""Standard pH buffers by temperature: two systems, never mixed.

Owns the tables and the way from a bottle's label to the buffer's pH at the temperature it was used at.
Never judges an electrode; that is `electrode`.

The standard series is that of JIS Z 8802:2011 (oxalate, phthalate, phosphate, borate; 0.01 pH).  The technical
series (7.00 and 10.01 at 25 °C, phosphate and carbonate of other strengths) is that of transmitter manuals' buffer
tables.  6.86 and 7.00, or 9.18 and 10.01, are different liquids: taking one for the other puts 0.1 to 0.8 pH into
every later reading.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from types import MappingProxyType

TEMPERATURES_C = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0)

STANDARD: Mapping[str, tuple[float, ...]] = MappingProxyType(
    {
        "oxalate": (1.67, 1.67, 1.67, 1.67, 1.68, 1.68, 1.69, 1.69, 1.70),
        "phthalate": (4.01, 4.01, 4.00, 4.00, 4.00, 4.01, 4.01, 4.02, 4.03),
        "phosphate": (6.98, 6.95, 6.92, 6.90, 6.88, 6.86, 6.85, 6.84, 6.84),
        "borate": (9.46, 9.39, 9.33, 9.27, 9.22, 9.18, 9.14, 9.10, 9.07),
    }
)
"""pH at `TEMPERATURES_C`, JIS Z 8802:2011."""

TECHNICAL: Mapping[str, tuple[float, ...]] = MappingProxyType(
    {
        "technical 7": (7.12, 7.09, 7.06, 7.04, 7.02, 7.00, 6.99, 6.99, 6.98),
        "technical 10": (10.32, 10.25, 10.18, 10.12, 10.06, 10.01, 9.97, 9.93, 9.89),
    }
)
"""pH at `TEMPERATURES_C`, the 7.00 and 10.01 buffers of the technical series."""

_LABELS: Mapping[float, str] = MappingProxyType(
    {1.68: "oxalate", 4.0: "phthalate", 4.01: "phthalate", 6.86: "phosphate", 9.18: "borate"}
    | {7.0: "technical 7", 10.0: "technical 10", 10.01: "technical 10"}
)
"""What a bottle's label says, at 25 °C; 4.01 belongs to both systems."""


def named(label_ph: float) -> str | None:
    """The buffer whose label reads so at 25 °C; None for any other value."""
    return _LABELS.get(round(label_ph, 3))


def buffer_ph(name: str, temp_c: float) -> float:
    """The pH of a buffer at a temperature, interpolated within the table.

    Raises:
        ValueError: no such buffer, or a temperature outside 0–40 °C.
    """
    table = STANDARD.get(name) or TECHNICAL.get(name)
    if table is None:
        raise ValueError(f"{name}: no such buffer; there are {', '.join([*STANDARD, *TECHNICAL])}")
    if not TEMPERATURES_C[0] <= temp_c <= TEMPERATURES_C[-1]:
        raise ValueError(f"{temp_c:g} °C: the buffer tables run from 0 to 40 °C")
    i = min(bisect_right(TEMPERATURES_C, temp_c), len(TEMPERATURES_C) - 1)
    share = (temp_c - TEMPERATURES_C[i - 1]) / (TEMPERATURES_C[i] - TEMPERATURES_C[i - 1])
    return table[i - 1] + share * (table[i] - table[i - 1])


def true_ph(labels: Iterable[tuple[float, float]]) -> list[float]:
    """The pH of each (label, temperature in °C): a known label goes through its table, any other stands as given.

    Raises:
        ValueError: labels of both systems together, or a temperature outside the tables.
    """
    pairs = list(labels)
    names = [named(label) for label, _ in pairs]
    standard = sorted({label for (label, _), n in zip(pairs, names, strict=True) if n in ("phosphate", "borate")})
    technical = sorted({label for (label, _), n in zip(pairs, names, strict=True) if n in TECHNICAL})
    if standard and technical:
        raise ValueError(
            f"{standard[0]:g} and {technical[0]:g} belong to different buffer systems; "
            "look at the bottles again, or enter each buffer's pH at its temperature as the bottle states it"
        )
    return [
        label if name is None else buffer_ph(name, temp_c) for (label, temp_c), name in zip(pairs, names, strict=True)
    ]
