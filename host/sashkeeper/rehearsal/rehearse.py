"""Lets frames and household live through the same virtual time."""

from __future__ import annotations

from typing import Any

from .household import Household
from .wire import Wire

TICK_S = 5.0  # the service looks around this often in virtual time, or once a step of a frame if that is longer


class Rehearsal:
    """Steps every runner in turn, the one furthest behind first, and ticks the service."""

    def __init__(self, house: Household, wire: Wire, tick_s: float = TICK_S) -> None:
        self.house = house
        self.wire = wire
        self.tick_s = tick_s
        self.runners: dict[str, Any] = {}
        self._ticked_s = 0.0

    @property
    def now_s(self) -> float:
        """Virtual Unix time."""
        return self.house.clock.now_s()

    def add(self, runner: Any) -> None:
        """Take a frame's runner (framesim.runner) in."""
        self.runners[runner.frame_id] = runner
        self.wire.attach(runner)

    def run_until(self, time_s: float) -> None:
        """Let virtual time pass."""
        while True:
            runner = min(self.runners.values(), key=lambda r: r.time_ms)
            if runner.time_ms >= time_s * 1000:
                return
            self.step(runner)

    def step(self, runner: Any | None = None) -> None:
        """One step of one frame, and the household's answer to it."""
        runner = runner or min(self.runners.values(), key=lambda r: r.time_ms)
        runner.step()
        now_s = runner.time_ms / 1000
        if now_s > self.house.clock.now_s():
            self.house.clock.set(now_s)
        self.wire.settle(runner)
        if now_s - self._ticked_s >= self.tick_s or now_s < self._ticked_s:
            self._ticked_s = now_s
            self.house.service.tick()
            self.wire.settle(runner)

    def confirmed(self, frame: str, number: int) -> bool:
        """Whether a frame has said that it took settings `number`."""
        actual = self.house.store.actual(frame)
        return actual is not None and actual.body.get("n") == number

    def close(self) -> None:
        """Stop everything."""
        for runner in self.runners.values():
            runner.close()
        self.wire.close()
        self.house.close()
