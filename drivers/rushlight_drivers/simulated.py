"""A probe that exists in arithmetic alone, for trying the program out without hardware.

Owns invented values that look like a well-kept tank: every value is a pure function of the options and the
seconds, so the same seed tells the same story each time.  Never reads a clock; the caller says by `offset_s` what
time of day the monotonic clock stands for.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar

from annotated_types import Ge, Le

from rushlight_drivers.contract import Channel, DriverSpec, Monotonic, Sample
from rushlight_drivers.links.session import Session

DAY_S = 86400.0
_MASK = (1 << 64) - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """One invented probe.  What is left out takes the quantity's own value."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    seed: Annotated[int, Ge(0)] = 1
    """Another seed, another story."""
    offset_s: float = 0.0
    """Added to the monotonic seconds to give seconds since 1970 UTC, from which the time of day follows."""
    zone_s: Annotated[float, Ge(-50400), Le(50400)] = 0.0
    """Local time minus UTC, in seconds."""
    base: float | None = None
    """The middle value; for light the lamp's own, in the probe's unit."""
    swing: float | None = None
    """Half of the daily rise and fall; for light the brightest daylight."""
    noise: float | None = None
    """Standard deviation of the scatter; for light as a fraction of the value."""
    on_hour: Annotated[float, Ge(0), Le(24)] = 8.0
    """Local hour at which the lamp comes on."""
    off_hour: Annotated[float, Ge(0), Le(24)] = 18.0
    """Local hour at which it goes off; before `on_hour` it runs past midnight."""
    fade_percent_per_day: Annotated[float, Ge(0), Le(50)] = 0.0
    """How fast the lamp loses output from `fade_from_s` on."""
    fade_from_s: float = 0.0
    """Seconds since 1970 UTC."""


_BASE_SWING_NOISE = {
    "temperature": (24.2, 0.25, 0.03),
    "air_temperature": (20.5, 1.5, 0.05),
    "ph": (7.1, 0.12, 0.008),
    "nitrate": (18.0, 0.3, 0.2),
    "light": (6200.0, 900.0, 0.01),
    "conductivity": (420.0, 2.0, 0.5),
    "level": (100.0, 0.2, 0.05),
    "humidity": (52.0, 6.0, 0.3),
}
"""Invented: a tank in which nothing is wrong.  °C, pH, mg/L, lx, µS/cm, % and %."""
_DECIMALS = {"temperature": 3, "air_temperature": 2, "ph": 3, "nitrate": 2, "light": 1}


def value_at(options: Options, quantity: str, unix_s: float) -> float:
    """What the invented probe shows at `unix_s`, in the quantity's own unit.  Pure."""
    base, swing, noise = (
        given if given is not None else default
        for given, default in zip(
            (options.base, options.swing, options.noise),
            _BASE_SWING_NOISE.get(quantity, (1.0, 0.0, 0.0)),
            strict=True,
        )
    )
    hour = (unix_s + options.zone_s) % DAY_S / 3600.0
    scatter = noise * _normal(options.seed, quantity, math.floor(unix_s))
    if quantity == "light":
        clouds = 0.65 + 0.35 * math.tanh(_slow(options.seed, unix_s))
        value = max(0.0, (_lamp(options, base, hour, unix_s) + swing * _sun(hour) * clouds) * (1.0 + scatter))
    else:
        # Warmest, and with pH highest, in the afternoon: the lamp has been on and the plants have used up CO2.
        value = base + swing * math.sin((hour - 10.0) / 24.0 * math.tau) + scatter
    return round(value, _DECIMALS.get(quantity, 2))


def _lamp(options: Options, full: float, hour: float, unix_s: float) -> float:
    on, off = options.on_hour, options.off_hour
    lit = on <= hour < off if on <= off else hour >= on or hour < off
    days = max(0.0, unix_s - options.fade_from_s) / DAY_S if options.fade_percent_per_day else 0.0
    return full * math.exp(-options.fade_percent_per_day / 100.0 * days) if lit else 0.0


def _sun(hour: float) -> float:
    """Daylight through a north window, 0 to 1: an equinox day, near enough."""
    return max(0.0, math.sin((hour - 6.0) / 12.0 * math.pi))


def _slow(seed: int, unix_s: float) -> float:
    """A smooth wander with knots every forty minutes."""
    knot, part = divmod(unix_s / 2400.0, 1.0)
    a, b = (_normal(seed, "clouds", int(knot) + i) for i in (0, 1))
    smooth = part * part * (3.0 - 2.0 * part)
    return a + (b - a) * smooth


def _normal(seed: int, what: str, n: int) -> float:
    """A number that looks drawn from the standard normal distribution, the same for the same arguments.

    The sum of twelve uniform numbers less six has mean 0 and variance 1.
    """
    state = (seed * 0x9E3779B97F4A7C15 + n) & _MASK
    for byte in what.encode():
        state = _mix(state ^ byte)
    total = -6.0
    for _ in range(12):
        state = (state + 0x9E3779B97F4A7C15) & _MASK
        total += _mix(state) / 2.0**64
    return total


def _mix(z: int) -> int:
    """The finishing steps of SplitMix64 (Steele, Lea and Flood 2014): spreads every bit over all."""
    z = ((z ^ z >> 30) * 0xBF58476D1CE4E5B9) & _MASK
    z = ((z ^ z >> 27) * 0x94D049BB133111EB) & _MASK
    return z ^ z >> 31


class SimulatedDriver(Session):
    """Invented probes; see `contract` for what each method promises."""

    def __init__(self, channels: Sequence[Channel], monotonic: Monotonic) -> None:
        super().__init__(channels, monotonic)

    def _pass(self, deadline_s: float) -> Sequence[Sample]:  # noqa: ARG002 - arithmetic takes no time
        now_s = self._monotonic()
        return [
            Sample(c.name, now_s, value_at(c.options, c.quantity, now_s + c.options.offset_s)) for c in self._channels
        ]


SPEC = DriverSpec(
    options=Options,
    link_of=lambda _: "simulated",
    build=SimulatedDriver,
    maturity="proven",
    quantities=frozenset(_BASE_SWING_NOISE),
)
