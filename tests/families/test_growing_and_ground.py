"""Two families that came later: nitrogen that is kept account of, troubles that do what they say, no look ahead."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from helpers.families import judge, watchers
from helpers.families.catalogue import FAMILIES, tank
from helpers.families.common import NEVER, Acts, KitInUse, LivedTank, World, planned, read, seed_of
from helpers.families.growing import Growing
from helpers.families.growing import season as warm_season
from helpers.families.watchers import knowing

NEW = ("growing", "ground")
NO3_PER_G_FEED = 1000 * 0.42 / 6.25 * 62.005 / 14.007
"""mg NO3 for a gram of feed at 42 % protein, all of it turned into nitrate; protein is 16 % nitrogen (Jones 1941)."""


def quiet(family: str, n: int, days: int) -> World:
    """A tank in which nothing goes wrong."""
    world = World(FAMILIES[family], seed_of(FAMILIES[family].number, "tuning", n), days)
    c = world.tank.setting
    if family == "growing":
        _, begins, _, deep = c.own["said"]
        if c.seen_trouble is not None and c.seen_trouble[1] == "cold":
            c.water_c = np.array([22.5 + 2.5 * warm_season(c, d) for d in range(days)])
        c.own["said"], c.seen_trouble = ("", begins, begins, deep), None
    world.state["onset"][:] = NEVER - 1.0  # it has its trouble, and will not live to see it
    return world


def lived(world: World, days: int) -> LivedTank:
    for day in range(days):
        world.live(planned(world.tank.setting, day, world.people))
    return world.tank


@pytest.mark.parametrize("kind", range(3))
def test_plants_hold_what_they_took_up_until_it_rots_or_is_carried_out(kind: int) -> None:
    world = quiet("growing", 4, 300)
    world.state["onset"][:], world.state["kind"][:] = 60.0, kind
    s, held = world.state, Growing.held(world.state)[0]
    t = lived(world, 300)
    fed = sum(a.grams for a in t.acts) * NO3_PER_G_FEED / t.setting.litres * s["share"][0]
    hidden = [Growing.fed(t.setting, d) * min(1.0, (d - 60) / s["length"][0]) for d in range(60, 300)]
    fed += (
        (kind == 1) * s["extra"][0] * sum(hidden) * t.setting.grams * NO3_PER_G_FEED / t.setting.litres * s["share"][0]
    )
    rotted = sum(t.supply) - fed
    assert rotted > 1.0
    assert Growing.held(s)[0] - held == pytest.approx(sum(t.uptake) - rotted, rel=1e-9)


@pytest.mark.parametrize("kind", range(5))
def test_what_falls_into_the_ground_comes_out_of_it_or_is_there_still(kind: int) -> None:
    world = quiet("ground", 4, 300)
    s, kept = world.state, FAMILIES["ground"].kept(world.state)[0]
    s["onset"][:], s["kind"][:] = 50.0, kind
    t = lived(world, 300)
    a_day = t.setting.grams * s["guess"][0] * NO3_PER_G_FEED / t.setting.litres * s["share"][0]
    feeder_days = sum(d < 10 + 20 * s["depth"][0] for d in range(250))
    more = {2: 4 * 10.0, 3: 2.0 * feeder_days, 4: 250.0}.get(kind, 0.0) * s["extra"][0]
    assert sum(t.supply) + FAMILIES["ground"].kept(s)[0] - kept == pytest.approx(a_day * (300 + more), rel=1e-9)


@pytest.mark.parametrize(("family", "kind"), [(f, k) for f in NEW for k in FAMILIES[f].kinds])
def test_every_trouble_raises_nitrate(family: str, kind: str) -> None:
    higher = 0
    for n in range(4):
        well, ill = (quiet(family, n, 240) for _ in range(2))
        ill.state["onset"][:], ill.state["kind"][:] = 120.0, FAMILIES[family].kinds.index(kind)
        before, after = (np.array(lived(w, 240).levels) for w in (well, ill))
        assert np.array_equal(before[:120], after[:120])
        higher += (after - before).max() > 1.0
    assert higher >= 3


@pytest.mark.parametrize("said", ["cut", "shortage"])
def test_what_the_gardener_does_wrong_raises_nitrate_and_is_written_down(said: str) -> None:
    higher = 0
    for n in range(4):
        well, ill = (quiet("growing", n, 240) for _ in range(2))
        ill.tank.setting.own["said"] = (said, 120, 235, 0.9)
        before, after = lived(well, 240), lived(ill, 240)
        higher += (np.array(after.levels) - before.levels).max() > 1.0
        kinds = [Counter(r["kind"] for r in t.records) for t in (before, after)]
        if said == "cut":
            assert any(r["kind"] == "harvest" and r["id"] == "harvest-120" for r in after.records)
        else:
            assert kinds[1]["dose"] < 0.7 * kinds[0]["dose"]
    assert higher >= 3


def test_cold_water_takes_up_less() -> None:
    well, ill = (quiet("growing", 2, 200) for _ in range(2))
    ill.tank.setting.water_c = ill.tank.setting.water_c.copy()
    ill.tank.setting.water_c[150:] -= 6.0
    before, after = lived(well, 200), lived(ill, 200)
    assert sum(after.uptake[150:170]) < 0.9 * sum(before.uptake[150:170])


@pytest.mark.parametrize("said", ["cut", "shortage"])
def test_who_looks_ahead_is_not_told_what_the_gardener_will_do(said: str) -> None:
    c = quiet("growing", 1, 300).tank.setting
    days, rng = range(120, 148), np.random.default_rng(1)
    usual = [Growing.habit(c, d, rng, 10) for d in days]
    c.own["said"], c.seen_days = (said, 125, 200, 0.9), 120
    assert [Growing.habit(c, d, rng, 10) for d in days] == usual
    c.seen_days = 126
    assert (usual[6:] == [Growing.habit(c, d, rng, 10) for d in days[6:]]) is (said == "cut"), "a bottle stays empty"


def test_who_looks_ahead_is_not_told_how_warm_it_will_be() -> None:
    c = quiet("growing", 1, 300).tank.setting
    c.seen_days = 120
    ahead = [Growing.warmth(c, d) for d in range(119, 148)]
    c.water_c = np.concatenate([c.water_c[:120], np.full(180, 99.0)])
    assert [Growing.warmth(c, d) for d in range(119, 148)] == ahead
    assert max(ahead) < 30.0


def test_who_reads_between_two_pads_as_the_lower_says_the_lower() -> None:
    kit, rng = KitInUse("strip", "strip", (0.0, 30.0, 60.0, 120.0)), np.random.default_rng(3)
    world = quiet("ground", 0, 2)
    said = {}
    for lean in (0.5, 0.9):
        eyes = world.state | {"lean": np.array([lean]), "error": np.array([0.05]), "bias": np.array([1.0])}
        eyes["geometric"] = np.array([False])
        said[lean] = Counter(read(kit, eyes, 52.0, rng) for _ in range(200)).most_common(1)[0][0]
    assert said == {0.5: 60.0, 0.9: 30.0}


@pytest.mark.parametrize("family", NEW)
def test_everything_goes_wrong_somewhere(family: str) -> None:
    laws, rng = FAMILIES[family], np.random.default_rng(4)
    c = laws.setting(rng, 150)
    s = laws.draw(c, rng, 500)
    for day in range(150):
        laws.step(c, s, day, planned(c, day, rng, 500), rng)
    found = Counter(s["kind"][s["onset"] < NEVER].tolist())
    assert set(found) == set(range(len(laws.kinds)))
    assert 500 * 0.05 < sum(found.values()) < 500 * 0.3
    said = Counter(laws.setting(rng, 100).seen_trouble is not None for _ in range(60))
    assert (10 <= said[True] <= 35) is (family == "growing")


@pytest.mark.slow
@pytest.mark.parametrize("family", NEW)
def test_levels_are_such_as_tanks_have_and_a_fifth_to_two_fifths_pass_their_limit(family: str) -> None:
    laws, rng, quiet_days, highest = FAMILIES[family], np.random.default_rng(5), [], []
    for _ in range(16):
        c = laws.setting(rng, 548)
        s, top = laws.draw(c, rng, 50), np.zeros(50)
        for day in range(548):
            laws.step(c, s, day, planned(c, day, rng, 50), rng)
            top = np.maximum(top, s["level"] / c.limit)
            quiet_days.append((s["level"] / c.limit)[(s["onset"] > day) & (c.seen_trouble is None)])
        highest.append(top)
    steady, highest = np.concatenate(quiet_days), np.concatenate(highest)
    assert 0.1 < np.median(steady) < 0.7
    assert np.quantile(steady, 0.95) < 1.1
    assert np.quantile(highest, 0.99) < 15.0
    assert 0.2 <= (highest > 1.0).mean() <= 0.4


@pytest.mark.slow
@pytest.mark.parametrize("family", NEW)
def test_who_knows_the_laws_is_as_sure_as_may_be(family: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watchers, "look_ahead", lambda *_: np.nan)
    tanks = [tank(family, "tuning", n, 200) for n in range(30)]
    share = judge.coverage([(t, knowing(t, 600, 2)) for t in tanks])["overall"][1]
    assert 0.85 <= share <= 0.97


def test_an_untold_feed_is_nowhere() -> None:
    t = next(t for n in range(30) if not (t := tank("ground", "tuning", n, 30)).setting.feed_told)
    assert "grams_per_day" not in t.raw_config["tank"][0]["feed"]
    assert not [r for r in t.records if r["kind"] == "feeding"]


def test_a_hungry_day_is_a_hungry_day_whoever_knows_the_portion() -> None:
    for family in NEW:
        one, other = (quiet(family, 5, 60) for _ in range(2))
        lived(one, 40), lived(other, 40)
        one.live(Acts(0.0))
        other.live(Acts(other.tank.setting.grams))
        assert one.tank.supply[-1] < 0.9 * other.tank.supply[-1]
