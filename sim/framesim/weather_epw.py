"""EPW weather files: eight header lines, then one line an hour of local standard time.

Source of the layout: the public description of the EnergyPlus weather format (auxiliary
programs manual). Hour 1 ends at 01:00. Fields by position, counted from 0: year month day hour
minute flags, dry bulb 6, dew point 7, relative humidity 8, pressure 9, infrared from the sky 12,
global 13, beam 14, diffuse 15, wind speed 21, snow depth 30 (cm), albedo 32, rain depth 33 (mm).
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

from framesim.weather import WeatherError
from framesim.weather_raw import RawWeather, missing_from, number, take_columns

STEFAN_BOLTZMANN = 5.670374419e-8  # [W/m2K4]
HEADER_LINES = 8
LEAST_FIELDS = 30


def is_epw(text: str) -> bool:
    """The first line tells."""
    return text.lstrip().upper().startswith("LOCATION,")


def read_epw(path: Path, text: str) -> RawWeather:
    """Parse; checks of the values themselves come later."""
    lines = text.splitlines()
    location = next(csv.reader([lines[0]]))
    if len(location) < 10:
        raise WeatherError(f"{path.name}, line 1: LOCATION has {len(location)} fields, not 10. Get the file anew.")
    _mind_data_periods(path, lines[:HEADER_LINES])
    rows = [(n, line.split(",")) for n, line in enumerate(lines[HEADER_LINES:], HEADER_LINES + 1) if line.strip()]
    if not rows:
        raise WeatherError(f"{path.name}: no hours after the {HEADER_LINES} header lines. Get the file anew.")
    for line, fields in rows:
        if len(fields) < LEAST_FIELDS:
            raise WeatherError(
                f"{path.name}, line {line}: {len(fields)} fields where at least {LEAST_FIELDS} are due. "
                "The file is cut short or damaged; get it anew."
            )
    place = [number(location[i], path, 1, what) for i, what in ((6, "latitude"), (7, "longitude"))]
    return RawWeather(
        path=path,
        kind="EPW",
        ends=[_end(path, line, fields) for line, fields in rows],
        lines=[line for line, _ in rows],
        columns=take_columns(rows, _wanted(min(len(fields) for _, fields in rows)), path),
        lat=place[0],
        lon=place[1],
        utc_offset_h=number(location[8], path, 1, "time zone"),
        elevation_m=number(location[9], path, 1, "elevation"),
        name=", ".join(word.strip() for word in location[1:4] if word.strip(" -")),
        source=f"EPW file {path.name} ({location[4].strip() or 'source not stated'})",
        typical_year=True,
        invented="invented" in text[:2000].lower(),
    )


def _wanted(fields: int) -> list[tuple[str, int, str, Callable[[float], float]]]:
    """Which fields to take. The numbers are the format's marks for a missing value."""
    wanted = [
        ("t_out_degc", 6, "dry bulb", missing_from(99.9)),
        ("dew_degc", 7, "dew point", missing_from(99.9)),
        ("rh_percent", 8, "relative humidity", missing_from(999)),
        ("pressure_pa", 9, "pressure", missing_from(999999)),
        ("t_sky_degc", 12, "infrared from the sky", _sky_degc),
        ("ghi", 13, "global horizontal", missing_from(9999)),
        ("dni", 14, "direct normal", missing_from(9999)),
        ("dhi", 15, "diffuse horizontal", missing_from(9999)),
        ("wind_10m_m_s", 21, "wind speed", missing_from(999)),
        ("snow_mm", 30, "snow depth", missing_from(999, 10.0)),
        ("albedo", 32, "albedo", lambda value: math.nan if value >= 999 or value <= 0 else value),
        ("rain_mm", 33, "rain depth", missing_from(999)),
    ]
    return [entry for entry in wanted if entry[1] < fields]


def _sky_degc(infrared: float) -> float:
    """Black-body sky from the infrared on the level [W/m2]."""
    if math.isnan(infrared) or infrared >= 9999 or infrared <= 0:
        return math.nan
    return float((infrared / STEFAN_BOLTZMANN) ** 0.25 - 273.15)


def _end(path: Path, line: int, fields: list[str]) -> datetime:
    try:
        year, month, day, hour = (int(float(fields[i])) for i in range(4))
        if not 1 <= hour <= 24:
            raise ValueError
        return datetime(year, month, day) + timedelta(hours=hour)
    except ValueError:
        stamp = "/".join(fields[:4])
        raise WeatherError(
            f'{path.name}, line {line}: "{stamp}" is no year/month/day/hour (hours run from 1 to 24). Correct it.'
        ) from None


def _mind_data_periods(path: Path, header: list[str]) -> None:
    for n, line in enumerate(header, 1):
        words = line.split(",")
        if words[0].strip().upper() == "DATA PERIODS" and len(words) > 2 and words[2].strip() not in ("", "1"):
            raise WeatherError(
                f"{path.name}, line {n}: {words[2].strip()} records an hour; only one an hour can be read. "
                "Make hourly means of it first."
            )
