"""A whole frame that never was: thermal model, lid, probes, battery and switches in one.

The controller sees it through `inputs()` and moves it through `advance()`. While the
motor runs, mechanics go in steps of 200 ms and heat in steps of about a second; at rest both
take steps of up to ten seconds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np

from framesim.battery import Battery, BatteryParts
from framesim.faults import Faults
from framesim.lid_mechanics import FULL_PERMILLE, STEP_MS, LidMechanics, LidParts, Surroundings
from framesim.probe_parts import Probe, ProbeParts, read_all
from framesim.weather import HOUR_S, Weather
from sash.reading import NONE, Inputs

REST_STEP_MS = 10_000  # longest thermal step at rest
MOVING_HEAT_MS = 1_000  # heat is advanced this often while the lid moves
GUST_EVERY_S = 60.0
GUST_LEAST, GUST_SPREAD = 1.2, 0.25  # highest gust of a minute over the mean: 1.2 + 0.25 x exponential; chosen
LUX_PER_W_M2 = 110.0  # daylight; from memory, 100 to 120
MAINS_V = 12.6
SNOW_KG_M3 = 120.0  # lying fresh snow; from memory, 50 to 200


class ThermalModel(Protocol):
    """What the frame's heat balance offers (framesim.model.FrameModel)."""

    @property
    def weather(self) -> Weather:
        """The weather it stands in."""

    @property
    def air_degc(self) -> float:
        """Air in the frame."""

    @property
    def soil_10cm_degc(self) -> float:
        """Soil 10 cm down."""

    @property
    def lid_in_degc(self) -> float:
        """Inner face of the lid."""

    @property
    def outside_degc(self) -> float:
        """Air outdoors."""

    @property
    def sun_height_deg(self) -> float:
        """Negative at night."""

    @property
    def ghi_w_m2(self) -> float:
        """Sun on the level."""

    @property
    def wind_local_m_s(self) -> float:
        """Wind at the frame."""

    @property
    def rh(self) -> float:
        """Relative humidity in the frame, 0..1."""

    @property
    def snow_mm(self) -> float:
        """Snow on the lid."""

    def reset(self, time_s: float) -> None:
        """Start at a Unix time."""

    def advance(self, dt_s: float, open_frac: float, cover: float = 0.0) -> None:
        """Let time pass with the lid open by this share."""


@dataclass(frozen=True)
class Parts:
    """What this frame is built of. Optional sensors are off, as on a first frame."""

    lid: LidParts = field(default_factory=LidParts)
    battery: BatteryParts = field(default_factory=BatteryParts)
    probes: Mapping[str, ProbeParts] = field(default_factory=lambda: DEFAULT_PROBES)
    mains: bool = False  # True: a steady 12 V supply instead of the battery
    end_switches: bool = True
    current_sensor: bool = True
    battery_sensor: bool = True
    pot: bool = False
    light: bool = False
    wind: bool = False
    rain: bool = False
    humidity: bool = False

    @staticmethod
    def for_fittings(fittings: Mapping[str, Any], **changes: Any) -> Parts:
        """The parts that a controller with these fittings expects to find."""
        lid = LidParts(
            travel_ms=float(fittings.get("travel_ms", 40_000)),
            # The stall limit is set below what the motor really draws.
            stall_ma=1.2 * float(fittings.get("stall_ma", 3000)),
            reverse=bool(fittings.get("reverse", 0)),
        )
        probes = {place: DEFAULT_PROBES.get(place, ProbeParts()) for place in fittings.get("probes", DEFAULT_PROBES)}
        own: dict[str, Any] = {
            "lid": lid,
            "probes": probes,
            "end_switches": bool(fittings.get("end_switches", 1)),
            "pot": bool(fittings.get("pot", 0)),
        }
        return Parts(**{**own, **changes})


DEFAULT_PROBES: Mapping[str, ProbeParts] = {
    "air": ProbeParts(),
    "soil": ProbeParts(lag_s=120.0, noise_k=0.01, sun_k_per_1000w=0.0),
    "outside": ProbeParts(lag_s=60.0, sun_k_per_1000w=1.0),
}


