"""The loop over a season, compiled: decide, carry the frame forward, keep the account.

Two loops share everything but the deciding: one for the rules that are plain figures,
one that is built around a compiled decision function (the law).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from types import FunctionType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesim import layout as at
from framesim.heat_balance import Work, advance, soil_at
from framesim.jit import kernel_jit, loop_jit
from framesim.policies import CLOSED, FIXED, PASSIVE, SCHEDULE, TWO_POINT
from framesim.ventilation import opening_coefficients

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

# Histogram of leaf temperature: half-degree bins from -40 degC.
BIN_FROM, BIN_K, BINS = -40.0, 0.5, 240

# Statistics, one array.
_t = at._Counter()
T_LOW = _t.take()
T_HIGH = _t.take()
T_OVER = _t.take(4)  # hours above 25, 30, 35, 40
T_UNDER = _t.take(3)  # hours below 0, -5, -10
T_OPENINGS = _t.take()  # from shut to open
T_MOVES = _t.take()  # decisions that moved the lid
T_TRAVEL = _t.take()  # sum of travel, in full strokes
T_OPEN_H = _t.take()
T_PEAKS = _t.take()  # sums over days
T_MINIMA = _t.take()
T_DAYS = _t.take()
N_STATS = _t.next
OVER = (25.0, 30.0, 35.0, 40.0)
UNDER = (0.0, -5.0, -10.0)

# Columns of the hourly table.
HOURLY = (
    "t_air",
    "t_soil_surf",
    "t_soil_10cm",
    "t_lid_in",
    "q_sol_lid",
    "vent_lps",
    "open_frac",
    "cover_on",
    "t_leaf",
    "humidity",
    "t_air_min",
    "t_air_max",
)

# Lid: where it is and what moves it. Slots of one array.
L_POSITION, L_TARGET, L_SINCE, L_PROBE, L_WAX, L_WIND_AREA, L_STACK, L_SHAPED, L_DAY_HIGH, L_DAY_LOW = range(10)
L_HOUR_LOW, L_HOUR_HIGH = 10, 11
N_LID = 12

SHUT_BELOW = 0.005  # an opening less than this counts as shut


@kernel_jit
def place_lid(p: Array, lid: Array, share: float) -> None:
    """Work out the flow coefficients of an opening, only when it has changed."""
    if share == lid[L_SHAPED]:
        return
    lid[L_SHAPED] = share
    lid[L_WIND_AREA], lid[L_STACK] = opening_coefficients(
        int(p[at.P_OPEN_MODEL]),
        share,
        p[at.P_OPEN_AREA],
        p[at.P_CW],
        p[at.P_CD],
        p[at.P_RISE],
        p[at.P_LID_DEPTH],
        p[at.P_LID_WIDTH],
        p[at.P_LID_ANGLE],
    )


@kernel_jit
def move_lid(lid: Array, target: float, stats: Array) -> None:
    """Move at once and count."""
    now = lid[L_POSITION]
    if target == now:
        return
    if now < SHUT_BELOW <= target:
        stats[T_OPENINGS] += 1.0
    stats[T_TRAVEL] += abs(target - now)
    lid[L_POSITION] = target


@kernel_jit
def carry(
    p: Array, y: Array, rows: Array, place: float, dt: float, lid: Array, share: float, work: Work, sums: Array
) -> None:
    """Carry the frame over dt [s] with the lid at a share of full opening; night cover by the sun."""
    place_lid(p, lid, share)
    cover = 0.0
    if p[at.P_COVER_NIGHT] > 0.0:
        k = min(max(int(place + 0.5 * dt / at.ROW_S), 0), rows.shape[0] - 1)
        cover = 1.0 if rows[k, at.D_SIN_SUN] < 0.0 else 0.0
    advance(p, y, rows, place, dt, lid[L_WIND_AREA], lid[L_STACK], cover, work, sums)
    sums[at.S_OPEN] += dt * share


@kernel_jit
def tally(y: Array, rows: Array, place: float, dt: float, lid: Array, stats: Array, leaf: Array) -> None:
    """Statistics of one step, from the state at its end."""
    air = y[at.Y_AIR]
    hours = dt / 3600.0
    stats[T_LOW] = min(stats[T_LOW], air)
    stats[T_HIGH] = max(stats[T_HIGH], air)
    lid[L_DAY_HIGH] = max(lid[L_DAY_HIGH], air)
    lid[L_DAY_LOW] = min(lid[L_DAY_LOW], air)
    lid[L_HOUR_HIGH] = max(lid[L_HOUR_HIGH], air)
    lid[L_HOUR_LOW] = min(lid[L_HOUR_LOW], air)
    if air > 25.0:
        for k in range(4):
            if air > OVER[k]:
                stats[T_OVER + k] += hours
    if air < 0.0:
        for k in range(3):
            if air < UNDER[k]:
                stats[T_UNDER + k] += hours
    if lid[L_POSITION] >= SHUT_BELOW:
        stats[T_OPEN_H] += hours
    row = min(max(int(place), 0), rows.shape[0] - 1)
    daylight = 1 if rows[row, at.D_SIN_SUN] > 0.0 else 0
    place_in = int((y[at.Y_LEAF] - BIN_FROM) / BIN_K)
    leaf[daylight, min(max(place_in, 0), BINS - 1)] += hours


@kernel_jit
def end_hour(sums: Array, hourly: Array, hour: int, lid: Array) -> None:
    """Write the hour's means and clear the sums that feed them; energy sums run on."""
    time_s = sums[at.S_TIME]
    if hour < hourly.shape[0]:
        out = hourly[hour]
        out[0] = sums[at.S_T_AIR] / time_s
        out[1] = sums[at.S_T_SOIL] / time_s
        out[2] = sums[at.S_T_SOIL10] / time_s
        out[3] = sums[at.S_T_LID] / time_s
        out[4] = sums[at.S_THROUGH] / time_s
        out[5] = sums[at.S_VENT] / time_s * 1000.0
        out[6] = sums[at.S_OPEN] / time_s
        out[7] = sums[at.S_COVER] / time_s
        out[8] = sums[at.S_T_LEAF] / time_s
        out[9] = sums[at.S_HUMID] / time_s
        out[10] = lid[L_HOUR_LOW]
        out[11] = lid[L_HOUR_HIGH]
    sums[at.S_TIME :] = 0.0
    lid[L_HOUR_LOW], lid[L_HOUR_HIGH] = 1e9, -1e9


