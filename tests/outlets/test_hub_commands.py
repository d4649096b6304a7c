"""Commands from a hub: checked whole, refused with a reason, never a value that was not sent."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.hub import config, standing, view, with_tank
from rushlight.entry.receipt import Receipt
from rushlight.eventlines import LineError, rfc3339
from rushlight.events import Acknowledge, Correction, Event, Shelve, Test, WaterChange
from rushlight.outlets.hub import commands
from rushlight.settings import Hub, Kit

NOW_S = 1_750_000_000.0  # 2025-06-15T15:06:40Z, by `date -u -d @1750000000`
SITE = with_tank(view(), "foyer", alarms=(standing(),))


def parse(record: dict[str, Any] | bytes) -> Event:
    payload = record if isinstance(record, bytes) else json.dumps(record).encode()
    return commands.parse(payload, config(), SITE, NOW_S)


def test_now_is_the_default_time() -> None:
    event = parse({"id": "w1", "kind": "water_change", "tank": "foyer", "fraction": 0.3})
    assert event == WaterChange(at_s=NOW_S, id="w1", tank="foyer", fraction=0.3)


def test_a_late_entry_says_when_it_came() -> None:
    event = parse(
        {
            "id": "t1",
            "kind": "test",
            "tank": "foyer",
            "method": "strip",
            "values": {"nitrate": ">250"},
            "at": "2025-06-14T15:06:40Z",
        }
    )
    assert event == Test(
        at_s=NOW_S - 86400, received_s=NOW_S, id="t1", tank="foyer", method="strip", values={"nitrate": ">250"}
    )


@pytest.mark.parametrize(("ago_h", "aid"), [(1, True), (30, False)])
def test_a_power_cut_is_answered_with_first_aid_while_it_is_of_use(ago_h: int, aid: bool) -> None:
    at = rfc3339(NOW_S - 3600 * ago_h)
    line = {"id": "o", "kind": "outage", "tank": "foyer", "minutes": 300, "at": at}
    answer = commands.run(json.dumps(line).encode(), config(), SITE, NOW_S, lambda e: Receipt(e.id))
    assert answer.ok and answer.what.startswith("recorded")
    assert ("See that the pump runs" in answer.what) is aid


def test_first_aid_that_is_part_of_what_an_entry_changed_is_said_once() -> None:
    """A daemon's receipt carries it already."""
    aid = "See that the pump runs and the surface moves, and give no food today."
    payload = json.dumps({"id": "o", "kind": "outage", "tank": "foyer", "minutes": 600}).encode()
    answer = commands.run(payload, config(), SITE, NOW_S, lambda e: Receipt(e.id, changed=f"Next test tomorrow. {aid}"))
    assert answer.what.count(aid) == 1


def test_a_sender_whose_clock_is_a_little_fast_means_now() -> None:
    event = parse({"id": "f", "kind": "note", "tank": "foyer", "text": "x", "at": "2025-06-15T15:08:00Z"})
    assert (event.at_s, event.received_s) == (NOW_S, 0.0)
    with pytest.raises(LineError, match="future"):
        parse({"id": "f", "kind": "note", "tank": "foyer", "text": "x", "at": "2025-06-15T15:12:00Z"})


def test_acknowledge_and_shelve_need_an_alarm_that_stands() -> None:
    assert parse({"id": "a", "kind": "acknowledge", "alarm": "foyer.ph_low"}) == Acknowledge(
        at_s=NOW_S, id="a", alarm="foyer.ph_low", by="hub"
    )
    assert isinstance(parse({"id": "s", "kind": "shelve", "alarm": "foyer.ph_low", "hours": 8, "by": "duty"}), Shelve)
    with pytest.raises(LineError, match="stands now"):
        parse({"id": "a", "kind": "acknowledge", "alarm": "foyer.ph_high"})


