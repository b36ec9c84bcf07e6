"""Weather for a simulated frame: one record of hourly arrays, whatever file it came from.

Everything that reads a weather file ends here, in `Weather`. The kernel and the
runner know no file format.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

HOUR_S = 3600.0

# Albedo of bare ground and short grass when the file has none.
# Source: common practice, no source (0.2 is the usual default of building simulators).
BARE_GROUND_ALBEDO = 0.2


class WeatherError(ValueError):
    """Bad weather, said in one sentence: what is wrong, where, what to do."""


@dataclass(frozen=True)
class Weather:
    """Hourly weather of one place, local standard time turned into UTC, no daylight saving.

    Arrays are float64, all of one length. Entry i holds the interval that ENDS at
    `time_s[i]`. Sun values are means over that interval; the others are means too, or, when `readings` is
    True, readings taken at its end, as in EPW and TMY3 files.
    """

    time_s: Array  # [s] Unix time, UTC, of the interval's end; years are remapped, see weather_year
    t_out_degc: Array  # [degC] air
    rh_percent: Array  # [%] over water
    dew_degc: Array  # [degC]
    wind_10m_m_s: Array  # [m/s] at 10 m over open ground
    ghi: Array  # [W/m2] global on the level
    dni: Array  # [W/m2] beam on a surface facing the sun
    dhi: Array  # [W/m2] diffuse on the level
    t_sky_degc: Array  # [degC] black-body sky, NaN where the file does not say (then computed)
    pressure_pa: Array  # [Pa] at the station
    snow_mm: Array  # [mm] depth lying on the ground
    rain_mm: Array  # [mm] water fallen in the interval (rain or melted snow)
    albedo: Array  # [-] of the ground around the frame
    lat: float  # [deg] north positive
    lon: float  # [deg] east positive
    elevation_m: float
    utc_offset_h: float  # standard time minus UTC
    name: str
    source: str  # where the figures come from, for reports
    invented: bool  # True: no station ever saw this
    filled_hours: int = 0  # hours that were not in the file and were filled because that was asked for
    notes: tuple[str, ...] = field(default=())  # what was changed or assumed on reading
    readings: bool = False  # True: air, humidity, wind, pressure and sky were read at time_s, not averaged

    def __len__(self) -> int:
        return len(self.time_s)

    @property
    def start_s(self) -> float:
        """Unix time at which the first interval begins."""
        return float(self.time_s[0]) - HOUR_S

    @property
    def end_s(self) -> float:
        """Unix time at which the last interval ends."""
        return float(self.time_s[-1])

    def cut(self, from_s: float, to_s: float) -> Weather:
        """The intervals that lie wholly between two Unix times."""
        wanted = (self.time_s - HOUR_S >= from_s) & (self.time_s <= to_s)
        if not wanted.any():
            raise WeatherError(
                f"{self.name}: the weather runs from {when(self.start_s, self.utc_offset_h)} to "
                f"{when(self.end_s, self.utc_offset_h)} and holds nothing of the time asked for. Choose days inside it."
            )
        return replace(self, **{name: getattr(self, name)[wanted] for name in ARRAY_FIELDS})


ARRAY_FIELDS = tuple(f.name for f in fields(Weather) if f.type == "Array")


def when(time_s: float, utc_offset_h: float) -> str:
    """Unix time as local standard time, for messages."""
    from datetime import UTC, datetime, timedelta

    return (datetime.fromtimestamp(time_s, UTC) + timedelta(hours=utc_offset_h)).strftime("%Y-%m-%d %H:%M")


def read(path: str | Path, **hints: Any) -> Weather:
    """Read an EPW, TMY3, plain CSV or reference-table file into `Weather`.

    The kind is told from the first lines, not from the file's name. Hints (all
    optional): lat, lon, elevation_m, utc_offset_h, name where the file does not say; season_year
    (first year of the winter the file is mapped onto, default 2026); fill (True: fill
    gaps of up to max_gap_h hours, default 6, and count them); check_sun (False: leave out the check
    that the sun shines by day).
    Raises WeatherError with one sentence; nothing is half-read.
    """
    from framesim.weather_files import read as read_file

    return read_file(Path(path), hints)


def invent(*where: Any, **how: Any) -> Weather:
    """Invented weather; see framesim.invented.invent."""
    from framesim.invented import invent as invent_weather

    return invent_weather(*where, **how)