@kernel_jit
def end_day(lid: Array, stats: Array) -> None:
    """Add the day's peak and minimum to the sums."""
    stats[T_PEAKS] += lid[L_DAY_HIGH]
    stats[T_MINIMA] += lid[L_DAY_LOW]
    stats[T_DAYS] += 1.0
    lid[L_DAY_HIGH], lid[L_DAY_LOW] = -1e9, 1e9


@kernel_jit
def start_lid(lid: Array, stats: Array, y: Array) -> None:
    """A shut lid that has stood still for long; probe and wax at air temperature."""
    lid[:] = 0.0
    lid[L_SINCE] = 1e9
    lid[L_PROBE] = lid[L_WAX] = y[at.Y_AIR]
    lid[L_SHAPED] = -1.0
    lid[L_DAY_HIGH], lid[L_DAY_LOW] = -1e9, 1e9
    lid[L_HOUR_LOW], lid[L_HOUR_HIGH] = 1e9, -1e9
    stats[:] = 0.0
    stats[T_LOW], stats[T_HIGH] = 1e9, -1e9


@kernel_jit
def simple_target(kind: int, figures: Array, plan: Array, step: int, air: float, lid: Array) -> float:
    """Opening wanted by a rule that is plain figures."""
    now = lid[L_POSITION]
    if kind == CLOSED:
        return 0.0
    if kind == FIXED:
        return float(figures[0])
    if kind == SCHEDULE:
        return float(plan[min(step, plan.shape[0] - 1)])
    if kind == PASSIVE:
        return float(min(1.0, max(0.0, (lid[L_WAX] - figures[0]) / figures[1])))
    if kind == TWO_POINT and lid[L_SINCE] >= figures[2]:
        if now < 0.5 and air >= figures[0]:
            return 1.0
        if now > 0.5 and air <= figures[1]:
            return 0.0
    return float(now)


