"""Light at a leaf as a share of the tank's own, and the ranges that it is held against."""

import pytest

from rushlight.events import LightSpot
from rushlight.tank.growth import spots

DAY_S = 86_400.0


def spot(place: str, value: float, day: float = 0.0, unit: str = "") -> LightSpot:
    return LightSpot(at_s=day * DAY_S, id=f"{place}-{day}", tank="foyer", place=place, value=value, unit=unit)


@pytest.mark.parametrize(
    ("value", "unit", "probe", "quantum", "share"),
    [
        (1500.0, "", 6000.0, False, 0.25),
        (1.5, "klx", 6000.0, False, 0.25),
        (21.6, "µmol/m²/s", 6000.0, False, 0.25),  # 6000 lx of a lamp of 0.0144 µmol m⁻² s⁻¹ per lx are 86.4
        (21.6, "µmol/m²/s", 86.4, True, 0.25),
        (1500.0, "", 86.4, True, 0.25),
        (1500.0, "", None, False, None),
        (15.0, "", 20.0, False, None),  # too dark to divide
    ],
)
def test_the_share_is_of_photons(
    value: float, unit: str, probe: float | None, quantum: bool, share: float | None
) -> None:
    found = spots.share_of(spot("mint", value, unit=unit), probe, 0.0144, quantum=quantum)
    assert found == (None if share is None else pytest.approx(share))


def test_the_share_turns_each_days_dose_into_the_plants() -> None:
    state = spots.SpotsState()
    spots.note(state, spot("Water mint", 1500.0), 0.25)
    spots.note(state, spot("umbrella sedge", 600.0, 1.0), 0.1)
    spots.note(state, spot("left end", 600.0, 2.0), None)
    lines = spots.table(state, 10 * DAY_S, 4.0, None)
    assert [(line.place, line.dose_mol, line.age_days) for line in lines] == [
        ("umbrella sedge", pytest.approx(0.4), 9.0),
        ("Water mint", pytest.approx(1.0), 10.0),
    ]
    assert "keep low-light foliage alive" in lines[0].sentence and "grows in" in lines[1].sentence
    assert spots.table(state, 10 * DAY_S, None, None)[0].dose_mol is None
    spots.void(state, "Water mint-0.0")
    assert len(spots.table(state, 10 * DAY_S, 4.0, None)) == 1


def test_the_published_ranges() -> None:
    """Compensation points 4 to 15 µmol over 12 h are 0.17 to 0.65 mol; 75 to 250 foot-candles (Univ. Hawaii SCM-7 and an
    extension class) at 10.76391 lx and 0.0149 µmol m⁻² s⁻¹ per lx are 0.52 to 1.73 mol."""
    day = 12 * 3600e-6
    assert pytest.approx((4 * day, 15 * day), abs=0.01) == spots.LIVE_MOL
    foot_candle = 10.76391 * 0.0149 * day
    assert pytest.approx((75 * foot_candle, 250 * foot_candle), abs=0.05) == spots.GROW_MOL
    said = [spots.meaning(mol) for mol in (0.05, 0.3, 1.0, 5.0)]
    assert len(set(said)) == 4 and all("0." in s for s in said)


def test_lamp_work_makes_old_readings_void_for_the_table() -> None:
    state = spots.SpotsState()
    spots.note(state, spot("mint", 1500.0), 0.25)
    assert spots.table(state, 10 * DAY_S, 4.0, 5 * DAY_S) == []


def test_leaves_that_fell_are_named_and_a_hands_error_is_not() -> None:
    state = spots.SpotsState()
    for day, shares in ((0, (0.4, 0.2, 0.3)), (70, (0.2, 0.19, 0.31))):
        for place, share in zip(("mint", "sedge", "jenny"), shares, strict=True):
            spots.note(state, spot(place, 1.0, day), share)
    trend = spots.trend(spots.table(state, 70 * DAY_S, 3.0, None))
    assert trend is not None
    assert [line.place for line in trend.fallen] == ["mint"], "shaded by its neighbours; the others are as they were"
    assert not trend.down
    assert spots.trend([]) is None
