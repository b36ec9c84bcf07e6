"""Weather that nobody ever saw, for demonstrations and tests.

Seeded, so the same call gives the same weather. Days are of five kinds that follow each other by
chance or as told; sun, sky, wind and snow fit each other and the sun's height, but it is no
climate of any place and proves nothing about one. Everything without a source is chosen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np

from framesim.moist_air import standard_pressure
from framesim.sky import berdahl_martin_emissivity, cloudy_emissivity
from framesim.solar import sun_position
from framesim.weather import BARE_GROUND_ALBEDO, HOUR_S, Array, Weather, WeatherError

MINUTES = 5  # step of the sun within an hour
SNOW_ALBEDO = 0.7  # settled snow; from memory
NEW_SNOW_PER_WATER = 10.0  # depth over melted depth; common rule, no source
SETTLING_PER_HOUR = 0.002
MELT_MM_PER_K_HOUR = 1.2  # depth lost by the hour and kelvin above freezing


@dataclass(frozen=True)
class DayKind:
    """How a kind of day looks.

    beam        lowest and highest share of the clear-sky beam in an hour
    veil        share of clear-sky global that comes through where the beam does not
    cover       cloud cover for the sky's long wave
    swing_k     half the daily range
    shift_k     warmer or colder than the season
    dry_k       dew point below the daily minimum
    wind_m_s    mean at 10 m
    water_mm    rain or melted snow in the day
    """

    beam: tuple[float, float]
    veil: float
    cover: float
    swing_k: float
    shift_k: float
    dry_k: float
    wind_m_s: float
    water_mm: float


KINDS: Mapping[str, DayKind] = {
    "clear": DayKind((0.92, 1.0), 0.5, 0.05, 6.5, -1.5, 2.5, 2.0, 0.0),
    "broken": DayKind((0.1, 0.9), 0.45, 0.5, 4.0, 0.5, 2.0, 3.5, 0.0),
    "overcast": DayKind((0.0, 0.04), 0.28, 1.0, 1.5, 1.0, 0.5, 3.0, 1.0),
    "snowy": DayKind((0.0, 0.02), 0.22, 1.0, 1.0, -3.0, 0.3, 3.5, 8.0),
    "front": DayKind((0.0, 0.8), 0.3, 0.7, 2.5, 0.0, 1.0, 7.5, 4.0),
}
# Which kind follows which: (clear, broken, overcast, snowy, front).
NEXT: Mapping[str, tuple[float, float, float, float, float]] = {
    "clear": (0.55, 0.25, 0.10, 0.00, 0.10),
    "broken": (0.25, 0.35, 0.20, 0.05, 0.15),
    "overcast": (0.10, 0.25, 0.40, 0.15, 0.10),
    "snowy": (0.25, 0.25, 0.25, 0.25, 0.00),
    "front": (0.40, 0.30, 0.15, 0.15, 0.00),
}
FRONT_HOUR = 14
MOST_DEW_DEGC = 26.0
SNOW_BELOW_DEGC = 6.0  # where the season's mean is above, a snowy day that comes by chance is an overcast one
FRONT_DROP_K = 7.0


def invent(
    lat: float,
    lon: float,
    first: date,
    last: date,
    *,
    seed: int = 1,
    days: Sequence[str] | None = None,
    warmth_k: float = 0.0,
    elevation_m: float = 0.0,
    utc_offset_h: float | None = None,
    name: str = "Nowhere",
) -> Weather:
    """Invent hourly weather from `first` to `last` (both whole days).

    days      kinds of the days in order (see KINDS); when they are used up they start anew; None: by chance
    warmth_k  added to the season's temperature
    """
    _mind(lat, lon, first, last, days)
    offset_h = round(lon / 15) if utc_offset_h is None else utc_offset_h
    random = np.random.default_rng(seed)
    count = (last - first).days + 1
    midnight = datetime(first.year, first.month, first.day, tzinfo=UTC) - timedelta(hours=offset_h)
    time_s: Array = midnight.timestamp() + HOUR_S * np.arange(1.0, 24 * count + 1, dtype=np.float64)
    dates = [first + timedelta(days=i) for i in range(count)]
    shift_k = warmth_k - 0.0065 * elevation_m
    cold = [_season_degc(day, lat) + shift_k < SNOW_BELOW_DEGC for day in dates]
    kinds = [days[i % len(days)] for i in range(count)] if days else _chain(cold, random)
    air, dew = _air(kinds, dates, lat, shift_k, random)
    dni, dhi, ghi = _sun(kinds, time_s, lat, lon, random)
    rain, snow = _water(kinds, air, random)
    wind = _wind(kinds, random)
    return Weather(
        time_s=time_s,
        t_out_degc=air,
        rh_percent=np.clip(100 * np.exp(_magnus(dew) - _magnus(air)), 1.0, 100.0),
        dew_degc=dew,
        wind_10m_m_s=wind,
        ghi=ghi,
        dni=dni,
        dhi=dhi,
        t_sky_degc=_sky(kinds, air, dew),
        pressure_pa=standard_pressure(elevation_m) + _pressure_wave(kinds),
        snow_mm=snow,
        rain_mm=rain,
        albedo=np.where(snow > 20, SNOW_ALBEDO, BARE_GROUND_ALBEDO),
        lat=lat,
        lon=lon,
        elevation_m=elevation_m,
        utc_offset_h=float(offset_h),
        name=f"{name} (invented)",
        source=f"invented by framesim, seed {seed}: no station ever saw this weather",
        invented=True,
        notes=("days: " + " ".join(kinds),),
    )


def _mind(lat: float, lon: float, first: date, last: date, days: Sequence[str] | None) -> None:
    if not (abs(lat) <= 90 and abs(lon) <= 180):
        raise WeatherError(f"No place at {lat:g}, {lon:g}: latitude -90 to 90, longitude -180 to 180.")
    if last < first:
        raise WeatherError(f"The last day ({last}) is before the first ({first}). Exchange them.")
    unknown = [kind for kind in days or () if kind not in KINDS]
    if unknown:
        raise WeatherError(f'No kind of day called "{unknown[0]}". Known: {", ".join(KINDS)}.')


def _chain(cold: Sequence[bool], random: np.random.Generator) -> list[str]:
    kinds = [str(random.choice(list(KINDS), p=(0.3, 0.3, 0.2, 0.1, 0.1)))]
    while len(kinds) < len(cold):
        kinds.append(str(random.choice(list(KINDS), p=NEXT[kinds[-1]])))
    return ["overcast" if kind == "snowy" and not snows else kind for kind, snows in zip(kinds, cold, strict=True)]


def _season_degc(day: date, lat: float) -> float:
    """Daily mean at sea level: warmest three to four weeks after the longest day. Chosen, inland-like."""
    warmest = 203 if lat >= 0 else 203 - 182
    turn = math.cos(2 * math.pi * (day.timetuple().tm_yday - warmest) / 365.25)
    return 29.0 - 0.42 * abs(lat) + min(16.0, 0.25 * abs(lat)) * turn


def _air(
    kinds: Sequence[str], dates: Sequence[date], lat: float, shift_k: float, random: np.random.Generator
) -> tuple[Array, Array]:
    """Air and dew point, smooth from day to day."""
    spell = 0.0
    means, swings, dry = [], [], []
    for kind, day in zip(kinds, dates, strict=True):
        spell = 0.75 * spell + 2.0 * float(random.standard_normal())
        looks = KINDS[kind]
        means.append(_season_degc(day, lat) + shift_k + spell + looks.shift_k)
        if kind == "snowy":
            means[-1] = min(means[-1], -0.5)
        swings.append(looks.swing_k)
        dry.append(looks.dry_k)
        if kind == "front":
            spell -= FRONT_DROP_K
    hours = np.arange(24 * len(kinds)) + 0.5
    middles = 24 * np.arange(len(kinds)) + 12.0
    mean = np.interp(hours, middles, means)
    swing = np.interp(hours, middles, swings)
    air = mean + swing * np.cos(2 * math.pi * (hours % 24 - 15) / 24)
    for number, kind in enumerate(kinds):
        if kind == "front":
            _pass_front(air, 24 * number)
    dew = mean - swing - np.interp(hours, middles, dry)
    return air, np.minimum(np.minimum(dew, air - 0.1), MOST_DEW_DEGC)


def _pass_front(air: Array, start: int) -> None:
    """Warm before, then a quick fall that the following day's mean carries on."""
    hours = np.arange(24)
    lead = 0.8 * FRONT_DROP_K / (1 + np.exp((hours - FRONT_HOUR) / 0.6))
    air[start : start + 24] += lead * np.clip(hours / 8, 0, 1)


