"""The sun: where it stands, how long the day is, how bright a clear sky would be.

Short formulae instead of a library, because the core imports none; they are checked against two libraries in the
tests.  Never asks what time it is.

Sources: Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56, equations 21-25 and 34; the
position after Meeus, Astronomical Algorithms (1998), chapter 25, low accuracy (0.01°), in the form that NOAA's
solar calculator publishes; clear-sky irradiance after Haurwitz 1945 (J. Meteorology 2:154-166).
"""

from __future__ import annotations

import math

from rushlight.localtime import DAY_S

SOLAR_CONSTANT = 0.0820
"""MJ m⁻² min⁻¹, FAO-56."""
J2000_S = 946_728_000.0
"""2000-01-01 12:00 UTC, in seconds since 1970."""


def relative_distance_inverse(day_of_year: int) -> float:
    """Inverse relative distance of earth and sun, dimensionless (FAO-56 eq. 23)."""
    return 1.0 + 0.033 * math.cos(2.0 * math.pi / 365.0 * day_of_year)


def declination_rad(day_of_year: int) -> float:
    """Solar declination in radians (FAO-56 eq. 24)."""
    return 0.409 * math.sin(2.0 * math.pi / 365.0 * day_of_year - 1.39)


def sunset_hour_angle_rad(latitude_deg: float, day_of_year: int) -> float:
    """Sunset hour angle in radians (FAO-56 eq. 25): 0 in the polar night, π under the midnight sun."""
    x = -math.tan(math.radians(latitude_deg)) * math.tan(declination_rad(day_of_year))
    return math.acos(min(1.0, max(-1.0, x)))


def extraterrestrial_mj_m2(latitude_deg: float, day_of_year: int) -> float:
    """Radiation on a horizontal plane above the air, MJ m⁻² d⁻¹ (FAO-56 eq. 21)."""
    phi, delta = math.radians(latitude_deg), declination_rad(day_of_year)
    omega = sunset_hour_angle_rad(latitude_deg, day_of_year)
    part = omega * math.sin(phi) * math.sin(delta) + math.cos(phi) * math.cos(delta) * math.sin(omega)
    return 24.0 * 60.0 / math.pi * SOLAR_CONSTANT * relative_distance_inverse(day_of_year) * part


def daylight_hours(latitude_deg: float, day_of_year: int) -> float:
    """Day length in hours by the sun's centre without refraction (FAO-56 eq. 34).

    The usual sunrise and sunset, by the upper limb with refraction, are up to 0.25 h further apart at 52°.
    """
    return 24.0 / math.pi * sunset_hour_angle_rad(latitude_deg, day_of_year)


def elevation_deg(at_s: float, latitude_deg: float, longitude_deg: float) -> float:
    """Height of the sun's centre above the horizon in degrees, without refraction.  `at_s`: seconds since 1970 UTC."""
    days = (at_s - J2000_S) / DAY_S
    mean_long = math.radians((280.46646 + 0.98564736 * days) % 360.0)
    anomaly = math.radians((357.52911 + 0.98560028 * days) % 360.0)
    centre = 1.914602 * math.sin(anomaly) + 0.019993 * math.sin(2.0 * anomaly) + 0.000289 * math.sin(3.0 * anomaly)
    true_long = mean_long + math.radians(centre)
    tilt = math.radians(23.439291 - 3.563e-7 * days)
    right_ascension = math.atan2(math.cos(tilt) * math.sin(true_long), math.cos(true_long))
    declination = math.asin(math.sin(tilt) * math.sin(true_long))
    sidereal = math.radians((280.46061837 + 360.98564736629 * days + longitude_deg) % 360.0)
    hour_angle = sidereal - right_ascension
    phi = math.radians(latitude_deg)
    sine = math.sin(phi) * math.sin(declination) + math.cos(phi) * math.cos(declination) * math.cos(hour_angle)
    return math.degrees(math.asin(min(1.0, max(-1.0, sine))))


def clear_sky_w_m2(elevation: float) -> float:
    """Global irradiance of a cloudless sky on a horizontal plane, W m⁻²; 0 below the horizon (Haurwitz 1945)."""
    sine = math.sin(math.radians(elevation))
    return 1098.0 * sine * math.exp(-0.059 / sine) if sine > 1e-3 else 0.0