@pytest.mark.parametrize(
    ("payload", "key"),
    [
        (b'{"id": "x", "kind": "note", "tank": "foyer", "text": "\\ud800"}', "line"),
        (b'{"id": "x", "kind": "feeding", "tank": "foyer", "grams": 1e999}', "line"),
        (b'{"id": "x", "kind": "feeding", "tank": "foyer", "grams": -Infinity}', "line"),
        (b'{"id": "x", "kind": "stocking", "tank": "foyer", "change": 1%s}' % (b"0" * 5000), "line"),
        (b'{"id": "x", "kind": "stocking", "tank": "foyer", "change": true}', "change"),
        (b'{"id": ["x"], "kind": "note", "tank": "foyer", "text": "x"}', "id"),
        (b'{"id": "  ", "kind": "note", "tank": "foyer", "text": "x"}', "id"),
        (b'{"id": "%s", "kind": "note", "tank": "foyer", "text": "x"}' % (b"x" * 201), "id"),
        (
            b'{"id": "x", "kind": "note", "tank": "foyer", "text": "x", "received_at": "2025-06-15T15:06:40Z"}',
            "received_at",
        ),
        (b'{"id": "x", "kind": "note", "tank": "foyer", "text": "x", "at": 5}', "at"),
        (b'{"id": "x", "kind": ["note"], "tank": "foyer", "text": "x"}', "kind"),
        (b"null", "line"),
        (b"\xff\xfe", "line"),
        (b'{"kind": "feeding", "tank": "foyer", "grams": 1}', "id"),
        (b'{"id": "x", "kind": "feeding", "tank": "foyer", "grams": NaN}', "line"),
        (b'{"id": "x", "kind": "feeding", "tank": "foyer", "grams": -1}', "grams"),
        (b'{"id": "x", "kind": "feeding", "tank": "foyer", "grams": "1"}', "grams"),
        (b'{"id": "x", "kind": "feeding", "tank": "foyer", "grams": 1, "portion": 2}', "portion"),
        (b"[" * 60_000, "line"),
        (b"{}" + b" " * 70_000, "line"),
    ],
)
def test_what_is_wrong_is_named(payload: bytes, key: str) -> None:
    with pytest.raises(LineError) as e:
        parse(payload)
    assert e.value.key == key


def junk() -> st.SearchStrategy[Any]:
    leaf = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12)
    return st.recursive(leaf, lambda x: st.lists(x, max_size=3) | st.dictionaries(st.text(max_size=8), x, max_size=3))


KEYS = [
    "id",
    "kind",
    "at",
    "tank",
    "grams",
    "values",
    "method",
    "alarm",
    "by",
    "hours",
    "of",
    "void",
    "replacement",
    "points",
]


@pytest.mark.slow
@settings(max_examples=600)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.dictionaries(
            st.sampled_from(KEYS),
            st.one_of(
                junk(), st.sampled_from(["test", "feeding", "foyer", "strip", "correction", "2025-06-15T15:06:40Z"])
            ),
        ).map(lambda d: json.dumps(d).encode()),
    )
)
def test_no_payload_makes_it_stumble_or_invents_a_value(payload: bytes) -> None:
    taken: list[Event] = []

    def submit(event: Event) -> Receipt:
        taken.append(event)
        return Receipt(event.id)

    answer = commands.run(payload, config(), SITE, NOW_S, submit)
    json.loads(answer.text())
    assert answer.ok == bool(taken)
    if not answer.ok:
        assert answer.key
        assert answer.what


@given(st.binary(max_size=80))
def test_a_field_takes_a_number_in_its_range_or_nothing(payload: bytes) -> None:
    drafts = commands.Drafts()
    drafts.put("foyer", "ph", b"7.0", 0.0)
    try:
        value = drafts.put("foyer", "ph", payload, 1.0)
    except LineError as e:
        assert e.key == "ph"
        assert drafts.values("foyer") == {"ph": 7.0}
        return
    assert value == float(payload)
    assert 0 <= value <= 14
    assert math.isfinite(value)


def test_a_draft_of_an_hour_ago_is_stale() -> None:
    drafts = commands.Drafts()
    drafts.put("foyer", "nitrate", b"25", 1000.0)
    drafts.put("reading-room", "nitrate", b"10", 3000.0)
    assert drafts.stale(4600.0) == []
    assert drafts.stale(4601.0) == ["foyer"]
    assert drafts.clear("foyer") == ("nitrate",)
    assert drafts.clear("foyer") == ()


