"""Where the sun stands, when it rises and sets, and when the dark weeks begin and end.

Double precision, for the host: the crop calendar counts days on which the day
length crosses a threshold, and a formula that is a few minutes off moves those
dates. (The controller has its own, coarser sun.) Level horizon; a skyline is
laid over it in ``skyline.py``. Angles in degrees, times in seconds since
1970-01-01 00:00 UTC.

Source of the solar coordinates: Meeus, Astronomical Algorithms, 2nd edition
1998, chapter 25 (lower accuracy, 0.01 degree), written from memory and checked
against values of the NREL solar position algorithm in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

DAY_S = 86_400.0
# The sun's upper edge touches the horizon, with the usual refraction, when its centre stands
# this high. Source: Forsythe et al. 1995, Ecological Modelling 80:87-95, table 1.
HORIZON_DEG = -0.8333
# Earth's clock lags behind uniform time by about this in the 2020s and 2030s; a minute of
# it moves the sun by 0.0007 degree, so a constant will do.
DELTA_T_S = 70.0


@dataclass(frozen=True)
class SunTimes:
    """Sunrise, solar noon and sunset of one day; rise and set are None in polar day and night."""

    day: date
    rise_s: float | None
    noon_s: float
    set_s: float | None
    noon_height_deg: float
    length_h: float


def sun_coordinates(time_s: float) -> tuple[float, float, float]:
    """Return (declination [deg], right ascension [deg], apparent sidereal time at Greenwich [deg])."""
    jd_ut = time_s / DAY_S + 2440587.5
    t = (jd_ut + DELTA_T_S / DAY_S - 2451545.0) / 36525.0
    mean_long = 280.46646 + t * (36000.76983 + t * 0.0003032)
    anomaly = math.radians(357.52911 + t * (35999.05029 - t * 0.0001537))
    centre = (
        (1.914602 - t * (0.004817 + t * 0.000014)) * math.sin(anomaly)
        + (0.019993 - 0.000101 * t) * math.sin(2 * anomaly)
        + 0.000289 * math.sin(3 * anomaly)
    )
    node = math.radians(125.04 - 1934.136 * t)
    # Aberration and nutation, then the obliquity with its own nutation.
    longitude = math.radians(mean_long + centre - 0.00569 - 0.00478 * math.sin(node))
    tilt = math.radians(
        23.0 + (26.0 + (21.448 - t * (46.8150 + t * (0.00059 - t * 0.001813))) / 60.0) / 60.0 + 0.00256 * math.cos(node)
    )
    declination = math.degrees(math.asin(math.sin(tilt) * math.sin(longitude)))
    ascension = math.degrees(math.atan2(math.cos(tilt) * math.sin(longitude), math.cos(longitude)))
    days = jd_ut - 2451545.0
    sidereal = 280.46061837 + 360.98564736629 * days - 0.00478 * math.sin(node) * math.cos(tilt)
    return declination, ascension % 360.0, sidereal % 360.0


def sun_position(time_s: float, lat_deg: float, lon_deg: float) -> tuple[float, float]:
    """Return (height, bearing) of the sun's centre [deg]; geometric, bearing clockwise from north.

    Longitude is positive east of Greenwich.
    """
    declination, ascension, sidereal = sun_coordinates(time_s)
    hour = math.radians(sidereal + lon_deg - ascension)
    lat, dec = math.radians(lat_deg), math.radians(declination)
    sine = math.sin(lat) * math.sin(dec) + math.cos(lat) * math.cos(dec) * math.cos(hour)
    height = math.degrees(math.asin(max(-1.0, min(1.0, sine))))
    bearing = math.degrees(
        math.atan2(-math.sin(hour), math.tan(dec) * math.cos(lat) - math.sin(lat) * math.cos(hour))
    )
    return height, bearing % 360.0


def midnight_utc_s(day: date) -> float:
    """Return 00:00 UTC of a day in seconds since 1970."""
    return datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()


def solar_noon_s(day: date, lon_deg: float) -> float:
    """Return when the sun crosses the meridian on this day of the place's own sun."""
    noon = midnight_utc_s(day) + DAY_S / 2 - lon_deg * 240.0
    for _ in range(3):
        _, ascension, sidereal = sun_coordinates(noon)
        late_deg = (sidereal + lon_deg - ascension + 180.0) % 360.0 - 180.0
        noon -= late_deg * 240.0 * 0.99727
    return noon


