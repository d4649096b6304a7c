"""A simulated lamp on measured daylight: the same detection as on simulated skies, within stated loss.

Daylight: the global irradiance files that the package pvanalytics ships (MIT licence): one day at one-minute steps
from the NREL's Measurement and Instrumentation Data Center, and nine days at five-minute steps from NREL's RMIS
station, with real gaps.  Irradiance times 112 lm/W, and a share of it for the window, is put under a lamp of 5000 lx
with 1 % noise.  The few measured days are repeated in a seeded order, so weather is real and its sequence is not.
"""

from __future__ import annotations

import importlib.resources

import numpy as np
import pytest

from helpers.lightrun import run, true_loss
from helpers.lightsim import Room, Year

pytestmark = pytest.mark.slow

GOLDEN = Room(latitude=39.74, longitude=-105.18, timezone="America/Denver", on_minute=480, off_minute=1080)


def measured_days() -> list[np.ndarray]:
    """Days of 288 five-minute irradiances in W/m², NaN where the station was silent; local standard time."""
    import pandas as pd

    folder = importlib.resources.files("pvanalytics") / "data"
    days: list[np.ndarray] = []
    for name in ("irradiance_RMIS_NREL.csv", "rmis_weather_data.csv"):
        with importlib.resources.as_file(folder / name) as path:
            frame = pd.read_csv(path, index_col=0, parse_dates=True)
        column = next(c for c in frame.columns if "ghi" in c.lower() or "global" in c.lower())
        series = frame[column]
        series.index = (
            series.index.tz_localize(None)
            if series.index.tz is None
            else series.index.tz_convert("Etc/GMT+7").tz_localize(None)
        )
        for _, day in series.groupby(series.index.date):
            if len(day) >= 280:
                days.append(
                    day.reindex(pd.date_range(day.index[0].normalize(), periods=288, freq="5min")).to_numpy(dtype=float)
                )
    with importlib.resources.as_file(folder / "midc_bms_ghi_20220120.csv") as path:
        frame = pd.read_csv(path, index_col=0)
    minute = pd.to_numeric(frame.iloc[:, -1]).to_numpy()
    days.append(minute[: 288 * 5].reshape(288, 5)[:, 0])
    return days


def with_lamp(seed: int, days: int, share: float, fade_percent_week: float = 0.0, step_loss: float = 0.0) -> Year:
    rng = np.random.default_rng(seed)
    shelf = measured_days()
    sky = np.concatenate([shelf[rng.integers(len(shelf))] for _ in range(days)])
    start_s = 1_736_665_200.0  # a local midnight in January, UTC-7
    times = start_s + np.arange(len(sky)) * 300.0
    day = np.arange(len(sky)) / 288.0
    minute = (np.arange(len(sky)) % 288) * 5
    output = np.exp(np.clip(day - 60.0, 0.0, None) / 7.0 * np.log(1.0 - fade_percent_week / 100.0))
    output = np.where(day >= 70.3, output * (1.0 - step_loss), output)
    lamp = 5000.0 * output * ((minute >= 480) & (minute < 1080))
    daylight = share * 112.0 * np.clip(sky, 0.0, None)
    values = (lamp + daylight) * rng.normal(1.0, 0.01, len(sky))
    return Year(times, values, lamp, daylight, output, GOLDEN)


def test_the_files_are_what_they_are_said_to_be():
    days = measured_days()
    assert len(days) >= 7
    assert sum(bool(np.isnan(d).all()) for d in days) == 1  # a whole day that the station missed
    assert all(100.0 < np.nanmax(d) < 1300.0 for d in days if not np.isnan(d).all())
    # One measured day sums to 12.156 MJ m⁻² with negatives clipped, at one-minute steps.
    assert np.clip(days[-1], 0.0, None).sum() * 300.0 / 1e6 == pytest.approx(12.156, rel=0.02)
    assert any(np.isnan(d).any() for d in days)


@pytest.mark.parametrize("share", [0.02, 0.06])
@pytest.mark.parametrize(("fade", "most"), [(0.25, 6.0), (0.5, 6.0), (1.0, 6.0)])
def test_fades_on_measured_daylight(share: float, fade: float, most: float):
    losses = []
    for seed in (1, 2):
        year = with_lamp(seed, 240 if fade < 0.5 else 130, share, fade)
        result = run(year)
        day = result.first("lamp_dimming")
        assert day is not None
        losses.append(true_loss(year, day))
    assert min(losses) > 0.5
    assert max(losses) < most


def test_no_false_alarm_on_measured_daylight():
    for seed in (3, 4):
        result = run(with_lamp(seed, 250, 0.04))
        assert result.raised("lamp_dimming", "light_probe_fouled", "lamp_off") == []


def test_a_step_on_measured_daylight():
    day = run(with_lamp(5, 80, 0.02, step_loss=0.2)).first("lamp_dimming")
    assert day is not None
    assert 0.0 < day - 70.3 <= 2.0
