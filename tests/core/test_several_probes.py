"""Several probes of one quantity in one tank: each for itself, from the event line to the alarm.

The probes' values are invented; the heater's pace is worked out from its power (`test_a_heater_stuck_on…`).
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.site import CONFIG, config_of, lines_of
from rushlight.config import implied
from rushlight.config import loading as configs
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.core.view import site_view
from rushlight.replay import events, replay
from rushlight.service import snapshots
from rushlight.service.starting import checks

START = "2026-03-01T00:00:00Z"
DAY = 288
"""Readings a day, at one every five minutes."""


def probe(name: str, quantity: str, **keys: object) -> str:
    said = "".join(f"{k} = {json.dumps(v)}\n" for k, v in keys.items())
    return f'\n[[probe]]\nid = "{name}"\ntank = "foyer"\nquantity = "{quantity}"\nevery_seconds = 300\n{said}'


def woven(*streams: list[str]) -> list[str]:
    """Streams in one order of time; at one moment the earlier stream first."""
    tagged = [(json.loads(line)["at"], n, line) for n, stream in enumerate(streams) for line in stream]
    return [line for _, _, line in sorted(tagged, key=lambda t: t[:2])]


def said(text: str, lines: list[str], *, daily: bool = False) -> list[dict[str, Any]]:
    return [json.loads(line) for line in replay(config_of(text), lines, daily=daily)]


def raised(records: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """By alarm id, the first time that it stood."""
    found: dict[str, dict[str, Any]] = {}
    for r in records:
        if r["kind"] == "alarm" and r["state"] == "unacknowledged":
            found.setdefault(r["id"], r)
    return found


def stream(name: str, values: list[float], every_s: float = 300.0) -> list[str]:
    return lines_of(name, values, start=START, every_s=every_s)


TWO = CONFIG + probe("far", "temperature", place="left end")


def wobbling(level: float, n: int) -> list[float]:
    return [level + 0.01 * (i % 7) for i in range(n)]


@pytest.mark.parametrize("hot", ["foyer-temperature", "far"])
def test_one_probe_beyond_its_limit_is_told_whatever_the_other_says(hot: str) -> None:
    """The issue's row: 32 °C and 24 °C in one tank, the one a moment after the other, either way round."""
    cool = "far" if hot == "foyer-temperature" else "foyer-temperature"
    found = raised(said(TWO, woven(stream("foyer-temperature", wobbling(32.0 if hot != "far" else 24.0, DAY)),
                                   stream("far", wobbling(32.0 if hot == "far" else 24.0, DAY)))))  # fmt: skip
    alarm = found[f"foyer.temperature_high.{hot}"]
    assert alarm["at"] < "2026-03-01T01:00:00Z"
    assert alarm["evidence"]["probe"] == hot
    assert hot in alarm["text"]
    assert f"foyer.temperature_high.{cool}" not in found
    apart = found["foyer.probes_disagree.temperature"]
    assert apart["at"] < "2026-03-01T01:30:00Z"
    for part in ("foyer-temperature", "far, left end", "differ by 8.0 °C", "32.0 °C", "24.0 °C"):
        assert part in apart["text"]


def test_each_probe_has_its_own_delay() -> None:
    """Each is beyond the limit for less than the ten minutes that it must stand; together it would be longer."""
    minutes = 60
    one = [27.4 if 10 <= m < 18 else 24.0 for m in range(minutes)]
    other = [27.4 if 18 <= m < 26 else 24.0 for m in range(minutes)]
    lines = woven(stream("foyer-temperature", one, 60.0), stream("far", other, 60.0))
    assert not [i for i in raised(said(TWO, lines)) if "temperature_high" in i]


@settings(max_examples=12, deadline=None)
@given(st.floats(-1.9, 1.9), st.booleans())
def test_probes_within_their_error_agree(offset: float, swap: bool) -> None:
    pair = [stream("foyer-temperature", wobbling(24.0, 60)), stream("far", wobbling(24.0 + offset, 60))]
    found = raised(said(TWO, woven(*(pair[::-1] if swap else pair))))
    assert not [i for i in found if "disagree" in i]


@settings(max_examples=12, deadline=None)
@given(st.floats(2.1, 2.9), st.sampled_from([-1.0, 1.0]), st.booleans())
def test_probes_beyond_their_error_are_told_within_the_limits_too(apart: float, sign: float, swap: bool) -> None:
    pair = [stream("foyer-temperature", wobbling(24.0, 60)), stream("far", wobbling(24.0 + sign * apart, 60))]
    found = raised(said(TWO, woven(*(pair[::-1] if swap else pair))))
    assert set(found) == {"foyer.probes_disagree.temperature"}


def test_it_returns_when_they_agree_again() -> None:
    lines = woven(
        stream("foyer-temperature", wobbling(24.0, 120)), stream("far", wobbling(28.0, 30) + wobbling(24.2, 90))
    )
    states = [r["state"] for r in said(TWO, lines) if r.get("alarm") == "probes_disagree"]
    assert states == ["unacknowledged", "returned"]


# ---- light


def lit(level: float) -> list[float]:
    return [level if 96 <= i % DAY < 216 else 2.0 for i in range(3 * DAY)]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("first", "second", "carrier"),
    [(False, False, "foyer-light"), (False, True, "shelf"), (True, False, "foyer-light")],
)
def test_one_light_probe_carries_the_dose_and_the_other_never_touches_it(
    first: bool, second: bool, carrier: str
) -> None:
    """The dose is, to the last digit, what the carrier alone would have given."""
    text = CONFIG.replace('quantity = "light"\n', f'quantity = "light"\ndose = {json.dumps(first)}\n')
    both = text + probe("shelf", "light", dose=second, place="shelf")
    streams = {"foyer-light": stream("foyer-light", lit(8000.0)), "shelf": stream("shelf", lit(900.0))}
    keys = ("light_dose_mol", "light_coverage", "lamp_dose_mol", "lamp_percent")

    def days(lines: list[str]) -> list[list[Any]]:
        return [[r[k] for k in keys] for r in said(both, lines, daily=True) if r["kind"] == "daily"]

    alone = days(streams[carrier])
    assert len(alone) >= 2
    assert alone[0][0] > 0
    assert days(woven(*streams.values())) == alone