class VirtualFrame:
    """One frame; `faults` may be changed at any time from outside.

    model    the heat balance, already built
    parts    what the frame is made of
    faults   what is broken now
    seed     of the probes' noise
    """

    def __init__(
        self, model: ThermalModel, parts: Parts | None = None, faults: Faults | None = None, seed: int = 1
    ) -> None:
        self.model = model
        self.parts = parts or Parts()
        self.faults = faults if faults is not None else Faults()
        self.lid = LidMechanics(self.parts.lid, self.faults)
        self.battery = Battery(self.parts.battery, self.faults)
        self.probes = {
            place: Probe(place, probe, self.faults, seed * 101 + number)
            for number, (place, probe) in enumerate(self.parts.probes.items())
        }
        self.time_s = 0.0
        self.stroke_ms = 0  # motor time since the start
        self._random = np.random.default_rng(seed)
        self._gust_share = GUST_LEAST
        self._gust_s = 0.0  # age of that gust
        self._around = Surroundings()
        self._heat_ms = 0.0  # time the heat balance lags behind the mechanics
        self._open_ms = 0.0  # opening share x time over that
        self._motor_mas = 0.0  # motor charge over that
        self._last_pot = 0.0

    def __repr__(self) -> str:
        return (
            f"<VirtualFrame air {self.model.air_degc:.1f} degC, lid {self.lid.lid_permille:.0f} permille, "
            f"{self.volts:.2f} V, faults {self.faults.active}>"
        )

    @property
    def volts(self) -> float:
        """Supply voltage [V]."""
        if self.parts.mains:
            return MAINS_V
        return self.battery.volts_under(self.lid.motor_ma, self.model.outside_degc)

    @property
    def open_frac(self) -> float:
        """How far the lid stands open, 0..1."""
        return self.lid.lid_permille / FULL_PERMILLE

    @property
    def gust_m_s(self) -> float:
        """Highest wind of the last minute at the frame."""
        gust = self.model.wind_local_m_s * self._gust_share
        gale = self.faults.find("weather", "gale")
        return max(gust, gale.number("m_s")) if gale else gust

    def direction(self, motor: int) -> int:
        """Which way the lid is meant to go when the board says `motor`."""
        return -motor if self.parts.lid.reverse else motor

    def reset(self, time_s: float) -> None:
        """Start the heat balance at a Unix time and let the probes settle."""
        self.model.reset(time_s)
        self.time_s = time_s
        self._look_around()
        self._advance_probes(3600.0)

    def advance(self, dt_ms: int, motor: int = 0, duty_permille: int = 1000) -> None:
        """Let `dt_ms` pass with the motor driven so (direction as in sash.reading)."""
        left = float(dt_ms)
        self.time_s += dt_ms / 1000
        while left > 0:
            moving = motor != 0 or self._runs_alone()
            step = min(left, STEP_MS if moving else REST_STEP_MS)
            self._advance_lid(step, motor, duty_permille)
            left -= step
            # While the lid moves, heat may lag by less than a second: short steps cost most.
            if not moving or self._heat_ms >= MOVING_HEAT_MS:
                self._advance_heat()

    def inputs(self) -> Any:
        """Everything the board would read now (sash.reading.Inputs). Draws probe noise: call once a step."""
        new: Any = Inputs  # the controller's code carries no types
        parts, facts = self.parts, new()
        facts.probes = read_all(self.probes, self.faults)
        if parts.end_switches:
            facts.at_shut, facts.at_open = self.lid.at_shut, self.lid.at_open
        if parts.current_sensor:
            facts.motor_ma = self._sensed_ma()
        if parts.battery_sensor:
            facts.battery_mv = round(self.volts * 1000)
        if parts.pot:
            facts.pot_permille = self._sensed_pot()
        if parts.light:
            facts.light_lx = round(max(0.0, self.model.ghi_w_m2) * LUX_PER_W_M2)
        if parts.wind:
            facts.wind_mms = round(self.gust_m_s * 1000)
        if parts.rain:
            facts.rain = 1 if self._rains() else 0
        if parts.humidity:
            facts.humidity_permille = max(0, min(1000, round(self.model.rh * 1000)))
        if self.faults.active:
            facts.hold = 1 if self.faults.of("hold") else 0
            facts.ack = 1 if self.faults.of("ack") else 0
        return facts

    # --- inside ----------------------------------------------------------------------------

    def _runs_alone(self) -> bool:
        return bool(self.faults.active) and self.faults.find("motor", "relay-stuck") is not None

    def _advance_lid(self, step_ms: float, motor: int, duty_permille: int) -> None:
        before = self.lid.lid_permille
        self.lid.advance(step_ms, motor, duty_permille, self._around)
        if self.lid.motor_ma:
            self.stroke_ms += int(step_ms)
        self._open_ms += (before + self.lid.lid_permille) / 2 / FULL_PERMILLE * step_ms
        self._motor_mas += self.lid.motor_ma * step_ms / 1000
        self._heat_ms += step_ms
        if self.lid.motor_ma:
            # Voltage sags under the motor at once, not only when the charge is next counted.
            self._around.volts = self.volts

    def _advance_heat(self) -> None:
        dt_s = self._heat_ms / 1000
        cover = 1.0 if self.faults.active and self.faults.of("cover") else 0.0
        self.model.advance(dt_s, self._open_ms / self._heat_ms, cover)
        if not self.parts.mains:
            load_ma = self._motor_mas / dt_s
            self.battery.advance(dt_s, load_ma, self.model.ghi_w_m2, self.model.outside_degc)
        self._advance_probes(dt_s)
        self._gust_s += dt_s
        if self._gust_s >= GUST_EVERY_S:
            self._gust_s = 0.0
            self._gust_share = GUST_LEAST + GUST_SPREAD * float(self._random.exponential())
        self._look_around()
        self._heat_ms = self._open_ms = self._motor_mas = 0.0

    def _advance_probes(self, dt_s: float) -> None:
        model = self.model
        sun = model.ghi_w_m2
        soil = model.soil_10cm_degc
        for place, probe in self.probes.items():
            if place == "outside":
                true_degc = model.outside_degc
            elif place == "soil":
                true_degc = soil
            else:
                true_degc = model.air_degc
            probe.advance(dt_s, true_degc, sun, soil)

    def _look_around(self) -> None:
        model = self.model
        area = self.parts.lid.length_m * self.parts.lid.width_m
        self._around = Surroundings(
            volts=self.volts,
            wind_m_s=self.gust_m_s,
            snow_kg=max(0.0, model.snow_mm) / 1000 * area * SNOW_KG_M3,
            temp_degc=model.lid_in_degc,
        )

    def _rains(self) -> bool:
        if self.faults.find("weather", "rain"):
            return True
        weather = self.model.weather
        hour = int((self.time_s - weather.start_s) // HOUR_S)
        return bool(weather.rain_mm[min(len(weather) - 1, max(0, hour))] > 0.05)

    def _sensed_ma(self) -> int:
        for fault in self.faults.of("current-sensor"):
            return 0 if fault.kind == "dead" else NONE
        return round(self.lid.motor_ma)

    def _sensed_pot(self) -> int:
        for fault in self.faults.of("pot"):
            return 1000 if fault.kind == "open" else round(self._last_pot)
        self._last_pot = self.lid.arm_permille
        return round(self._last_pot)
