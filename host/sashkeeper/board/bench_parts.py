"""What the bench check is made of: what a board can be asked, what a grower can be asked, what comes out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import sash.probes

OPEN, SHUT = 1, -1
probe_facts: Any = sash.probes  # the controller's code carries no types


@dataclass(frozen=True)
class Look:
    """All inputs at one moment. probes: place -> scratchpad bytes or None; -1 where there is no such input."""

    probes: Mapping[str, bytes | None]
    at_shut: int
    at_open: int
    motor_ma: int
    battery_mv: int
    pot_permille: int
    hold: int
    ack: int

    def degc(self, place: str) -> float | None:
        """A probe's temperature, None when its answer cannot be a reading."""
        pad = self.probes.get(place)
        if pad is None or probe_facts.form_of(pad) != probe_facts.GOOD:
            return None
        raw = probe_facts.scratchpad_raw(pad)
        return None if raw == probe_facts.POWER_ON_RAW else raw / 16.0

    def why(self, place: str) -> str:
        """In a word why a probe gives no temperature, "" when it does."""
        form = probe_facts.form_of(self.probes.get(place))
        if form != probe_facts.GOOD:
            return str(probe_facts.WHY[form])
        return "" if self.degc(place) is not None else "power-on value 85.0"


@dataclass(frozen=True)
class Driven:
    """How a drive ended: "time", "end", "hold", "current" or "no-current", and what was measured."""

    stopped: str
    ms: int
    peak_ma: int
    battery_mv: int  # lowest
    at_shut: int
    at_open: int
    pot_permille: int


class Bench(Protocol):
    """A board, real or virtual, with its firmware idle."""

    def look(self) -> Look:
        """Read everything."""

    def wait(self, ms: int) -> None:
        """Let time pass with the motor off."""

    def drive(self, direction: int, permille: int, ms: int, limit_ma: int, past_end: bool = False) -> Driven:
        """Drive until something ends it, in directions of the wires; past_end: no end does, at most 2.5 s."""

    def siren(self, on: bool) -> None:
        """Switch the siren."""

    def radio(self) -> bool:
        """Return whether the network is joined."""


class Grower(Protocol):
    """The person at the frame."""

    def do(self, act: str, sentence: str) -> None:
        """Ask for something to be done and wait until it is. `act` is a fixed word for scripted growers."""

    def sees(self, act: str, sentence: str) -> bool:
        """Ask a yes-or-no question."""


@dataclass(frozen=True)
class Result:
    """One step. fix: changes of the fittings that would put it right; safety: automatic mode needs it."""

    step: str
    passed: bool
    found: str
    expected: str
    advice: str = ""
    fix: Mapping[str, Any] = field(default_factory=dict)
    safety: bool = True
    left_out: bool = False


@dataclass
class Report:
    """All steps. `measured` are figures for the fittings."""

    results: list[Result] = field(default_factory=list)
    measured: dict[str, Any] = field(default_factory=dict)

    @property
    def safe(self) -> bool:
        """Whether every safety step passed: only then may the lid move on its own."""
        needed = [result for result in self.results if result.safety]
        return bool(needed) and all(result.passed and not result.left_out for result in needed)

    def record(self, at_s: int) -> dict[str, Any]:
        """What is stored with the frame."""
        return {
            "at_s": at_s,
            "safe": self.safe,
            "steps": {result.step: "left out" if result.left_out else "passed" if result.passed else "failed"
                      for result in self.results},
            "found": {result.step: result.found for result in self.results if not result.passed},
            "measured": self.measured,
        }  # fmt: skip