def _sun(
    kinds: Sequence[str], time_s: Array, lat: float, lon: float, random: np.random.Generator
) -> tuple[Array, Array, Array]:
    """Beam, diffuse and global, hour's means; global = diffuse + beam x mean sine of the sun's height."""
    dni, dhi, ghi = (np.zeros(len(time_s)) for _ in range(3))
    share = 0.5
    for hour, end_s in enumerate(time_s):
        looks = KINDS[kinds[hour // 24]]
        low, high = looks.beam
        share = 0.4 * share + 0.6 * float(random.random())
        clear = low + (high - low) * share
        if kinds[hour // 24] == "front":
            clear = 0.8 if hour % 24 < FRONT_HOUR - 4 else (0.0 if hour % 24 < FRONT_HOUR + 2 else 0.5)
        veil = looks.veil * (0.9 + 0.2 * float(random.random()))
        dni[hour], dhi[hour], ghi[hour] = _hour_of_sun(float(end_s), lat, lon, clear, veil)
    return dni, dhi, ghi


def _hour_of_sun(end_s: float, lat: float, lon: float, clear: float, veil: float) -> tuple[float, float, float]:
    level = diffuse = sines = 0.0
    steps = 60 // MINUTES
    for step in range(steps):
        sine = sun_position(end_s - HOUR_S + (step + 0.5) * 60 * MINUTES, lat, lon)[0]
        if sine <= 0.005:
            continue
        beam, all_clear = clear_sky(sine)
        scattered = max(0.05 * all_clear, all_clear - beam * sine)
        level += clear * beam * sine
        diffuse += clear * scattered + (1 - clear) * veil * all_clear
        sines += sine
    if sines == 0.0:
        return 0.0, 0.0, 0.0
    return level / sines, diffuse / steps, (diffuse + level) / steps


def clear_sky(sine: float) -> tuple[float, float]:
    """Beam facing the sun and global on the level [W/m2] under a cloudless sky.

    Beam: Meinel and Meinel 1976, 1353 x 0.7^(AM^0.678); global: Haurwitz 1945, 1098 sin h exp(-0.057 / sin h)
    (both from memory). Beam is cut so that it never brings more than 0.95 of the global.
    """
    all_clear = 1098 * sine * math.exp(-0.057 / sine)
    height = math.degrees(math.asin(min(1.0, sine)))
    mass = 1 / (sine + 0.50572 * (height + 6.07995) ** -1.6364)  # Kasten and Young 1989
    beam: float = 1353 * 0.7**mass**0.678
    return min(beam, 0.95 * all_clear / sine), all_clear


def _water(kinds: Sequence[str], air: Array, random: np.random.Generator) -> tuple[Array, Array]:
    """Water fallen [mm in the hour] and snow lying [mm]."""
    fallen, lying = np.zeros(len(air)), np.zeros(len(air))
    depth = 0.0
    for hour in range(len(air)):
        kind = kinds[hour // 24]
        total = KINDS[kind].water_mm
        if kind == "front":
            falls = FRONT_HOUR - 2 <= hour % 24 < FRONT_HOUR + 3
            fallen[hour] = total / 5 if falls else 0.0
        elif total:
            fallen[hour] = total / 24 * 2 * float(random.random())
        if air[hour] < 0.8:
            depth += fallen[hour] * NEW_SNOW_PER_WATER
        depth = max(0.0, depth * (1 - SETTLING_PER_HOUR) - MELT_MM_PER_K_HOUR * max(0.0, air[hour]))
        lying[hour] = depth
    return fallen, lying


def _wind(kinds: Sequence[str], random: np.random.Generator) -> Array:
    """Mean wind of the hour, stronger by day, strongest as a front passes."""
    wind = np.zeros(24 * len(kinds))
    lull = 0.0
    for hour in range(len(wind)):
        kind = kinds[hour // 24]
        lull = 0.8 * lull + 0.25 * float(random.standard_normal())
        by_day = 1 + 0.35 * math.cos(2 * math.pi * (hour % 24 - 14) / 24)
        gusty = 1 + 0.8 * math.exp(-(((hour % 24 - FRONT_HOUR) / 3) ** 2)) if kind == "front" else 1.0
        wind[hour] = min(25.0, KINDS[kind].wind_m_s * by_day * gusty * math.exp(lull - 0.15))
    return wind


def _sky(kinds: Sequence[str], air: Array, dew: Array) -> Array:
    """Black-body sky: clear emissivity after Berdahl and Martin 1984, closed by clouds."""
    sky = np.empty(len(air))
    for hour in range(len(air)):
        clear = berdahl_martin_emissivity(float(dew[hour]), hour % 24 + 0.5)
        emissivity = min(0.99, cloudy_emissivity(clear, KINDS[kinds[hour // 24]].cover))
        sky[hour] = (air[hour] + 273.15) * emissivity**0.25 - 273.15
    return sky


def _pressure_wave(kinds: Sequence[str]) -> Array:
    daily = [{"clear": 900.0, "broken": 300.0, "overcast": -500.0, "snowy": -700.0, "front": -1200.0}[k] for k in kinds]
    hours = np.arange(24 * len(kinds)) + 0.5
    return np.asarray(np.interp(hours, 24 * np.arange(len(kinds)) + 12.0, daily), dtype=np.float64)


def _magnus(degc: Array) -> Array:
    return 17.625 * degc / (243.04 + degc)