def sun_times(day: date, lat_deg: float, lon_deg: float, horizon_deg: float = HORIZON_DEG) -> SunTimes:
    """Return sunrise, noon, sunset and day length [h] of one day at one place.

    Day length is 0 in polar night and 24 in polar day, and then there is no
    sunrise or sunset.
    """
    noon = solar_noon_s(day, lon_deg)
    noon_height = sun_position(noon, lat_deg, lon_deg)[0]

    def above(time_s: float) -> float:
        return sun_position(time_s, lat_deg, lon_deg)[0] - horizon_deg

    if above(noon) <= 0.0:
        return SunTimes(day, None, noon, None, noon_height, 0.0)
    if above(noon - DAY_S / 2) > 0.0 and above(noon + DAY_S / 2) > 0.0:
        return SunTimes(day, None, noon, None, noon_height, 24.0)
    rise = _root(above, noon - DAY_S / 2, noon)
    fall = _root(above, noon + DAY_S / 2, noon)
    return SunTimes(day, rise, noon, fall, noon_height, (fall - rise) / 3600.0)


def _root(above: Callable[[float], float], low_s: float, high_s: float) -> float:
    # Bisection between a time when the sun is down and one when it is up, to a tenth of a second.
    while abs(high_s - low_s) > 0.1:
        middle = (low_s + high_s) / 2
        if above(middle) > 0.0:
            high_s = middle
        else:
            low_s = middle
    return (low_s + high_s) / 2


def day_length_h(day: date, lat_deg: float, lon_deg: float = 0.0) -> float:
    """Return the hours from sunrise to sunset, 0 to 24."""
    return sun_times(day, lat_deg, lon_deg).length_h


@dataclass(frozen=True)
class DarkWeeks:
    """The days around the winter solstice with less light than a threshold."""

    threshold_h: float
    begins: date  # first day under the threshold
    ends: date  # first day back at or over it
    shortest_h: float
    shortest_day: date

    @property
    def days(self) -> int:
        """Return how many days are under the threshold."""
        return (self.ends - self.begins).days


def midwinter(winter: int, lat_deg: float) -> date:
    """Return the solstice day of a winter, which is named by the year in which it begins.

    North of the equator winter 2026 is that of December 2026; south of it,
    that of June 2026.
    """
    return date(winter, 12, 21) if lat_deg >= 0 else date(winter, 6, 21)


def winter_of(day: date, lat_deg: float) -> int:
    """Return the winter that a sowing on this day is for: from midsummer on, the one that comes."""
    if lat_deg < 0:
        return day.year
    return day.year if (day.month, day.day) >= (6, 21) else day.year - 1


def dark_weeks(
    winter: int,
    threshold_h: float,
    lat_deg: float,
    length_h: Callable[[date], float],
) -> DarkWeeks | None:
    """Return the weeks under `threshold_h` around midwinter, or None where it never gets that short.

    `length_h` gives the hours of light of a day, with or without a skyline. With a
    skyline the light may cross the threshold more than once: the outermost days count.
    """
    centre = midwinter(winter, lat_deg)
    days = [centre + timedelta(days=n) for n in range(-183, 183)]
    light = [length_h(d) for d in days]
    shortest = min(range(len(days)), key=light.__getitem__)
    dark = [n for n, hours in enumerate(light) if hours < threshold_h]
    if not dark:
        return None
    end = min(dark[-1] + 1, len(days) - 1)
    return DarkWeeks(threshold_h, days[dark[0]], days[end], light[shortest], days[shortest])
