"""One simulated frame under a weather record, carried forward as its caller asks."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from framesim import heat_balance, moist_air
from framesim import layout as at
from framesim.drivers import Drivers, rows_at
from framesim.frame import Frame
from framesim.longwave import STEFAN_BOLTZMANN
from framesim.ventilation import opening_coefficients
from framesim.weather import Weather, WeatherError, when

Array = NDArray[np.float64]

LONGEST_STEP_S = 60.0
SOIL_PROBE_M = 0.10
SETTLE_S = 3 * 86400.0  # how long reset() lets a closed frame run in before it is handed over


class FrameModel:
    """A frame and its weather; `advance` carries it forward with the lid where the caller has it.

    Temperatures of the last moment are attributes: air_degc, leaf_degc, soil_surface_degc,
    soil_10cm_degc, lid_in_degc; so is the weather of that moment.
    """

    def __init__(self, frame: Frame, weather: Weather, drivers: Drivers | None = None) -> None:
        self.frame = frame
        self.weather = weather
        self.drivers = drivers or Drivers(weather, frame.parameters)
        self.sums = np.zeros(at.N_SUMS)
        self.time_s = weather.start_s
        self._p = frame.parameters
        self._y = np.zeros(at.N_STATE)
        self._work = heat_balance.new_work()
        self._row = np.zeros(at.N_DRIVERS)
        self._opening = (-1.0, 0.0, 0.0)
        self.reset(weather.start_s, settle_s=0.0)

    def __repr__(self) -> str:
        place = when(self.time_s, self.weather.utc_offset_h)
        return f"<FrameModel {self.frame.name} {place} air {self.air_degc:.1f} outside {self.outside_degc:.1f} degC>"

    def reset(self, time_s: float, settle_s: float | None = None) -> None:
        """Start at a Unix time: a closed frame, run in on the weather before it (or on the first day again and again).

        settle_s: how long to run in [s], default three days.
        """
        if not self.weather.start_s <= time_s < self.weather.end_s:
            first, last, asked = (
                when(t, self.weather.utc_offset_h) for t in (self.weather.start_s, self.weather.end_s, time_s)
            )
            raise WeatherError(
                f"{self.weather.name}: the weather runs from {first} to {last}; {asked} is outside. "
                "Choose a time inside it."
            )
        settle = SETTLE_S if settle_s is None else settle_s
        begin = max(self.weather.start_s, time_s - settle)
        self.time_s = begin
        rows = self.drivers.ready(begin, time_s + 1.0)
        heat_balance.forcing(rows, rows_at(rows, self.weather.start_s, begin), self._row)
        heat_balance.settle_start(self._p, self._y, self._row)
        heat_balance.forget(self._work)
        # Where the record does not reach back far enough, its first day is run again until the time is full.
        short = settle - (time_s - begin)
        while short > 0.0 and self.weather.end_s - begin >= 86400.0:
            self._run(begin, begin + min(86400.0, short))
            short -= 86400.0
        self._run(begin, time_s)
        self.time_s = time_s
        self.sums[:] = 0.0
        self._look()

    def _run(self, from_s: float, to_s: float) -> None:
        self.time_s = from_s
        while self.time_s < to_s - 1e-6:
            self._step(min(300.0, to_s - self.time_s), 0.0, 0.0)

    def advance(self, dt_s: float, open_frac: float, cover: float = 0.0) -> None:
        """Carry the frame forward by dt_s [s] with the lid at open_frac of full opening and cover 0..1 laid on it."""
        left = dt_s
        while left > 1e-9:
            piece = min(left, LONGEST_STEP_S)
            self._step(piece, min(1.0, max(0.0, open_frac)), min(1.0, max(0.0, cover)))
            left -= piece
        self._look()

    def _step(self, dt_s: float, open_frac: float, cover: float) -> None:
        if open_frac != self._opening[0]:
            p = self._p
            wind, stack = opening_coefficients(
                int(p[at.P_OPEN_MODEL]),
                open_frac,
                p[at.P_OPEN_AREA],
                p[at.P_CW],
                p[at.P_CD],
                p[at.P_RISE],
                p[at.P_LID_DEPTH],
                p[at.P_LID_WIDTH],
                p[at.P_LID_ANGLE],
            )
            self._opening = (open_frac, wind, stack)
        rows = self.drivers.ready(self.time_s, self.time_s + dt_s)
        place = (self.time_s - self.weather.start_s) / at.ROW_S - 0.5
        heat_balance.advance(
            self._p, self._y, rows, place, dt_s, self._opening[1], self._opening[2], cover, self._work, self.sums
        )
        self.sums[at.S_OPEN] += dt_s * open_frac
        self.time_s += dt_s

    def _look(self) -> None:
        rows = self.drivers.ready(self.time_s, self.time_s + 1.0)
        heat_balance.forcing(rows, (self.time_s - self.weather.start_s) / at.ROW_S - 0.5, self._row)

    # ---- what can be read ----------------------------------------------------------------------

    @property
    def air_degc(self) -> float:
        """Air in the frame."""
        return float(self._y[at.Y_AIR])

    @property
    def leaf_degc(self) -> float:
        """Leaf layer; the air's temperature while the layer is off."""
        return float(self._y[at.Y_LEAF])

    @property
    def soil_surface_degc(self) -> float:
        """Surface of the bed."""
        return float(self._y[at.Y_SOIL])

    @property
    def soil_10cm_degc(self) -> float:
        """Soil 10 cm down."""
        return float(heat_balance.soil_at(self._p, self._y, SOIL_PROBE_M))

    @property
    def lid_in_degc(self) -> float:
        """Inner face of the lid."""
        return float(self._y[at.Y_LID_IN])

    @property
    def outside_degc(self) -> float:
        """Air outdoors."""
        return float(self._row[at.D_OUT])

    @property
    def sun_height_deg(self) -> float:
        """True height of the sun, negative at night."""
        return math.degrees(math.asin(max(-1.0, min(1.0, self._row[at.D_SIN_SUN]))))

    @property
    def ghi_w_m2(self) -> float:
        """Light on the level [W/m2]."""
        return float(self._row[at.D_GHI])

    @property
    def wind_10m_m_s(self) -> float:
        """Wind of the station at 10 m [m/s]."""
        return float(self._row[at.D_WIND])

    @property
    def wind_local_m_s(self) -> float:
        """Wind at the middle of the frame [m/s]."""
        return float(self._row[at.D_WIND] * self._p[at.P_WIND_RATIO])

    @property
    def rh(self) -> float:
        """Relative humidity in the frame over water, 0..1."""
        vapour = moist_air.vapour_pressure(self._y[at.Y_HUMID], self._row[at.D_PRESSURE])
        return float(min(1.0, vapour / moist_air.tetens_pressure(self.air_degc)))

    @property
    def sky_degc(self) -> float:
        """Black-body sky."""
        return float((self._row[at.D_SKY] / STEFAN_BOLTZMANN) ** 0.25) - moist_air.ZERO_K

    @property
    def snow_mm(self) -> float:
        """Depth of snow on the lid [mm]."""
        return float(self._row[at.D_SNOW] * self._p[at.P_SNOW_SHARE] * 1000.0)
