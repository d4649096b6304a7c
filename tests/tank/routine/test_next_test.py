"""The next test's date: within its bounds, stable, brought forward for a reason, and overdue by degrees."""

import datetime as dt
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from rushlight.events import Feeding, Harvest, Sighting, Stocking, TankEvent, Test
from rushlight.settings import Feed, Kit, Tank
from rushlight.settings import Testing as Schedule  # pytest collects what is called Test…
from rushlight.tank.routine.next_test import RoutineState, RoutineWatch
from rushlight.tank.routine.reasons import PRESSING

T0 = dt.datetime(2026, 3, 2, 10, 0, tzinfo=dt.UTC).timestamp()
DAY_S = 86400.0
KIT = Kit(id="strip", pads={"nitrate": (0, 10, 25, 50, 100, 250)})
FOYER = Tank(
    id="foyer",
    litres=140,
    started=dt.date(2025, 1, 10),
    feed=Feed(grams_per_day=0.9, protein_percent=42),
    testing=Schedule(shortest_days=2, longest_days=10),
)
READING_ROOM = Tank(
    id="reading-room", litres=54, started=dt.date(2026, 2, 2), testing=Schedule(shortest_days=2, longest_days=7)
)


def calm(_days: float) -> float:
    return 0.0


def strip(day: float, name: str = "", tank: str = "foyer", **values: float) -> Test:
    return Test(
        at_s=T0 + day * DAY_S, id=name or f"t{day}", tank=tank, method="strip", values=values or {"nitrate": 25.0}
    )  # type: ignore[arg-type]


def watch(tank: Tank = FOYER) -> tuple[RoutineWatch, RoutineState]:
    w = RoutineWatch(tank, [KIT], "Europe/Dublin")
    return w, w.initial()


def due_day(w: RoutineWatch, s: RoutineState, day: float, risk=calm, pressing: frozenset[str] = frozenset()) -> float:  # type: ignore[no-untyped-def]
    return (w.due(s, T0 + day * DAY_S, risk, pressing)[0] - T0) / DAY_S


def test_a_tank_never_tested_is_due_at_once() -> None:
    w, s = watch()
    assert w.due(s, T0, calm) == (T0, "this tank has never been tested")
    assert w.findings(s, T0)[0].says == "raise"
    assert due_day(w, s, 5.0) == 0.0


def test_a_settled_tank_gets_the_longest_interval_and_no_more() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    for day in range(15):
        assert due_day(w, s, day) == 10.0
    assert "longest interval" in w.due(s, T0 + DAY_S, calm)[1]


def test_two_strips_that_leave_it_open_ask_for_a_finer_measurement() -> None:
    """Pads of 25 and 50 both fit a level beside 40: a third strip says nothing new; what does is told with the kind."""
    w, s = watch()
    open_now = lambda days: 0.5  # noqa: E731
    w.on_fact(s, strip(0))
    assert "too coarse" not in w.due(s, T0, open_now)[1]
    w.on_fact(s, strip(7, nitrate=50.0))
    said = w.due(s, T0 + 7 * DAY_S, open_now)[1]
    assert said.startswith(
        "it is open whether nitrate is above 40 mg/L as NO3 already; pads at 25 and 50 are too coarse"
    )
    assert "for a third strip to settle it" in said
    assert w.left_open(s, T0 + 7 * DAY_S, 0.5) and not w.left_open(s, T0 + 7 * DAY_S, 0.95)
    assert "too coarse" not in watch_after(w, s, 8, calm)
    w.on_fact(s, Test(at_s=T0 + 9 * DAY_S, id="d", tank="foyer", method="drops", values={"nitrate": 38.0}))
    assert "too coarse" not in watch_after(w, s, 9, open_now)


def test_fine_pads_and_drops_need_nothing_finer() -> None:
    for kit in (Kit(id="strip", pads={"nitrate": (30, 36, 42, 50)}), Kit(id="strip", method="drops")):
        w = RoutineWatch(FOYER, [kit], "Europe/Dublin")
        s = w.initial()
        w.on_fact(s, strip(0))
        w.on_fact(s, strip(7))
        assert "coarse" not in watch_after(w, s, 7, lambda days: 0.5)


def watch_after(w: RoutineWatch, s: RoutineState, day: float, risk) -> str:  # type: ignore[no-untyped-def]
    """The reason that is given when the date is worked out afresh."""
    s.due_at_s = None
    return w.due(s, T0 + day * DAY_S, risk)[1]


def test_a_test_without_nitrate_does_not_count() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    due_day(w, s, 0)
    w.on_fact(s, strip(4, ph=7.0))
    assert due_day(w, s, 4) == 10.0


