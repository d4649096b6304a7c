"""What is known of a tank's nitrate at one moment, and whether that asks for a warning of what is to come.

Owns the thresholds of `nitrate_rising`.  Works out no chance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rushlight.alarms.finding import Says
from rushlight.effects import Estimate
from rushlight.localtime import DAY_S
from rushlight.views import Share

RISING_LATER = (42.0, 0.20)
"""`nitrate_rising` is raised when the chance of being above the limit grows by so much within so many days.  That the
level may be above already counts for nothing here, as `nitrate_high` speaks of that: strips with pads on both sides of
the limit leave it open for years.  Chosen on simulated tanks for one false warning in ten tank-years
(tests/bench/bench_odds.py, tuning seeds of `fade` and `mixed`)."""
RISING_UNSETTLED = 0.5
"""And only where it is likelier than not that the tank is settled no more, or as good as sure (`BEHIND_SURE`) that its
plants do not keep up.  In a settled tank a chance grows by doubt alone, near a limit and weeks after a test: without
this, 20 false warnings in 107 steady tank-years of `mixed`, with it 6 (chosen as above)."""
BEHIND_SURE = 0.90
"""Chance that plants do not keep up from which on that is taken for sure (own choice)."""
RISING_LEAST, RISING_CLEAR = 0.30, 0.25
"""Chance of passing it within four weeks below which that alarm is not raised, as it speaks of four weeks, and at which
it clears (own choice): a quarter may linger for weeks after a large change of water, and is no news."""
RISING_TOO_LATE = 0.65
"""Chance of being above the limit already from which on there is nothing left to warn of; `nitrate_high` says it (own
choice)."""
RENEWED = 0.3
"""After so large a share of the water was changed the next test tells how it stands; until then a chance that was small
enough before the change, and has grown since by days and doubt, warns of nothing (own choice)."""
SILENT_DAYS = 42.0
"""After so long without a test a chance has risen by the silence itself; that asks for a test, it warns of nothing (own
choice)."""
LEAST_TESTS = 3
"""No forecast alarm on fewer tests: two strips make no trend (own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NitrateReport:
    """What is known at one moment; None is 'not known'.  Levels mg/L as NO3, rates mg/L per day."""

    at_s: float
    nitrate: Estimate | None = None
    net_rate: Estimate | None = None
    supply_rate: Estimate | None = None
    uptake_rate: Estimate | None = None
    kept_up: Estimate | None = None
    days_to_limit: float | None = None
    """Days until nitrate is as likely above the limit as below; None: not within a year."""
    chances: tuple[float, ...] = ()
    """Probability of having passed the limit by day 0, 1, 2 …"""
    chance_later: float = 0.0
    """The same by the last day that `RISING_LATER` looks at."""
    chance_unsettled: float = 0.0
    """Probability that the tank is settled no more: its uptake moves, or fades."""
    behind_days: float = 0.0
    """How long plants have not kept up, with good confidence when it began."""
    chance_behind: float = 0.0
    """Probability that they do not keep up now."""
    causes: tuple[Share, ...] = ()
    causes_sentence: str = ""
    n_tests: int = 0
    last_test_at_s: float | None = None
    renewed: float = 0.0
    """The share of the water that has been changed since the last test."""
    surprised: bool = False
    """Whether the last test was higher than expected, and it matters."""
    by_electrode: bool = False
    """Whether an electrode, which may have drifted, has alone had the say since the last test."""

    @property
    def silent(self) -> bool:
        """Whether the last test is so old that chances rise without anything being seen."""
        return self.last_test_at_s is not None and self.at_s - self.last_test_at_s > SILENT_DAYS * DAY_S

    @property
    def asks_again(self) -> bool:
        """Whether a test is wanted at once: to bear out one that surprised, or an electrode that alone would warn."""
        return self.surprised or (self.by_electrode and _would_warn(self))

    def chance_within(self, days: float) -> float:
        """Probability of passing the limit within `days`; beyond the last day worked out, that day's."""
        if not self.chances:
            return 0.0
        return self.chances[min(len(self.chances) - 1, max(0, math.ceil(days)))]


def rising(report: NitrateReport) -> Says:
    """What `nitrate_rising` does.

    An electrode alone, whose drift may be all there is to it, raises no warning, and neither does silence, nor water
    that was just changed: a test decides.  Such a change also ends a warning that would not be given after it.
    """
    if not report.chances:
        return "hold"
    warns, renewed = _would_warn(report), report.renewed >= RENEWED
    if report.chances[-1] <= RISING_CLEAR or (renewed and not warns):
        return "clear"
    return "raise" if warns and not (report.by_electrode or report.silent or renewed) else "hold"


def _would_warn(report: NitrateReport) -> bool:
    if not report.chances or report.n_tests < LEAST_TESTS:
        return False
    if report.chances[-1] < RISING_LEAST or report.chances[0] >= RISING_TOO_LATE:
        return False
    if report.chance_unsettled < RISING_UNSETTLED and report.chance_behind < BEHIND_SURE:
        return False
    return report.chance_later - report.chances[0] >= RISING_LATER[1]
