"""Weeks whose truth is known: a simulated frame with figures drawn by chance, measured badly."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from framesim import fit_record
from framesim.fit import Fit, fit
from framesim.fit_frame import FitFrame
from framesim.fit_record import LID_STEP_S, LUX_PER_W_M2, Record, record
from framesim.frame import Frame
from framesim.weather import HOUR_S, invent

LAT, LON = 45.0, 0.0
DAY_STEPS = round(86400 / LID_STEP_S)


def wander(random: Any, count: int, memory: float, size: float) -> Any:
    """A first-order autoregression of a given size."""
    values = np.zeros(count)
    for k in range(count):
        shock = random.normal(0.0, size)
        values[k] = shock if k == 0 else memory * values[k - 1] + math.sqrt(1 - memory**2) * shock
    return values


class Week:
    """One week: `series` as the frame measured it, `truth` by name of the figure."""

    def __init__(self, seed: int, frame: Frame, days: int = 7, opened: bool = True, noise: float = 1.0) -> None:
        random = np.random.default_rng(seed)
        start = date(2027, 2, 1) + timedelta(days=seed % 20)
        weather = invent(LAT, LON, start, start + timedelta(days=days - 1), seed=seed)
        hours = len(weather)
        self.start_s, self.end_s = weather.start_s, weather.end_s
        lid = np.zeros(days * DAY_STEPS)
        for day in range(days if opened else 0):
            first = day * DAY_STEPS + random.integers(9 * 30, 12 * 30)
            lid[first : first + random.integers(30, 5 * 30)] = random.choice([0.1, 0.1, 0.4])
        clouds = fit_record.cloudiness(weather.time_s, weather.ghi, LAT, LON)
        humid = np.full(hours, 0.75)
        true = fit_record.weather_of(
            weather.time_s, weather.t_out_degc, weather.ghi, weather.wind_10m_m_s, LAT, LON, 0.0, clouds, humid
        )
        # The frame stands in the weather's own beam and diffuse; the fit has to split them by its rule.
        true = replace(true, dni=weather.dni, dhi=weather.dhi)
        model = FitFrame(frame, Record(true, np.zeros(hours), np.zeros(hours), lid, True, True, True))
        # Shell, sun, leak, flow, soil; base and sky [K]; the sky of each night [K].
        x = np.concatenate([random.normal(0.0, [0.25, 0.15, 0.4, 0.4, 0.3, 2.0, 1.5]),
                            random.normal(0.0, 1.0, model.nights)])  # fmt: skip
        air, soil = model.run(x)
        air = air + noise * (wander(random, hours, 0.7, 0.4) + random.normal(0.0, 0.1, hours))
        soil = soil + noise * (wander(random, hours, 0.9, 0.15) + random.normal(0.0, 0.05, hours))
        outside = weather.t_out_degc + noise * wander(random, hours, 0.7, 0.15)
        light = weather.ghi * LUX_PER_W_M2
        light = light * np.exp(noise * (random.normal(0.0, 0.05) + wander(random, hours, 0.5, 0.04)))
        wind = weather.wind_10m_m_s
        wind = wind * np.exp(noise * (random.normal(0.0, 0.1) + random.normal(0.0, 0.1, hours)))
        middles = weather.time_s - 0.5 * HOUR_S
        steps = self.start_s + LID_STEP_S * np.arange(len(lid))
        columns = {"air": air, "soil": soil, "outside": outside, "light": light, "wind": wind, "sky": true.t_sky_degc}
        self.series = {name: list(zip(middles, values, strict=True)) for name, values in columns.items()}
        self.series["lid"] = list(zip(steps, lid, strict=True))
        self.truth = {name: figure[0] * math.exp(x[k]) for k, (name, figure) in enumerate(model.figures().items())}
        self.truth["closed loss"] = self.truth["shell"] + model.leak_w_k() * math.exp(x[2])

    def record(self, *without: str) -> Record:
        """The week, without some of its sensors."""
        kept = {name: rows for name, rows in self.series.items() if name not in without}
        return record(kept, self.start_s, self.end_s, LAT, LON)

    def fit(self, frame: Frame, *without: str) -> Fit:
        """What the fit makes of it."""
        return fit(frame, self.record(*without))