def test_a_second_nitrate_electrode_never_touches_the_estimate() -> None:
    text = CONFIG + probe("ion", "nitrate") + probe("ion-2", "nitrate")
    test = ['{"at":"2026-03-01T09:00:00Z","kind":"test","tank":"foyer","method":"strip","values":{"nitrate":25}}']
    one = stream("ion", [25.0 + 0.1 * (i % 9) for i in range(2 * DAY)])
    other = stream("ion-2", [40.0 + 0.1 * (i % 9) for i in range(2 * DAY)])
    days = [
        [r["nitrate"] for r in said(text, lines, daily=True) if r["kind"] == "daily"]
        for lines in (woven(one, test), woven(one, other, test))
    ]
    assert days[0] == days[1]


def test_two_carriers_or_one_that_is_no_light_probe_are_refused() -> None:
    for text, key in (
        (CONFIG + probe("a", "light", dose=True) + probe("b", "light", dose=True), "probe[4].dose"),
        (CONFIG + probe("a", "ph", dose=True), "probe[3].dose"),
    ):
        with pytest.raises(configs.ConfigError) as caught:
            config_of(text)
        assert [f.key for f in caught.value.faults] == [key]


def test_check_says_which_carries_the_dose_and_which_limits_are_assumed() -> None:
    text = CONFIG.replace(", temperature = { low = 21, high = 27 }", ", temperature = { low = 21 }")
    notes = list(checks.warnings(config_of(text + probe("shelf", "light", place="left end"))))
    dose = next(n for n in notes if "light dose" in n)
    assert dose.startswith("foyer: foyer-light carries the light dose")
    assert "shelf, left end" in dose
    limits = [n for n in notes if "no limit given" in n]
    assert len(limits) == 1
    for part in ("temperature", "high = 30 °C", "common practice, no source", "tank.limits.temperature"):
        assert part in limits[0]
    assert "low" not in limits[0]
    assert not [n for n in checks.warnings(config_of()) if "no limit" in n or "dose" in n]


# ---- limits that were left out

NO_LIMITS = CONFIG.replace(
    "limits = { nitrate = 40, temperature = { low = 21, high = 27 }, ph = { low = 6.4, high = 7.8 } }", ""
)


def test_a_heater_stuck_on_is_told_though_no_limit_was_given() -> None:
    """150 W in 140 L warms by at most 150 × 3600 / (140 × 4182 × 0.998) = 0.92 °C an hour (water's specific heat,
    4182 J/(kg K) at 20 °C, CRC Handbook), below what counts as moving: from 24 to 38 °C in 15 hours and a half."""
    pace = 150.0 * 3600.0 / (140.0 * 4182.0 * 0.998)
    assert 0.91 < pace < 0.94
    values = [24.0] * 12 + [min(38.0, 24.0 + pace * i / 12.0) for i in range(DAY)]
    found = raised(said(NO_LIMITS, stream("foyer-temperature", values)))
    alarm = found["foyer.temperature_high"]
    reached_30_s = 3600.0 * (1.0 + 6.0 / pace)
    at_s = 3600.0 * int(alarm["at"][11:13]) + 60.0 * int(alarm["at"][14:16])
    assert 0 <= at_s - reached_30_s <= 1200
    assert "30 °C (assumed, common practice, no source)" in alarm["text"]
    assert "foyer.temperature_moving" not in found


def test_what_is_usual_is_wide_enough_for_an_ordinary_tank() -> None:
    ordinary = [24.0 + 1.5 * ((i % DAY) / DAY) for i in range(3 * DAY)]
    ph = [7.0 + 0.4 * ((i % DAY) / DAY) for i in range(3 * DAY)]
    found = raised(said(NO_LIMITS, woven(stream("foyer-temperature", ordinary), stream("foyer-ph", ph))))
    assert set(found) == {"foyer.test_overdue"}
    assert implied.USUAL["ph"].low is not None


# ---- what is seen outside


def test_views_say_which_probe_and_state_holds_each_ones_value_through_a_snapshot() -> None:
    text = TWO + probe("shelf", "light", dose=True)
    config = config_of(text)
    core = Core(config)
    timeline = Timeline(core, core.initial())
    lines = woven(stream("foyer-temperature", wobbling(24.0, 12)), stream("far", wobbling(26.0, 12)))
    for _ in timeline.run(events(config, lines)):
        pass
    state = timeline.state
    assert state.tanks["foyer"].latest["foyer-temperature"][0] == pytest.approx(24.0, abs=0.1)
    assert state.tanks["foyer"].latest["far"][0] == pytest.approx(26.0, abs=0.1)
    kept = snapshots.load(snapshots.dump(state))
    assert kept == state
    view = site_view(core, state, state.at_s or 0.0)
    probes = {p.id: p for p in view.tanks[0].probes}
    assert (probes["far"].which, probes["foyer-temperature"].which) == ("left end", "foyer-temperature")
    assert probes["foyer-ph"].which == ""
    assert (probes["shelf"].carries, probes["foyer-light"].carries) == ("dose", "")
    assert view.tanks[0].measured("temperature") == pytest.approx(26.0, abs=0.1)
