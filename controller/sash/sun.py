"""Where the sun stands, in arithmetic that 32-bit floats survive.

Low-precision almanac sun, after Michalsky 1988, "The Astronomical Almanac's
algorithm for approximate solar position", Solar Energy 40(3):227-235; constants
from memory, checked against the SPA of Reda & Andreas 2004 (tests). The height
is the geometric height of the sun's centre, no refraction; within 0.02 degrees.

Days and seconds stay whole numbers: a 32-bit float steps by 128 s at today's
Unix time. Whole numbers stay below 2**30, except Unix time itself.
"""

import math

DAY_S = 86400
UNIX_2000_S = 946684800     # 2000-01-01T00:00:00Z
CYCLE_D = 1461              # four years
HORIZON_DEG = -0.8333       # upper limb with standard refraction
NO_SUN = -99999

_RAD = math.pi / 180.0


def day_and_second(unix_s):
    """Return (whole days since 2000-01-01, second of the UTC day)."""
    since = unix_s - UNIX_2000_S
    return since // DAY_S, since % DAY_S


def local_day(unix_s, lon_mdeg):
    """Whole days since 2000-01-01 by mean solar time of the place: its day turns near midnight."""
    return (unix_s - UNIX_2000_S + lon_mdeg * 240 // 1000) // DAY_S


def day_of_year(day):
    """Day of the year, 1 to 366, of a day since 2000-01-01 (right from 2000 to 2099)."""
    in_cycle = day % CYCLE_D
    if in_cycle < 366:      # a cycle begins with its leap year
        return in_cycle + 1
    return (in_cycle - 366) % 365 + 1


def _wrapped(degrees):
    """Bring an angle into -180 to 180 degrees."""
    turns = math.floor((degrees + 180.0) / 360.0)
    return degrees - 360.0 * turns


def declination_and_equation(day, second):
    """Return (sin of the declination, equation of time [degrees, sun ahead positive])."""
    cycle = day // CYCLE_D
    rest = day % CYCLE_D
    part = second / 86400.0 - 0.5
    mean = _wrapped(280.460 + 0.0308514 * cycle + 0.9856474 * rest + 0.9856474 * part)
    anomaly = _wrapped(357.528 - 0.0379617 * cycle + 0.9856003 * rest + 0.9856003 * part) * _RAD
    longitude = (mean + 1.915 * math.sin(anomaly) + 0.020 * math.sin(2.0 * anomaly)) * _RAD
    tilt = (23.439 - 0.0000004 * day) * _RAD
    right = math.atan2(math.cos(tilt) * math.sin(longitude), math.cos(longitude)) / _RAD
    return math.sin(tilt) * math.sin(longitude), _wrapped(mean - right)


def _hour_angle_deg(second, equation, lon_mdeg):
    return _wrapped(second / 240.0 - 180.0 + lon_mdeg / 1000.0 + equation)


def height_deg(day, second, lat_mdeg, lon_mdeg):
    """Geometric height of the sun's centre [degrees]."""
    sin_dec, equation = declination_and_equation(day, second)
    cos_dec = math.sqrt(1.0 - sin_dec * sin_dec)
    lat = lat_mdeg / 1000.0 * _RAD
    hour = _hour_angle_deg(second, equation, lon_mdeg) * _RAD
    sine = math.sin(lat) * sin_dec + math.cos(lat) * cos_dec * math.cos(hour)
    return math.asin(max(-1.0, min(1.0, sine))) / _RAD


def height_cdeg(day, second, lat_mdeg, lon_mdeg):
    """The same in whole hundredths of a degree, for the law."""
    return int(math.floor(height_deg(day, second, lat_mdeg, lon_mdeg) * 100.0 + 0.5))


def after_noon(day, second, lon_mdeg):
    """1 when the sun has passed the meridian of the place and not yet midnight."""
    equation = declination_and_equation(day, second)[1]
    return 1 if _hour_angle_deg(second, equation, lon_mdeg) > 0.0 else 0


def noon_s(day, lon_mdeg):
    """Second of the UTC day of the sun's passage over the meridian; may be below 0 or above 86400."""
    guess = 43200 - lon_mdeg * 240 // 1000
    equation = declination_and_equation(day + guess // DAY_S, guess % DAY_S)[1]
    return int(math.floor(43200.0 - 240.0 * (lon_mdeg / 1000.0 + equation) + 0.5))


def _event_s(day, lat_mdeg, lon_mdeg, sign, guess):
    """One pass: the second at which the sun crosses the horizon, or None when it does not."""
    # The guess may lie on the neighbouring UTC day.
    sin_dec, equation = declination_and_equation(day + guess // DAY_S, guess % DAY_S)
    cos_dec = math.sqrt(1.0 - sin_dec * sin_dec)
    lat = lat_mdeg / 1000.0 * _RAD
    cosine = (math.sin(HORIZON_DEG * _RAD) - math.sin(lat) * sin_dec) / (math.cos(lat) * cos_dec)
    if cosine < -1.0 or cosine > 1.0:
        return None
    half_day = math.acos(cosine) / _RAD
    return int(math.floor(43200.0 - 240.0 * (lon_mdeg / 1000.0 + equation) + sign * 240.0 * half_day + 0.5))


def rise_and_set_s(day, lat_mdeg, lon_mdeg):
    """Return (sunrise, sunset) in seconds of the UTC day `day`, or (None, None).

    The noon between them is the one of that day's place time, so western sets
    lie above 86400 and eastern rises below 0. Within 15 s below 60 degrees latitude.
    """
    noon = noon_s(day, lon_mdeg)
    rise = _event_s(day, lat_mdeg, lon_mdeg, -1, noon)
    fall = _event_s(day, lat_mdeg, lon_mdeg, 1, noon)
    if rise is None or fall is None:
        return None, None
    # Once more with the declination of the event itself (27 s better at 40 degrees).
    rise = _event_s(day, lat_mdeg, lon_mdeg, -1, rise)
    fall = _event_s(day, lat_mdeg, lon_mdeg, 1, fall)
    if rise is None or fall is None:
        return None, None
    return rise, fall
