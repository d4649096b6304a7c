"""What a keeper does by habit: water changes that end, and feed that follows the days of the week."""

import pytest

from helpers.nitrate_tanks import DAY_S, LIMIT, START_S, STRIP
from rushlight.events import Feeding, Test, WaterChange
from rushlight.settings import Feed, Tank
from rushlight.tank.nitrate.change_habit import habit_ended_s, pace_since
from rushlight.tank.nitrate.report import NitrateReport, rising
from rushlight.tank.nitrate.watch import NitrateState, NitrateWatch

TANK = Tank(id="sim", litres=100, feed=Feed(grams_per_day=0.6), source_water={"nitrate": 2.0})


def lived(changes_until: int, days: int, fraction: float = 0.3) -> tuple[NitrateWatch, NitrateState, float]:
    """A tank at 30 mg/L by its weekly strips, its water changed every week until a day."""
    watch = NitrateWatch(TANK, (STRIP,), "UTC", has_electrode=False)
    state = watch.initial()
    for day in range(days):
        at_s = START_S + day * DAY_S
        if day % 7 == 0:
            watch.on_fact(state, Test(at_s=at_s + 60, id=f"t{day}", tank="sim", method="lab", values={"nitrate": 30.0}))
        if day % 7 == 3 and day < changes_until:
            change = WaterChange(at_s=at_s + 60, id=f"w{day}", tank="sim", fraction=fraction)
            watch.on_fact(state, change)
        watch.close_day(state, None, "", at_s + DAY_S)
    return watch, state, START_S + days * DAY_S


@pytest.mark.slow
def test_the_forecast_does_not_count_on_changes_that_are_made_no_more():
    """What plants leave is a third of a tank's nitrate a week here; kept in, it passes the limit in weeks."""
    kept_watch, kept, at_s = lived(changes_until=200, days=172)
    assert habit_ended_s(kept.ledger, kept.now) is None
    assert kept_watch.report(kept, at_s).chances[-1] < 0.1
    watch, ended, at_s = lived(changes_until=150, days=172)
    report = watch.report(ended, at_s)
    assert report.chances[-1] > 0.5 > kept_watch.report(kept, at_s).chances[-1]
    assert ended.now.exchange == pytest.approx(0.0, abs=1e-6)
    assert ended.now.left > 0.5  # what the plants leave is as it was: they know nothing of changes
    assert report.nitrate.mean < LIMIT


def test_what_was_changed_since_the_end_is_what_is_counted_on():
    _, state, at_s = lived(changes_until=150, days=172)
    ended_s = habit_ended_s(state.ledger, state.now)
    assert ended_s == START_S + 143 * DAY_S + 60
    assert pace_since(state.ledger, ended_s, at_s) == 0.0
    assert pace_since(state.ledger, ended_s - DAY_S, at_s) == pytest.approx(0.3 * DAY_S / (at_s - ended_s + DAY_S))


@pytest.mark.slow
def test_a_keeper_who_feeds_on_working_days_has_no_rise_in_the_middle_of_every_week():
    """Uptake is slow, strips are weekly: the rate that is told must not follow the days of the week."""
    watch = NitrateWatch(Tank(id="sim", litres=100), (STRIP,), "UTC", has_electrode=False)
    state = watch.initial()
    rates, kept_up = [], []
    for day in range(120):
        at_s = START_S + day * DAY_S
        if day % 7 < 5:  # START_S is a Monday
            watch.on_fact(state, Feeding(at_s=at_s + 60, id=f"f{day}", tank="sim", grams=0.84))
        if day % 7 == 2:
            strip = Test(at_s=at_s + 90, id=f"t{day}", tank="sim", method="strip", values={"nitrate": 10.0})
            watch.on_fact(state, strip)
        watch.close_day(state, None, "", at_s + DAY_S)
        report = watch.report(state, at_s + DAY_S)
        if day < 6:
            assert report.kept_up is None  # a working day's feed alone is no week's
        if day >= 60 and day % 7 != 2:
            rates.append(report.net_rate.mean)
            kept_up.append(report.kept_up.mean)
    assert max(rates) - min(rates) < 0.1
    assert 0.9 < min(kept_up) <= max(kept_up) < 1.1


@pytest.mark.parametrize(
    ("now", "in_28_days", "in_42_days", "says"),
    [
        (0.01, 0.203, 0.288, "clear"),  # a day after 40 % of the water was changed: a fifth of a chance lingers
        (0.01, 0.260, 0.400, "hold"),  # what nearly raises it ends nothing either
        (0.01, 0.290, 0.500, "hold"),
        (0.01, 0.310, 0.350, "raise"),
        (0.30, 0.450, 0.480, "hold"),  # it may be above already, as coarse pads leave it, and hardly rises
        (0.30, 0.450, 0.550, "raise"),
        (0.66, 0.900, 0.950, "hold"),  # `nitrate_high` says it
    ],
)
def test_the_warning_speaks_of_a_chance_that_grows_and_ends_below_where_it_began(now, in_28_days, in_42_days, says):
    """That an alarm has a deadband is IEC 62682's; how wide it is, our own choice."""
    chances = (now,) * 28 + (in_28_days,)
    report = NitrateReport(at_s=START_S, chances=chances, chance_later=in_42_days, chance_unsettled=0.6, n_tests=9)
    assert rising(report) == says


@pytest.mark.parametrize(
    ("unsettled", "behind", "says"),
    [
        (0.3, 0.6, "hold"),  # the doubt grows with the weeks; nothing says that the tank is another than it was
        (0.6, 0.6, "raise"),
        (0.3, 0.95, "raise"),  # so much feed, say, that settled plants cannot follow it
    ],
)
def test_a_chance_that_grows_by_doubt_alone_is_no_warning(unsettled, behind, says):
    chances = (0.1,) * 28 + (0.4,)
    report = NitrateReport(
        at_s=START_S,
        chances=chances,
        chance_later=0.5,
        chance_unsettled=unsettled,
        chance_behind=behind,
        n_tests=9,
    )
    assert rising(report) == says


def test_a_series_of_changes_that_brings_a_level_down_is_no_habit_that_ends():
    """Three on three days, and three entered for one minute."""
    for apart_s in (DAY_S, 0.0):
        watch, state, at_s = lived(changes_until=0, days=60)
        for n in range(3):
            change = WaterChange(at_s=at_s - 20 * DAY_S + n * apart_s, id=f"s{n}", tank="sim", fraction=0.2)
            watch.on_fact(state, change)
        assert watch.report(state, at_s).nitrate is not None
        assert habit_ended_s(state.ledger, state.now) is None
