"""The motor on its H-bridge: direction, soft start, and off.

Power rises over RAMP_MS so that neither gears nor battery get a blow. A change
of direction goes through a pause with the bridge off. `run` says what is
wanted, `tick` brings it about; `off` is at once.
"""

from ..clock import ticks_diff, ticks_ms

RAMP_MS = 500  # chosen: soft start
PAUSE_MS = 300  # chosen: coasting before the other direction
PWM_HZ = 20_000  # above hearing
_FULL = 65_535
_START_PERMILLE = 250  # chosen: a worm drive does not turn with less


class HBridge:
    """open_pwm, shut_pwm: machine.PWM; enable: machine.Pin out.

    Directions are those of the wires: that a motor is wired the other way round is known to lid_motion.py.
    """

    def __init__(self, open_pwm, shut_pwm, enable):
        self._enable = enable
        self._pwms = (open_pwm, shut_pwm)
        self.direction = 0
        self._wanted = 0
        self._duty = 0  # permille, wanted
        self._since = 0  # ticks at which this direction began, or the motor stopped
        self._resting = 0  # 1 while the pause after a stop may still run
        self.off()

    def off(self):
        """Remove power now."""
        self._enable.value(0)
        for pwm in self._pwms:
            pwm.duty_u16(0)
        if self.direction:
            self._resting = 1
            self._since = ticks_ms()
        self.direction = self._wanted = 0

    def run(self, direction, duty_permille):
        """Ask for a direction (-1 shut, 0 stop, 1 open) and a share of full power."""
        self._wanted = direction
        self._duty = max(0, min(1000, duty_permille))
        if direction == 0 or self._duty == 0:
            self.off()
        elif self.direction and self.direction != direction:
            self.off()
            self._wanted = direction
        self.tick()

    def tick(self):
        """Bring power to where it should be by now. Called every few ten ms while `busy`."""
        if not self._wanted:
            return
        now = ticks_ms()
        if not self.direction:
            if self._resting and ticks_diff(now, self._since) < PAUSE_MS:
                return
            self._resting = 0
            self.direction = self._wanted
            self._since = now
        power = min(self._duty, self.ramp_permille(ticks_diff(now, self._since)))
        forward, backward = self._pwms if self.direction > 0 else (self._pwms[1], self._pwms[0])
        backward.duty_u16(0)
        forward.duty_u16(power * _FULL // 1000)
        self._enable.value(1)

    def ramp_permille(self, passed_ms):
        """Return the most power allowed after so many ms."""
        if passed_ms >= RAMP_MS:
            return 1000
        return _START_PERMILLE + (1000 - _START_PERMILLE) * passed_ms // RAMP_MS

    @property
    def moving(self):
        """Return 1 while power is on."""
        return 1 if self.direction else 0

    @property
    def busy(self):
        """Return 1 while `tick` still has something to do soon."""
        return 1 if self._wanted else 0

    def run_ms(self):
        """Return how long this direction has been powered, 0 while off."""
        return ticks_diff(ticks_ms(), self._since) if self.direction else 0
