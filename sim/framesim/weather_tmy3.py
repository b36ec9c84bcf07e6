"""TMY3 weather files: a station line, a line of column names, then hours of local standard time.

Stamps are the END of the hour, 01:00 to 24:00; months come from different years.
Source of the layout: Wilcox and Marion 2008, Users Manual for TMY3 Data Sets (from memory), and the
column names in the file itself, by which columns are found here.
"""

from __future__ import annotations

import csv
from datetime import datetime, timedelta
from pathlib import Path

from framesim.weather import WeatherError
from framesim.weather_raw import RawWeather, missing_below, number, take_columns

_COLUMNS = (
    # ours, theirs, scale
    ("t_out_degc", "Dry-bulb (C)", 1.0),
    ("dew_degc", "Dew-point (C)", 1.0),
    ("rh_percent", "RHum (%)", 1.0),
    ("pressure_pa", "Pressure (mbar)", 100.0),
    ("wind_10m_m_s", "Wspd (m/s)", 1.0),
    ("ghi", "GHI (W/m^2)", 1.0),
    ("dni", "DNI (W/m^2)", 1.0),
    ("dhi", "DHI (W/m^2)", 1.0),
    ("albedo", "Alb (unitless)", 1.0),
    ("rain_mm", "Lprecip depth (mm)", 1.0),
    ("cloud_cover", "OpqCld (tenths)", 0.1),  # not kept: the sky's temperature is worked out from it
)
_OPTIONAL = {"albedo", "rain_mm", "cloud_cover", "pressure_pa", "dew_degc", "rh_percent"}
MISSING = -900.0  # -9900 and -9999 are the format's marks


def is_tmy3(text: str) -> bool:
    """The second line tells."""
    lines = text.split("\n", 2)
    return len(lines) > 1 and lines[1].startswith("Date (MM/DD/YYYY)")


def read_tmy3(path: Path, text: str) -> RawWeather:
    """Parse; checks of the values themselves come later."""
    lines = text.splitlines()
    station = next(csv.reader([lines[0]]))
    if len(station) < 7:
        raise WeatherError(
            f"{path.name}, line 1: the station line has {len(station)} fields, not 7. Get the file anew."
        )
    names = [name.strip() for name in lines[1].split(",")]
    lacking = [theirs for ours, theirs, _ in _COLUMNS if theirs not in names and ours not in _OPTIONAL]
    if lacking:
        raise WeatherError(f"{path.name}, line 2: no column {', '.join(lacking)}. Get the file anew.")
    rows = [(n, line.split(",")) for n, line in enumerate(lines[2:], 3) if line.strip()]
    for line, fields in rows:
        if len(fields) != len(names):
            raise WeatherError(
                f"{path.name}, line {line}: {len(fields)} fields where {len(names)} are due. "
                "The file is cut short or damaged; get it anew."
            )
    if not rows:
        raise WeatherError(f"{path.name}: no hours after the two header lines. Get the file anew.")
    wanted = [
        (ours, names.index(theirs), theirs, missing_below(MISSING, scale))
        for ours, theirs, scale in _COLUMNS
        if theirs in names
    ]
    columns = take_columns(rows, wanted, path)
    if "albedo" in columns:
        columns["albedo"][columns["albedo"] <= 0] = float("nan")
    return RawWeather(
        path=path,
        kind="TMY3",
        ends=[_end(path, line, fields[0], fields[1]) for line, fields in rows],
        lines=[line for line, _ in rows],
        columns=columns,
        utc_offset_h=number(station[3], path, 1, "time zone"),
        lat=number(station[4], path, 1, "latitude"),
        lon=number(station[5], path, 1, "longitude"),
        elevation_m=number(station[6], path, 1, "elevation"),
        name=f"{station[1].strip().title()}, {station[2].strip()}",
        source=f"TMY3 file {path.name}, station {station[0].strip()}",
        typical_year=True,
    )


def _end(path: Path, line: int, date: str, time: str) -> datetime:
    try:
        day = datetime.strptime(date.strip(), "%m/%d/%Y")
        hour, minute = (int(word) for word in time.split(":"))
        if not (1 <= hour <= 24 and minute == 0):
            raise ValueError
        return day + timedelta(hours=hour)
    except ValueError:
        raise WeatherError(
            f'{path.name}, line {line}: "{date} {time}" is no MM/DD/YYYY with an hour from 01:00 to 24:00. Correct it.'
        ) from None