@kernel_jit
def run_simple(
    p: Array,
    y: Array,
    rows: Array,
    place: float,
    steps: int,
    dt: float,
    day_s: float,
    kind: int,
    figures: Array,
    plan: Array,
    work: Work,
    sums: Array,
    lid: Array,
    stats: Array,
    hourly: Array,
    leaf: Array,
) -> None:
    """A season under closed, fixed, two-point, passive or schedule.

    place: driver row of the start; day_s: seconds into the local day at the start; hourly may
    have no rows (then nothing is written); leaf: histogram (2, BINS), night and daylight.
    """
    start_lid(lid, stats, y)
    per_hour = int(3600.0 / dt + 0.5)
    follow = 1.0 - math.exp(-dt / figures[2]) if kind == PASSIVE else 0.0
    for step in range(steps):
        lid[L_WAX] += (y[at.Y_AIR] - lid[L_WAX]) * follow
        target = simple_target(kind, figures, plan, step, y[at.Y_AIR], lid)
        if target != lid[L_POSITION]:
            if kind != PASSIVE:
                stats[T_MOVES] += 1.0
            move_lid(lid, target, stats)
            lid[L_SINCE] = 0.0
        carry(p, y, rows, place + step * dt / at.ROW_S, dt, lid, lid[L_POSITION], work, sums)
        lid[L_SINCE] += dt
        tally(y, rows, place + (step + 1) * dt / at.ROW_S, dt, lid, stats, leaf)
        if (step + 1) % per_hour == 0:
            end_hour(sums, hourly, (step + 1) // per_hour - 1, lid)
        day_s += dt
        if day_s >= 86400.0 - 1e-6:
            day_s -= 86400.0
            end_day(lid, stats)


@kernel_jit
def travel(
    p: Array,
    y: Array,
    rows: Array,
    place: float,
    dt: float,
    travel_s: float,
    lid: Array,
    stats: Array,
    work: Work,
    sums: Array,
) -> None:
    """Carry the frame over dt [s] while the lid travels towards its target: the moving part at its middle opening."""
    way = lid[L_TARGET] - lid[L_POSITION]
    moving_s = min(dt, abs(way) * travel_s)
    if moving_s > 0.0:
        reached = lid[L_TARGET] if moving_s < dt else lid[L_POSITION] + math.copysign(moving_s / travel_s, way)
        carry(p, y, rows, place, moving_s, lid, 0.5 * (lid[L_POSITION] + reached), work, sums)
        move_lid(lid, reached, stats)
    if moving_s < dt:
        carry(p, y, rows, place + moving_s / at.ROW_S, dt - moving_s, lid, lid[L_POSITION], work, sums)


@kernel_jit
def feel(
    p: Array,
    y: Array,
    rows: Array,
    place: float,
    dt: float,
    follow: float,
    figures: Array,
    day: int,
    after_noon: int,
    north: int,
    lid: Array,
    sense: Ints,
) -> None:
    """Fill the law's senses in whole numbers, order as lid_law.SENSE; follow: how far the probe comes in a step."""
    lid[L_PROBE] += (y[at.Y_AIR] - lid[L_PROBE]) * follow
    k = min(max(int(place), 0), rows.shape[0] - 2)
    share = min(1.0, max(0.0, place - k))
    sense[0] = int(dt)
    sense[1] = whole(lid[L_PROBE] * 1000.0)
    sense[2] = whole(1000.0 * between(rows, k, share, at.D_OUT)) if figures[2] > 0.0 else -999999
    sense[3] = whole(1000.0 * soil_at(p, y, 0.05)) if figures[4] > 0.0 else -999999
    height = math.asin(min(1.0, max(-1.0, between(rows, k, share, at.D_SIN_SUN))))
    sense[4] = whole(height * 18000.0 / math.pi)
    sense[5] = after_noon
    sense[6] = day
    sense[7] = -1
    if figures[3] > 0.0:
        sense[7] = whole(1000.0 * GUST * p[at.P_WIND_RATIO] * between(rows, k, share, at.D_WIND))
    sense[8] = -1
    sense[9] = -1
    sense[10] = 0
    sense[11] = 0
    sense[12] = whole(lid[L_POSITION] * 1000.0)
    sense[13] = north


# Strongest gust of a minute over its mean wind. Chosen, within the 1.4 to 1.8 usual over rough ground (from memory).
GUST = 1.6


@kernel_jit
def whole(value: float) -> int:
    """Nearest whole number."""
    return math.floor(value + 0.5)


@kernel_jit
def between(rows: Array, k: int, share: float, column: int) -> float:
    """Driver value between two rows."""
    return float(rows[k, column] + share * (rows[k + 1, column] - rows[k, column]))


def decide(sense: Ints, state: Ints, settings: Ints) -> int:
    """Stand-in for the decision function that deciding_loop puts here: keeps the lid shut."""
    return 0


def run_deciding(
    p: Array,
    y: Array,
    rows: Array,
    place: float,
    steps: int,
    dt: float,
    day_s: float,
    noon_s: float,
    first_day: int,
    north: int,
    figures: Array,
    sense: Ints,
    state: Ints,
    settings: Ints,
    work: Work,
    sums: Array,
    lid: Array,
    stats: Array,
    hourly: Array,
    leaf: Array,
) -> None:
    """A season under a decision function that works like the law: whole numbers in, state changed in place.

    noon_s: solar noon as second of the local day; first_day: day of year; figures: see policies.Drive.
    """
    start_lid(lid, stats, y)
    per_hour = int(3600.0 / dt + 0.5)
    day = first_day
    follow = 1.0 - math.exp(-dt / figures[0]) if figures[0] > 0.0 else 1.0
    for step in range(steps):
        here = place + step * dt / at.ROW_S
        after_noon = 1 if day_s > noon_s else 0
        feel(p, y, rows, here, dt, follow, figures, day, after_noon, north, lid, sense)
        wanted = (decide(sense, state, settings) & 1023) / 1000.0
        if wanted != lid[L_TARGET]:
            stats[T_MOVES] += 1.0
            lid[L_TARGET] = wanted
        travel(p, y, rows, here, dt, figures[1], lid, stats, work, sums)
        tally(y, rows, here + dt / at.ROW_S, dt, lid, stats, leaf)
        if (step + 1) % per_hour == 0:
            end_hour(sums, hourly, (step + 1) // per_hour - 1, lid)
        day_s += dt
        if day_s >= 86400.0 - 1e-6:
            day_s -= 86400.0
            day += 1
            if day > 365:
                day = 1
            end_day(lid, stats)


@lru_cache(maxsize=8)
def deciding_loop(rule: Callable[..., Any], kept: bool) -> Callable[..., None]:
    """Give run_deciding with `rule` in the place of decide (compiled, or plain without numba).

    kept: keep the compiled loop on disk; only for the law, whose source is part of the folder's digest.
    """
    loop = FunctionType(run_deciding.__code__, {**globals(), "decide": rule}, "run_deciding")
    loop.__doc__, loop.__qualname__, loop.__module__ = run_deciding.__doc__, "run_deciding", __name__
    return kernel_jit(loop) if kept else loop_jit(loop)
