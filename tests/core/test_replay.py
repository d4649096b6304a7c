"""Replay: the same core in simulated time; same input, same bytes; a bad line stops it and says where."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

import pytest

from helpers.site import CONFIG, config_of, lines_of
from rushlight import eventlines
from rushlight.replay import replay

pytestmark = pytest.mark.slow

RUSHLIGHT = [sys.executable, "-m", "rushlight"]


def run(tmp_path: Path, lines: Iterable[str], *options: str) -> subprocess.CompletedProcess[str]:
    config, events = tmp_path / "config.toml", tmp_path / "events.jsonl"
    config.write_text(CONFIG)
    events.write_text("\n".join(lines) + "\n")
    command = [*RUSHLIGHT, "replay", "--config", str(config), *options, str(events)]
    return subprocess.run(
        command,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={**os.environ, "HOME": str(tmp_path / "home")},
    )


def hot_day() -> list[str]:
    """Temperature every five minutes: 24 °C, three hours at 29 °C, back to 24 °C."""
    return lines_of(
        "foyer-temperature", [24.0] * 60 + [29.0] * 36 + [24.0] * 100, start="2026-03-01T06:00:00Z", every_s=300
    )


def test_an_excursion_is_raised_once_and_returns_once(tmp_path: Path) -> None:
    got = run(tmp_path, hot_day())
    assert got.returncode == 0, got.stderr
    alarms = [r for r in map(json.loads, got.stdout.splitlines()) if r.get("alarm") == "temperature_high"]
    assert [a["state"] for a in alarms] == ["unacknowledged", "returned"]
    assert alarms[0]["id"] == alarms[1]["id"] == "foyer.temperature_high"
    assert "29" in alarms[0]["text"]
    assert alarms[0]["at"] >= "2026-03-01T11:00:00Z"
    assert set(alarms[0]) >= {"at", "kind", "tank", "alarm", "id", "state", "priority", "text", "evidence"}


def test_an_acknowledged_excursion_ends_normal(tmp_path: Path) -> None:
    acknowledge = (
        '{"at":"2026-03-01T13:00:00Z","kind":"acknowledge","alarm":"foyer.temperature_high","by":"duty librarian"}'
    )
    got = run(tmp_path, sorted([*hot_day(), acknowledge], key=lambda line: json.loads(line)["at"]))
    alarms = [r for r in map(json.loads, got.stdout.splitlines()) if r.get("alarm") == "temperature_high"]
    assert [a["state"] for a in alarms] == ["unacknowledged", "acknowledged", "normal"]


def test_no_data_never_clears_an_alarm(tmp_path: Path) -> None:
    """The probe dies while the water is hot."""
    got = run(
        tmp_path, [*hot_day()[:90], '{"at":"2026-03-04T06:00:00Z","kind":"note","tank":"foyer","text":"three days on"}']
    )
    records = [json.loads(line) for line in got.stdout.splitlines()]
    assert [r["state"] for r in records if r.get("alarm") == "temperature_high"] == ["unacknowledged"]
    assert [r["state"] for r in records if r.get("alarm") == "probe_silent"] == ["unacknowledged"]


def test_the_same_input_gives_the_same_bytes(tmp_path: Path) -> None:
    one, two = run(tmp_path, hot_day(), "--daily"), run(tmp_path, hot_day(), "--daily")
    assert one.stdout == two.stdout
    assert one.stdout


def test_what_would_be_sent_is_written_in_order_with_every_key_of_the_contract(tmp_path: Path) -> None:
    """No channel is set up there, so it is what one person with a phone would get; the rest is what it was without."""
    got = run(tmp_path, hot_day(), "--messages")
    records = [json.loads(line) for line in got.stdout.splitlines()]
    told = [r for r in records if r["kind"] == "message"]
    assert next(m["step"] for m in told if m["alarms"] == ["foyer.temperature_high"]) == "raise"
    assert [m["step"] for m in told if m["alarms"] == ["foyer.temperature_high"]][-1] == "return"
    for m in told:
        assert list(m) == ["at", "kind", "to", "priority", "step", "title", "body", "alarms"]
    assert [m["at"] for m in told] == sorted(m["at"] for m in told)
    without = [json.loads(line) for line in run(tmp_path, hot_day()).stdout.splitlines()]
    assert [r for r in records if r["kind"] != "message"] == without


def test_replay_touches_no_data_folder(tmp_path: Path) -> None:
    run(tmp_path, hot_day())
    assert not (tmp_path / "home").exists()


def test_daily_lines_carry_every_key_of_the_contract(tmp_path: Path) -> None:
    test = '{"at":"2026-03-01T06:30:00Z","kind":"test","tank":"foyer","method":"strip","values":{"nitrate":25}}'
    note = '{"at":"2026-03-04T06:00:00Z","kind":"note","tank":"foyer","text":"x"}'
    got = run(tmp_path, [hot_day()[0], test, note], "--daily")
    days = [r for r in map(json.loads, got.stdout.splitlines()) if r["kind"] == "daily"]
    keys = {
        "at",
        "kind",
        "tank",
        "date",
        "light_dose_mol",
        "light_coverage",
        "lamp_dose_mol",
        "lamp_percent",
        "nitrate",
    }
    keys |= {"net_rate", "supply_rate", "uptake_rate", "kept_up", "days_to_limit", "chance_28_days", "growth_per_week"}
    assert [d["date"] for d in days] == ["2026-03-01", "2026-03-02", "2026-03-03"]
    assert [d["at"] for d in days] == ["2026-03-02T00:00:00Z", "2026-03-03T00:00:00Z", "2026-03-04T00:00:00Z"]
    for day in days:
        assert set(day) == keys
        assert set(day["nitrate"]) == {"mean", "low", "high"}
        assert day["nitrate"]["low"] < day["nitrate"]["mean"] < day["nitrate"]["high"]
        assert day["light_dose_mol"] is None
        assert 0.0 <= day["chance_28_days"] <= 1.0


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (
            '{"at":"2026-03-01T12:00:00Z","kind":"reading","probe":"nope","value":1}',
            "line 3: probe: no probe called 'nope'",
        ),
        (
            '{"at":"2026-03-01T12:00:00Z","kind":"feeding","tank":"foyr","grams":1}',
            "line 3: tank: no tank called 'foyr'; did you mean 'foyer'?",
        ),
        (
            '{"at":"2026-03-01T12:00:00Z","kind":"feeding","tank":"foyer","gram":1}',
            "line 3: gram: unknown key; did you mean 'grams'?",
        ),
        (
            '{"at":"2026-03-01T12:00:00Z","kind":"condition","alarm":"storage_low","says":"raise"}',
            "line 3: kind: unknown kind 'condition'",
        ),
        ("nonsense", "line 3: line: not JSON"),
    ],
)
def test_a_bad_line_stops_it_with_status_2(tmp_path: Path, line: str, said: str) -> None:
    got = run(tmp_path, [*hot_day()[:2], line])
    assert got.returncode == 2
    assert got.stderr.startswith(said)
    assert len(got.stderr.splitlines()) == 1


def test_a_bad_configuration_stops_it_with_status_2(tmp_path: Path) -> None:
    (tmp_path / "config.toml").write_text("[site]\nnme = 1\n")
    command = [*RUSHLIGHT, "replay", "--config", str(tmp_path / "config.toml"), "-"]
    got = subprocess.run(command, input="", capture_output=True, text=True, timeout=60, check=False)
    assert got.returncode == 2
    assert "site.nme" in got.stderr
    assert "tank: is missing" in got.stderr


def test_a_late_entry_acts_when_it_was_typed() -> None:
    """A strip read on the 1st and typed in on the 3rd moves nothing before the 3rd."""
    late = '{"at":"2026-03-01T07:00:00Z","received_at":"2026-03-03T12:00:00Z","kind":"test","tank":"foyer","method":"strip","values":{"nitrate":100}}'
    notes = [f'{{"at":"2026-03-0{d}T06:00:00Z","kind":"note","tank":"foyer","text":"x"}}' for d in range(1, 6)]
    got = [json.loads(r) for r in replay(config_of(), [notes[0], late, *notes[1:]], daily=True)]
    known = {r["date"]: r["nitrate"] for r in got if r["kind"] == "daily"}
    assert known["2026-03-02"] is None
    assert known["2026-03-03"]["mean"] > 50
    assert all(
        r["at"] >= "2026-03-03"
        for r in got
        if r["kind"] == "due" and "test" not in r["reason"] and r["at"] > "2026-03-02"
    )


def test_lines_out_of_order_end_in_the_same_state() -> None:
    tests = [
        f'{{"at":"2026-03-{d:02d}T10:00:00Z","kind":"test","tank":"foyer","method":"strip","values":{{"nitrate":{v}}},"id":"t{d}"}}'
        for d, v in ((1, 10), (5, 25), (9, 25), (13, 50))
    ]
    end = '{"at":"2026-03-20T06:00:00Z","kind":"note","tank":"foyer","text":"x"}'
    straight = list(replay(config_of(), [*tests, end], daily=True))
    mixed = list(replay(config_of(), [tests[0], tests[2], tests[1], tests[3], end], daily=True))
    last = [[json.loads(r) for r in run if '"daily"' in r][-1] for run in (straight, mixed)]
    assert last[0] == last[1]


def test_an_entry_that_is_sent_twice_is_one_entry() -> None:
    test = '{"at":"2026-03-01T10:00:00Z","kind":"feeding","tank":"foyer","grams":5,"id":"f1"}'
    strip = '{"at":"2026-03-01T09:00:00Z","kind":"test","tank":"foyer","method":"strip","values":{"nitrate":25}}'
    end = '{"at":"2026-03-05T06:00:00Z","kind":"note","tank":"foyer","text":"x"}'
    assert list(replay(config_of(), [strip, test, test, end], daily=True)) == list(
        replay(config_of(), [strip, test, end], daily=True)
    )


def test_a_void_entry_never_was() -> None:
    strip = (
        '{"at":"2026-03-01T09:00:00Z","kind":"test","tank":"foyer","method":"strip","values":{"nitrate":25},"id":"a"}'
    )
    wrong = (
        '{"at":"2026-03-02T09:00:00Z","kind":"test","tank":"foyer","method":"strip","values":{"nitrate":250},"id":"b"}'
    )
    void = '{"at":"2026-03-02T09:05:00Z","kind":"correction","of":"b","void":true}'
    end = '{"at":"2026-03-05T06:00:00Z","kind":"note","tank":"foyer","text":"x"}'
    last = [
        [json.loads(r) for r in replay(config_of(), lines, daily=True) if '"daily"' in r][-1]
        for lines in ([strip, wrong, void, end], [strip, end])
    ]
    assert last[0] == last[1]


def test_output_lines_are_in_order_of_time() -> None:
    got = [json.loads(r)["at"] for r in replay(config_of(), hot_day(), daily=True)]
    assert [eventlines.unix_s(a) for a in got] == sorted(eventlines.unix_s(a) for a in got)
