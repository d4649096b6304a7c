"""Outgrown is claimed where everything speaks for it, and nowhere else (simulated tanks, `helpers/leaftanks.py`)."""

import pytest

from helpers.leaftanks import PLACES, REASONS, verdict
from rushlight.alarms.evidence import Evidence, NitrateEvidence
from rushlight.alarms.finding import Finding
from rushlight.tank.growth import outgrown

TANKS = 60


def told(reason: str) -> int:
    return sum(verdict(reason, seed) is not None for seed in range(TANKS))


def test_outgrown_plants_are_named_in_nine_of_ten() -> None:
    assert told("outgrown") >= 0.9 * TANKS


@pytest.mark.parametrize("reason", [r for r in REASONS if r != "outgrown"])
def test_nothing_else_is_called_outgrown_in_nine_of_ten(reason: str) -> None:
    assert told(reason) <= 0.1 * TANKS


def test_each_reason_alone_holds_the_claim_back() -> None:
    """Seed 1's tank is outgrown; with one piece of evidence to the contrary it is not claimed."""
    import dataclasses
    from unittest.mock import patch

    kept = []
    with patch.object(outgrown, "judge", side_effect=kept.append):
        verdict("outgrown", 1)
    seen = kept[0]
    assert outgrown.judge(seen) is not None
    against = [
        {"lamp_percent": 90.0},
        {"lamp_percent": None},
        {"light_alarm": True},
        {"cut_lately": True},
        {"colder_c": 4.0},
        {"spots": None},
        {"growth_slow": False, "uptake_per_light": 1.0},
        {"growth_slow": False, "uptake_per_light": None},
    ]
    for change in against:
        assert outgrown.judge(dataclasses.replace(seen, **change)) is None, change


def test_it_says_how_much_light_to_add_and_where() -> None:
    """What the leaves lost, as photons over the lamp's hours: mol m⁻² d⁻¹ = µmol m⁻² s⁻¹ × 3600 h × 10⁻⁶."""
    found = verdict("outgrown", 1)
    assert found is not None
    assert set(found.where) <= set(PLACES) and found.where
    assert found.add_umol is not None and 0 < found.add_umol * 3600 * 10 * 1e-6 < 3.0
    for word in ("as bright as ever", "µmol m⁻² s⁻¹", *found.where):
        assert word in found.sentence


def test_it_becomes_the_cause_of_what_it_explains_alone() -> None:
    found = verdict("outgrown", 1)
    weak = Finding(alarm="uptake_behind", tank="foyer", says="raise", evidence=NitrateEvidence(limit_mg_l=40.0))
    joined = outgrown.join(weak, found).evidence
    assert isinstance(joined, NitrateEvidence)
    assert joined.first_cause == "outgrown" and "outgrown" in (joined.cause_sentence or "")
    assert joined.action_sentence.startswith("Thin them")
    other = Finding(alarm="lamp_off", tank="foyer", says="raise", evidence=Evidence())
    assert outgrown.join(other, found) is other and outgrown.join(weak, None) is weak
