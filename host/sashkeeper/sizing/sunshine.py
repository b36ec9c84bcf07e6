"""How much sun a small panel gets in the darkest month.

Daily sums from the sun's path, thinned by the clearness of the month. Good
enough to choose a panel; a weather file of your place is better.
"""

from __future__ import annotations

import math

SOLAR_CONSTANT_W_M2 = 1367.0  # Source: Duffie & Beckman, Solar Engineering of Thermal Processes, 4th ed. 2013.
MONTH_DAYS = (17, 47, 75, 105, 135, 162, 198, 228, 258, 288, 318, 344)
# Days of the year that stand for their month. Source: Klein 1977, in Duffie & Beckman, table 1.6.1; from memory.
CLEARNESS = 0.30  # chosen: share of the sun above the air that reaches the ground in a dull winter month
ALBEDO = 0.2  # Source: Duffie & Beckman; bare ground, no snow


def declination_rad(day: int) -> float:
    """Declination [rad] on a day of the year. Source: Cooper 1969, in Duffie & Beckman, equation 1.6.1a."""
    return math.radians(23.45) * math.sin(2.0 * math.pi * (284 + day) / 365.0)


def sunset_rad(lat_deg: float, day: int) -> float:
    """Hour angle of sunset [rad]: 0 in polar night, pi in polar day."""
    cosine = -math.tan(math.radians(lat_deg)) * math.tan(declination_rad(day))
    return math.acos(max(-1.0, min(1.0, cosine)))


def above_air_kwh_m2(lat_deg: float, day: int) -> float:
    """Sun on level ground without any air [kWh/m2 a day]. Source: Duffie & Beckman, equation 1.10.3."""
    lat, dec, sunset = math.radians(lat_deg), declination_rad(day), sunset_rad(lat_deg, day)
    near = 1.0 + 0.033 * math.cos(2.0 * math.pi * day / 365.0)
    path = math.cos(lat) * math.cos(dec) * math.sin(sunset) + sunset * math.sin(lat) * math.sin(dec)
    return 24.0 / math.pi * SOLAR_CONSTANT_W_M2 * near * max(path, 0.0) / 1000.0


def diffuse_share(clearness: float, sunset: float) -> float:
    """Diffuse share of a month's sum. Source: Erbs, Klein, Duffie 1982, in Duffie & Beckman, equation 2.12.1.

    Made for clearness 0.3 to 0.8; duller months are taken as 0.3.
    """
    k = max(0.3, min(0.8, clearness))
    if sunset <= math.radians(81.4):
        return 1.391 - 3.560 * k + 4.189 * k**2 - 2.137 * k**3
    return 1.311 - 3.022 * k + 3.427 * k**2 - 1.821 * k**3


def beam_ratio(lat_deg: float, day: int, tilt_deg: float) -> float:
    """Beam on a panel tilted to the equator, over beam on level ground, for a day's sum.

    Source: Liu & Jordan 1962, in Duffie & Beckman, equation 2.19.3a; southern places are mirrored.
    """
    mirrored = abs(lat_deg)
    dec = declination_rad(day) * (1.0 if lat_deg >= 0 else -1.0)
    lat, low = math.radians(mirrored), math.radians(mirrored - tilt_deg)
    sunset = sunset_rad(lat_deg, day)
    limit = math.acos(max(-1.0, min(1.0, -math.tan(low) * math.tan(dec))))
    seen = min(sunset, limit)
    tilted = math.cos(low) * math.cos(dec) * math.sin(seen) + seen * math.sin(low) * math.sin(dec)
    level = math.cos(lat) * math.cos(dec) * math.sin(sunset) + sunset * math.sin(lat) * math.sin(dec)
    return tilted / level if level > 1e-6 else 0.0


def panel_kwh_m2(lat_deg: float, month: int, tilt_deg: float, clearness: float = CLEARNESS) -> float:
    """Sun on a tilted panel facing the equator [kWh/m2 a day] in a month 1..12. Source: Liu & Jordan, isotropic sky."""
    day = MONTH_DAYS[month - 1]
    level = clearness * above_air_kwh_m2(lat_deg, day)
    diffuse = diffuse_share(clearness, sunset_rad(lat_deg, day))
    tilt = math.cos(math.radians(tilt_deg))
    beam = (1.0 - diffuse) * beam_ratio(lat_deg, day, tilt_deg)
    return level * (beam + diffuse * (1.0 + tilt) / 2.0 + ALBEDO * (1.0 - tilt) / 2.0)


def darkest_month(lat_deg: float, tilt_deg: float, clearness: float = CLEARNESS) -> int:
    """Month 1..12 with the least sun on the panel."""
    return min(range(1, 13), key=lambda month: panel_kwh_m2(lat_deg, month, tilt_deg, clearness))