def test_rising_risk_brings_the_date_forward_to_the_last_safe_day() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    told = frozenset({"nitrate_rising"})  # which leaves the chance itself to set the date
    assert due_day(w, s, 0, lambda d: 0.02 * d, told) == 4.0  # 0.10 is reached on day 5
    reason = s.reason
    assert "a day later the chance of nitrate above 40 mg/L as NO3" in reason


def test_doubt_about_the_present_halves_the_room() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    assert due_day(w, s, 0, lambda d: 0.3) == 6.0


@pytest.mark.parametrize(("chance", "day"), [(0.04, 10.0), (0.06, 6.0), (0.12, 4.0), (0.25, 2.0)])
def test_the_likelier_the_limit_is_passed_within_four_weeks_the_sooner_the_next_test(chance: float, day: float) -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    assert due_day(w, s, 0, lambda d: chance if d >= 28 else 0.0) == day
    assert ("within four weeks" in s.reason) == (day < 10.0)


def test_a_date_that_stands_is_never_told_with_two_figures_for_one_chance() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    for day, chance in ((0, 0.15), (1, 0.13), (2, 0.19), (3, 0.11)):
        due_day(w, s, day, lambda d, c=chance: c if d >= 28 else 0.0)  # type: ignore[misc]
        assert len([r for r in s.reasons if "within four weeks" in r]) == 1
        assert not any("%" in r for r in s.reasons)


def test_a_doubt_that_a_third_strip_would_not_settle_is_one_reason() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    for day, nitrate in ((4, 25.0), (7, 50.0)):
        w.due(s, T0 + day * DAY_S, lambda days: 0.5)
        w.on_fact(s, strip(day, nitrate=nitrate))
    w.due(s, T0 + 7 * DAY_S, lambda days: 0.5)
    doubts = [r for r in s.reasons if "it is open whether" in r]
    assert len(doubts) == 1 and "too coarse" in doubts[0]


def test_a_rise_that_has_been_told_is_not_looked_into_every_other_day() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    assert due_day(w, s, 0, lambda d: 0.5 if d >= 28 else 0.0, frozenset({"nitrate_rising"})) == 6.0


def test_certainty_of_being_above_does_not_ask_for_a_test_every_other_day() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    assert due_day(w, s, 0, lambda d: 0.97) == 10.0


def test_never_before_the_shortest_interval() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    assert due_day(w, s, 0, lambda d: min(1.0, 0.5 * d)) == 2.0


def test_the_date_does_not_flutter() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    days = [due_day(w, s, n / 4, lambda d, n=n: 0.02 * d + 0.004 * (n % 5)) for n in range(16)]
    assert days == sorted(days, reverse=True)
    assert len(set(days)) <= 2


def test_the_date_is_never_pushed_later_but_by_a_test() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    assert due_day(w, s, 1, calm, frozenset({"lamp_dimming"})) == 6.0
    assert due_day(w, s, 2) == 6.0
    w.on_fact(s, strip(6))
    assert due_day(w, s, 6) == 16.0


@pytest.mark.parametrize("name", sorted(PRESSING))
def test_every_pressing_alarm_brings_the_date_forward_within_the_bounds(name: str) -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    assert 2.0 <= due_day(w, s, 0.5, calm, frozenset({name})) < 10.0
    assert s.reason == PRESSING[name][1]


@pytest.mark.parametrize(
    ("event", "by_day", "word"),
    [
        (Stocking(at_s=T0 + DAY_S, id="e", tank="foyer", change=6, species="zebra danio"), 4.0, "new fish"),
        (Harvest(at_s=T0 + DAY_S, id="e", tank="foyer", fresh_grams=300), 5.0, "cut back"),
        (Sighting(at_s=T0 + DAY_S, id="e", tank="foyer", what="algae"), 2.0, "algae"),
        (Feeding(at_s=T0 + DAY_S, id="e", tank="foyer", grams=1.8), 3.0, "fed"),
    ],
)
def test_changes_bring_the_date_forward(event: TankEvent, by_day: float, word: str) -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    assert due_day(w, s, 0) == 10.0
    w.on_fact(s, event)
    assert due_day(w, s, 1) == by_day
    assert word in s.reason
    w.void(s, "e")
    assert due_day(w, s, 1) == 10.0
    w.on_fact(s, event)
    due_day(w, s, 1)
    w.on_fact(s, strip(3))
    assert due_day(w, s, 3) < 13.0 or word == "algae"


