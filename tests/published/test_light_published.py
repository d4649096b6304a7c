"""Photometry, sun and lamp ageing against published values and two libraries."""

from __future__ import annotations

import datetime as dt
import math
import warnings

import numpy as np
import pytest

from rushlight.science.optics import photometry, sun

# ---- sun: Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56


def test_fao56_example_8_extraterrestrial_radiation():
    """20° S on 3 September (day 246), p. 47."""
    assert sun.relative_distance_inverse(246) == pytest.approx(0.985, abs=6e-4)
    assert sun.declination_rad(246) == pytest.approx(0.120, abs=6e-4)
    assert sun.sunset_hour_angle_rad(-20.0, 246) == pytest.approx(1.527, abs=6e-4)
    assert sun.extraterrestrial_mj_m2(-20.0, 246) == pytest.approx(32.2, abs=0.05)


def test_fao56_example_9_daylight_hours():
    assert sun.daylight_hours(-20.0, 246) == pytest.approx(11.7, abs=0.05)


@pytest.mark.parametrize(
    ("latitude", "date", "hours"),
    [
        # pvlib 0.16.1, sun's centre without refraction, one-minute grid
        (52.0, dt.date(2023, 6, 21), 16.50),
        (52.0, dt.date(2023, 12, 21), 7.517),
        (-20.0, dt.date(2023, 9, 3), 11.633),
        (40.0, dt.date(2023, 3, 20), 11.983),
    ],
)
def test_day_length_is_the_geometric_one(latitude: float, date: dt.date, hours: float):
    assert sun.daylight_hours(latitude, date.timetuple().tm_yday) == pytest.approx(hours, abs=0.07)


def test_sunrise_of_astral_lies_where_the_convention_puts_it():
    """Sunrise and sunset are the upper limb's with refraction: the centre is then 0.833° below the horizon."""
    from astral import LocationInfo
    from astral.sun import sun as astral_sun

    for latitude in (20.0, 40.0, 52.0):
        for month in range(1, 13):
            date = dt.date(2025, month, 15)
            times = astral_sun(LocationInfo(latitude=latitude, longitude=0.0).observer, date=date)
            for which in ("sunrise", "sunset"):
                assert sun.elevation_deg(times[which].timestamp(), latitude, 0.0) == pytest.approx(-0.833, abs=0.06)
            seen = (times["sunset"] - times["sunrise"]).total_seconds() / 3600.0
            # FAO-56's declination is a plain sine, good to about a day of the season.
            assert 0.0 < seen - sun.daylight_hours(latitude, date.timetuple().tm_yday) < 0.40


@pytest.mark.parametrize(
    ("latitude", "longitude"), [(53.3, -6.3), (52.0, -1.5), (-33.9, 18.4), (1.3, 103.8), (68.0, 20.0)]
)
def test_elevation_against_pvlib(latitude: float, longitude: float):
    """pvlib's NREL solar position algorithm (Reda & Andreas 2004), a year at every seventh hour, leap year included."""
    import pandas as pd
    import pvlib

    index = pd.date_range("2024-01-01", "2024-12-31", freq="7h", tz="UTC")
    theirs = pvlib.solarposition.get_solarposition(index, latitude, longitude)["elevation"]
    ours = [sun.elevation_deg(t.timestamp(), latitude, longitude) for t in index]
    assert max(abs(o - t) for o, t in zip(ours, theirs, strict=True)) < 0.03


def test_elevation_against_astral():
    """astral's own method is good to a tenth of a degree and may include refraction, so only well above the horizon."""
    from astral import Observer
    from astral.sun import elevation

    for month in range(1, 13):
        at = dt.datetime(2025, month, 11, 12, 30, tzinfo=dt.UTC)
        theirs = elevation(Observer(53.3, -6.3), at, with_refraction=False)
        assert sun.elevation_deg(at.timestamp(), 53.3, -6.3) == pytest.approx(theirs, abs=0.1)


def test_clear_sky_against_pvlib_haurwitz():
    import pandas as pd
    import pvlib

    heights = np.array([5.0, 10.0, 20.0, 35.0, 50.0, 65.0, 90.0])
    theirs = pvlib.clearsky.haurwitz(pd.Series(90.0 - heights))["ghi"]
    for height, value in zip(heights, theirs, strict=True):
        assert sun.clear_sky_w_m2(height) == pytest.approx(value, rel=0.01)
    assert sun.clear_sky_w_m2(-1.0) == 0.0


