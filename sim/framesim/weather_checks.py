"""What can be wrong with weather, each said in one sentence with the place and what to do.

Nothing is repaired silently: hours are filled only when that was asked for, and counted.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import numpy as np

from framesim.solar import sun_position
from framesim.weather import HOUR_S, Array, Weather, WeatherError
from framesim.weather_raw import NEEDED, RawWeather

HOUR = timedelta(hours=1)

# What can be on earth, with room to spare; chosen.
LIMITS: dict[str, tuple[float, float, str]] = {
    "t_out_degc": (-75.0, 60.0, "C"),
    "dew_degc": (-90.0, 45.0, "C"),
    "rh_percent": (0.0, 110.0, "%"),
    "wind_10m_m_s": (0.0, 75.0, "m/s"),
    "ghi": (-20.0, 1500.0, "W/m2"),
    "dni": (-20.0, 1200.0, "W/m2"),
    "dhi": (-20.0, 900.0, "W/m2"),
    "t_sky_degc": (-110.0, 60.0, "C"),
    "pressure_pa": (45_000.0, 110_000.0, "Pa"),
    "snow_mm": (0.0, 10_000.0, "mm"),
    "rain_mm": (0.0, 1000.0, "mm"),  # station files hold sums of many hours
    "albedo": (0.0, 1.0, ""),
}
SUN_COLUMNS = ("ghi", "dni", "dhi")
NIGHT_W_M2 = 25.0  # more than this with the sun down is no rounding
NIGHT_HEIGHT_DEG = -4.0
NIGHT_HOURS = 3  # so many of them are no accident
CENTRE_H = 0.75  # radiation may lean this far to morning or afternoon; eight station files: within 0.08


def check_place(raw: RawWeather) -> None:
    """Place complete and on earth."""
    asked = {"lat": "--lat", "lon": "--lon", "elevation_m": "--elevation", "utc_offset_h": "--utc-offset"}
    lacking = [option for name, option in asked.items() if getattr(raw, name) is None]
    if lacking:
        raise WeatherError(f"{raw.path.name} does not say where it was measured. Add {', '.join(lacking)}.")
    ranges = {"lat": 90.0, "lon": 180.0, "utc_offset_h": 14.0}
    for name, most in ranges.items():
        value = getattr(raw, name)
        if not abs(value) <= most:
            raise WeatherError(f"{raw.path.name}: {name} {value:g} is outside -{most:g} to {most:g}. Correct it.")
    if not -430.0 <= float(raw.elevation_m or 0.0) <= 6000.0:
        raise WeatherError(f"{raw.path.name}: elevation {raw.elevation_m:g} m is outside -430 to 6000. Correct it.")


def check_values(raw: RawWeather) -> None:
    """Every value possible; missing ones are another matter (mind_gaps)."""
    for name, (low, high, unit) in LIMITS.items():
        column = raw.columns.get(name)
        if column is None:
            continue
        bad = np.flatnonzero((column < low) | (column > high) | np.isinf(column))
        if len(bad):
            first = int(bad[0])
            more = f" (and {len(bad) - 1} more)" if len(bad) > 1 else ""
            raise WeatherError(
                f"{raw.line(first)}: {name} {column[first]:g} {unit}".rstrip()
                + f" is outside {low:g} to {high:g}{more}. Correct it or empty the field."
            )


def mind_gaps(raw: RawWeather, fill: bool, max_gap_h: int) -> int:
    """Make the hours follow each other without hole or double; returns how many were filled.

    Without `fill` any hole, double or missing value is an error.
    """
    _mind_order(raw)
    doubled = _mind_doubles(raw, fill)
    filled = doubled + _mind_missing_hours(raw, fill, max_gap_h)
    filled += _mind_missing_values(raw, fill, max_gap_h)
    if filled:
        raw.notes.append(f"{filled} hours filled or dropped as asked")
    return filled


def _mind_order(raw: RawWeather) -> None:
    for index in range(1, len(raw.ends)):
        step = raw.ends[index] - raw.ends[index - 1]
        if step < timedelta(0):
            raise WeatherError(
                f"{raw.line(index)} comes after {raw.ends[index - 1]:%d %b %Y %H:%M}: time goes back. "
                "Wrong year or wrong order; correct the line."
            )
        if step > timedelta(days=300):
            raise WeatherError(
                f"{raw.line(index)} comes {step.days} days after the line before. Wrong year; correct the line."
            )


def _mind_doubles(raw: RawWeather, fill: bool) -> int:
    keep = [0]
    for index in range(1, len(raw.ends)):
        if raw.ends[index] != raw.ends[index - 1]:
            keep.append(index)
        elif not fill:
            raise WeatherError(
                f"{raw.line(index)}: this hour is there twice (first in line {raw.lines[index - 1]}). "
                "Remove one, or ask for filling to keep the first."
            )
    doubled = len(raw.ends) - len(keep)
    if doubled:
        _take(raw, [raw.ends[i] for i in keep], np.array(keep, dtype=np.intp))
    return doubled


def _take(raw: RawWeather, ends: list[datetime], indices: np.ndarray[tuple[int], np.dtype[np.intp]]) -> None:
    """Entries by index; -1 makes an empty one."""
    raw.ends = ends
    raw.lines = [raw.lines[i] if i >= 0 else 0 for i in indices]
    raw.columns = {
        name: np.where(indices >= 0, column[np.maximum(indices, 0)], math.nan) for name, column in raw.columns.items()
    }


def _mind_missing_hours(raw: RawWeather, fill: bool, max_gap_h: int) -> int:
    ends: list[datetime] = []
    indices: list[int] = []
    missing = 0
    for index, end in enumerate(raw.ends):
        hours = 1 if not ends else round((end - ends[-1]) / HOUR)
        if hours > 1:
            last = ends[-1]
            if not fill or hours - 1 > max_gap_h:
                advice = "Add them, or ask for filling." if not fill else f"At most {max_gap_h} are filled; add them."
                raise WeatherError(
                    f"{raw.line(index)}: {hours - 1} hours are missing before it (after {last:%d %b %H:%M}). {advice}"
                )
            ends += [last + HOUR * step for step in range(1, hours)]
            indices += [-1] * (hours - 1)
            missing += hours - 1
        ends.append(end)
        indices.append(index)
    if missing:
        _take(raw, ends, np.array(indices, dtype=np.intp))
    return missing


def _mind_missing_values(raw: RawWeather, fill: bool, max_gap_h: int) -> int:
    """Fill NaN in the columns that have to be whole; returns hours touched that were in the file."""
    columns = dict.fromkeys(NEEDED)
    touched = np.zeros(len(raw.ends), dtype=bool)
    humid = [name for name in ("rh_percent", "dew_degc") if name in raw.columns]
    # Either of the two will do where the other is missing.
    lost = np.all([np.isnan(raw.columns[name]) for name in humid], axis=0)
    for name in [*columns, "humidity"]:
        gaps = lost if name == "humidity" else np.isnan(raw.columns[name])
        if not gaps.any():
            continue
        first = int(np.flatnonzero(gaps)[0])
        longest = _longest(gaps)
        if not fill and raw.lines[first]:
            count = int(gaps.sum())
            more = f" (and in {count - 1} more hours)" if count > 1 else ""
            raise WeatherError(f"{raw.line(first)}: no value for {name}{more}. Add it, or ask for filling.")
        if longest > max_gap_h:
            raise WeatherError(
                f"{raw.path.name}: {name} is missing {longest} hours in a row "
                f"(first missing {raw.ends[first]:%d %b %Y %H:%M}); at most {max_gap_h} are filled. Add them."
            )
        touched |= gaps
        for part in humid if name == "humidity" else [name]:
            raw.columns[part] = _filled(raw.columns[part], part in SUN_COLUMNS)
    in_file = np.array([line > 0 for line in raw.lines])
    return int((touched & in_file).sum())


def _longest(gaps: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> int:
    longest = run = 0
    for gap in gaps:
        run = run + 1 if gap else 0
        longest = max(longest, run)
    return longest


def _filled(column: Array, sun: bool) -> Array:
    """NaN replaced: on a straight line between neighbours; sun by the same hour of the days beside."""
    column = column.copy()
    gaps = np.flatnonzero(np.isnan(column))
    if sun:
        for i in gaps:
            beside = [column[j] for j in (i - 24, i + 24) if 0 <= j < len(column) and not math.isnan(column[j])]
            if beside:
                column[i] = sum(beside) / len(beside)
        gaps = np.flatnonzero(np.isnan(column))
    if len(gaps):
        known = np.flatnonzero(~np.isnan(column))
        if not len(known):
            return column
        column[gaps] = np.interp(gaps, known, column[known])
    return column


# --- sun and zone ------------------------------------------------------------------------------


def check_sun(weather: Weather, raw: RawWeather) -> None:
    """The sun has to shine by day: place, zone and stamps fit each other."""
    heights = sun_heights_deg(weather)
    night = np.max(heights, axis=0) < NIGHT_HEIGHT_DEG
    shines = np.flatnonzero(night & (np.maximum(weather.ghi, weather.dni) > NIGHT_W_M2))
    centre_h, days = centre_of_day_h(weather)
    if len(shines) >= NIGHT_HOURS or (days >= 5 and abs(centre_h) > CENTRE_H):
        if len(shines):
            where = f"{raw.line(int(shines[0]))}: the sun shines while it is below the horizon there"
        else:
            where = raw.path.name
        lean = (
            f"; its radiation is centred {abs(centre_h):.1f} h {'after' if centre_h > 0 else 'before'} the sun's noon"
        )
        raise WeatherError(
            f"{where}{lean if days else ''}. Wrong UTC offset ({weather.utc_offset_h:+g}), longitude "
            f"({weather.lon:g}) or stamps that are not hour-ending standard time: correct which."
        )


def sun_heights_deg(weather: Weather) -> Array:
    """Sun height [deg] at begin, middle and end of each hour, shape (3, n)."""
    sines = np.empty((3, len(weather)))
    for row, back_s in enumerate((HOUR_S, HOUR_S / 2, 0.0)):
        for i, time_s in enumerate(weather.time_s):
            sines[row, i] = sun_position(float(time_s) - back_s, weather.lat, weather.lon)[0]
    return np.degrees(np.arcsin(np.clip(sines, -1, 1)))


def centre_of_day_h(weather: Weather) -> tuple[float, int]:
    """How long after the sun's noon the radiation is centred [h], and over how many sunny days that was seen."""
    offsets = []
    middle_s = weather.time_s - HOUR_S / 2
    solar_h = (middle_s / 3600 + weather.lon / 15 + _equation_of_time_h(middle_s)) % 24
    solar_day = np.floor((middle_s / 3600 + weather.lon / 15) / 24)
    starts = np.flatnonzero(np.diff(solar_day, prepend=solar_day[0] - 1))
    for first, last in zip(starts, [*starts[1:], len(middle_s)], strict=True):
        ghi = weather.ghi[first:last]
        if last - first < 24 or ghi.max() < 200:
            continue
        # A circular mean: a zone that is half a day off must not hide at the day's edges.
        angle = solar_h[first:last] / 24 * 2 * math.pi
        mean = math.atan2(float((ghi * np.sin(angle)).sum()), float((ghi * np.cos(angle)).sum()))
        offsets.append((mean / (2 * math.pi) * 24 - 12) % 24)
    if not offsets:
        return 0.0, 0
    wrapped = [offset - 24 if offset > 12 else offset for offset in offsets]
    return float(np.median(wrapped)), len(wrapped)


def _equation_of_time_h(time_s: Array) -> Array:
    """Sundial minus clock [h]. Spencer 1971 series (as given in handbooks; from memory), good to half a minute."""
    year_s = 365.2425 * 86400
    b = 2 * math.pi * ((time_s / year_s) % 1.0)
    minutes = 229.18 * (
        0.000075 + 0.001868 * np.cos(b) - 0.032077 * np.sin(b) - 0.014615 * np.cos(2 * b) - 0.040849 * np.sin(2 * b)
    )
    return np.asarray(minutes / 60)
