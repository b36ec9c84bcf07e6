"""What a real frame has measured in a week, made ready for fitting: hourly means, lid minute by minute, weather.

What the frame does not measure is put in from outside and said in `notes`: sunshine without a light
sensor, wind without a wind sensor, humidity and sky always.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framesim.longwave import STEFAN_BOLTZMANN
from framesim.moist_air import ZERO_K, saturation_pressure, standard_pressure
from framesim.sky import berdahl_martin_emissivity
from framesim.solar import extraterrestrial_normal, sun_position
from framesim.weather import BARE_GROUND_ALBEDO, HOUR_S, Weather

Array = NDArray[np.float64]
Series = Sequence[tuple[float, float]]

LID_STEP_S = 120.0
LUX_PER_W_M2 = 110.0  # daylight; from memory, 100 to 120
WIND_UNKNOWN_M_S = 3.0  # at 10 m; chosen, common over open land
HUMIDITY_UNKNOWN = 0.75  # mean of a cool-season day and night; chosen
LONGEST_GAP_H = 6
FEWEST_HOURS = 72
CLOUD_WINDOW_H = 5
PER_HOUR = 12  # sun positions an hour


class RecordError(ValueError):
    """Readings that cannot be fitted, said in one sentence."""


@dataclass(frozen=True)
class Record:
    """Hourly means of one stretch of whole hours, NaN where nothing was measured. Times are Unix [s]."""

    weather: Weather
    air_degc: Array
    soil_degc: Array
    lid: Array  # share of full opening, one value every LID_STEP_S
    light_known: bool
    wind_known: bool
    sky_known: bool = False
    notes: tuple[str, ...] = ()

    @property
    def hours(self) -> int:
        """Length."""
        return len(self.air_degc)

    @property
    def open_hours(self) -> float:
        """Hours with the lid off its rim."""
        return float((self.lid > 0.005).sum() * LID_STEP_S / HOUR_S)


def record(
    series: Mapping[str, Series],
    start_s: float,
    end_s: float,
    lat: float,
    lon: float,
    elevation_m: float = 0.0,
    wind_ratio: float = 1.0,
) -> Record:
    """Build a record from series of (Unix time [s], value).

    Series: air, outside, soil [degC], lid 0..1, light [lx], wind [m/s]; air, outside and lid must be there. From a
    weather station near by, where there is one: sky [degC, black body] and humidity [%RH] outdoors.
    wind_ratio: wind where the sensor stands over wind at 10 m. The span is cut to the whole hours in which
    there are readings of the air. Raises RecordError.
    """
    start_s, end_s = _cut(series.get("air", ()), start_s, end_s)
    hours = round((end_s - start_s) / HOUR_S)
    notes: list[str] = []
    air = hourly(series["air"], start_s, hours)
    soil = hourly(series.get("soil", ()), start_s, hours)
    outside = _filled(hourly(series.get("outside", ()), start_s, hours), "outdoor", notes)
    if not series.get("lid"):
        raise RecordError("The frame has not said where its lid stood. A fit needs that.")
    light = hourly(series.get("light", ()), start_s, hours)
    wind = hourly(series.get("wind", ()), start_s, hours) / wind_ratio
    light_known, wind_known = bool(np.isfinite(light).mean() > 0.7), bool(np.isfinite(wind).mean() > 0.7)
    time_s = start_s + HOUR_S * np.arange(1.0, hours + 1)
    clear = clear_sky(time_s, lat, lon)
    if light_known:
        ghi = np.where(np.isfinite(light), light / LUX_PER_W_M2, clear)
        if not np.isfinite(light).all():
            notes.append("hours without light readings were taken as clear")
    else:
        ghi = clear
        notes.append("no light sensor: every hour was taken as clear, each day dimmed by a share found in the fit")
    if not wind_known:
        notes.append(f"no wind sensor: {WIND_UNKNOWN_M_S:g} m/s at 10 m throughout")
    sky, humidity = (hourly(series.get(name, ()), start_s, hours) for name in ("sky", "humidity"))
    sky_known = bool(np.isfinite(sky).mean() > 0.7)
    if not sky_known:
        notes.append("how cold the sky was is an estimate from the light by day")
    if not np.isfinite(humidity).any():
        notes.append(f"humidity outdoors was taken as {100 * HUMIDITY_UNKNOWN:g} %")
    winds = np.where(np.isfinite(wind), wind, np.nanmean(wind)) if wind_known else np.full(hours, WIND_UNKNOWN_M_S)
    damp = np.where(np.isfinite(humidity), humidity / 100.0, HUMIDITY_UNKNOWN)
    clouds = cloudiness(time_s, ghi, lat, lon)
    weather = weather_of(time_s, outside, ghi, winds, lat, lon, elevation_m, clouds, damp)
    if sky_known:
        weather = replace(weather, t_sky_degc=np.where(np.isfinite(sky), sky, weather.t_sky_degc))
    lid = lid_steps(series["lid"], start_s, hours)
    return Record(weather, air, soil, lid, light_known, wind_known, sky_known, tuple(notes))


def _cut(air: Series, start_s: float, end_s: float) -> tuple[float, float]:
    inside = [t for t, _ in air if start_s <= t < end_s]
    if not inside:
        raise RecordError("There are no readings of the air in this time. Choose other days.")
    first = math.floor(inside[0] / HOUR_S) * HOUR_S
    last = math.floor(inside[-1] / HOUR_S + 1.0) * HOUR_S
    if last - first < FEWEST_HOURS * HOUR_S:
        raise RecordError(
            f"There are readings of {(last - first) / HOUR_S:.0f} hours only; a fit needs {FEWEST_HOURS}, "
            "better a week. Wait, or choose other days."
        )
    return first, last


def hourly(series: Series, start_s: float, hours: int) -> Array:
    """Mean of each hour, NaN where there is no value."""
    if not series:
        return np.full(hours, np.nan)
    times, values = np.array(series, dtype=np.float64).T
    place = np.floor((times - start_s) / HOUR_S).astype(np.int64)
    good = (place >= 0) & (place < hours) & np.isfinite(values)
    count = np.bincount(place[good], minlength=hours)
    total = np.bincount(place[good], weights=values[good], minlength=hours)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan), dtype=np.float64)


def _filled(values: Array, what: str, notes: list[str]) -> Array:
    """Short gaps bridged by straight lines, counted; long ones are refused."""
    known = np.isfinite(values)
    if not known.any():
        raise RecordError(f"There are no {what} temperatures in this time. A fit needs an {what} probe.")
    longest = run = 0
    for is_known in known:
        run = 0 if is_known else run + 1
        longest = max(longest, run)
    if longest > LONGEST_GAP_H:
        raise RecordError(
            f"The {what} temperature is missing for {longest} hours in a row; a fit bridges {LONGEST_GAP_H} at most. "
            "Choose other days."
        )
    if not known.all():
        notes.append(f"{int((~known).sum())} hours without {what} temperature were bridged")
    index = np.arange(len(values))
    return np.asarray(np.interp(index, index[known], values[known]), dtype=np.float64)


def lid_steps(series: Series, start_s: float, hours: int) -> Array:
    """Where the lid stood in each step: what was last said, the first word also for the time before it."""
    rows = sorted(series)
    times = np.array([t for t, _ in rows], dtype=np.float64)
    values = np.array([v for _, v in rows], dtype=np.float64)
    middles = start_s + LID_STEP_S * (np.arange(round(hours * HOUR_S / LID_STEP_S)) + 0.5)
    place = np.clip(np.searchsorted(times, middles, side="right") - 1, 0, len(values) - 1)
    return np.ascontiguousarray(np.clip(values[place], 0.0, 1.0))


# ---- weather out of what a frame measures ------------------------------------------------------------


def sun_means(time_s: Array, lat: float, lon: float) -> tuple[Array, Array]:
    """(mean sine of sun height above the horizon, mean clear global light [W/m2]) of the hours that end at time_s.

    Clear light: Haurwitz 1945, 1098 sin h exp(-0.057/sin h) (from memory).
    """
    sines, lights = np.zeros(len(time_s)), np.zeros(len(time_s))
    for k, end in enumerate(time_s):
        for part in range(PER_HOUR):
            sine, _ = sun_position(float(end) - HOUR_S * (part + 0.5) / PER_HOUR, lat, lon)
            if sine > 0.0:
                sines[k] += sine / PER_HOUR
                lights[k] += 1098.0 * sine * math.exp(-0.057 / sine) / PER_HOUR
    return sines, lights


def clear_sky(time_s: Array, lat: float, lon: float) -> Array:
    """Global light of a clear sky, hourly means [W/m2]."""
    return sun_means(time_s, lat, lon)[1]


def split_light(time_s: Array, ghi: Array, lat: float, lon: float) -> tuple[Array, Array]:
    """(beam on a surface facing the sun, diffuse) [W/m2] from global light.

    Source: Erbs, Klein and Duffie 1982, Solar Energy 28:293-302, hourly form (from memory).
    """
    sines, _ = sun_means(time_s, lat, lon)
    extra = np.array([extraterrestrial_normal(float(t)) for t in time_s])
    kt = np.clip(np.where(sines > 1e-3, ghi / np.maximum(extra * sines, 1e-6), 0.0), 0.0, 1.0)
    middle = 0.9511 - 0.1604 * kt + 4.388 * kt**2 - 16.638 * kt**3 + 12.336 * kt**4
    share = np.where(kt <= 0.22, 1.0 - 0.09 * kt, np.where(kt <= 0.80, middle, 0.165))
    dhi = np.where(sines > 1e-3, share * ghi, 0.0)
    # A sun on the horizon makes the division wild: beam is not taken above that of a very clear day.
    dni = np.clip(np.where(sines > 0.02, (ghi - dhi) / np.maximum(sines, 0.02), 0.0), 0.0, 1000.0)
    return np.asarray(dni, dtype=np.float64), np.asarray(dhi, dtype=np.float64)


def cloudiness(time_s: Array, ghi: Array, lat: float, lon: float) -> Array:
    """Share of the sky that is clouded, 0..1, by day from the light of some hours, carried through the night.

    Chosen: nothing down to 0.95 of clear light (no formula of clear light is better than that), all at 0.35,
    straight between. Steeper laws make much of a sensor's small errors under a clear sky.
    """
    clear = clear_sky(time_s, lat, lon)
    high = clear > 100.0
    if not high.any():
        return np.full(len(time_s), 0.5)
    window = np.ones(CLOUD_WINDOW_H)
    lit = np.convolve(np.where(high, ghi, 0.0), window, "same")
    could = np.convolve(np.where(high, clear, 0.0), window, "same")
    share = np.clip((0.95 - lit[high] / could[high]) / 0.60, 0.0, 1.0)
    index = np.arange(len(time_s))
    return np.asarray(np.interp(index, index[high], share), dtype=np.float64)


def weather_of(
    time_s: Array,
    outside: Array,
    ghi: Array,
    wind: Array,
    lat: float,
    lon: float,
    elevation_m: float,
    clouds: Array,
    humidity: Array,
) -> Weather:
    """A weather record around what was measured; sky between that of Berdahl and Martin and the air, by clouds."""
    hours = len(time_s)
    dni, dhi = split_light(time_s, ghi, lat, lon)
    vapour = np.maximum(0.05, humidity) * np.array([saturation_pressure(float(t)) for t in outside])
    log = np.log(vapour / 611.2)
    dew = 243.12 * log / (17.62 - log)  # Magnus over water, as in moist_air
    solar_hour = ((time_s - 0.5 * HOUR_S + lon * 240.0) / HOUR_S) % 24.0
    clear = np.array(
        [min(1.0, berdahl_martin_emissivity(float(d), float(h))) for d, h in zip(dew, solar_hour, strict=True)]
    )
    # Clouds close nine tenths of the gap between clear sky and black body; common practice, no source.
    emissivity = clear + (1.0 - clear) * 0.9 * clouds
    sky = (emissivity * STEFAN_BOLTZMANN * (outside + ZERO_K) ** 4 / STEFAN_BOLTZMANN) ** 0.25 - ZERO_K
    flat = np.zeros(hours)
    return Weather(
        time_s=np.asarray(time_s, dtype=np.float64), t_out_degc=outside, rh_percent=100.0 * humidity,
        dew_degc=dew, wind_10m_m_s=wind, ghi=ghi, dni=dni, dhi=dhi, t_sky_degc=sky,
        pressure_pa=flat + standard_pressure(elevation_m), snow_mm=flat, rain_mm=flat,
        albedo=flat + BARE_GROUND_ALBEDO, lat=lat, lon=lon, elevation_m=elevation_m, utc_offset_h=0.0,
        name="the frame's own readings", source="readings", invented=False,
    )  # fmt: skip
