"""A lid's drive on the desk, every reading given by hand, step by step."""

from __future__ import annotations

from lid_words import Words

from sash.lid_motion import NONE, Motion


class Hand(Words):
    """A Motion whose every reading is given by hand; power is full from the second second on."""

    def __init__(self, at: int = 0, **fittings: int) -> None:
        fittings = {"travel_ms": 40_000, "boot_wait_s": 0, **fittings}
        self.pot = at if fittings.get("pot") else NONE
        self.switches = fittings.get("end_switches", 1)
        self.motion = Motion(fittings, at, 0, 0)
        self.shut, self.opened = (int(at == 0), int(at == 1000)) if self.switches else (NONE, NONE)

    def step(self, want: int, dt_ms: int = 200, ma: int = 300) -> Hand:
        """One step."""
        self.motion.step(dt_ms, want, self.shut, self.opened, ma, self.pot, 0)
        return self

    def begin(self, want: int) -> Hand:
        """Start a drive from rest; asserts that it runs."""
        self.step(want, 5_000, 0)
        assert self.motion.motor != 0
        return self

    def drive(self, want: int, ms: int, ma: int = 300) -> Hand:
        """Drive for some time in steps of 100 ms."""
        for _ in range(ms // 100):
            self.step(want, 100, ma)
        return self
