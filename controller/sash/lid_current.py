"""What the motor's current tells: a stall, a dead wire or a dead sensor, a lid held fast, a relay that sticks.

Currents are milliamperes, times milliseconds. What follows from it is lid_motion.py's.
Nothing here allocates on the board.
"""

from .reading import NONE

# All chosen by us.
BLANK_MS = 300              # the starting surge is not a stall
RAMP_MS = 1000              # soft start
GENTLE = 800                # permille of power while looking for an end
SHUT_SHARE = 450            # permille of the limit that holds while shutting: its own weight helps the lid down
DEAD_MA = 30                # less than this is no current ...
DEAD_MS = 1500              # ... when it lasts this long
STRAY_MA = 100              # current without command: the bridge or relay is stuck on ...
STRAY_MS = 2000             # ... when it lasts this long
PROOF_MS = 500              # so long at full power: before that a lid held fast does not show in the current ...
LONG_PROOF_MS = 2000        # ... and so long if the current is high: wood and latch give way for a while


class Current:
    """The current of the running drive, and at rest."""

    def __init__(self, stall_ma):
        self.stall_ma = stall_ma
        self.peak_ma = 0
        self.blind = 0              # 1 once the reading was proved false
        self._dead_ms = 0           # when in this drive it stopped flowing, 0 while it flows
        self._stray = 0
        self._stray_ms = 0

    def begin(self):
        """A drive begins."""
        self.peak_ma = 0
        self._dead_ms = 0

    def note(self, motor_ma):
        """Keep the highest."""
        self.peak_ma = max(self.peak_ma, motor_ma)

    def flowed(self):
        """1 when any has flowed in this drive."""
        return 1 if self.peak_ma >= DEAD_MA else 0

    def shorted(self, motor_ma):
        """1 beyond anything a motor draws, which does not wait for the surge to pass."""
        return 1 if motor_ma >= 2 * self.stall_ma else 0

    def stalls(self, motor_ma, shutting, gentle, icy, drive_ms):
        """1 at a stall."""
        limit = self.stall_ma * 3 // 4 if icy else self.stall_ma
        if gentle:
            limit = limit * GENTLE // 1000      # less power, less stall current
        if shutting:
            limit = limit * SHUT_SHARE // 1000
        return 1 if motor_ma >= limit and drive_ms > BLANK_MS else 0

    def gone(self, motor_ma, drive_ms, freed):
        """1 when none has flowed for long enough; remembers when that reading was proved false.

        freed: a switch or the potentiometer has shown that the lid moves.
        """
        if motor_ma == NONE or motor_ma >= DEAD_MA:
            self._dead_ms = 0
            if motor_ma != NONE:
                self.blind = 0
            return 0
        if freed and not self.flowed():
            # The lid has moved and no current ever flowed, so it is the sensor that is dead; a wire
            # that breaks in mid-move has carried current before. But drives with end stops of
            # their own cut their current at the end: see Place.near_end.
            self.blind = 1
        self._dead_ms = drive_ms if self._dead_ms == 0 else self._dead_ms
        return 1 if drive_ms - self._dead_ms >= DEAD_MS else 0

    def proves(self, motor_ma, drive_ms):
        """1 when current without a stall, at full power for long enough, shows that the lid goes."""
        if self.blind or motor_ma < DEAD_MA:
            return 0
        return 1 if drive_ms - RAMP_MS >= (PROOF_MS if motor_ma * 2 < self.stall_ma else LONG_PROOF_MS) else 0

    def strays(self, motor_ma, dt_ms):
        """At rest: 1 when current flows that nothing was told to give. One reading is none, however long its step."""
        if motor_ma < STRAY_MA:
            self._stray = 0
            self._stray_ms = 0
            return 0
        self._stray += 1
        self._stray_ms += dt_ms
        return 1 if self._stray >= 2 and self._stray_ms >= STRAY_MS else 0
