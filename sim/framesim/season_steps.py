"""The pieces of a season's steps: lid, probe, account. season_loop.py strings them together."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from framesim import layout as at
from framesim.heat_balance import Work, advance, soil_at
from framesim.jit import kernel_jit
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
def night_cover(p: Array, rows: Array, place: float) -> float:
    """1.0 while a frame that has a night cover lies under it: the sun's middle below the horizon."""
    if p[at.P_COVER_NIGHT] <= 0.0:
        return 0.0
    k = min(max(int(place), 0), rows.shape[0] - 2)
    return 1.0 if between(rows, k, min(1.0, max(0.0, place - k)), at.D_SIN_SUN) < 0.0 else 0.0


@kernel_jit
def carry(
    p: Array, y: Array, rows: Array, place: float, dt: float, lid: Array, share: float, work: Work, sums: Array
) -> None:
    """Carry the frame over dt [s] with the lid at a share of full opening; night cover by the sun."""
    place_lid(p, lid, share)
    cover = night_cover(p, rows, place + 0.5 * dt / at.ROW_S)
    advance(p, y, rows, place, dt, lid[L_WIND_AREA], lid[L_STACK], cover, work, sums)
    sums[at.S_OPEN] += dt * share


# Air that moves further than this in five minutes is followed step by step. Chosen.
REST_AIR_K = 1.0

# What a rest may have to take back: state, sums, lid.
N_SAVED = at.N_STATE + at.N_SUMS + N_LID


@kernel_jit
def rest(
    p: Array,
    y: Array,
    rows: Array,
    place: float,
    dt: float,
    lid: Array,
    work: Work,
    sums: Array,
    saved: Array,
) -> bool:
    """Carry the frame over a whole row with the lid at rest, a copy kept in saved.

    False, and all as before, where the night cover changes or the air moves too far for a straight line.
    """
    if night_cover(p, rows, place) != night_cover(p, rows, place + dt / at.ROW_S):
        return False
    for k in range(at.N_STATE):
        saved[k] = y[k]
    for k in range(at.N_SUMS):
        saved[at.N_STATE + k] = sums[k]
    for k in range(N_LID):
        saved[at.N_STATE + at.N_SUMS + k] = lid[k]
    carry(p, y, rows, place, dt, lid, lid[L_POSITION], work, sums)
    if abs(y[at.Y_AIR] - saved[at.Y_AIR]) > REST_AIR_K:
        take_back(y, lid, sums, saved)
        return False
    return True


@kernel_jit
def take_back(y: Array, lid: Array, sums: Array, saved: Array) -> None:
    """As if the rest had not been."""
    for k in range(at.N_STATE):
        y[k] = saved[k]
    for k in range(at.N_SUMS):
        sums[k] = saved[at.N_STATE + k]
    for k in range(N_LID):
        lid[k] = saved[at.N_STATE + at.N_SUMS + k]


@kernel_jit
def rest_steps(dt: float) -> int:
    """How many steps make a row, 1 where the step does not divide it."""
    count = int(at.ROW_S / dt + 0.5)
    return count if abs(count * dt - at.ROW_S) < 1e-9 else 1


@kernel_jit
def along(y: Array, saved: Array, slot: int, share: float) -> float:
    """A temperature on the straight line from the saved state to the present one."""
    return float(saved[slot] + share * (y[slot] - saved[slot]))


@kernel_jit
def tally(
    air: float, leaf_degc: float, rows: Array, place: float, dt: float, lid: Array, stats: Array, leaf: Array
) -> None:
    """Statistics of one step, from air and leaf at its end."""
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
    place_in = int((leaf_degc - BIN_FROM) / BIN_K)
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
    """As feel_at, with the air of the state y."""
    feel_at(y[at.Y_AIR], p, y, rows, place, dt, follow, figures, day, after_noon, north, lid, sense)


@kernel_jit
def feel_at(
    air: float,
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
    lid[L_PROBE] += (air - lid[L_PROBE]) * follow
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
