"""One steady time line for everything that is stamped, on a board without a battery clock.

Owns the offset between monotonic and wall time and the decision when to believe the wall clock.  A sample is
stamped `monotonic + offset`; the offset follows small drift slowly, so stamps never run backwards, and a step of
the wall clock moves nothing until there is reason to believe it:

- not trusted yet, and the kernel now says 'synchronised' (or somebody set the date): everything stamped
  since boot was wrong by one known amount; the caller restamps it, once.
- trusted, and the clock steps: somebody or something set it.  The time line goes on as before; only a step
  that stays for ten minutes while the kernel still says 'synchronised' is taken over, from then on.
"""

from __future__ import annotations

from dataclasses import dataclass

SMALL_S = 2.0
"""Drift up to here is a time server slewing the clock; beyond it is a step."""
SLEW_PER_LOOK_S = 0.05
PATIENCE_S = 600.0
_AHEAD_OF_LAST_S = 1.0


@dataclass(frozen=True, slots=True)
class Restamp:
    """All untrusted stamps of this boot are off by `shift_s`; add it."""

    shift_s: float


@dataclass(frozen=True, slots=True)
class Stepped:
    """The wall clock moved by `by_s` against the monotonic one; `taken` says whether the time line follows."""

    by_s: float
    taken: bool


class TimeLine:
    """The offset, and what has been seen of the two clocks.

    `last_s` is the latest time already in the journal: time is never stamped before it.
    """

    def __init__(self, wall_s: float, mono_s: float, *, trusted: bool, last_s: float | None = None) -> None:
        start_s = wall_s if last_s is None or trusted else max(wall_s, last_s + _AHEAD_OF_LAST_S)
        self.offset_s = start_s - mono_s
        self.trusted = trusted
        self._stepped_at_mono_s: float | None = None
        self._last_wall_offset_s = wall_s - mono_s

    def at(self, mono_s: float) -> float:
        """Unix seconds for a monotonic time of this boot, to the millisecond as the journal keeps it."""
        return round(mono_s + self.offset_s, 3)

    def look(self, wall_s: float, mono_s: float, *, synchronised: bool) -> Restamp | Stepped | None:
        """Compare the clocks; to be called about once a second."""
        wall_offset_s = wall_s - mono_s
        drift_s = wall_offset_s - self.offset_s
        moved_s = wall_offset_s - self._last_wall_offset_s
        self._last_wall_offset_s = wall_offset_s
        if not self.trusted:
            return self._untrusted(drift_s, moved_s, synchronised=synchronised)
        if abs(drift_s) <= SMALL_S:
            self._stepped_at_mono_s = None
            self.offset_s += max(-SLEW_PER_LOOK_S, min(SLEW_PER_LOOK_S, drift_s))
            return None
        return self._trusted_step(drift_s, mono_s, synchronised=synchronised)

    def _untrusted(self, drift_s: float, moved_s: float, *, synchronised: bool) -> Restamp | None:
        set_by_hand = abs(moved_s) > SMALL_S
        if not (synchronised or set_by_hand):
            return None
        self.trusted = synchronised
        self.offset_s += drift_s
        return Restamp(drift_s) if drift_s else None

    def _trusted_step(self, drift_s: float, mono_s: float, *, synchronised: bool) -> Stepped | None:
        if self._stepped_at_mono_s is None:
            self._stepped_at_mono_s = mono_s
            return Stepped(drift_s, taken=False)
        if not synchronised:
            self._stepped_at_mono_s = mono_s  # patience starts over until the kernel vouches for the new time
            return None
        if mono_s - self._stepped_at_mono_s < PATIENCE_S:
            return None
        self._stepped_at_mono_s = None
        self.offset_s += drift_s
        return Stepped(drift_s, taken=True)