# ---- lux to photons


def cie_factor(name: str) -> float:
    """µmol m⁻² s⁻¹ per lx of a CIE illuminant, from its spectrum as colour-science ships it (CIE 15:2018)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

    shape = colour.SpectralShape(380, 780, 1)
    power = colour.SDS_ILLUMINANTS[name].copy().align(shape)
    eye = colour.SDS_LEFS["CIE 1924 Photopic Standard Observer"].copy().align(shape)
    nm = power.wavelengths
    inside = (nm >= 400) & (nm <= 700)
    photons = (
        np.trapezoid((power.values * nm * 1e-9)[inside], nm[inside])
        / (6.62607015e-34 * 299792458.0 * 6.02214076e23)
        * 1e6
    )
    return float(photons / (683.0 * np.trapezoid(power.values * eye.values, nm)))


@pytest.mark.parametrize(
    ("spectrum", "illuminants"),
    [
        ("white_led", ["LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5"]),
        ("warm_white_led", ["LED-B1", "LED-B2"]),
        ("neutral_white_led", ["LED-B3"]),
        ("cool_white_led", ["LED-B4", "LED-B5"]),
        ("violet_pumped_led", ["LED-V1", "LED-V2"]),
        ("rgb_led", ["LED-RGB1"]),
        ("fluorescent", ["FL2", "FL11"]),
        ("broadband_fluorescent", ["FL7", "FL8"]),
        ("metal_halide", ["HP3", "HP4"]),
        ("high_pressure_sodium", ["HP1"]),
        ("incandescent", ["A"]),
        ("daylight", ["D55", "D65", "D75"]),
    ],
)
def test_spectra_lie_among_their_cie_illuminants(spectrum: str, illuminants: list[str]):
    factors = [cie_factor(n) for n in illuminants]
    assert min(factors) * 0.99 <= photometry.SPECTRA[spectrum] <= max(factors) * 1.01


@pytest.mark.parametrize(
    ("spectrum", "lux_per_umol"),
    [
        # Thimijan & Heins 1983, HortScience 18(6), as quoted second hand; other lamps of the same kinds
        ("daylight", 54.0),
        ("metal_halide", 71.0),
        ("high_pressure_sodium", 82.0),
        ("fluorescent", 74.0),
        ("incandescent", 50.0),
    ],
)
def test_spectra_against_measured_lamps(spectrum: str, lux_per_umol: float):
    assert 1.0 / photometry.SPECTRA[spectrum] == pytest.approx(lux_per_umol, rel=0.06)


def test_every_spectrum_lies_above_the_bound_of_physics():
    """At 555 nm, where the eye sees best: λ / (h c N_A 683), CODATA exact constants."""
    bound = 555e-9 / (6.62607015e-34 * 299792458.0 * 6.02214076e23) * 1e6 / 683.0
    assert bound == pytest.approx(0.006792735, rel=1e-4)
    assert all(f > bound for f in photometry.SPECTRA.values())


def test_own_factor_wins_and_unknown_spectrum_names_the_known():
    assert photometry.umol_per_lux("nonsense", 0.02) == 0.02
    with pytest.raises(ValueError, match="white_led"):
        photometry.umol_per_lux("nonsense")


@pytest.mark.parametrize(
    ("ppfd", "hours", "mol"), [(1, 24, 0.0864), (200, 12, 8.64), (100, 10, 3.6), (50, 12, 2.16), (30, 12, 1.296)]
)
def test_daily_light_integral(ppfd: float, hours: float, mol: float):
    """0.0864 is stated in the encyclopaedia's 'Daily light integral'; the others are its definition."""
    assert photometry.daily_light_integral(ppfd, hours) == pytest.approx(mol, rel=1e-9)


@pytest.mark.parametrize(
    ("decay", "start", "share", "hours"),
    [(5e-6, 1.0, 0.7, 71_335.0), (5e-6, 1.0, 0.9, 21_072.1), (2e-6, 1.02, 0.7, 188_238.8)],
)
def test_led_ageing(decay: float, start: float, share: float, hours: float):
    """IES TM-21's model as given by Bretschneider, IES FIRES, 12 February 2019, eq. 1 and 2."""
    assert photometry.hours_to_maintenance(share, decay, start) == pytest.approx(hours, abs=0.5)
    assert photometry.lumen_maintenance(hours, decay, start) == pytest.approx(share, rel=1e-5)
    assert not math.isnan(hours)
