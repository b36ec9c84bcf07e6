"""A lid on the desk: arm, switches and motor current, and ways to break them."""

from __future__ import annotations

from lid_words import Words

from sash import lid_table
from sash.lid_motion import NONE, Motion

RUN_MA, STALL_MA = 300, 3300


class LidBench(Words):
    """A Motion and the lid it drives, stepped as the core would: 200 ms moving, 500 sounding, 5 s at rest.

    at             where the lid really is, permille
    blocked        directions that stall: 1 opening, -1 shutting
    stray_ma       current that flows although nothing was told (a relay that sticks); a short adds to any current
    dead           the motor draws no current and does not move
    slips          the motor runs, the lid does not follow
    shut_reads open_reads   what a broken switch says, NONE when it works
    no_sensor      the current is not measured
    speed          share of the nominal speed
    shut_speed     the same on top when shutting: the lid's own weight helps
    """

    def __init__(self, at: float = 0.0, saved: int | None = None, moving: int = 0, warn_ms: int = 0, **fittings: int):
        self.at = at
        self.fittings = {"travel_ms": 40_000, "boot_wait_s": 0, **fittings}
        self.motion = Motion(self.fittings, round(at) if saved is None else saved, moving, warn_ms)
        self.blocked: set[int] = set()
        self.dead = self.slips = self.no_sensor = False
        self.stray_ma = 0
        self.shut_reads = self.open_reads = NONE
        self.speed = 1.0
        self.shut_speed = 1.0
        self.hold = 0
        self.clock_ms = 0
        self.log: list[tuple[int, str]] = []  # state changes with their time

    def _drive(self, dt_ms: int) -> int:
        """Let the motor act; returns the current."""
        way = self.motion.motor * (-1 if self.fittings.get("reverse") else 1)
        if way == 0 or self.dead:
            return 0
        if way in self.blocked:
            return STALL_MA
        if not self.slips:
            speed = self.speed * (self.shut_speed if way < 0 else 1.0)
            self.at += way * dt_ms * self.motion.duty_permille / 1000 / 40 * speed
        ended = self.at <= 0 if way < 0 else self.at >= 1000
        self.at = max(0.0, min(1000.0, self.at))
        return 0 if ended else RUN_MA

    def step(self, want: int, dt_ms: int | None = None) -> LidBench:
        """One step of the loop."""
        motion = self.motion
        if dt_ms is None:
            dt_ms = 200 if motion.moving else 500 if motion.siren else 5_000
        current = self._drive(dt_ms) + self.stray_ma
        self.clock_ms += dt_ms
        shut = self.shut_reads if self.shut_reads != NONE else int(self.at <= 3)
        opened = self.open_reads if self.open_reads != NONE else int(self.at >= 997)
        if not self.fittings.get("end_switches", 1):
            shut = opened = NONE
        before = motion.state
        motion.step(dt_ms, want, shut, opened, NONE if self.no_sensor else current,
                    round(self.at) if self.fittings.get("pot") else NONE, self.hold)  # fmt: skip
        if motion.state != before:
            self.log.append((self.clock_ms, lid_table.STATES[motion.state]))
        return self

    def run(self, want: int, seconds: float) -> LidBench:
        """Steps for some time."""
        until = self.clock_ms + seconds * 1000
        while self.clock_ms < until:
            self.step(want)
        return self

    def shutting_on(self, at: float) -> LidBench:
        """Shuts until something lies under the edge at `at`."""
        self.step(0)
        while self.at > at:
            self.step(0)
        self.blocked = {-1}
        return self

    def until_rest(self, want: int, most_s: float = 200) -> LidBench:
        """Start the drive and follow it to its end."""
        until = self.clock_ms + most_s * 1000
        self.step(want)
        while (self.motion.moving or self.motion.siren) and self.clock_ms < until:
            self.step(want)
        return self

    @property
    def fault(self) -> str:
        """The fault's word, or that of the doubt."""
        return lid_table.FAULTS[self.motion.fault or self.motion.doubt]
