"""The frame of a fit: the full heat balance with a handful of its figures scaled, run under measured weather.

Five factors are sought, each beside the figure that the frame's own description gives:

    shell   everything between inner faces and outdoors: walls, lid, outer films, rim
    sun     sunlight let in by the lid
    leak    air exchange of the closed frame
    flow    air exchange of the opened lid
    soil    conduction in the soil

and three groups of nuisances: the temperature at the soil's base, the sky's error, common and night by night, and,
where no light is measured, a dimming of each day.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from framesim import heat_balance, season_loop
from framesim import layout as at
from framesim.drivers import Drivers
from framesim.fit_record import LID_STEP_S, Record
from framesim.frame import Frame
from framesim.longwave import STEFAN_BOLTZMANN
from framesim.policies import SCHEDULE
from framesim.weather import HOUR_S

Array = NDArray[np.float64]

FACTORS = ("shell", "sun", "leak", "flow", "soil")
DAY_H = 24
RUN_IN_DAYS = 2  # the first day, run again before the record starts
SOIL_PROBE_M = 0.10
AIR_J_M3_K = 1.2 * 1006.0  # heat carried by a cubic metre of air
FULLY = 1.0


class FitFrame:
    """Simulates the record for given factors; one instance serves many calls."""

    def __init__(self, frame: Frame, record: Record, soil_probe_m: float = SOIL_PROBE_M) -> None:
        self.frame, self.record = frame, record
        self.days = 0 if record.light_known else -(-record.hours // DAY_H)
        self.nights = record.hours // DAY_H + 1
        self._p0 = frame.parameters.copy()
        _set_probe(self._p0, soil_probe_m)
        self._rows0 = Drivers(record.weather, self._p0).ready(record.weather.start_s, record.weather.end_s).copy()
        self._rows = self._rows0.copy()
        self._work = heat_balance.new_work()
        self._y, self._row = np.zeros(at.N_STATE), np.zeros(at.N_DRIVERS)
        self._sums, self._lid = np.zeros(at.N_SUMS), np.zeros(season_loop.N_LID)
        self._stats, self._leaf = np.zeros(season_loop.N_STATS), np.zeros((2, season_loop.BINS))
        self._hourly = np.zeros((record.hours, len(season_loop.HOURLY)))
        # Days and nights by mean solar time, so that a night is one piece.
        weather = record.weather
        solar_s = weather.start_s + weather.lon * 240.0 + at.ROW_S * (np.arange(len(self._rows)) + 0.5)
        first_day = (solar_s[0] + 43200.0) // 86400.0
        self._night = np.clip((solar_s + 43200.0) // 86400.0 - first_day, 0, self.nights - 1).astype(np.int64)
        self._day = np.clip((solar_s - solar_s[0]) // 86400.0, 0, max(self.days - 1, 0)).astype(np.int64)

    def run(self, x: Array) -> tuple[Array, Array]:
        """Hourly means of (air, soil) [degC] for x: see split."""
        p = self._scaled(x)
        rows = self._driven(x)
        heat_balance.forcing(rows, 0.0, self._row)
        self._work[:] = 0.0
        heat_balance.forget(self._work)
        heat_balance.settle_start(p, self._y, self._row)
        self._sums[:] = 0.0
        day = round(DAY_H * HOUR_S / LID_STEP_S)
        for _ in range(RUN_IN_DAYS):
            self._go(p, rows, day, np.zeros((0, len(season_loop.HOURLY))))
            self._sums[:] = 0.0
        self._go(p, rows, len(self.record.lid), self._hourly)
        return self._hourly[:, 0].copy(), self._hourly[:, 2].copy()

    def split(self, x: Array) -> tuple[Array, float, Array, Array]:
        """Logarithms of the factors; base [K]; sky [K], night by night; logarithms of each day's dimming.

        The sky's error has a part common to all nights, x[6], because humidity and height above the sea are guessed.
        """
        return x[:5], float(x[5]), x[6] + x[7 : 7 + self.nights], x[7 + self.nights :]

    def _go(self, p: Array, rows: Array, steps: int, hourly: Array) -> None:
        season_loop.run_simple(
            p, self._y, rows, -0.5, steps, LID_STEP_S, 0.0, SCHEDULE, np.zeros(1), self.record.lid,
            self._work, self._sums, self._lid, self._stats, hourly, self._leaf,
        )  # fmt: skip

    def _scaled(self, x: Array) -> Array:
        shell, _, leak, flow, soil = np.exp(x[:5])
        p = self._p0.copy()
        p[at.P_OUT_AREA : at.P_OUT_AREA + 5] *= shell
        p[at.P_WALL_K : at.P_WALL_K + at.N_WALL * at.WALLS] *= shell
        p[at.P_RIM] *= shell
        p[at.P_LEAK] *= leak
        p[at.P_CW] *= flow
        p[at.P_CD] *= flow
        p[at.P_SOIL_K : at.P_SOIL_K + at.N_SOIL] *= soil
        return p

    def _driven(self, x: Array) -> Array:
        """Driver rows with light, base and sky changed; the sky by dT through its emission's slope."""
        factors, base, sky, dimmed = self.split(x)
        rows, first = self._rows, self._rows0
        rows[:] = first
        rows[:, at.D_LID_LIGHT : at.D_LEAF + 1] *= math.exp(factors[1])
        rows[:, at.D_BASE] += base
        kelvin = (first[:, at.D_SKY] / STEFAN_BOLTZMANN) ** 0.25
        rows[:, at.D_SKY] += 4.0 * STEFAN_BOLTZMANN * kelvin**3 * sky[self._night]
        if self.days:
            dim = np.exp(dimmed)[self._day]
            rows[:, at.D_LID_LIGHT : at.D_WALL_OUT + at.WALLS] *= dim[:, None]
            rows[:, at.D_GHI] *= dim
        return rows

    # ---- factors as figures a grower can compare -----------------------------------------------------

    def figures(self) -> dict[str, tuple[float, str, str]]:
        """For each factor of 1: (value, unit, what it is), from the frame's own description."""
        p = self._p0
        volume = p[at.P_VOLUME]
        lit = self._rows0[:, at.D_GHI].sum()
        through = self._rows0[:, at.D_LID_THROUGH].sum()
        return {
            "shell": (shell_w_k(p), "W/K", "loss through walls and lid"),
            "sun": (through / lit if lit > 0.0 else 0.0, "m2", "sunlight let in, per light on the level"),
            "leak": (p[at.P_LEAK] * HOUR_S / volume, "1/h", "air changes, closed"),
            "flow": (self._full_flow() * HOUR_S / volume, "1/h", "air changes, fully open, 1 m/s at the lid, 10 K"),
            "soil": (self.frame.soil_k, "W/m K", "conductivity of the soil"),
        }

    def leak_w_k(self) -> float:
        """Heat carried by the closed frame's leakage, per kelvin."""
        return float(self._p0[at.P_LEAK]) * AIR_J_M3_K

    def _full_flow(self) -> float:
        lid = np.zeros(season_loop.N_LID)
        lid[season_loop.L_SHAPED] = -1.0
        season_loop.place_lid(self._p0, lid, FULLY)
        stack2 = lid[season_loop.L_STACK] ** 2 * 10.0 / 293.0
        return math.sqrt(float(lid[season_loop.L_WIND_AREA]) ** 2 + float(stack2))


