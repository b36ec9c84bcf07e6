"""The winter all simulator benches run: an invented one of 151 days, the garden frame with everything switched on."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import date
from functools import cache
from typing import Any

import numpy as np

from framesim import heat_balance, ventilation
from framesim import layout as at
from framesim.frame import Frame, load
from framesim.jit import kernel_jit
from framesim.season import SeasonRunner
from framesim.weather import Weather, invent

STEP_S = 60.0


@cache
def weather() -> Weather:
    """Invented: a cold inland winter, snow included."""
    return invent(45.0, 0.0, date(2026, 11, 1), date(2027, 3, 31), seed=7)


@cache
def frame() -> Frame:
    """Garden frame: moisture, leaves and snow on the lid are on."""
    return load("garden-frame")


def openings() -> tuple[Any, Any]:
    """Flow coefficients for each minute of a day: shut, and a crack from 10 to 15 o'clock (UTC)."""
    p = frame().parameters
    crack = ventilation.opening_coefficients(
        int(p[at.P_OPEN_MODEL]), 0.1, p[at.P_OPEN_AREA], p[at.P_CW], p[at.P_CD], p[at.P_RISE],
        p[at.P_LID_DEPTH], p[at.P_LID_WIDTH], p[at.P_LID_ANGLE],
    )  # fmt: skip
    minutes = np.arange(1440)
    is_open = (minutes >= 600) & (minutes < 900)
    return np.where(is_open, crack[0], 0.0), np.where(is_open, crack[1], 0.0)


def start(step_s: float = STEP_S) -> tuple[Any, Any, float, int]:
    """(state, driver rows, place, steps): a frame that is run in, at the start of the winter."""
    runner = SeasonRunner(weather(), None, None, step_s)
    rows = runner._rows(frame().parameters)
    heat_balance.forget(runner.work)
    runner._run_in(frame().parameters, rows)
    return runner.y.copy(), rows, -0.5, runner.span.steps


@kernel_jit
def run(p, y, rows, place, steps, dt, wind_area, stack, work, sums):  # type: ignore[no-untyped-def]
    """Carry y through a season, lid as given minute by minute; the loop of kernel.c."""
    work[:] = 0.0
    heat_balance.forget(work)
    for n in range(steps):
        k = n % wind_area.shape[0]
        heat_balance.advance(p, y, rows, place + n * dt / at.ROW_S, dt, wind_area[k], stack[k], 0.0, work, sums)


def processor_s(rounds: int, *jobs: Callable[[], Any]) -> list[float]:
    """Least processor time [s] of each job, all its threads; the jobs take turns.

    What else runs on the machine stretches the clock, and hardly the processor time of a job that waits for nothing.
    """
    least = [1e18] * len(jobs)
    for _ in range(rounds):
        for k, job in enumerate(jobs):
            began = time.process_time()
            job()
            least[k] = min(least[k], time.process_time() - began)
    return least
