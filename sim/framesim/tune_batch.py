"""One winter under one set of law settings, as quickly as the search for settings needs it.

Same heat balance, same law, same probe and drive as a season run (season_loop.py), but the steps follow what
happens: short while the lid stands open or is about to, five minutes on a cool day, a quarter of an
hour in the night. What is counted is harm and gain at the leaf, day by day limits included. The
best candidates are run again in steps of a minute by the ordinary season loop (tune.py).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import FunctionType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesim import heat_balance, policies, season_loop
from framesim import layout as at
from framesim.compiled import law
from framesim.drivers import Drivers
from framesim.frame import Frame
from framesim.jit import COMPILED, kernel_jit, loop_jit
from framesim.season import SeasonRunner
from framesim.weather import Weather

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

# How finely a winter is stepped: [s] with the lid open or about to be, on a cool day, in the night; then how far the
# air may move in a step before it is taken again in quarters [K]. Chosen: the quick steps give harm and gain within
# a few percent of the fine ones (tests/sim/test_tune.py holds that), less than what another weather year changes.
QUICK = np.array([150.0, 300.0, 900.0, 12.0])
FINE = np.array([60.0, 60.0, 60.0, heat_balance.AIR_LIMIT_K])
I_ACTIVE, I_CALM, I_NIGHT, I_JUMP = range(4)
# The lid is "about to open" from this far below its opening temperature [K]; chosen.
WATCH_K = 3.0

# What a winter gives, one row.
G_HEAT_KH, G_HEAT_H, G_FROST_KH, G_FROST_H, G_GROW_H, G_MOVES, G_STROKES, G_OPEN_H, G_HIGH, G_LOW = range(10)
N_GAINS = 10
GAINS = (
    "heat_kh", "heat_h", "frost_kh", "frost_h", "growing_h", "moves", "strokes", "open_h", "highest_degc",
    "lowest_degc",
)  # fmt: skip

# Columns of the daily limits: leaves suffer above, are hurt below; then per crop its share and its growing band.
D_HEAT, D_FROST, D_CROPS = 0, 1, 2
PER_CROP = 3


@dataclass(frozen=True)
class DayLimits:
    """What counts as harm and growth: table (days, 2 + 3 x crops), one row a local standard day of the season.

    Columns: temperature above which leaves suffer, below which they are damaged [degC, leaf]; then for each
    crop its share of the bed (0 while it does not grow) and the lower and upper end of its growing band.
    """

    table: Array

    def __post_init__(self) -> None:
        if self.table.ndim != 2 or self.table.shape[1] < D_CROPS or (self.table.shape[1] - D_CROPS) % PER_CROP:
            raise ValueError(f"limits of shape {self.table.shape}: (days, 2 + 3 x crops) is needed")

    @staticmethod
    def constant(days: int, heat_degc: float, frost_degc: float, low_degc: float, high_degc: float) -> DayLimits:
        """The same limits on every day, one crop on the whole bed."""
        return DayLimits(np.tile([heat_degc, frost_degc, 1.0, low_degc, high_degc], (days, 1)).astype(np.float64))


@kernel_jit
def count(air: float, leaf: float, sun_up: bool, dt: float, day: Array, gains: Array) -> None:
    """Add dt [s] of harm and growth."""
    hours = dt / 3600.0
    if leaf > day[D_HEAT]:
        gains[G_HEAT_KH] += (leaf - day[D_HEAT]) * hours
        gains[G_HEAT_H] += hours
    if leaf < day[D_FROST]:
        gains[G_FROST_KH] += (day[D_FROST] - leaf) * hours
        gains[G_FROST_H] += hours
    if sun_up:
        for k in range(D_CROPS, day.shape[0], PER_CROP):
            if day[k + 1] <= leaf < day[k + 2]:
                gains[G_GROW_H] += day[k] * hours
    gains[G_HIGH] = max(gains[G_HIGH], air)
    gains[G_LOW] = min(gains[G_LOW], air)


@kernel_jit
def next_step_s(rows: Array, place: float, lid: Array, open_degc: float, steps: Array, left_s: float) -> float:
    """Length of the next step [s], never over `left_s`."""
    last = rows.shape[0] - 1
    wanted = steps[I_CALM]
    if lid[season_loop.L_POSITION] > 0.0 or lid[season_loop.L_TARGET] > 0.0:
        wanted = steps[I_ACTIVE]
    else:
        k = min(max(int(place), 0), last)
        later = min(int(place + steps[I_NIGHT] / at.ROW_S) + 1, last)
        if rows[k, at.D_SIN_SUN] < 0.0 and rows[later, at.D_SIN_SUN] < 0.0:
            wanted = steps[I_NIGHT]
        elif lid[season_loop.L_PROBE] > open_degc - WATCH_K:
            wanted = steps[I_ACTIVE]
    return float(min(wanted, left_s))


@kernel_jit
def carry(
    p: Array,
    y: Array,
    rows: Array,
    place: float,
    dt: float,
    lid: Array,
    share: float,
    jump_k: float,
    work: heat_balance.Work,
    sums: Array,
) -> None:
    """As season_loop.carry, but the air may move jump_k in a step: a lid move then takes few steps."""
    season_loop.place_lid(p, lid, share)
    cover = 0.0
    if p[at.P_COVER_NIGHT] > 0.0:
        k = min(max(int(place + 0.5 * dt / at.ROW_S), 0), rows.shape[0] - 1)
        cover = 1.0 if rows[k, at.D_SIN_SUN] < 0.0 else 0.0
    done, piece = 0.0, dt
    while done < dt - 1e-9:
        piece = min(piece, dt - done)
        limit = jump_k if piece > heat_balance.SMALLEST_S else 1e9
        here = place + done / at.ROW_S
        if heat_balance.step(
            p, y, rows, here, piece, lid[season_loop.L_WIND_AREA], lid[season_loop.L_STACK], cover, limit, work, sums
        ):
            done += piece
            piece = dt
        else:
            piece *= 0.25


@kernel_jit
def travel(
    p: Array,
    y: Array,
    rows: Array,
    place: float,
    dt: float,
    travel_s: float,
    jump_k: float,
    lid: Array,
    stats: Array,
    work: heat_balance.Work,
    sums: Array,
) -> None:
    """As season_loop.travel, but the way of a short move and the rest of the step are one: mean opening of both."""
    now, target = lid[season_loop.L_POSITION], lid[season_loop.L_TARGET]
    if target == now:
        carry(p, y, rows, place, dt, lid, now, jump_k, work, sums)
        return
    way = target - now
    moving_s = min(dt, abs(way) * travel_s)
    reached = target if moving_s < dt else now + math.copysign(moving_s / travel_s, way)
    share = (0.5 * (now + reached) * moving_s + reached * (dt - moving_s)) / dt
    carry(p, y, rows, place, dt, lid, share, jump_k, work, sums)
    season_loop.move_lid(lid, reached, stats)


def decide(sense: Ints, state: Ints, settings: Ints) -> int:
    """Stand-in for the decision function that winter_loop puts here: keeps the lid shut."""
    return 0


def run_winter(
    p: Array,
    y: Array,
    rows: Array,
    place: float,
    seconds: float,
    day_s: float,
    noon_s: float,
    first_day: int,
    north: int,
    figures: Array,
    sense: Ints,
    state: Ints,
    settings: Ints,
    limits: Array,
    steps: Array,
    work: heat_balance.Work,
    sums: Array,
    lid: Array,
    stats: Array,
    gains: Array,
) -> None:
    """A winter of `seconds` from driver row `place`, the lid kept by decide; see season_loop.run_deciding.

    noon_s: solar noon as second of the local day; limits: DayLimits.table; steps: QUICK or FINE; gains: filled in
    the order of GAINS.
    """
    season_loop.start_lid(lid, stats, y)
    gains[:] = 0.0
    gains[G_HIGH], gains[G_LOW] = -1e9, 1e9
    open_degc = settings[0] / 1000.0
    passed, day, index = 0.0, first_day, 0
    while passed < seconds - 1e-6:
        here = place + passed / at.ROW_S
        dt = next_step_s(rows, here, lid, open_degc, steps, min(86400.0 - day_s, seconds - passed))
        after_noon = 1 if day_s > noon_s else 0
        follow = 1.0 - math.exp(-dt / figures[0]) if figures[0] > 0.0 else 1.0
        season_loop.feel(p, y, rows, here, dt, follow, figures, day, after_noon, north, lid, sense)
        wanted = (decide(sense, state, settings) & 1023) / 1000.0
        if wanted != lid[season_loop.L_TARGET]:
            gains[G_MOVES] += 1.0
            lid[season_loop.L_TARGET] = wanted
        travel(p, y, rows, here, dt, figures[1], steps[I_JUMP], lid, stats, work, sums)
        passed += dt
        row = min(max(int(here + dt / at.ROW_S), 0), rows.shape[0] - 1)
        up = rows[row, at.D_SIN_SUN] > 0.0
        count(y[at.Y_AIR], y[at.Y_LEAF], up, dt, limits[min(index, limits.shape[0] - 1)], gains)
        if lid[season_loop.L_POSITION] >= season_loop.SHUT_BELOW:
            gains[G_OPEN_H] += dt / 3600.0
        day_s += dt
        if day_s >= 86400.0 - 1e-6:
            day_s = 0.0
            index += 1
            day = 1 if day >= 365 else day + 1
    gains[G_STROKES] = stats[season_loop.T_TRAVEL]


@lru_cache(maxsize=4)
def winter_loop(rule: Callable[..., Any]) -> Callable[..., None]:
    """Give run_winter with `rule` in the place of decide, compiled where numba is there; not kept on disk."""
    loop = FunctionType(run_winter.__code__, {**globals(), "decide": rule}, "run_winter")
    return loop_jit(loop)


class Year:
    """One weather year and its limits, ready for any number of candidates; `lane()` gives a thread its own scratch."""

    def __init__(self, frame: Frame, weather: Weather, from_s: float, to_s: float, limits: DayLimits) -> None:
        self.frame, self.weather, self.limits = frame, weather, limits
        self.from_s, self.to_s = from_s, to_s
        runner = SeasonRunner(weather, from_s, to_s)
        runner.drivers = Drivers(weather, frame.parameters)
        self.rows = runner.drivers.ready(from_s, to_s)
        self.span = runner.span
        # Run in once, lid shut: every candidate starts from the same frame.
        runner._run_in(frame.parameters, self.rows)
        self._start = runner.y.copy()
        self.place = (from_s - weather.start_s) / at.ROW_S - 0.5

    def lane(self) -> Lane:
        """Scratch arrays for one thread."""
        return Lane(self)

    def start(self, y: Array) -> None:
        """Put the run-in state into y."""
        y[:] = self._start


class Lane:
    """Runs candidates through one year, one after the other, in one thread."""

    def __init__(self, year: Year) -> None:
        self.year = year
        self.work = heat_balance.new_work()
        self.y = np.zeros(at.N_STATE)
        self.sums = np.zeros(at.N_SUMS)
        self.lid = np.zeros(season_loop.N_LID)
        self.stats = np.zeros(season_loop.N_STATS)
        self.gains = np.zeros(N_GAINS)

    def run(self, settings: Mapping[str, int], fine: bool = False) -> Array:
        """Gains of one winter under settings (wire names, over the defaults): a new array in the order of GAINS."""
        rule = policies.law(dict(settings))
        year, weather = self.year, self.year.weather
        year.start(self.y)
        self.sums[:] = 0.0
        heat_balance.forget(self.work)
        numbers = (np.zeros(14, np.int64), np.array(rule.start, np.int64), np.array(rule.settings, np.int64))
        # A plain law on CPython wants plain whole numbers.
        sense, state, values = numbers if COMPILED else tuple(n.tolist() for n in numbers)
        noon = 43200.0 + (weather.utc_offset_h * 15.0 - weather.lon) * 240.0
        winter_loop(law().decide)(
            year.frame.parameters, self.y, year.rows, year.place, year.to_s - year.from_s, year.span.day_s, noon,
            year.span.first_day, 1 if weather.lat >= 0.0 else 0, np.array(rule.figures), sense, state, values,
            year.limits.table, FINE if fine else QUICK, self.work, self.sums, self.lid, self.stats, self.gains,
        )  # fmt: skip
        if not math.isfinite(float(self.gains.sum())):
            raise ArithmeticError(f"the winter of {weather.name} gave no numbers under {settings}")
        return self.gains.copy()
