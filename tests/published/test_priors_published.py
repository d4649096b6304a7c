"""Values that the product assumes before a tank has taught better, and its delays, against what others published."""

from __future__ import annotations

import random

import pytest

from helpers.site import config_of
from rushlight.alarms.finding import Finding
from rushlight.alarms.state_machine import AlarmBook
from rushlight.alarms.table import TABLE
from rushlight.effects import AlarmChange
from rushlight.science.chemistry import nitrogen


def test_the_share_of_the_feeds_nitrogen_that_reaches_the_water() -> None:
    """Fish of five species kept 12.0 to 44.1 % of it (Summerfelt & Penne 2007); extension text on fish nutrition: as much
    as 65 % is lost to the water; total ammonia alone is 71 % of what is excreted (Dalsgaard & Pedersen 2011)."""
    low, high = 1.0 - 0.441, 1.0 - 0.120
    assert low < nitrogen.SHARE_MEAN - 0.5 * nitrogen.SHARE_SD and high > nitrogen.SHARE_MEAN + nitrogen.SHARE_SD
    assert abs(nitrogen.SHARE_MEAN - 0.5 * (low + high)) < 0.03
    # The 95 % interval holds both ends and the extension text's figure.
    assert low >= nitrogen.SHARE_MEAN - 2 * nitrogen.SHARE_SD and high <= nitrogen.SHARE_MEAN + 2 * nitrogen.SHARE_SD
    assert nitrogen.feed_nitrogen_g(1.0, 45.0) == pytest.approx(0.072, rel=1e-6)  # 16 % of protein is nitrogen (Jones)


def test_nitrogen_in_plants() -> None:
    """0.98 to 1.28 % of dry mass in nitrate-grown wetland plants (Choudhury et al. 2024), 0.1 to 4.2 % in wetland plants
    in general, 1.5 % sufficient for crops (Epstein 1965): the prior's two deviations hold the first and the last."""
    mean, sd = nitrogen.TISSUE_NITROGEN_PER_DRY
    assert mean - 2 * sd < 0.0098 < 0.0128 < 0.015 < mean + 2 * sd < 0.042
    assert abs(mean - 0.02) < 0.0011, "the middle of 0.1 to 4.2 % is 2.15 %, that of leaves of crops 1.5 to 3 %"


@pytest.mark.parametrize(("chance", "steps", "expected"), [(0.5, 2, 6.0), (0.5, 3, 14.0), (0.1, 2, 110.0)])
def test_an_on_delay_puts_off_false_alarms_as_published(chance: float, steps: int, expected: float) -> None:
    """Mean wait for n readings in a row beyond a limit that each passes by chance p: (1 - p^n) / ((1 - p) p^n) readings
    (Feller; the basis of delay timers in Adnan, Izadi, Chen 2011).  A word holds until the next one, so a delay of a
    little more than n - 1 readings is met by the nth."""
    name, every_s = "temperature_high", 60.0
    config = config_of()
    book = AlarmBook(
        config.__class__(
            site=config.site,
            tank=config.tank,
            kit=config.kit,
            alarms=config.alarms.__class__(on_delay_s={name: (steps - 1) * every_s + 1.0}),
        )
    )
    draw, waits = random.Random(7), []
    for _ in range(700):
        state, n = book.initial(), 0
        while True:
            n += 1
            says = "raise" if draw.random() < chance else "clear"
            at_s = n * every_s
            done = book.judge(state, at_s, Finding(alarm=name, tank="foyer", says=says)) + book.on_tick(
                state, at_s + 2.0
            )
            if any(isinstance(e, AlarmChange) and e.state == "unacknowledged" for e in done):
                break
        waits.append(n)
    assert sum(waits) / len(waits) == pytest.approx(expected, rel=0.13)


def test_most_alarms_are_not_high() -> None:
    """ANSI/ISA-18.2 as taught: some 80 % low, 15 % medium, 5 % high are for plants of hundreds; here no more than a third
    of the rows may be high, and none that can wait a day."""
    high = [r for r in TABLE.values() if r.priority == "high"]
    assert len(high) <= len(TABLE) / 3
    assert all(r.urgent for r in high)
