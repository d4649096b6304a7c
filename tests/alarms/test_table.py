"""The table is whole, speaks plainly, and its page is its picture."""

import re
from pathlib import Path

import pytest

from rushlight.alarms import reference
from rushlight.alarms.pace import ACK_LASTS_S, REPEATS_S
from rushlight.alarms.table import TABLE

DEPLOY = Path(__file__).parents[2] / "deploy" / "alarms.md"

# The alarm names that other programs depend on.
NAMES = """test_overdue nitrate_high nitrate_rising uptake_behind lamp_dimming lamp_off light_low light_probe_fouled
ammonia_high nitrite_high chlorine_high nitrate_low fish_in_distress temperature_high temperature_low temperature_moving ph_high ph_low ph_moving alkalinity_low
hardness_high level_low conductivity_high probes_disagree probe_silent probe_fault calibration_due delivery_failing storage_low config_refused clock_untrusted strips_low growth_slowing"""


def test_every_alarm_has_a_row_and_no_other():
    assert sorted(TABLE) == sorted(NAMES.split())


@pytest.mark.parametrize("row", TABLE.values(), ids=lambda r: r.name)
def test_a_row_is_complete_and_asks_for_something(row):
    for text in (
        row.title,
        row.cause,
        row.consequence,
        row.first_action,
        row.respond,
        row.deadband,
        row.stale,
    ):
        assert text.strip()
    for text in (row.cause, row.consequence, row.first_action, row.sitter, row.trap):
        assert not text or text.endswith(".")
        assert "!" not in text
    assert row.on_delay_s >= 0
    assert row.off_delay_s > 0, "a return in the same instant as a rise would depend on order"
    assert not row.trap or row.trap.startswith("Do not")


def test_weak_light_and_rising_nitrate_warn_against_fertiliser():
    for name in ("nitrate_rising", "nitrate_high", "uptake_behind", "lamp_dimming", "light_low"):
        assert "fertiliser" in TABLE[name].trap


def test_only_what_cannot_wait_is_high():
    high = {r.name for r in TABLE.values() if r.priority == "high"}
    assert high == {
        *("ammonia_high", "nitrite_high", "chlorine_high", "fish_in_distress"),
        *("temperature_high", "temperature_low", "level_low"),
    }


def test_repeats_grow_and_acknowledgements_of_high_alarms_are_short():
    for steps in REPEATS_S.values():
        assert list(steps) == sorted(set(steps))
    assert all(0 < first_s <= most_s for first_s, most_s in ACK_LASTS_S.values())
    assert max(ACK_LASTS_S["urgent"]) <= 4 * 3600
    assert max(ACK_LASTS_S["tested"]) <= 3 * 86400, "poisons"
    assert max(ACK_LASTS_S["high"]) <= 7 * 86400


def test_each_acknowledgement_of_what_can_wait_holds_twice_as_long_up_to_a_bound():
    days = [TABLE["lamp_dimming"].ack_lasts_s("medium", n) / 86400 for n in (1, 2, 3, 400)]
    assert days == [28, 56, 91, 91]
    assert {TABLE["temperature_high"].ack_lasts_s("high", n) for n in range(1, 9)} == {4 * 3600.0}


def test_the_page_in_deploy_is_the_rendered_table():
    assert DEPLOY.read_text() == reference.render()


def test_the_page_links_to_every_row():
    text = reference.render()
    anchors = set(re.findall(r"^## (\w+)$", text, re.M))
    assert set(re.findall(r"\(#(\w+)\)", text)) <= anchors
    assert set(TABLE) <= anchors


def test_what_can_not_wait_is_urgent_and_nothing_else():
    """An answer within hours by the table's own words."""
    assert {r.name for r in TABLE.values() if r.urgent} == {
        r.name for r in TABLE.values() if r.respond == "now" or "hour" in r.respond
    }
