"""Hourly weather turned into what drives the frame: one row every five minutes, value at the row's middle.

Hourly figures are means. Between them run straight lines through the middles of the hours,
whose heights are chosen so that every hour keeps its mean; sunlight follows the sun
position within the hour and keeps the hour's energy. Figures read at the hour's end (EPW, TMY3; see
Weather.readings) are joined by straight lines from end to end.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from framesim import layout as at
from framesim.convection import LEEWARD_B, WINDWARD_B
from framesim.jit import kernel_jit
from framesim.light import fill_light
from framesim.longwave import STEFAN_BOLTZMANN
from framesim.moist_air import MASS_RATIO, ZERO_K, magnus_pressure
from framesim.sky import berdahl_martin_emissivity
from framesim.solar import sun_position
from framesim.weather import HOUR_S, Weather

Array = NDArray[np.float64]

PER_HOUR = int(HOUR_S / at.ROW_S)


class Drivers:
    """Driver rows of a weather record for one frame, worked out day by day when they are asked for."""

    def __init__(self, weather: Weather, parameters: Array, shared: Drivers | None = None) -> None:
        self.start_s = weather.start_s
        self.parameters = parameters
        self.lat, self.lon = weather.lat, weather.lon
        own = weather_rows(weather) if shared is None else (shared.air, shared.dni, shared.dhi, shared.albedo)
        self.air: Array = own[0]
        self.dni: Array = own[1]
        self.dhi: Array = own[2]
        self.albedo: Array = own[3]
        self.base_hour_month = _months(weather)
        rows = len(self.air)
        self.rows = np.empty((rows, at.N_DRIVERS))
        self._done = np.zeros(rows // PER_HOUR + 1, dtype=np.bool_)

    def adopt(self, parameters: Array) -> None:
        """Serve another frame under the same weather; rows are kept where the light is the same."""
        same = np.array_equal(parameters[: at.P_LIGHT_END], self.parameters[: at.P_LIGHT_END])
        ground = slice(at.P_GROUND, at.P_GROUND + 12)
        if not (same and np.array_equal(parameters[ground], self.parameters[ground])):
            self._done[:] = False
        self.parameters = parameters

    def ready(self, from_s: float, to_s: float) -> Array:
        """All rows, those between the two times (with a margin) filled in."""
        first = max(0, int((from_s - self.start_s) // HOUR_S) - 1)
        last = min(len(self._done) - 1, int((to_s - self.start_s) // HOUR_S) + 2)
        hour = first
        while hour < last:
            if self._done[hour]:
                hour += 1
                continue
            stop = hour
            while stop < last and not self._done[stop]:
                stop += 1
            self._fill(hour * PER_HOUR, min(stop * PER_HOUR, len(self.rows)))
            self._done[hour:stop] = True
            hour = stop
        return self.rows

    def _fill(self, first: int, last: int) -> None:
        part = slice(first, last)
        self.rows[part, : at.D_SIN_SUN] = self.air[part]
        months = self.base_hour_month[np.arange(first, last) // PER_HOUR]
        self.rows[part, at.D_BASE] = self.parameters[at.P_GROUND + months]
        fill_rows(
            self.parameters, self.rows, first, last, self.start_s, self.lat, self.lon, self.dni, self.dhi, self.albedo
        )


@kernel_jit
def fill_rows(
    p: Array,
    rows: Array,
    first: int,
    last: int,
    start_s: float,
    lat: float,
    lon: float,
    dni: Array,
    dhi: Array,
    albedo: Array,
) -> None:
    """Sun position and light of the rows first..last-1."""
    for k in range(first, last):
        time_s = start_s + (k + 0.5) * at.ROW_S
        sin_height, azimuth = sun_position(time_s, lat, lon)
        rows[k, at.D_SIN_SUN] = sin_height
        fill_light(p, rows[k], time_s, sin_height, azimuth, dni[k], dhi[k], albedo[k // PER_HOUR])


def weather_rows(weather: Weather) -> tuple[Array, Array, Array, Array]:
    """Everything that does not depend on the frame: (air columns, beam, diffuse per row; albedo per hour)."""
    hours = len(weather)
    rows = hours * PER_HOUR
    air = np.zeros((rows, at.D_SIN_SUN))
    between = join if weather.readings else spread
    out = between(weather.t_out_degc)
    wind = np.maximum(0.0, between(weather.wind_10m_m_s))
    air[:, at.D_OUT] = out
    air[:, at.D_SKY] = STEFAN_BOLTZMANN * (between(sky_degc(weather)) + ZERO_K) ** 4
    air[:, at.D_WIND] = wind
    air[:, at.D_WINDWARD] = wind**WINDWARD_B
    air[:, at.D_LEEWARD] = wind**LEEWARD_B
    vapour = np.array([magnus_pressure(t) for t in weather.dew_degc])
    air[:, at.D_HUMID] = np.maximum(1e-5, between(MASS_RATIO * vapour / (weather.pressure_pa - vapour)))
    air[:, at.D_PRESSURE] = np.repeat(weather.pressure_pa, PER_HOUR)
    air[:, at.D_SNOW] = np.maximum(0.0, spread(weather.snow_mm)) / 1000.0
    up = sun_is_up(weather.start_s, rows, weather.lat, weather.lon)
    dni = keep_energy(spread(weather.dni) * up, weather.dni)
    dhi = keep_energy(spread(weather.dhi), weather.dhi)
    return air, dni, dhi, np.ascontiguousarray(weather.albedo)


def spread(means: Array) -> Array:
    """Hourly means to row values: straight lines through hour middles that keep every hour's mean.

    A line through middles r gives the mean (r[-1] + 6 r[0] + r[+1])/8; solved for r.
    """
    n = len(means)
    heights = _solve_middles(np.ascontiguousarray(means, dtype=np.float64))
    at_rows = (np.arange(n * PER_HOUR) + 0.5) / PER_HOUR
    return np.asarray(np.interp(at_rows, np.arange(n) + 0.5, heights), dtype=np.float64)


def join(readings: Array) -> Array:
    """Readings at the ends of the hours to row values, by straight lines; the first is held before its time."""
    n = len(readings)
    at_rows = (np.arange(n * PER_HOUR) + 0.5) / PER_HOUR
    return np.asarray(np.interp(at_rows, np.arange(n) + 1.0, readings), dtype=np.float64)


@kernel_jit
def _solve_middles(means: Array) -> Array:
    n = len(means)
    if n < 2:
        return means.copy()
    side = 0.125
    upper = np.empty(n)
    result = np.empty(n)
    diagonal = 0.875
    upper[0] = side / diagonal
    result[0] = means[0] / diagonal
    for k in range(1, n):
        diagonal = (0.875 if k == n - 1 else 0.75) - side * upper[k - 1]
        upper[k] = side / diagonal
        result[k] = (means[k] - side * result[k - 1]) / diagonal
    for k in range(n - 2, -1, -1):
        result[k] -= upper[k] * result[k + 1]
    return result


def keep_energy(rows: Array, means: Array) -> Array:
    """Cut negative light and scale each hour's rows so that their mean is the hour's; hours without a row stay dark."""
    by_hour = np.maximum(0.0, rows).reshape(-1, PER_HOUR)
    found = by_hour.mean(axis=1)
    scale = np.where(found > 1e-6, np.maximum(0.0, means) / np.maximum(found, 1e-6), 0.0)
    return np.asarray((by_hour * scale[:, None]).ravel(), dtype=np.float64)


@kernel_jit
def sun_is_up(start_s: float, rows: int, lat: float, lon: float) -> Array:
    """1.0 where the sun's middle stands above the horizon in the middle of a row, else 0.0."""
    up = np.zeros(rows)
    for k in range(rows):
        sin_height, _ = sun_position(start_s + (k + 0.5) * at.ROW_S, lat, lon)
        up[k] = 1.0 if sin_height > 0.0 else 0.0
    return up


