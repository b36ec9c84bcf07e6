"""A 1-Wire temperature probe as it really is: slow, a little wrong, and sometimes lying.

Gives the nine scratchpad bytes the controller would read. Layout and check sum:
Source: data sheet of the 12-bit 1-Wire thermometer (DS18B20 type) and application
note 27 on the 1-Wire check sum (polynomial x8+x5+x4+1, reflected 8C, start 0).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from framesim.faults import Fault, Faults

POWER_ON = bytes((0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0x1C))
MINUS_127_DEGC = -127.0


@dataclass(frozen=True)
class ProbeParts:
    """How one probe behaves. All chosen; accuracy 0.5 K at -10..85 C by the data sheet."""

    lag_s: float = 60.0  # first order, in still air in a small shade
    noise_k: float = 0.03
    offset_k: float = 0.0
    sun_k_per_1000w: float = 1.5  # heating in its shade at 1000 W/m2 on the level


def _crc_table() -> bytes:
    table = bytearray(256)
    for start in range(256):
        crc = start
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
        table[start] = crc
    return bytes(table)


_CRC = _crc_table()


def crc8(data: bytes) -> int:
    """1-Wire check sum."""
    crc = 0
    for byte in data:
        crc = _CRC[crc ^ byte]
    return crc


def scratchpad(temp_degc: float) -> bytes:
    """Nine bytes for a temperature, 12 bit, clipped to the part's register."""
    raw = max(-2048, min(2047, math.floor(temp_degc * 16 + 0.5)))
    word = raw & 0xFFFF
    body = bytes((word & 0xFF, word >> 8, 0x4B, 0x46, 0x7F, 0xFF, 0x10 - (raw & 0x0F), 0x10))
    return body + bytes((crc8(body),))


class Probe:
    """One probe in one place. `shown_degc` is what its silicon feels after the lag."""

    def __init__(self, place: str, parts: ProbeParts, faults: Faults, seed: int) -> None:
        self.place = place
        self.parts = parts
        self.faults = faults
        self.shown_degc = math.nan
        self._part = "probe-" + place
        self._random = np.random.default_rng(seed)
        self._noise: list[float] = []
        self._last = POWER_ON

    def advance(self, dt_s: float, true_degc: float, sun_w_m2: float, soil_degc: float) -> None:
        """Let the probe follow its surroundings for `dt_s`."""
        lag_s = self.parts.lag_s
        heating = self.parts.sun_k_per_1000w
        if self.faults.active:
            for fault in self.faults.of(self._part):
                if fault.kind == "in-soil":
                    true_degc, heating = soil_degc, 0.0
                elif fault.kind == "slow":
                    lag_s = fault.number("lag_s")
                elif fault.kind == "in-sun":
                    heating = fault.number("k_per_1000w")
                elif fault.kind == "drift":
                    drifted = fault.memory.get("k", 0.0)
                    fault.memory["k"] = drifted + fault.number("k_per_hour") * dt_s / 3600
        target = true_degc + heating * max(0.0, sun_w_m2) / 1000
        if math.isnan(self.shown_degc):
            self.shown_degc = target
        self.shown_degc += (target - self.shown_degc) * -math.expm1(-dt_s / lag_s)

    def read(self) -> bytes | None:
        """One conversion as the controller sees it, faults in the part itself included."""
        reading = scratchpad(self._felt_degc())
        for fault in self.faults.of(self._part):
            answer = _CODES.get(fault.kind)
            if answer is not None:
                return answer(self, fault, reading)
        self._last = reading
        return reading

    def _felt_degc(self) -> float:
        felt = self.shown_degc + self.parts.offset_k + self.parts.noise_k * self._normal()
        for fault in self.faults.of(self._part):
            if fault.kind == "offset":
                felt += fault.number("k")
            elif fault.kind == "drift":
                felt += fault.memory.get("k", 0.0)
            elif fault.kind == "noisy":
                felt += fault.number("k") * self._normal()
        return felt

    def _normal(self) -> float:
        if not self._noise:
            self._noise = self._random.standard_normal(1024).tolist()
        return self._noise.pop()


def _bad_crc(probe: Probe, fault: Fault, reading: bytes) -> bytes:
    # Two bits away from the right sum, on the given share of readings.
    count = fault.memory["count"] = fault.memory.get("count", 0.0) + 1
    share = fault.number("share")
    hit = math.floor(count * share) > math.floor((count - 1) * share)
    return reading[:8] + bytes((reading[8] ^ 0x41,)) if hit else reading


_CODES: Mapping[str, Callable[[Probe, Fault, bytes], bytes | None]] = {
    "power-on": lambda probe, fault, reading: POWER_ON,
    "minus-127": lambda probe, fault, reading: scratchpad(MINUS_127_DEGC),
    "no-answer": lambda probe, fault, reading: None,
    "stuck": lambda probe, fault, reading: probe._last,
    "bus-low": lambda probe, fault, reading: bytes(9),
    "all-ones": lambda probe, fault, reading: b"\xff" * 9,
    "bad-crc": _bad_crc,
}


def read_all(probes: Mapping[str, Probe], faults: Faults) -> dict[str, bytes | None]:
    """Every place's answer, with swapped plugs taken into account."""
    answers = {place: probe.read() for place, probe in probes.items()}
    for place in probes:
        swap = faults.find("probe-" + place, "swapped") if faults.active else None
        if swap is not None:
            other = swap.word("with")
            if other in answers:
                answers[place], answers[other] = answers[other], answers[place]
    return answers
