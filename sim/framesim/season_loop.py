"""The loop over a season, compiled: decide, carry the frame forward, keep the account.

Decisions fall every step (60 s). While the lid rests, the heat balance is carried five minutes at
once, which moves hourly air by about 0.01 K (measured), and the steps' decisions are made on the
straight line between; should one of them move the lid, the five minutes are taken back and
gone through step by step.

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
from framesim.heat_balance import Work
from framesim.jit import kernel_jit, loop_jit
from framesim.policies import PASSIVE
from framesim.season_steps import (
    BIN_FROM,
    BIN_K,
    BINS,
    GUST,
    HOURLY,
    L_DAY_HIGH,
    L_DAY_LOW,
    L_HOUR_HIGH,
    L_HOUR_LOW,
    L_POSITION,
    L_PROBE,
    L_SHAPED,
    L_SINCE,
    L_STACK,
    L_TARGET,
    L_WAX,
    L_WIND_AREA,
    N_LID,
    N_SAVED,
    N_STATS,
    OVER,
    REST_AIR_K,
    SHUT_BELOW,
    T_DAYS,
    T_HIGH,
    T_LOW,
    T_MINIMA,
    T_MOVES,
    T_OPEN_H,
    T_OPENINGS,
    T_OVER,
    T_PEAKS,
    T_TRAVEL,
    T_UNDER,
    UNDER,
    along,
    between,
    carry,
    end_day,
    end_hour,
    feel,
    feel_at,
    move_lid,
    night_cover,
    place_lid,
    rest,
    rest_steps,
    simple_target,
    start_lid,
    take_back,
    tally,
    travel,
    whole,
)

# Other loops (foresight, tuning) are made of the same pieces and take them from here.
__all__ = [
    "BINS",
    "BIN_FROM",
    "BIN_K",
    "GUST",
    "HOURLY",
    "L_DAY_HIGH",
    "L_DAY_LOW",
    "L_HOUR_HIGH",
    "L_HOUR_LOW",
    "L_POSITION",
    "L_PROBE",
    "L_SHAPED",
    "L_SINCE",
    "L_STACK",
    "L_TARGET",
    "L_WAX",
    "L_WIND_AREA",
    "N_LID",
    "N_SAVED",
    "N_STATS",
    "OVER",
    "REST_AIR_K",
    "SHUT_BELOW",
    "T_DAYS",
    "T_HIGH",
    "T_LOW",
    "T_MINIMA",
    "T_MOVES",
    "T_OPENINGS",
    "T_OPEN_H",
    "T_OVER",
    "T_PEAKS",
    "T_TRAVEL",
    "T_UNDER",
    "UNDER",
    "along",
    "between",
    "carry",
    "deciding_loop",
    "end_day",
    "end_hour",
    "feel",
    "feel_at",
    "move_lid",
    "night_cover",
    "place_lid",
    "rest",
    "rest_steps",
    "run_deciding",
    "run_simple",
    "simple_target",
    "start_lid",
    "take_back",
    "tally",
    "travel",
    "whole",
]

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

WAX_STEP_S = 20.0  # longest step of a wax cylinder and its lid; chosen by halving it


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
    # A hair of wax moves the air by kelvins within seconds: in longer steps the two would swing.
    parts = max(1, math.ceil(dt / WAX_STEP_S)) if kind == PASSIVE else 1
    part_s = dt / parts
    follow_part = 1.0 - math.exp(-part_s / figures[2]) if kind == PASSIVE else 0.0
    group = rest_steps(dt)
    saved = np.zeros(N_SAVED)
    step = 0
    while step < steps:
        here = place + step * dt / at.ROW_S
        rested = False
        if group > 1 and step + group <= steps and rest(p, y, rows, here, group * dt, lid, work, sums, saved):
            rested = _simple_rests(y, saved, kind, figures, plan, step, group, dt, follow, lid)
            if rested:
                for k in range(group):
                    share = (k + 1.0) / group
                    air, leaves = along(y, saved, at.Y_AIR, share), along(y, saved, at.Y_LEAF, share)
                    tally(air, leaves, rows, here + (k + 1) * dt / at.ROW_S, dt, lid, stats, leaf)
            else:
                take_back(y, lid, sums, saved)
        count = min(group, steps - step)
        if not rested:
            for k in range(count):
                for part in range(parts):
                    lid[L_WAX] += (y[at.Y_AIR] - lid[L_WAX]) * follow_part
                    target = simple_target(kind, figures, plan, step + k, y[at.Y_AIR], lid)
                    if target != lid[L_POSITION]:
                        if kind != PASSIVE:
                            stats[T_MOVES] += 1.0
                        move_lid(lid, target, stats)
                        lid[L_SINCE] = 0.0
                    now = here + (k * dt + part * part_s) / at.ROW_S
                    carry(p, y, rows, now, part_s, lid, lid[L_POSITION], work, sums)
                    lid[L_SINCE] += part_s
                tally(y[at.Y_AIR], y[at.Y_LEAF], rows, here + (k + 1) * dt / at.ROW_S, dt, lid, stats, leaf)
        step += count
        if step % per_hour == 0:
            end_hour(sums, hourly, step // per_hour - 1, lid)
        day_s += count * dt
        if day_s >= 86400.0 - 1e-6:
            day_s -= 86400.0
            end_day(lid, stats)


@kernel_jit
def _simple_rests(
    y: Array,
    saved: Array,
    kind: int,
    figures: Array,
    plan: Array,
    step: int,
    group: int,
    dt: float,
    follow: float,
    lid: Array,
) -> bool:
    """Whether none of the steps of a rest would have moved the lid; wax and waiting time go along."""
    for k in range(group):
        air = along(y, saved, at.Y_AIR, float(k) / group)
        lid[L_WAX] += (air - lid[L_WAX]) * follow
        if simple_target(kind, figures, plan, step + k, air, lid) != lid[L_POSITION]:
            return False
        lid[L_SINCE] += dt
    return True


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
    group = rest_steps(dt)
    saved, saved_state = np.zeros(N_SAVED), np.zeros(len(state), np.int64)
    step = 0
    while step < steps:
        here = place + step * dt / at.ROW_S
        rested = False
        if (
            group > 1
            and step + group <= steps
            and lid[L_POSITION] == lid[L_TARGET]
            and rest(p, y, rows, here, group * dt, lid, work, sums, saved)
        ):
            for k in range(len(state)):
                saved_state[k] = state[k]
            rested = True
            for k in range(group):
                air = along(y, saved, at.Y_AIR, float(k) / group)
                after_noon = 1 if day_s + k * dt > noon_s else 0
                now = here + k * dt / at.ROW_S
                feel_at(air, p, y, rows, now, dt, follow, figures, day, after_noon, north, lid, sense)
                if (decide(sense, state, settings) & 1023) / 1000.0 != lid[L_TARGET]:
                    rested = False
                    break
            if rested:
                for k in range(group):
                    share = (k + 1.0) / group
                    air, leaves = along(y, saved, at.Y_AIR, share), along(y, saved, at.Y_LEAF, share)
                    tally(air, leaves, rows, here + (k + 1) * dt / at.ROW_S, dt, lid, stats, leaf)
            else:
                take_back(y, lid, sums, saved)
                for k in range(len(state)):
                    state[k] = saved_state[k]
        count = min(group, steps - step)
        if not rested:
            for k in range(count):
                now = here + k * dt / at.ROW_S
                after_noon = 1 if day_s + k * dt > noon_s else 0
                feel(p, y, rows, now, dt, follow, figures, day, after_noon, north, lid, sense)
                wanted = (decide(sense, state, settings) & 1023) / 1000.0
                if wanted != lid[L_TARGET]:
                    stats[T_MOVES] += 1.0
                    lid[L_TARGET] = wanted
                travel(p, y, rows, now, dt, figures[1], lid, stats, work, sums)
                tally(y[at.Y_AIR], y[at.Y_LEAF], rows, now + dt / at.ROW_S, dt, lid, stats, leaf)
        step += count
        if step % per_hour == 0:
            end_hour(sums, hourly, step // per_hour - 1, lid)
        day_s += count * dt
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