def test_feed_that_has_long_been_more_than_configured_asks_for_nothing_and_a_days_feast_does() -> None:
    """The configuration says 0.9 g a day; this keeper feeds 2 g, and writes it down every day."""

    def why(days: int, last_g: float) -> str:
        w, s = watch()
        for day in range(days):
            w.on_fact(s, Feeding(at_s=T0 + (day + 0.4) * DAY_S, id=f"f{day}", tank="foyer", grams=2.0))
        w.on_fact(s, strip(days))
        w.on_fact(s, Feeding(at_s=T0 + (days + 0.4) * DAY_S, id="last", tank="foyer", grams=last_g))
        due_day(w, s, days + 0.5)
        return s.reason

    assert "more was fed" in why(5, 2.0)
    assert "more was fed" not in why(40, 2.0)
    assert "more was fed" in why(40, 3.5)


def test_fish_that_leave_and_usual_feed_change_nothing() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    w.on_fact(s, Stocking(at_s=T0 + DAY_S, id="a", tank="foyer", change=-2))
    w.on_fact(s, Feeding(at_s=T0 + DAY_S, id="b", tank="foyer", grams=1.0))
    w.on_fact(s, Sighting(at_s=T0 + DAY_S, id="c", tank="foyer", what="new_growth"))
    assert due_day(w, s, 1) == 10.0


@pytest.mark.parametrize("what", ["gasping", "dead_fish", "cloudy", "smell"])
def test_signs_of_distress_ask_for_a_test_at_once(what: str) -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    due_day(w, s, 0)
    w.on_fact(s, Sighting(at_s=T0 + DAY_S, id="e", tank="foyer", what=what))  # type: ignore[arg-type]
    assert due_day(w, s, 1) == 1.0
    assert due_day(w, s, 1.5) == 1.0


def test_a_late_entry_asks_for_a_test_now_not_last_week() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    due_day(w, s, 0)
    w.on_fact(s, Harvest(at_s=T0 + DAY_S, received_s=T0 + 8 * DAY_S, id="e", tank="foyer", fresh_grams=300))
    assert due_day(w, s, 8) == 8.0


def test_a_new_tank_is_tested_often_and_earns_longer() -> None:
    w, s = watch(READING_ROOM)  # four weeks old at T0
    w.on_fact(s, strip(-1, tank="reading-room"))
    assert due_day(w, s, -1) == 1.0
    assert "weeks old" in s.reason
    w.on_fact(s, strip(1, tank="reading-room"))
    assert due_day(w, s, 1) == 5.0
    w.on_fact(s, strip(40, tank="reading-room"))
    assert due_day(w, s, 40) == 47.0


def test_overdue_climbs_and_a_test_clears_it() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    due_day(w, s, 0)
    assert w.findings(s, T0 + 9.9 * DAY_S)[0].says == "clear"
    seen = []
    at_s: float | None = T0
    while (at_s := w.next_wake(s, at_s)) is not None:
        finding = w.findings(s, at_s)[0]
        seen.append(((at_s - T0) / DAY_S, finding.says, finding.priority))
    # Due 12 March 10:00, so overdue at midnight; a quarter and three quarters of ten days after it was due it
    # presses harder, from the next 09:00 in Dublin on.
    hours = [(at_s * 24.0, says, priority) for at_s, says, priority in seen]
    assert hours == [(254.0, "raise", "low"), (311.0, "raise", "medium"), (431.0, "raise", "high")]
    w.on_fact(s, strip(18))
    due_day(w, s, 18)
    assert w.findings(s, T0 + 18 * DAY_S)[0].says == "clear"


@pytest.mark.parametrize(
    ("quiet", "local"),
    [(("22:00", "07:00"), "09:00"), (("22:00", "10:30"), "10:30"), (("23:00", "23:00"), "09:00")],
)
@pytest.mark.parametrize("due", ["2026-03-27T00:00", "2026-03-28T11:00", "2026-10-23T23:30", "2026-10-24T08:59"])
def test_a_late_test_presses_in_the_morning_whatever_the_clock_does(
    quiet: tuple[str, str], local: str, due: str
) -> None:
    """Dublin's clocks change on 29 March and on 25 October 2026."""
    zone = ZoneInfo("Europe/Dublin")
    w = RoutineWatch(FOYER, [KIT], "Europe/Dublin", quiet)
    s = w.initial()
    due_s = dt.datetime.fromisoformat(due).replace(tzinfo=zone).timestamp()
    w.on_fact(s, Test(at_s=due_s - 10 * DAY_S, id="t", tank="foyer", method="strip", values={"nitrate": 25.0}))
    assert w.due(s, due_s - DAY_S, calm)[0] == due_s
    assert w.findings(s, due_s)[0].says == "clear", "the whole day is good for the test"
    steps = []
    at_s = w.next_wake(s, due_s)
    assert at_s is not None
    assert dt.datetime.fromtimestamp(at_s - 1.0, zone).date() == dt.datetime.fromtimestamp(due_s, zone).date()
    assert w.findings(s, at_s)[0].priority == "low"
    while (at_s := w.next_wake(s, at_s)) is not None:
        before, now = w.findings(s, at_s - 1.0)[0].priority, w.findings(s, at_s)[0].priority
        steps.append((before, now))
        assert f"{dt.datetime.fromtimestamp(at_s, zone):%H:%M}" == local
    assert steps == [("low", "medium"), ("medium", "high")]