def sky_degc(weather: Weather) -> Array:
    """Sky temperature [degC]: the file's own, or Berdahl and Martin's clear sky where it has none.

    The clear sky is the cold side: a cloudy night is warmer.
    """
    sky = np.array(weather.t_sky_degc, dtype=np.float64)
    before_end_s = 0.0 if weather.readings else 0.5 * HOUR_S
    for k in np.flatnonzero(~np.isfinite(sky)):
        hour = (weather.time_s[k] - before_end_s + weather.lon * 240.0) / HOUR_S % 24.0
        emissivity = min(1.0, berdahl_martin_emissivity(weather.dew_degc[k], hour))
        sky[k] = (weather.t_out_degc[k] + ZERO_K) * emissivity**0.25 - ZERO_K
    return sky


def _months(weather: Weather) -> NDArray[np.int64]:
    """Month number 0..11 of each hour, by local standard time."""
    shift = timedelta(hours=weather.utc_offset_h)
    middles = weather.time_s - 0.5 * HOUR_S
    return np.array([(datetime.fromtimestamp(t, UTC) + shift).month - 1 for t in middles], dtype=np.int64)


def rows_at(rows: Array, start_s: float, time_s: float) -> float:
    """Place of a time between rows (0 = middle of the first row), kept inside the table."""
    return min(max((time_s - start_s) / at.ROW_S - 0.5, 0.0), len(rows) - 1.000001)


def solar_hour(time_s: float, lon: float) -> float:
    """Mean solar time [h] at a longitude."""
    return math.fmod(time_s + lon * 240.0, 86400.0) / 3600.0