def test_the_fields_of_a_tank_are_those_of_its_kit() -> None:
    conf = config()
    assert commands.fields_of(conf)["foyer"] == {"nitrate": "mg/L as NO3", "ph": "", "kh": "°dH"}
    bare = replace(conf, kit=(Kit(id="drops", method="drops"),))
    assert len(commands.fields_of(bare)["foyer"]) == len(commands.FIELDS)
    test = commands.test_of("foyer", {"nitrate": 5.0}, bare, NOW_S)
    assert (test.method, test.kit) == ("drops", "drops")


def test_a_disk_that_does_not_take_it_is_told() -> None:
    line = json.dumps({"id": "n", "kind": "note", "tank": "foyer", "text": "x"}).encode()
    answer = commands.run(line, config(), SITE, NOW_S, lambda e: Receipt(e.id, kept="in memory"))
    assert "in memory" in answer.what
    assert (answer.ok, answer.kept) == (True, "in memory")
    lost = commands.run(line, config(), SITE, NOW_S, lambda e: Receipt(e.id, kept="unknown"))
    assert (lost.ok, lost.kept) == (False, "unknown")
    again = commands.run(line, config(), SITE, NOW_S, lambda e: Receipt(e.id, new=False))
    assert (again.ok, again.new) == (True, False)
    assert "already" in again.what


WANTS = {
    "acknowledge": {"kind": "acknowledge", "alarm": "foyer.ph_low"},
    "test": {"kind": "test", "tank": "foyer", "method": "strip", "values": {"nitrate": 25}},
    "record": {"kind": "feeding", "tank": "foyer", "grams": 0.9},
    "correct": {"kind": "correction", "of": "x", "void": True},
    "calibrate": {"kind": "calibration", "probe": "foyer-temperature", "points": [{"value": 20.0, "raw": 20.1}]},
    "shelve": {"kind": "shelve", "alarm": "foyer.ph_low", "hours": 8},
}


@pytest.mark.parametrize("command", WANTS)
@pytest.mark.parametrize("chosen", ["nothing", "the others"])
def test_the_hub_may_do_only_what_was_chosen(command: str, chosen: str) -> None:
    others = tuple(c for c in WANTS if c != command) if chosen == "the others" else ()
    payload = json.dumps({"id": "c-1"} | WANTS[command]).encode()
    answer = commands.run(payload, config(commands=others), SITE, NOW_S, lambda _: pytest.fail("it was taken"))
    assert (answer.ok, answer.key) == (False, "kind")
    assert repr(command) in answer.what
    if command in {"test", "record", "acknowledge", "shelve"}:
        taken = commands.run(payload, config(commands=(command,)), SITE, NOW_S, lambda e: Receipt(e.id))
        assert taken.ok, taken


def test_by_default_it_may_do_nothing() -> None:
    assert Hub().commands == ()


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ({"kind": "shelve", "alarm": "foyer.ph_low", "hours": 1440}, "hours"),
        ({"kind": "test", "tank": "foyer", "method": "lab", "values": {"nitrate": 5}}, "method"),
        ({"kind": "note", "tank": "foyer", "text": "x" * 2001}, "text"),
        ({"kind": "correction", "of": "never-was", "void": True}, "of"),
    ],
)
def test_its_bounds_are_the_page_s(line: dict[str, Any], key: str) -> None:
    def submit(event: Event) -> Receipt:
        if isinstance(event, Correction):
            raise ValueError(f"of: no entry {event.of!r} in the journal")  # noqa: TRY004 - as the engine does
        pytest.fail("it was taken")

    answer = commands.run(json.dumps({"id": "b-1"} | line).encode(), config(), SITE, NOW_S, submit)
    assert (answer.ok, answer.key) == (False, key)


def test_who_did_it_is_the_hub_whatever_name_it_gives() -> None:
    taken: list[Event] = []
    line = {"id": "w-1", "kind": "acknowledge", "alarm": "foyer.ph_low", "by": "duty librarian"}

    def submit(event: Event) -> Receipt:
        taken.append(event)
        return Receipt(event.id)

    assert commands.run(json.dumps(line).encode(), config(), SITE, NOW_S, submit).ok
    assert isinstance(taken[0], Acknowledge)
    assert taken[0].by == "hub"