def test_a_voided_test_brings_the_old_date_back() -> None:
    w, s = watch()
    w.on_fact(s, strip(0, "a"))
    due_day(w, s, 0)
    w.on_fact(s, strip(5, "b"))
    assert due_day(w, s, 5) == 15.0
    w.void(s, "b")
    assert due_day(w, s, 6) == 10.0


EVENTS = st.lists(
    st.tuples(
        st.floats(0, 40),
        st.sampled_from(["test", "harvest", "stocking", "algae", "feed", "alarm", "wait"]),
        st.floats(0, 0.2),
    ),
    max_size=40,
)


@pytest.mark.slow
@given(EVENTS)
@settings(max_examples=150)
def test_always_within_the_bounds_and_never_later_without_a_test(rows: list[tuple[float, str, float]]) -> None:
    w, s = watch()
    last, before = None, None
    for n, (day, what, slope) in enumerate(sorted(rows)):
        at_s, pressing = T0 + day * DAY_S, frozenset({"lamp_off"} if what == "alarm" else ())
        match what:
            case "test":
                w.on_fact(s, strip(day, f"t{n}"))
                last, before = T0 + day * DAY_S, None
            case "harvest":
                w.on_fact(s, Harvest(at_s=at_s, id=f"e{n}", tank="foyer", dry_grams=5))
            case "stocking":
                w.on_fact(s, Stocking(at_s=at_s, id=f"e{n}", tank="foyer", change=2))
            case "algae":
                w.on_fact(s, Sighting(at_s=at_s, id=f"e{n}", tank="foyer", what="algae"))
            case "feed":
                w.on_fact(s, Feeding(at_s=at_s, id=f"e{n}", tank="foyer", grams=2.0))
        due_at_s, reason = w.due(s, at_s, lambda d, slope=slope: min(1.0, slope * d), pressing)
        assert reason
        if last is not None:
            assert last + 2 * DAY_S <= due_at_s <= last + 10 * DAY_S
            assert before is None or due_at_s <= before
            before = due_at_s
    adapter = TypeAdapter(RoutineState)
    assert adapter.validate_json(adapter.dump_json(s)) == s


@given(st.permutations(list(range(6))))
def test_order_of_arrival_of_facts_does_not_matter(order: list[int]) -> None:
    facts: list[TankEvent] = [
        strip(0, "a"),
        strip(6, "b"),
        Harvest(at_s=T0 + 3 * DAY_S, id="c", tank="foyer", dry_grams=5),
        Stocking(at_s=T0 + 7 * DAY_S, id="d", tank="foyer", change=2),
        Feeding(at_s=T0 + 5 * DAY_S, id="e", tank="foyer", grams=2.0),
        Sighting(at_s=T0 + 2 * DAY_S, id="f", tank="foyer", what="algae"),
    ]
    w, one = watch()
    for fact in facts:
        w.on_fact(one, fact)
    _, other = watch()
    for i in order:
        w.on_fact(other, facts[i])
    assert w.due(one, T0 + 8 * DAY_S, calm) == w.due(other, T0 + 8 * DAY_S, calm)
    assert one == other


def test_a_surprising_test_asks_for_a_second_one_at_once_and_only_that() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    at_s = T0 + 3600.0
    assert w.due(s, at_s, calm)[0] == T0 + 10 * DAY_S
    due_s, reason = w.due(s, at_s, calm, surprised=True)
    assert due_s == T0 + 2 * DAY_S  # the shortest interval
    assert "slip" in reason
    w.on_fact(s, strip(2))
    assert w.due(s, T0 + 2 * DAY_S + 60.0, calm)[0] == T0 + 12 * DAY_S
    rising = frozenset({"nitrate_rising"})
    assert w.due(s, T0 + 2 * DAY_S + 60.0, calm, rising, surprised=True)[0] > T0 + 4 * DAY_S


def test_an_alarm_that_rests_on_one_test_dates_the_second_one_that_it_asks_for() -> None:
    w, s = watch()
    w.on_fact(s, strip(0))
    rising = frozenset({"nitrate_rising"})
    due_s, reason = w.due(s, T0 + 3600.0, calm, rising, unproven=True)
    assert due_s == T0 + 2 * DAY_S  # the shortest interval
    assert "one test is all the evidence" in reason
