"""Flags for readings: gross range, step, flat line and gap, with the flags of the QARTOD manuals.

Owns the rules of every quantity in one table, and the judgement of one value against what came before it.
Never replaces a value and never latches: a step that three consecutive samples confirm is taken for real.

Source of the tests and of the flag numbers: US IOOS, Manuals for Real-Time Quality Control (QARTOD), tests 1 gap,
3 gross range, 5 climatology, 6 spike, 7 rate of change, 8 flat line.  Those manuals judge a spike by the sample
after it; a daemon cannot wait, so a jump is flagged at once and believed when confirmed.  The numbers in the table
are ours: common practice, no source, unless a reason says otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

from rushlight.localtime import HOUR_S
from rushlight.science.measuring.units import Unit
from rushlight.settings import Band

GOOD: Final = 1
UNEVALUATED: Final = 2
SUSPECT: Final = 3
BAD: Final = 4
MISSING: Final = 9

CONFIRMATIONS = 3
"""Consecutive samples that make a step real (own choice)."""
FLAT_SAMPLES = 12
"""A flat line needs at least so many samples, however long it lasts (own choice)."""
OWN_FLAT, OWN_FLAT_LEAST_S, LEARN_FLAT_S = 5.0, 72 * 3600.0, 14 * 86_400.0
"""A coarse reading is stuck, too, when it has rested five times as long as it ever did before, and three days at
least; how long it rests is known after two weeks (own choice)."""
FORGET_S = 3 * 3600.0
"""After a gap this long the next sample is judged like a first one (own choice)."""
NEVER_S = 1e12
"""Stands for 'never' where a number must survive JSON."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """What a quantity's readings must obey, in its canonical unit."""

    low: float
    high: float
    step: float | None = None
    """Largest difference between neighbouring samples, before `rate_per_s` adds its part; None: no such test."""
    rate_per_s: float = 0.0
    flat_s: float = NEVER_S
    """Time without the slightest change after which a finely resolved reading is stuck."""
    coarse_flat_s: float = NEVER_S
    """The same for a reading whose finest step is `fine_below` or more."""
    fine_below: float = 0.0
    own_below: float = 0.0
    """Below this finest step, how long a reading rested in its own past is a measure, too."""
    flat_above: float = -NEVER_S
    """No flat-line test at or below this value: a dark room is dark all night."""
    forget_s: float = FORGET_S
    why: str = ""


RULES: Mapping[tuple[str, str], Rules] = MappingProxyType(
    {
        ("temperature", "°C"): Rules(
            low=0.5,
            high=45.0,
            step=2.0,
            rate_per_s=6.0 / HOUR_S,
            flat_s=48 * HOUR_S,
            fine_below=0.03,
            own_below=0.15,
            why="0 °C is what a shorted 1-wire line reads with a valid check sum, and no fish lives in it; "
            "a heater of 2 W a litre warms water by 1.7 °C an hour (specific heat), so 6 is generous; "
            "sensors with steps of 0.03 °C or more may rest for days in a heated tank: up to steps of 0.1 °C their own "
            "past is the measure, and coarser ones have no flat-line test",
        ),
        ("air_temperature", "°C"): Rules(low=-40.0, high=60.0, step=8.0, rate_per_s=20.0 / HOUR_S, why="a door opens"),
        ("ph", "pH"): Rules(
            low=3.0,
            high=11.0,
            step=0.35,
            rate_per_s=2.0 / HOUR_S,
            flat_s=12 * HOUR_S,
            coarse_flat_s=36 * HOUR_S,
            fine_below=0.05,
            why="fresh waters with fish lie within 4 to 10, as do calibration buffers; a glass electrode is never "
            "quite still, so twelve hours on one number at full resolution means a frozen board or a broken cable",
        ),
        ("nitrate", "mg/L"): Rules(
            low=0.0,
            high=1000.0,
            step=20.0,
            rate_per_s=20.0 / HOUR_S,
            flat_s=12 * HOUR_S,
            coarse_flat_s=36 * HOUR_S,
            fine_below=0.5,
            why="an ion-selective membrane drifts by the hour; strips end at 250 mg/L",
        ),
        ("light", "lx"): Rules(
            low=0.0,
            high=200_000.0,
            flat_s=36 * HOUR_S,
            coarse_flat_s=36 * HOUR_S,
            flat_above=0.0,
            why="full sun is about 120 000 lx; lamps and clouds step, so no step test; flat at night is normal",
        ),
        ("light", "µmol/m²/s"): Rules(
            low=0.0,
            high=3000.0,
            flat_s=36 * HOUR_S,
            coarse_flat_s=36 * HOUR_S,
            flat_above=0.0,
            why="full sun is about 2000 µmol m⁻² s⁻¹ (ASTM G173: 1978); otherwise as in lux",
        ),
        ("conductivity", "µS/cm"): Rules(
            low=0.0,
            high=20_000.0,
            step=150.0,
            rate_per_s=300.0 / HOUR_S,
            flat_s=48 * HOUR_S,
            fine_below=1.0,
            why="sea water is 50 000, fresh water seldom above 2000",
        ),
        ("level", "cm"): Rules(low=-50.0, high=500.0, step=10.0, rate_per_s=60.0 / HOUR_S, why="a water change"),
        ("level", "%"): Rules(low=0.0, high=100.0, step=20.0, rate_per_s=120.0 / HOUR_S, why="a share"),
        ("humidity", "%"): Rules(
            low=0.0, high=105.0, step=25.0, rate_per_s=100.0 / HOUR_S, why="sensors overshoot 100"
        ),
    }
)
"""(quantity, canonical unit) -> rules.  Millivolts are judged after they have become pH or mg/L."""


