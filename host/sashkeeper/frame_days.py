"""A weather year run through a simulated frame that the lid law keeps, as one row a day.

Needs the simulator (``pip install 'sashkeeper[sim]'``); imported only when a
weather file is given. The lid follows ``sash.lid_law`` with its default
settings and reaches its target at once: for day means that is near enough.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from sashkeeper.errors import InputError
from sashkeeper.growth import FrameDay
from sashkeeper.place import Site
from sashkeeper.season_now import day_start_s

STEP_S = 600
FRAME = "garden-frame"
# Weather of a station this far off by latitude is another climate: say so (chosen).
FAR_DEG = 3.0


def frame_days(path: Path, site: Site, winter: int, frame: str = FRAME) -> list[FrameDay]:
    """Return the days in the frame from midsummer to spring, dated in this winter.

    Raises InputError when the weather cannot be used.
    """
    from framesim.frame import load
    from framesim.model import FrameModel
    from framesim.weather import WeatherError, read

    hints: dict[str, Any] = {"season_year": winter}
    try:
        weather = read(path, **hints)
        model = FrameModel(load(frame), weather)
        return _run(model, weather, site, winter)
    except WeatherError as fault:
        raise InputError(f"{fault} Nothing was changed.") from fault
    except OSError as fault:
        raise InputError(f"Cannot read {path}: {fault.strerror}. Nothing was changed.") from fault


def _run(model: Any, weather: Any, site: Site, winter: int) -> list[FrameDay]:
    from framesim import layout
    from sash import lid_law, settings

    north = site.lat_deg >= 0
    first = max(
        datetime.fromtimestamp(weather.start_s, UTC).date() + timedelta(days=2),
        date(winter, 6, 23) if north else date(winter - 1, 12, 23),
    )
    last = min(datetime.fromtimestamp(weather.end_s, UTC).date(), first + timedelta(days=300))
    law: Any = lid_law  # the board's files carry no types
    rules: Any = settings
    wanted = rules.law_values(rules.defaults())
    state = list(law.START)
    bed_m2 = model.frame.width_m * model.frame.depth_m
    model.reset(day_start_s(first, site))
    target, result, day = 0, [], first
    while day < last:
        ends = day_start_s(day + timedelta(days=1), site)
        steps, air, soil = 0, 0.0, 0.0
        through = float(model.sums[layout.S_THROUGH])
        while model.time_s < ends - 1.0:
            model.advance(min(STEP_S, ends - model.time_s), target / 1000.0)
            answer = law.decide(_sense(model, law, target, day, north), state, wanted)
            target = int(law.target_of(answer))
            steps, air, soil = steps + 1, air + model.air_degc, soil + model.soil_10cm_degc
        light = (float(model.sums[layout.S_THROUGH]) - through) / bed_m2 / 1e6
        result.append(FrameDay(day, air / steps, soil / steps, light))
        day += timedelta(days=1)
    return result


def _sense(model: Any, law: Any, target: int, day: date, north: bool) -> tuple[int, ...]:
    hour = (model.time_s / 3600.0 + model.weather.lon / 15.0) % 24.0
    values = {
        "dt_s": STEP_S,
        "air_mdegc": round(model.air_degc * 1000),
        "outside_mdegc": round(model.outside_degc * 1000),
        "soil_mdegc": round(model.soil_10cm_degc * 1000),
        "sun_cdeg": round(model.sun_height_deg * 100),
        "after_noon": 1 if hour >= 12.0 else 0,
        "day_of_year": day.timetuple().tm_yday,
        "wind_mms": round(model.wind_local_m_s * 1000),
        "position_permille": target,
        "hold": 0,
        "lid_fault": 0,
        "north": 1 if north else 0,
    }
    return tuple(values.get(name, law.NONE) for name in law.SENSE)
