"""A 12 V lead-acid battery with a small solar panel, in summer and in frost.

Charge is counted; voltage follows from what is left and from the current. Good to a
tenth of a volt or two, not for ageing or for fast charging.
"""

from __future__ import annotations

from dataclasses import dataclass

from framesim.faults import Faults

# Rest voltage of a flooded 12 V battery against state of charge.
# Source: widely reprinted table (rounded form seen on a public mailing list; two decimals from memory), +-0.15 V.
REST_SOC = (0.0, 0.25, 0.5, 0.75, 1.0)
REST_V = (11.89, 12.06, 12.24, 12.45, 12.65)
EMPTY_V = 8.0  # rest voltage falls here when drawn past empty (chosen)
EMPTY_DRAWN = 1.1  # share of capacity at which that is reached (chosen)
CHARGE_STOP_V = 14.4  # common practice, no source


@dataclass(frozen=True)
class BatteryParts:
    """Battery, panel and standing load. Values chosen for one small frame."""

    capacity_ah: float = 12.0
    start_soc: float = 0.95
    resistance_ohm: float = 0.05  # at 25 C, wiring included
    resistance_per_k: float = 0.015  # rise per kelvin below 25 C; from memory
    capacity_per_k: float = 0.008  # loss per kelvin below 25 C; common practice, no source
    panel_w: float = 10.0  # at 1000 W/m2
    panel_share: float = 0.7  # dust, angle, controller
    charge_share: float = 0.85  # charge that stays
    board_ma: float = 40.0  # mean of the sleeping and talking board


class Battery:
    """State of one battery; `drawn_ah` is what is missing from full, `board_on` whether the board draws."""

    def __init__(self, parts: BatteryParts | None = None, faults: Faults | None = None) -> None:
        self.parts = parts or BatteryParts()
        self.faults = faults if faults is not None else Faults()
        self.drawn_ah = (1 - self.parts.start_soc) * self.parts.capacity_ah
        self.board_on = True
        self._standing_a = self.parts.board_ma / 1000  # board less panel
        self.volts = self.volts_under(0.0, 20.0)

    def __repr__(self) -> str:
        return f"<Battery {self.volts:.2f} V, {self.drawn_ah:.2f} Ah drawn>"

    def capacity_ah(self, temp_degc: float) -> float:
        """What can be drawn from full at this temperature [Ah]."""
        cold = max(0.2, 1 - self.parts.capacity_per_k * max(0.0, 25 - temp_degc))
        return self.parts.capacity_ah * cold * self._age_share()

    def soc(self, temp_degc: float) -> float:
        """Share of the charge left at this temperature; below 0 when drawn past empty."""
        return 1 - self.drawn_ah / self.capacity_ah(temp_degc)

    @staticmethod
    def rest_v(soc: float) -> float:
        """Rest voltage [V]."""
        if soc <= 0:
            share = min(1.0, -soc / (EMPTY_DRAWN - 1))
            return REST_V[0] + share * (EMPTY_V - REST_V[0])
        place = min(soc, 1.0) * (len(REST_SOC) - 1)
        low = min(int(place), len(REST_SOC) - 2)
        return REST_V[low] + (place - low) * (REST_V[low + 1] - REST_V[low])

    def resistance_ohm(self, temp_degc: float) -> float:
        """Inner resistance, higher in the cold."""
        rise = 1 + self.parts.resistance_per_k * max(0.0, 25 - temp_degc)
        return self.parts.resistance_ohm * rise / self._age_share()

    def advance(self, dt_s: float, load_ma: float, sun_w_m2: float, temp_degc: float) -> None:
        """Draw `load_ma` besides the board, charge from the sun, and set `volts`, the load left out."""
        if self.faults.active:
            self._flatten(temp_degc)
        board_a = self.parts.board_ma / 1000 if self.board_on else 0.0
        draw_a = load_ma / 1000 + board_a
        charge_a = self._panel_a(sun_w_m2)
        self.drawn_ah += (draw_a - charge_a * self.parts.charge_share) * dt_s / 3600
        # Below the voltage at which nothing runs any more nothing more is drawn: the sun can bring it back.
        self.drawn_ah = min(max(0.0, self.drawn_ah), EMPTY_DRAWN * self.parts.capacity_ah * self._age_share())
        self._standing_a = board_a - charge_a
        self.volts = self.volts_under(0.0, temp_degc)

    def volts_under(self, load_ma: float, temp_degc: float) -> float:
        """Voltage with a motor drawing this much besides board and panel [V]."""
        drop = (load_ma / 1000 + self._standing_a) * self.resistance_ohm(temp_degc)
        return min(CHARGE_STOP_V, self.rest_v(self.soc(temp_degc)) - drop)

    def _panel_a(self, sun_w_m2: float) -> float:
        if self.drawn_ah <= 0 or self.faults.find("battery", "panel-covered"):
            return 0.0
        return self.parts.panel_w * self.parts.panel_share * max(0.0, sun_w_m2) / 1000 / 13.0

    def _age_share(self) -> float:
        old = self.faults.find("battery", "old") if self.faults.active else None
        return max(0.05, old.number("share")) if old else 1.0

    def _flatten(self, temp_degc: float) -> None:
        flat = self.faults.find("battery", "flat")
        if flat and not flat.memory.get("done"):
            self.drawn_ah = self.capacity_ah(temp_degc) * (1 - flat.number("charge"))
            flat.memory["done"] = 1.0
