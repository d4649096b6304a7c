"""What kind of test would tell most, and what a kit's checks show."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from helpers.site import config_of
from rushlight import eventlines
from rushlight.effects import Estimate
from rushlight.events import KitCheck, Pack
from rushlight.settings import Kit
from rushlight.tank.kits import choice
from rushlight.tank.kits.watch import KitsWatch

SITE = config_of()
TANK = SITE.tank[0]
NEAR = Estimate(mean=40.0, low=28.0, high=52.0)


def best(nitrate: Estimate, kits: tuple[Kit, ...] = SITE.kit, **more: object) -> choice.Option:
    return choice.choose(choice.options(TANK, kits, nitrate, **more), TANK, 5.0)  # type: ignore[arg-type]


def test_far_from_the_limit_no_test_would_tell_anything() -> None:
    for level in (8.0, 150.0):
        found = best(Estimate(mean=level, low=0.8 * level, high=1.2 * level))
        assert found.kind == "nothing yet"
        assert "40 mg/L" in found.sentence


@pytest.mark.parametrize(("limit", "cups"), [(40.0, None), (72.0, None), (54.0, (2, 1)), (48.0, (3, 1))])
def test_the_thinning_is_the_one_whose_border_lies_at_the_limit(limit: float, cups: tuple[int, int] | None) -> None:
    """Pads meet at about 36 and 73; 3 + 1 with water of 5 mg/L moves the first to 47, 2 + 1 to 52 (stoichiometry)."""
    tank = dataclasses.replace(TANK, limits=dataclasses.replace(TANK.limits, nitrate=limit))
    unsure = Estimate(mean=limit, low=0.7 * limit, high=1.3 * limit)
    found = choice.choose(choice.options(tank, SITE.kit, unsure, water=5.0), tank, 5.0)
    if cups is None:
        assert found.kind == "strip"
    else:
        assert (found.kind, found.cups) == ("thinned", cups)
        assert f"{cups[0]} part" in found.sentence
        assert found.border == pytest.approx(limit, rel=0.08)


def test_finer_ways_are_told_where_they_are_at_hand() -> None:
    assert best(NEAR, pictures=True, standards=True).kind == "picture"
    drops = (*SITE.kit, Kit(id="drops", method="drops"))
    assert best(NEAR, drops).kind == "drops"
    assert best(NEAR, strips_left=0.0).kind == "laboratory"


def test_the_information_of_a_strip_is_that_of_its_table_of_chances() -> None:
    """Shannon's mutual information worked out apart, with numpy, from the joint table of pad and side of the limit."""
    (kit,) = SITE.kit
    belief = choice._belief(NEAR)
    answers = choice._pads(kit, kit.pads["nitrate"])
    levels, weights = np.array(belief).T
    given = np.array([[a.likelihood()(c) for c in levels] for a in answers])
    given /= given.sum(axis=0)
    joint = np.array([(given[:, levels > 40.0] * weights[levels > 40.0]).sum(axis=1),
                      (given[:, levels <= 40.0] * weights[levels <= 40.0]).sum(axis=1)])  # fmt: skip
    apart = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
    bits = float(np.nansum(np.where(joint > 0, joint * np.log2(joint / apart), 0.0)))
    whole = given * weights
    full = whole > 1e-12
    share = whole[full] / (whole.sum(1, keepdims=True) * weights)[full]
    level = float((whole[full] * np.log2(share)).sum())
    side = joint.sum(axis=1)
    doubt = -float((side * np.log2(side)).sum())
    assert choice._bits(belief, answers, 40.0) == pytest.approx(bits + choice.LEVEL_WEIGHT * doubt * level, rel=1e-6)
    assert bits < doubt


def checked(*pairs: tuple[float, float], at: str = "2026-03-01T12:00:00Z", name: str = "c1", **more: str) -> KitCheck:
    standards = [{"substance": "nitrate", "value": held, "read": read} for held, read in pairs]
    event = eventlines.parse_record(
        {"at": at, "kind": "kit_check", "id": name, "kit": "strip", "standards": standards, **more}
    )
    assert isinstance(event, KitCheck)
    return event


def test_a_kit_that_reads_low_is_told_with_its_figure() -> None:
    watch = KitsWatch(TANK, SITE.kit)
    state = watch.initial()
    watch.on_check(state, checked((20, 10), (50, 25), (100, 50), (38, 25)))
    (known,) = watch.known(state, 2e9)
    assert known.high < 0.0
    assert -0.5 < known.reads < -0.2
    assert known.spread is not None
    assert "low" in known.sentence
    assert "4 known solutions" in known.sentence
    assert f"{-100 * known.reads:.0f} %" in known.sentence


def test_a_kit_that_reads_right_is_said_to_do_so() -> None:
    watch = KitsWatch(TANK, SITE.kit)
    state = watch.initial()
    watch.on_check(state, checked((10, 10), (25, 25), (50, 50), (100, 100)))
    (known,) = watch.known(state, 2e9)
    assert known.low < 0.0 < known.high
    assert abs(known.reads) < 0.1
    assert "reads right" in known.sentence


def test_a_new_pack_asks_for_a_new_check() -> None:
    watch = KitsWatch(TANK, SITE.kit)
    state = watch.initial()
    assert watch.to_check(state, 2e9) == ""
    watch.on_check(state, checked((25, 25)))
    assert watch.to_check(state, 2e9) == ""
    opened = eventlines.unix_s("2026-05-01T12:00:00Z")
    watch.on_fact(state, Pack(at_s=opened, id="p", tank="foyer", strips=50.0))
    assert "new pack" in watch.to_check(state, opened + 1.0)
    watch.on_check(state, checked((25, 25), at="2026-05-02T12:00:00Z", name="c2"))
    assert watch.to_check(state, opened + 1e6) == ""


def test_a_pack_named_otherwise_is_another_pack_though_nobody_said_that_it_was_opened() -> None:
    watch = KitsWatch(TANK, SITE.kit)
    state = watch.initial()
    watch.on_check(state, checked((25, 25), pack="lot 7"))
    watch.on_check(state, checked((25, 10), at="2026-05-02T12:00:00Z", name="c2", pack="lot 8"))
    assert watch.pack_at(state, "strip", eventlines.unix_s("2026-04-01T12:00:00Z")) == 0
    assert watch.pack_at(state, "strip", eventlines.unix_s("2026-06-01T12:00:00Z")) == 1
    assert math.isfinite(watch.known(state, 2e9)[0].reads)
