"""Strips counted down, the shelf life, and when to buy."""

import datetime as dt
import random

from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from rushlight.events import Pack, Test
from rushlight.settings import Kit, Tank
from rushlight.settings import Testing as Schedule  # pytest collects what is called Test…
from rushlight.tank.routine.supplies import SuppliesState, SuppliesWatch

T0 = dt.datetime(2026, 3, 1, tzinfo=dt.UTC).timestamp()
DAY_S = 86400.0
KIT = Kit(id="strip", pads={"nitrate": (0, 10, 25)})


def watch(strips: float | None = 10, opened: dt.date | None = dt.date(2026, 3, 1), **more: float) -> SuppliesWatch:
    testing = Schedule(longest_days=7, strips=strips, opened_on=opened, **more)  # type: ignore[arg-type]
    return SuppliesWatch(Tank(id="foyer", litres=140, testing=testing), [KIT])


def strip(day: float, note: str = "", method: str = "strip", kit: str = "") -> Test:
    return Test(
        at_s=T0 + day * DAY_S, id=f"t{day}", tank="foyer", method=method, values={"nitrate": 10.0}, note=note, kit=kit
    )  # type: ignore[arg-type]


def says(w: SuppliesWatch, s: SuppliesState, day: float) -> list[str]:
    return [f.says for f in w.findings(s, T0 + day * DAY_S)]


def test_strips_dipped_one_after_another_are_one_test_and_no_pace() -> None:
    """Three within a minute made a full pack 'running out'; three a week apart on their own days are a pace."""
    w = watch(strips=48)
    s = w.initial()
    for n in range(3):
        w.on_fact(s, strip(1 + n / 2880))
    assert says(w, s, 1.1) == ["clear"]
    assert w.strips_per_day(s) == 1 / 7, "as long as nothing is known of the habit, one in the longest interval"
    for day in (2, 3, 4):
        for n in range(3):
            w.on_fact(s, strip(day + n / 2880))
    assert w.strips_per_day(s) == 3.0, "who dips three a day needs three a day"


def test_counts_whole_and_half_strips_and_nothing_else() -> None:
    w = watch()
    s = w.initial()
    for event in (strip(1), strip(2, "half a strip"), strip(3, method="drops"), strip(4, kit="other"), strip(-1)):
        w.on_fact(s, event)
    assert w.left(s) == 8.5
    w.on_fact(s, strip(2, "whole after all"))
    assert w.left(s) == 8.0
    w.void(s, "t1")
    assert w.left(s) == 9.0


def test_low_when_two_weeks_need_more_than_is_left() -> None:
    w = watch()
    s = w.initial()
    for day in range(0, 49, 7):
        w.on_fact(s, strip(day))
    assert (w.left(s), says(w, s, 49)) == (3.0, ["clear"])
    w.on_fact(s, strip(49))
    assert says(w, s, 49) == ["clear"]  # two strips are two weeks
    w.on_fact(s, strip(56))
    assert says(w, s, 56) == ["raise"]
    assert w.findings(s, T0 + 56 * DAY_S)[0].evidence.record()["sentence"] == "1 test strip is left"


def test_reorder_date_is_two_weeks_before_the_end() -> None:
    w = watch()
    s = w.initial()
    assert w.reorder_at_s(s, T0) == T0 + (70 - 14) * DAY_S
    assert watch(strips=1000).reorder_at_s(s, T0) == T0 + (180 - 14) * DAY_S


def test_the_shelf_life_ends() -> None:
    w = watch(strips=None, shelf_days=90)
    s = w.initial()
    assert says(w, s, 89) == ["clear"]
    assert w.next_wake(s, T0) == T0 + 90 * DAY_S
    assert says(w, s, 90) == ["raise"]
    assert w.left(s) is None


