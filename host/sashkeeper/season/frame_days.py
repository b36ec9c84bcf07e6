"""A weather year run through a simulated frame that the lid law keeps, as one row a day.

Needs the simulator (``pip install 'sashkeeper[sim]'``); imported only when a
weather file is given.
"""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

from sashkeeper.errors import InputError
from sashkeeper.season.growth import FrameDay
from sashkeeper.season.place import Site

FRAME = "garden-frame"
DAYS = 300  # from midsummer: past the return of the light everywhere


def frame_days(path: Path, site: Site, winter: int, frame: str = FRAME) -> list[FrameDay]:
    """Return the days in the frame from midsummer to spring, dated in this winter.

    The lid follows the law with its default settings. Raises InputError when the weather cannot be used.
    """
    from framesim.weather import WeatherError, read

    try:
        weather = read(path, season_year=winter)
        return _days(weather, site, winter, frame)
    except WeatherError as fault:
        raise InputError(f"{fault} Nothing was changed.") from fault
    except OSError as fault:
        raise InputError(f"Cannot read {path}: {fault.strerror}. Nothing was changed.") from fault


def _days(weather: Any, site: Site, winter: int, frame: str) -> list[FrameDay]:
    from framesim import policies
    from framesim.frame import load
    from framesim.season import run_season

    first = date(winter, 6, 23) if site.lat_deg >= 0 else date(winter - 1, 12, 23)
    start = max(weather.start_s, _midnight_s(first, weather))
    end = min(weather.end_s, _midnight_s(first + timedelta(days=DAYS), weather))
    model = load(frame)
    got = run_season(model, weather, policies.law(), start, end)
    bed_m2 = model.width_m * model.depth_m
    air, soil, sun = (got.hourly[k] for k in ("t_air", "t_soil_10cm", "q_sol_lid"))
    result: list[FrameDay] = []
    for n in range(len(air) // 24):
        hours = slice(24 * n, 24 * n + 24)
        day = _day_of(start + n * 86_400.0, weather)
        light = float(sun[hours].sum()) * 3600.0 / 1e6 / bed_m2
        result.append(FrameDay(day, float(air[hours].mean()), float(soil[hours].mean()), light))
    return result


def _midnight_s(day: date, weather: Any) -> float:
    # Weather records run in local standard time.
    return (day - date(1970, 1, 1)).days * 86_400.0 - float(weather.utc_offset_h) * 3600.0


def _day_of(time_s: float, weather: Any) -> date:
    return date(1970, 1, 1) + timedelta(days=int((time_s + weather.utc_offset_h * 3600.0 + 60.0) // 86_400))
