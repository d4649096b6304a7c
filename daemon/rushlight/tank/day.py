"""One closed local day of light: what the light watch hands to the nitrate watch.  Pure data."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class DayLight:
    """Light at the plants during one local day; None is 'not known'.

    Doses are mol m⁻² of photosynthetic photons; `coverage` is the share of the day that was measured, 0 to 1;
    `lamp_percent` is the lamp's output against its anchor, 100 when it is as it was.
    """

    date: str
    """Local date, ISO 8601."""
    dose_mol: float | None = None
    coverage: float | None = None
    lamp_dose_mol: float | None = None
    daylight_dose_mol: float | None = None
    lamp_percent: float | None = None
    dirty: bool = False
    """The probe is known to be dirty or shaded: it says less than the plants get."""
