"""pH and nitrate electrodes: Nernst's slope, calibration with verdicts, and what else a nitrate electrode sees.

Owns the way between millivolts and pH or concentration.  Never remembers anything; `tank.probes.watch` does.

An electrode is described by two numbers: its potential at the zero point (pH 7, or 1 mg/L) and its efficiency, the
slope as a share of Nernst's at the same temperature, so that one calibration serves at every temperature.  The
isopotential point is taken to be the zero point (common practice; a maker's leaflet may say otherwise).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rushlight.science.chemistry.buffers import true_ph

GAS_CONSTANT = 8.31446261815324
"""J mol⁻¹ K⁻¹, CODATA 2018, exact."""
FARADAY = 96485.33212331002
"""C mol⁻¹, CODATA 2018, exact (elementary charge times Avogadro's number)."""
SLOPE_PER_K = 1000.0 * math.log(10.0) * GAS_CONSTANT / FARADAY
"""mV per decade and kelvin."""
KELVIN = 273.15

REFUSE_BELOW, REFUSE_ABOVE = 85.0, 105.0
"""% of Nernst's slope: outside, a pH calibration is refused (limits of laboratory pH meter manuals)."""
WARN_BELOW = 92.0
"""% of the slope, below which the glass is worn (common practice, no source)."""
WARN_OFFSET_MV = 30.0
"""Beyond this at pH 7 the glass is coated or the reference contaminated (electrode leaflets)."""
NITRATE_WARN_BELOW = 89.0
"""% of Nernst's slope: environmental sonde manuals give 53–58 mV per decade at 25 °C as usual, 53 being 89.6 %."""

CL_MG_PER_MMOL, NO3_MG_PER_MMOL = 35.45, 62.004

Electrode = Literal["ph", "nitrate"]


def nernst_slope(temp_c: float) -> float:
    """Nernst's slope ln(10)·R·T/F for a single charge, mV per decade.

    Source: Nernst equation with CODATA 2018 constants.
    """
    return SLOPE_PER_K * (temp_c + KELVIN)


@dataclass(frozen=True, slots=True)
class Standard:
    """One standard solution: pH or mg/L as NO3, the electrode's mV in it, and its temperature in °C."""

    value: float
    millivolt: float
    temp_c: float


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a calibration came to.  `accepted` False leaves the one before in force; `words` says why."""

    accepted: bool
    words: str
    zero_mv: float = 0.0
    """Potential at pH 7, or at 1 mg/L as NO3."""
    efficiency: float = 1.0
    """Slope as a share of Nernst's."""
    slope_mv: float | None = None
    """mV per decade at 25 °C; None where one standard cannot tell."""
    warning: bool = False


def _scale(kind: Electrode, value: float) -> float:
    """Decades from the zero point: pH 7 counts down, nitrate 1 mg/L counts up; both lower the potential."""
    return value - 7.0 if kind == "ph" else math.log10(value)


def calibrate(kind: Electrode, standards: Sequence[Standard], efficiency_before: float | None = None) -> Verdict:
    """Zero point and efficiency from one or more standards, by least squares, with a verdict.

    One standard moves the zero point alone and keeps `efficiency_before` (Nernst's slope if there is none).

    Raises:
        ValueError: no standard, a nitrate standard that is not positive, buffers of two systems, or two
            standards too close together to give a slope.
    """
    if not standards:
        raise ValueError("a calibration needs at least one standard")
    if kind == "nitrate" and any(s.value <= 0 for s in standards):
        raise ValueError("a nitrate standard must be above 0 mg/L")
    values = [s.value for s in standards]
    if kind == "ph":
        values = true_ph((s.value, s.temp_c) for s in standards)
    xs = [nernst_slope(s.temp_c) * _scale(kind, v) for s, v in zip(standards, values, strict=True)]
    ys = [s.millivolt for s in standards]
    if len(standards) == 1:
        efficiency = 1.0 if efficiency_before is None else efficiency_before
        return _judge(kind, ys[0] + efficiency * xs[0], efficiency, slope_known=False)
    mean_x, mean_y = math.fsum(xs) / len(xs), math.fsum(ys) / len(ys)
    spread = math.fsum((x - mean_x) ** 2 for x in xs)
    if spread < 30.0**2 / 2:
        raise ValueError("the standards are too alike to give a slope; use two that are at least half a decade apart")
    slope = math.fsum((x - mean_x) * (y - mean_y) for x, y in zip(xs, ys, strict=True)) / spread
    worst = max(abs(y - mean_y - slope * (x - mean_x)) for x, y in zip(xs, ys, strict=True))
    return _judge(kind, mean_y - slope * mean_x, -slope, slope_known=True, misfit_mv=worst)


def _judge(kind: Electrode, zero_mv: float, efficiency: float, *, slope_known: bool, misfit_mv: float = 0.0) -> Verdict:
    percent = 100.0 * efficiency
    slope_mv = efficiency * nernst_slope(25.0)
    told = f"slope {percent:.1f} % of the ideal ({slope_mv:.1f} mV per decade at 25 °C)"
    warnings: list[str] = []
    if not slope_known:
        told = "one standard: the zero point is moved, the slope is not checked"
    elif efficiency <= 0:
        return Verdict(False, "refused: the potential rises where it should fall; the standards are swapped")
    elif not REFUSE_BELOW <= percent <= REFUSE_ABOVE:
        bounds = f"{REFUSE_BELOW:g}–{REFUSE_ABOVE:g} %"
        words = f"refused: {told}, outside {bounds}; clean the electrode and check the standards"
        return Verdict(False, words, zero_mv, efficiency, slope_mv)
    elif percent < (WARN_BELOW if kind == "ph" else NITRATE_WARN_BELOW):
        warnings.append("the slope is weak, the electrode is ageing")
    if kind == "ph":
        told += f", {round(zero_mv, 1) + 0.0:g} mV at pH 7"
        if abs(zero_mv) > WARN_OFFSET_MV:
            warnings.append(f"the offset is beyond {WARN_OFFSET_MV:g} mV, the glass is coated or the reference fouled")
    if misfit_mv > 6.0:
        warnings.append(f"one standard lies {misfit_mv:.0f} mV off the line through the others")
    return Verdict(
        True,
        "; ".join([told, *warnings]),
        zero_mv,
        efficiency,
        slope_mv if slope_known else None,
        warning=bool(warnings),
    )


def ph_of(millivolt: float, temp_c: float, zero_mv: float = 0.0, efficiency: float = 1.0) -> float:
    """The pH from an electrode's potential in mV."""
    return 7.0 - (millivolt - zero_mv) / (efficiency * nernst_slope(temp_c))


def nitrate_of(millivolt: float, temp_c: float, zero_mv: float, efficiency: float = 1.0) -> float:
    """Nitrate in mg/L as NO3 from an electrode's potential in mV; `zero_mv` is the potential at 1 mg/L."""
    return float(10.0 ** ((zero_mv - millivolt) / (efficiency * nernst_slope(temp_c))))


def nikolsky_mv(
    zero_mv: float, slope_mv: float, activity: float, interferents: Sequence[tuple[float, float]] = ()
) -> float:
    """Potential of an anion electrode among other single-charged anions, mV.

    `activity` of the measured ion and each interferent's (activity, selectivity coefficient), mol/L.
    Source: Nikolsky–Eisenman equation, IUPAC, Pure Appl. Chem. 92 (2020) 641.
    """
    return zero_mv - slope_mv * math.log10(activity + math.fsum(k * a for a, k in interferents))


def apparent_nitrate(chloride_mg_l: float, selectivity: float) -> float:
    """Nitrate, mg/L as NO3, that a nitrate electrode reads for chloride alone; activities taken as concentrations.

    Source: Nikolsky–Eisenman equation.  The selectivity coefficient is on the electrode's leaflet; 0.003–0.01 is
    from memory and unverified.
    """
    return selectivity * chloride_mg_l / CL_MG_PER_MMOL * NO3_MG_PER_MMOL


def drift_error(drift_mv: float, temp_c: float = 25.0) -> float:
    """Relative error of a concentration that a drift in mV makes: 4 % a millivolt.

    Source: Nernst equation.
    """
    return float(10.0 ** (drift_mv / nernst_slope(temp_c)) - 1.0)