def test_what_is_not_counted_is_not_spoken_of() -> None:
    w = watch(strips=None, opened=None)
    s = w.initial()
    w.on_fact(s, strip(1))
    assert says(w, s, 400) == []
    assert w.reorder_at_s(s, T0) is None


def test_state_survives_json() -> None:
    w = watch()
    s = w.initial()
    w.on_fact(s, strip(1))
    adapter = TypeAdapter(SuppliesState)
    assert adapter.validate_json(adapter.dump_json(s)) == s


def pack(day: float, strips: float = 20) -> Pack:
    return Pack(at_s=T0 + day * DAY_S, id=f"p{day}", tank="foyer", strips=strips)


def test_a_new_pack_counts_anew_and_has_its_own_shelf_life() -> None:
    w = watch(shelf_days=90)
    s = w.initial()
    for day in range(0, 63, 7):
        w.on_fact(s, strip(day))
    assert (w.left(s), says(w, s, 56)) == (1.0, ["raise"])
    w.on_fact(s, pack(57))
    assert (w.left(s), says(w, s, 57)) == (20.0, ["clear"])
    w.on_fact(s, strip(63))
    assert w.left(s) == 19.0
    assert w.shelf_ends_s(s) == T0 + (57 + 90) * DAY_S
    w.void(s, "p57")
    assert w.left(s) == 0.0


def test_a_pack_counts_where_the_configuration_names_none() -> None:
    w = watch(strips=None, opened=None)
    s = w.initial()
    w.on_fact(s, strip(1))
    w.on_fact(s, pack(2, 5))
    w.on_fact(s, strip(3))
    assert w.left(s) == 4.0


def test_a_pack_configured_later_than_the_last_one_entered_is_the_open_one() -> None:
    w = watch(strips=30, opened=dt.date(2026, 5, 1))
    s = w.initial()
    w.on_fact(s, pack(1))
    w.on_fact(s, strip(70))
    assert w.left(s) == 29.0


entry_days = st.lists(
    st.tuples(st.integers(0, 900), st.sampled_from(["strip", "half", "pack"])), unique_by=lambda e: e[0], max_size=40
)


@given(entry_days, st.randoms(use_true_random=False))
def test_late_entries_count_as_those_in_time(entries: list[tuple[int, str]], chance: random.Random) -> None:
    """What arrives late, within the days that are kept, gives the same count."""
    make = {"strip": strip, "half": lambda day: strip(day, "half"), "pack": pack}
    events = [make[kind](float(day)) for day, kind in sorted(entries)]
    late = sorted(events, key=lambda e: e.at_s + chance.random() * 300 * DAY_S)
    w = watch(strips=100)
    straight, mixed = w.initial(), w.initial()
    for e in events:
        w.on_fact(straight, e)
    for e in late:
        w.on_fact(mixed, e)
    opened_s = max([T0, *(e.at_s for e in events if isinstance(e, Pack))])
    used = sum(0.5 if "half" in e.note else 1.0 for e in events if isinstance(e, Test) and e.at_s >= opened_s)
    size = next((e.strips for e in reversed(events) if isinstance(e, Pack)), 100)
    assert w.left(straight) == w.left(mixed) == max(0.0, size - used)


def test_ten_years_of_tests_keep_only_what_can_still_change() -> None:
    w = watch(strips=1000, opened=None)
    s = w.initial()
    for day in range(0, 3650, 7):
        w.on_fact(s, strip(day))
    assert len(s.used) <= 400 / 7 + 2
    assert w.left(s) == 1000 - 522
    assert TypeAdapter(SuppliesState).validate_json(TypeAdapter(SuppliesState).dump_json(s)) == s


def test_a_pack_entered_by_mistake_leaves_the_count_of_the_one_before() -> None:
    w = watch(strips=1000, opened=None)
    s = w.initial()
    for day in range(0, 700, 7):
        w.on_fact(s, strip(day))
    w.on_fact(s, pack(701, 50))
    w.void(s, "p701")
    assert w.left(s) == 1000 - 100
