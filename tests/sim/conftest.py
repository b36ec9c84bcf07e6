"""A tiny heat balance and helpers for runner tests: fast, and no claim about real frames."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from framesim.solar import sun_position
from framesim.virtual_frame import Parts, VirtualFrame
from framesim.weather import Weather, invent


class OneNodeModel:
    """Air as one node over soil as another; all figures invented. Same face as framesim.model.FrameModel."""

    def __init__(self, weather: Weather) -> None:
        self.weather = weather
        self.rh, self.snow_mm, self.sky_degc = 0.6, 0.0, -10.0
        self.time_s = 0.0
        self.air_degc = self.leaf_degc = self.soil_surface_degc = self.soil_10cm_degc = self.lid_in_degc = 5.0

    def reset(self, time_s: float) -> None:
        """Start as warm as outside."""
        self.time_s = time_s
        self._look()
        self.air_degc = self.leaf_degc = self.lid_in_degc = self.outside_degc
        self.soil_surface_degc = self.soil_10cm_degc = self.outside_degc + 2

    def advance(self, dt_s: float, open_frac: float, cover: float = 0.0) -> None:
        """One exact step of the linear balance."""
        self.time_s += dt_s
        self._look()
        loss_w_k = 10 + 90 * open_frac
        soil_w_k = 15.0
        gain_w = 1.6 * self.ghi_w_m2 * (1 - cover)
        rest = (gain_w + loss_w_k * self.outside_degc + soil_w_k * self.soil_10cm_degc) / (loss_w_k + soil_w_k)
        self.air_degc = rest + (self.air_degc - rest) * math.exp(-dt_s * (loss_w_k + soil_w_k) / 15e3)
        self.soil_10cm_degc += (self.air_degc - self.soil_10cm_degc) * -math.expm1(-dt_s / 40e3)
        self.leaf_degc = self.lid_in_degc = self.air_degc
        self.soil_surface_degc = self.soil_10cm_degc

    def _look(self) -> None:
        w = self.weather
        hour = min(len(w) - 1, max(0, int((self.time_s - w.start_s) // 3600)))
        self.outside_degc = float(w.t_out_degc[hour])
        self.ghi_w_m2 = float(w.ghi[hour])
        self.wind_10m_m_s = float(w.wind_10m_m_s[hour])
        self.wind_local_m_s = 0.3 * self.wind_10m_m_s
        self.sun_height_deg = math.degrees(math.asin(sun_position(self.time_s, w.lat, w.lon)[0]))


@pytest.fixture(scope="session")
def sunny() -> Weather:
    """Two clear days that nobody ever saw."""
    return invent(47.0, 9.0, date(2027, 3, 1), date(2027, 3, 2), seed=5, days=["clear"], name="Testwood")


@pytest.fixture
def tiny_frame(sunny: Weather) -> Callable[..., VirtualFrame]:
    """Makes a virtual frame over the one-node model."""

    def make(parts: Parts | None = None) -> VirtualFrame:
        return VirtualFrame(OneNodeModel(sunny), parts)

    return make


@pytest.fixture
def fittings() -> dict[str, Any]:
    """How the test frame is built."""
    return {
        "frame": "north",
        "travel_ms": 40_000,
        "stall_ma": 3000,
        "run_ma": 300,
        "end_switches": 1,
        "pot": 0,
        "reverse": 0,
        "probes": {"air": "28c652b604000023", "soil": "283ce7b50400008b", "outside": "28e1e6b5040000c8"},
        "key": "00" * 32,
        "boot_wait_s": 5,
        "rest_ms": 10_000,
    }


@pytest.fixture
def settings() -> dict[str, int]:
    """Changes to the built-in settings for the test place."""
    return {"lat_mdeg": 47_000, "lon_mdeg": 9_000}