# Films beside which the shell's loss is stated: still night, light wind. ISO 6946 table 7: 0.04 m2 K/W outside.
OUTSIDE_FILM_R = 0.04


def shell_w_k(p: Array) -> float:
    """Conductance from the inner faces of walls and lid to outdoors [W/K], outer film 0.04 m2 K/W."""
    total = float(p[at.P_RIM])
    for w in range(at.WALLS):
        area = float(p[at.P_OUT_AREA + w])
        resistance = sum(1.0 / float(p[at.P_WALL_K + n * at.WALLS + w]) for n in range(at.N_WALL - 1))
        total += 1.0 / (resistance + (OUTSIDE_FILM_R + float(p[at.P_OUT_R + w])) / area)
    resistance = float(p[at.P_SHEET_R])
    if p[at.P_GAP_NU_D] > 0.0:
        kelvin = 280.0
        air = (2.873e-3 + 7.76e-5 * kelvin) * float(p[at.P_GAP_NU_D])
        resistance += 1.0 / (air + 4.0 * STEFAN_BOLTZMANN * kelvin**3 * float(p[at.P_GAP_F]))
    return total + float(p[at.P_OUT_AREA + 4]) / (resistance + OUTSIDE_FILM_R)


def _set_probe(p: Array, depth_m: float) -> None:
    """Let the season table's soil column stand for a probe at this depth."""
    depths = p[at.P_SOIL_Z + 1 : at.P_SOIL_Z + at.N_SOIL]
    k = int(np.clip(np.searchsorted(depths, depth_m) - 1, 0, at.N_SOIL - 3))
    p[at.P_TABLE_NODE] = float(k)
    p[at.P_TABLE_SHARE] = (depth_m - depths[k]) / (depths[k + 1] - depths[k])
