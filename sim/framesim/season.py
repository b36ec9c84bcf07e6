"""A season of one frame under one lid rule: hourly means, statistics, energy account.

    result = run_season(load("reference-box"), weather, policies.two_point(18, 12, 600))
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesim import heat_balance, law_copy, season_loop
from framesim import layout as at
from framesim.drivers import Drivers
from framesim.frame import Frame
from framesim.jit import COMPILED
from framesim.policies import LAW, Policy
from framesim.weather import HOUR_S, Weather, WeatherError, when

Array = NDArray[np.float64]

# The columns of the table that others compare with, in their order.
TABLE_COLUMNS = ("t_air", "t_soil_surf", "t_soil_10cm", "t_lid_in", "q_sol_lid", "vent_lps", "open_frac")

# A closed frame is run in on its first day before the season starts; the soil forgets in about 2.3 days.
RUN_IN_DAYS = 5


@dataclass
class SeasonResult:
    """What a season gave. Temperatures [degC], times Unix [s], hours [h]."""

    frame: str
    lid: str
    from_s: float
    to_s: float
    step_s: float
    utc_offset_h: float
    stats: Array  # slots of season_loop
    leaf_hours: Array  # (2, BINS) hours by leaf temperature, night and daylight
    energy_j: dict[str, float]  # sums over the season; they add up to nothing
    time_end_s: Array = field(default_factory=lambda: np.zeros(0))
    hourly: dict[str, Array] = field(default_factory=dict)

    def summary(self) -> dict[str, Any]:
        """The figures of `sashkeeper simulate --json`, rounded for reading."""
        s = self.stats
        days = max(1.0, s[season_loop.T_DAYS])
        over = {f"{t:g}": round(float(s[season_loop.T_OVER + k]), 2) for k, t in enumerate(season_loop.OVER)}
        under = {f"{t:g}": round(float(s[season_loop.T_UNDER + k]), 2) for k, t in enumerate(season_loop.UNDER)}
        return {
            "mean_daily_peak_degc": round(float(s[season_loop.T_PEAKS] / days), 3),
            "mean_daily_minimum_degc": round(float(s[season_loop.T_MINIMA] / days), 3),
            "lowest_degc": round(float(s[season_loop.T_LOW]), 3),
            "highest_degc": round(float(s[season_loop.T_HIGH]), 3),
            "hours_above": over,
            "hours_below": under,
            "openings": int(s[season_loop.T_OPENINGS]),
            "lid_moves": int(s[season_loop.T_MOVES]),
            "full_strokes": round(float(s[season_loop.T_TRAVEL]), 2),
            "open_hours": round(float(s[season_loop.T_OPEN_H]), 2),
            "days": int(s[season_loop.T_DAYS]),
        }

    def leaf_hours_above(self, degc: float, daylight_only: bool = False) -> float:
        """Hours with the leaves above a temperature, to half a degree."""
        return _hours_between(self.leaf_hours, degc, 1e9, daylight_only)

    def leaf_hours_below(self, degc: float) -> float:
        """Hours with the leaves below a temperature, to half a degree."""
        return _hours_between(self.leaf_hours, -1e9, degc, False)

    def leaf_daylight_hours_between(self, low_degc: float, high_degc: float) -> float:
        """Hours of daylight with the leaves in a band, to half a degree."""
        return _hours_between(self.leaf_hours, low_degc, high_degc, True)

    def balance_error(self) -> float:
        """What the energy account misses, as a share of the gains [-]."""
        flows = [v for k, v in self.energy_j.items() if k != "stored"]
        gains = sum(v for v in flows if v > 0.0)
        return abs(sum(flows) - self.energy_j["stored"]) / max(gains, 1.0)

    def write_hourly(self, path: str | Path) -> None:
        """Write the hourly table: time_end in local standard time, then TABLE_COLUMNS."""
        shift = timedelta(hours=self.utc_offset_h)
        with open(path, "w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(("time_end", *TABLE_COLUMNS))
            for k, end in enumerate(self.time_end_s):
                stamp = (datetime.fromtimestamp(float(end), UTC) + shift).strftime("%Y-%m-%dT%H:%M")
                writer.writerow((stamp, *(f"{self.hourly[name][k]:.4g}" if name == "open_frac" else
                                          f"{self.hourly[name][k]:.3f}" for name in TABLE_COLUMNS)))  # fmt: skip


@dataclass(frozen=True)
class Span:
    """Steps of a run inside a weather record."""

    from_s: float
    to_s: float
    steps: int
    day_s: float  # into the local standard day
    first_day: int  # day of year, 365-day year


def span(weather: Weather, from_s: float | None, to_s: float | None, step_s: float) -> Span:
    """Check and cut the time asked for: whole hours inside the record."""
    if not 1.0 <= step_s <= 300.0 or abs(HOUR_S / step_s - round(HOUR_S / step_s)) > 1e-9:
        raise WeatherError(f"A step of {step_s:g} s does not part an hour evenly. Choose 1 to 300 s, such as 60.")
    begin = weather.start_s if from_s is None else from_s
    end = weather.end_s if to_s is None else to_s
    if not weather.start_s <= begin < end <= weather.end_s:
        raise WeatherError(
            f"{weather.name}: the weather runs from {when(weather.start_s, weather.utc_offset_h)} to "
            f"{when(weather.end_s, weather.utc_offset_h)}; {when(begin, weather.utc_offset_h)} to "
            f"{when(end, weather.utc_offset_h)} was asked for. Choose days inside it."
        )
    local = datetime.fromtimestamp(begin, UTC) + timedelta(hours=weather.utc_offset_h)
    day = min(365, local.timetuple().tm_yday)
    return Span(begin, end, round((end - begin) / step_s), local.hour * 3600.0 + local.minute * 60.0, day)


def season_days(weather: Weather, from_month_day: str, to_month_day: str) -> tuple[float, float]:
    """Unix times of the first such season in the record: "11-01", "03-31" (both days whole, local standard time)."""
    start_month, start_day = _month_day(from_month_day)
    end_month, end_day = _month_day(to_month_day)
    shift = timedelta(hours=weather.utc_offset_h)
    first = datetime.fromtimestamp(weather.start_s, UTC) + shift
    wraps = (end_month, end_day) < (start_month, start_day)
    ranges = []
    for year in (first.year - 1, first.year, first.year + 1):
        begin = datetime(year, start_month, start_day, tzinfo=UTC) - shift
        end = datetime(year + wraps, end_month, end_day, tzinfo=UTC) + timedelta(days=1) - shift
        ranges.append((begin.timestamp(), end.timestamp()))
    for begin_s, end_s in ranges:
        if weather.start_s <= begin_s and end_s <= weather.end_s:
            return begin_s, end_s
    raise WeatherError(
        f"{weather.name}: the weather runs from {when(weather.start_s, weather.utc_offset_h)} to "
        f"{when(weather.end_s, weather.utc_offset_h)} and does not hold {from_month_day} to {to_month_day}. "
        "Choose days inside it."
    )


def _month_day(text: str) -> tuple[int, int]:
    try:
        # A leap year, so that 02-29 can be said.
        parsed = datetime.strptime(f"2024-{text}", "%Y-%m-%d")
    except ValueError:
        raise WeatherError(f"{text!r} is not a day. Write month and day, as 11-01.") from None
    return parsed.month, min(parsed.day, 28) if parsed.month == 2 else parsed.day


class SeasonRunner:
    """Weather, span and scratch arrays, kept for many runs; one per thread."""

    def __init__(
        self, weather: Weather, from_s: float | None = None, to_s: float | None = None, step_s: float = 60.0
    ) -> None:
        self.weather = weather
        self.step_s = step_s
        self.span = span(weather, from_s, to_s, step_s)
        self.drivers: Drivers | None = None
        self.work = heat_balance.new_work()
        self.y = np.zeros(at.N_STATE)
        self.sums = np.zeros(at.N_SUMS)
        self.lid = np.zeros(season_loop.N_LID)
        self.stats = np.zeros(season_loop.N_STATS)
        self.leaf = np.zeros((2, season_loop.BINS))
        self.no_hours = np.zeros((0, len(season_loop.HOURLY)))

    def run(self, parameters: Array, policy: Policy, hourly: Array | None = None) -> None:
        """Run one frame; stats, leaf, sums hold the result, hourly (hours, len(HOURLY)) is filled where given."""
        rows = self._rows(parameters)
        place = (self.span.from_s - self.weather.start_s) / at.ROW_S - 0.5
        hourly = self.no_hours if hourly is None else hourly
        heat_balance.forget(self.work)
        self._run_in(parameters, rows)
        self.sums[:] = 0.0
        self._start_heat = heat_balance.heat_content(parameters, self.y)
        self._p = parameters
        self.leaf[:] = 0.0
        figures = np.array(policy.figures or (0.0,), dtype=np.float64)
        if policy.kind == LAW:
            self._run_law(parameters, rows, place, policy, figures, hourly)
            return
        plan = policy.schedule if policy.schedule is not None else np.zeros(1)
        season_loop.run_simple(
            parameters, self.y, rows, place, self.span.steps, self.step_s, self.span.day_s, policy.kind, figures, plan,
            self.work, self.sums, self.lid, self.stats, hourly, self.leaf,
        )  # fmt: skip

    def _rows(self, parameters: Array) -> Array:
        if self.drivers is None:
            self.drivers = Drivers(self.weather, parameters)
        else:
            self.drivers.adopt(parameters)
        return self.drivers.ready(self.span.from_s, self.span.to_s)

    def _run_in(self, parameters: Array, rows: Array) -> None:
        """Start from outdoor temperature and run the first day, lid shut, a few times over."""
        first = max(0.0, (self.span.from_s - self.weather.start_s) / at.ROW_S)
        row = np.zeros(at.N_DRIVERS)
        heat_balance.forcing(rows, first, row)
        heat_balance.settle_start(parameters, self.y, row)
        day = min(86400.0, self.span.to_s - self.span.from_s)
        steps = int(day / 120.0)
        figures, plan = np.zeros(1), np.zeros(1)
        for _ in range(RUN_IN_DAYS):
            season_loop.run_simple(
                parameters, self.y, rows, first - 0.5, steps, 120.0, 0.0, 0, figures, plan,
                self.work, self.sums, self.lid, self.stats, self.no_hours, self.leaf,
            )  # fmt: skip

    def _run_law(
        self, parameters: Array, rows: Array, place: float, policy: Policy, figures: Array, hourly: Array
    ) -> None:
        own_law = policy.decide is None
        loop = season_loop.deciding_loop(law_copy.decide if policy.decide is None else policy.decide, own_law)
        numbers = (np.zeros(14, np.int64), np.array(policy.start, np.int64), np.array(policy.settings, np.int64))
        # A plain law on CPython wants plain whole numbers: int64 scalars of numpy would overflow noisily.
        sense, state, settings = numbers if COMPILED else tuple(n.tolist() for n in numbers)
        noon = 43200.0 + (self.weather.utc_offset_h * 15.0 - self.weather.lon) * 240.0
        loop(
            parameters, self.y, rows, place, self.span.steps, self.step_s, self.span.day_s, noon, self.span.first_day,
            1 if self.weather.lat >= 0.0 else 0, figures, sense, state, settings,
            self.work, self.sums, self.lid, self.stats, hourly, self.leaf,
        )  # fmt: skip

    def energy(self) -> dict[str, float]:
        """Energy sums of the last run [J]."""
        s = self.sums
        return {
            "solar": float(s[at.S_SOLAR]),
            "lid": float(s[at.S_LID]),
            "walls": float(s[at.S_WALLS]),
            "air": float(s[at.S_AIR]),
            "ground": float(s[at.S_GROUND]),
            "latent": float(s[at.S_LATENT]),
            "stored": float(s[at.S_STORED] + heat_balance.heat_content(self._p, self.y) - self._start_heat),
        }


def run_season(
    frame: Frame,
    weather: Weather,
    policy: Policy,
    from_s: float | None = None,
    to_s: float | None = None,
    step_s: float = 60.0,
    runner: SeasonRunner | None = None,
) -> SeasonResult:
    """Run one frame through a span of weather (whole record by default), hourly table included."""
    runner = runner or SeasonRunner(weather, from_s, to_s, step_s)
    hours = int((runner.span.to_s - runner.span.from_s) / HOUR_S)
    table = np.zeros((hours, len(season_loop.HOURLY)))
    runner.run(frame.parameters, policy, table)
    return SeasonResult(
        frame=frame.name,
        lid=policy.label,
        from_s=runner.span.from_s,
        to_s=runner.span.to_s,
        step_s=runner.step_s,
        utc_offset_h=weather.utc_offset_h,
        stats=runner.stats.copy(),
        leaf_hours=runner.leaf.copy(),
        energy_j=runner.energy(),
        time_end_s=runner.span.from_s + HOUR_S * np.arange(1.0, hours + 1.0),
        hourly={name: table[:, k].copy() for k, name in enumerate(season_loop.HOURLY)},
    )


def _hours_between(leaf_hours: Array, low: float, high: float, daylight_only: bool) -> float:
    middles = season_loop.BIN_FROM + season_loop.BIN_K * (np.arange(season_loop.BINS) + 0.5)
    rows = leaf_hours[1] if daylight_only else leaf_hours.sum(axis=0)
    return float(rows[(middles >= low) & (middles < high)].sum())