def rules_for(quantity: str, standard: str, band: Band, unit: Unit, every_s: float) -> Rules:
    """The rules of one probe: the table's, with the range that the keeper declared in the probe's own unit.

    Raises:
        ValueError: there are no rules for this quantity in this unit.
    """
    rules = RULES.get((quantity, standard))
    if rules is None:
        raise ValueError(f"{quantity} in {standard}: no such readings are known")
    low = rules.low if band.low is None else unit.of(band.low)
    high = rules.high if band.high is None else unit.of(band.high)
    return replace(rules, low=low, high=high, forget_s=max(FORGET_S, 4 * every_s))


@dataclass(slots=True)
class Memory:
    """What the judgement remembers of one probe; `why` is the last test failed: range, jump or flat."""

    value: float | None = None
    at_s: float = 0.0
    seen_s: float = 0.0
    raw: float | None = None
    same: int = 0
    flat_at_s: float = NEVER_S
    flat_from_s: float = 0.0
    finest: float = NEVER_S
    first_s: float | None = None
    longest_s: float = 0.0
    """How long the reading ever rested before it moved, since `first_s`."""
    candidate: float = 0.0
    agreeing: int = 0
    why: str = ""

    def afresh(self) -> Memory:
        """Nothing to compare the next sample with; what kind of device it is stays known."""
        return Memory(finest=self.finest, first_s=self.first_s, longest_s=self.longest_s)


def judge(rules: Rules, memory: Memory, at_s: float, raw: float, value: float) -> int:
    """Flag one sample, given in order of time, and remember it.

    `raw` is what the device gave, at its full resolution; `value` what it means in the canonical unit.
    Returns GOOD, SUSPECT or BAD.  Cost: under a microsecond for a good sample.
    """
    if not rules.low <= value <= rules.high:
        memory.why = "range"
        return BAD
    before = memory.value
    gap_s = at_s - memory.seen_s
    memory.seen_s = at_s
    if before is None or gap_s > rules.forget_s:
        return _first(rules, memory, at_s, raw, value)
    if raw == memory.raw:
        memory.same += 1
        if at_s >= memory.flat_at_s and memory.same >= FLAT_SAMPLES and value > rules.flat_above:
            memory.why = "flat"
            return BAD
    else:
        _moved(rules, memory, at_s, raw, abs(value - before))
    if rules.step is not None:
        if abs(value - before) > rules.step + rules.rate_per_s * (at_s - memory.at_s):
            return _jumped(rules.step, memory, at_s, value)
        memory.agreeing = 0
    memory.value, memory.at_s = value, at_s
    return GOOD


def _first(rules: Rules, memory: Memory, at_s: float, raw: float, value: float) -> int:
    """A first sample, or the first after a gap: nothing to compare it with."""
    memory.first_s = at_s if memory.first_s is None else min(memory.first_s, at_s)
    memory.value, memory.at_s, memory.agreeing = value, at_s, 0
    memory.raw, memory.same, memory.flat_from_s = raw, 1, at_s
    memory.flat_at_s = at_s + _patience_s(rules, memory, at_s)
    return GOOD


def _patience_s(rules: Rules, memory: Memory, at_s: float) -> float:
    """How long a reading may now rest before it is called stuck."""
    if memory.finest < rules.fine_below:
        return rules.flat_s
    learned = memory.first_s is not None and at_s - memory.first_s >= LEARN_FLAT_S
    if learned and memory.longest_s and memory.finest < rules.own_below:
        return min(rules.coarse_flat_s, max(OWN_FLAT_LEAST_S, OWN_FLAT * memory.longest_s))
    return rules.coarse_flat_s


def _moved(rules: Rules, memory: Memory, at_s: float, raw: float, change: float) -> None:
    """The reading is not the one before: the flat line begins anew, and the finest step seen may be finer."""
    if 0.0 < change < memory.finest:
        memory.finest = change
    memory.longest_s = max(memory.longest_s, at_s - memory.flat_from_s)
    memory.raw, memory.same, memory.flat_from_s = raw, 1, at_s
    memory.flat_at_s = at_s + _patience_s(rules, memory, at_s)


def _jumped(step: float, memory: Memory, at_s: float, value: float) -> int:
    """Too far from the sample before: suspect, until the third in a row says the same."""
    if memory.agreeing and abs(value - memory.candidate) <= step:
        memory.agreeing += 1
    else:
        memory.agreeing = 1
    memory.candidate = value
    if memory.agreeing < CONFIRMATIONS:
        memory.why = "jump"
        return SUSPECT
    memory.value, memory.at_s, memory.agreeing = value, at_s, 0
    return GOOD
