"""When a tank is quiet, and what it was like then: that to which a later change is held.

Owns the judgement and its memory in the balance.
"""

from __future__ import annotations

import math

from rushlight.localtime import DAY_S
from rushlight.science.inference.gaussian import mixture_moments
from rushlight.tank.nitrate.balance import Balance, rate_parts
from rushlight.tank.nitrate.kinds import scale
from rushlight.tank.nitrate.readings import SURPRISING

CALM_DAYS = 21.0
"""Quiet for so long, three weekly tests, counts as a quiet period (own choice)."""
QUIET_MEMORY_DAYS = 40.0
"""The rate of a quiet period is a mean over so long: its last weeks may be the beginning of what ends it (own
choice)."""


def is_quiet(balance: Balance) -> bool:
    """Whether the tank is settled, and its level, habitual water changes counted, neither rises nor falls.

    A test that surprised ends the quiet before it has moved the belief: the next one may bear it out.
    """
    if balance.surprise >= SURPRISING:
        return False
    mean, _ = mixture_moments(rate_parts(balance))
    return balance.modes[0].weight >= 0.6 and abs(mean - balance.export) <= 0.1 * scale(balance.usual)


def note_quiet(balance: Balance, least_tests: int) -> None:
    """Remember this moment if the tank has been quiet for long enough: a few calm days in a rise are no peace."""
    if balance.n_tests < least_tests or not is_quiet(balance):
        balance.calm_from_s = None
        return
    if balance.calm_from_s is None:
        balance.calm_from_s = balance.at_s
    first = balance.quiet_at_s is None
    if first or balance.at_s - balance.calm_from_s >= CALM_DAYS * DAY_S:
        rate, balance.quiet_rate_sd = mixture_moments(rate_parts(balance))
        days = 0.0 if balance.quiet_at_s is None else (balance.at_s - balance.quiet_at_s) / DAY_S
        balance.quiet_rate += (rate - balance.quiet_rate) * (1.0 if first else -math.expm1(-days / QUIET_MEMORY_DAYS))
        balance.quiet_at_s, balance.tests_since_quiet = balance.at_s, 0
