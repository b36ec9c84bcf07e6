"""From any weather file to a checked `Weather`: find the kind, read, check, map the years, fill where asked."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from framesim import weather_checks, weather_season
from framesim.moist_air import standard_pressure
from framesim.sky import berdahl_martin_emissivity, cloudy_emissivity
from framesim.weather import BARE_GROUND_ALBEDO, Array, Weather, WeatherError
from framesim.weather_csv import is_table, read_table
from framesim.weather_epw import is_epw, read_epw
from framesim.weather_raw import RawWeather, read_text
from framesim.weather_tmy3 import is_tmy3, read_tmy3

DEFAULT_SEASON_YEAR = 2026


@dataclass(frozen=True)
class Hints:
    """What the caller adds to a file. See framesim.weather.read."""

    lat: float | None = None
    lon: float | None = None
    elevation_m: float | None = None
    utc_offset_h: float | None = None
    name: str | None = None
    season_year: int | None = None
    fill: bool = False
    max_gap_h: int = 6
    check_sun: bool = True


def read(path: Path, hints: Mapping[str, Any]) -> Weather:
    """Read one file; WeatherError says in one sentence what is wrong, where, and what to do."""
    unknown = set(hints) - set(Hints.__dataclass_fields__)
    if unknown:
        raise TypeError(f"no weather hint called {', '.join(sorted(unknown))}")
    asked = Hints(**hints)
    raw = _parse(path, read_text(path))
    _set_place(raw, asked)
    weather_checks.check_place(raw)
    weather_checks.check_values(raw)
    weather_season.map_years(raw, asked.season_year, DEFAULT_SEASON_YEAR)
    filled = weather_checks.mind_gaps(raw, asked.fill, asked.max_gap_h)
    weather = _finish(raw, filled)
    if asked.check_sun:
        weather_checks.check_sun(weather, raw)
    return weather


def _parse(path: Path, text: str) -> RawWeather:
    if not text.strip():
        raise WeatherError(f"{path.name}: the weather file is empty. Get it anew.")
    for is_kind, read_kind in ((is_epw, read_epw), (is_tmy3, read_tmy3), (is_table, read_table)):
        if is_kind(text):
            return read_kind(path, text)
    raise WeatherError(
        f"{path.name}: neither EPW (first line LOCATION,...), TMY3 (second line Date (MM/DD/YYYY),...) nor a table "
        "(header time_end,...). Give one of these."
    )


def _set_place(raw: RawWeather, asked: Hints) -> None:
    for name in ("lat", "lon", "elevation_m", "utc_offset_h"):
        hint = getattr(asked, name)
        if hint is not None:
            said = getattr(raw, name)
            if said is not None and abs(said - hint) > 1e-6:
                raw.notes.append(f"{name} {said:g} of the file replaced by {hint:g} as told")
            setattr(raw, name, float(hint))
    raw.name = asked.name or raw.name


def _finish(raw: RawWeather, filled: int) -> Weather:
    """Raw columns, complete by now, to Weather."""
    assert raw.lat is not None
    assert raw.lon is not None
    assert raw.elevation_m is not None
    assert raw.utc_offset_h is not None
    columns = raw.columns
    rh, dew = _humidity(raw)
    offset = timedelta(hours=raw.utc_offset_h)
    time_s = np.array([(end - offset).replace(tzinfo=UTC).timestamp() for end in raw.ends])
    return Weather(
        time_s=time_s,
        t_out_degc=columns["t_out_degc"],
        rh_percent=rh,
        dew_degc=dew,
        wind_10m_m_s=columns["wind_10m_m_s"],
        ghi=np.maximum(columns["ghi"], 0.0),
        dni=np.maximum(columns["dni"], 0.0),
        dhi=np.maximum(columns["dhi"], 0.0),
        t_sky_degc=columns.get("t_sky_degc", _cloudy_sky(raw, dew, time_s)),
        pressure_pa=_default(raw, "pressure_pa", standard_pressure(raw.elevation_m)),
        snow_mm=_default(raw, "snow_mm", 0.0),
        rain_mm=_default(raw, "rain_mm", 0.0),
        albedo=_default(raw, "albedo", BARE_GROUND_ALBEDO),
        lat=raw.lat,
        lon=raw.lon,
        elevation_m=raw.elevation_m,
        utc_offset_h=raw.utc_offset_h,
        name=raw.name,
        source=raw.source,
        invented=raw.invented,
        filled_hours=filled,
        notes=tuple(raw.notes),
        readings=raw.typical_year,  # EPW and TMY3: values at the hour's end, but for sunlight
    )


def _default(raw: RawWeather, name: str, value: float) -> Array:
    """A column that may be missing, wholly or here and there."""
    column = raw.columns.get(name)
    if column is None:
        raw.notes.append(f"{name} not in the file, {value:g} taken")
        return np.full(len(raw.ends), value)
    missing = np.isnan(column)
    if missing.any():
        raw.notes.append(f"{name} missing in {int(missing.sum())} hours, {value:g} taken there")
    return np.where(missing, value, column)


def _humidity(raw: RawWeather) -> tuple[Array, Array]:
    """Relative humidity and dew point, one from the other where one is missing.

    Magnus formula, coefficients 17.625 and 243.04 (Alduchov and Eskridge 1996).
    """
    empty = np.full(len(raw.ends), math.nan)
    air = raw.columns["t_out_degc"]
    rh = raw.columns.get("rh_percent", empty)
    dew = raw.columns.get("dew_degc", empty)
    rh = np.where(np.isnan(rh), 100 * np.exp(_magnus(dew) - _magnus(air)), rh)
    rh = np.clip(rh, 1.0, 100.0)
    level = np.log(rh / 100) + _magnus(air)
    return rh, np.where(np.isnan(dew), 243.04 * level / (17.625 - level), dew)


def _cloudy_sky(raw: RawWeather, dew: Array, time_s: Array) -> Array:
    """Sky temperature [degC] from dew point and opaque cloud, NaN where the file does not tell the cloud."""
    cover = raw.columns.get("cloud_cover")
    if cover is None:
        return np.full(len(raw.ends), math.nan)
    assert raw.lon is not None
    hours = (time_s + raw.lon * 240.0) / 3600.0 % 24.0
    clear = np.array([berdahl_martin_emissivity(float(d), float(h)) for d, h in zip(dew, hours, strict=True)])
    closed = np.array([cloudy_emissivity(float(e), float(c)) for e, c in zip(clear, cover, strict=True)])
    kelvin = (raw.columns["t_out_degc"] + 273.15) * np.minimum(1.0, closed) ** 0.25
    return np.asarray(np.where(np.isnan(cover), math.nan, kelvin - 273.15), dtype=np.float64)


def _magnus(degc: Array) -> Array:
    return 17.625 * degc / (243.04 + degc)


__all__ = ["DEFAULT_SEASON_YEAR", "Hints", "read"]
