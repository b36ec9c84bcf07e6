"""Does the step timer run as fast as the clock? Two sources of time that should agree.

Drives, delays and lockouts count the timer's milliseconds; the sun and the orders
go by the clock. Neither knows by itself that it is wrong.
"""

NONE = -1

# All chosen by us.
JUMP_S = 30         # so far apart within a window is wrong at once: a jump, or ten times too fast or slow
WINDOW_S = 300      # else judged over this long: the clock tells whole seconds only
APART_PERCENT = 2   # 3 % are found, 0.01 % (a cheap crystal) are not
STEP_S = 1          # what rounding may hide


class Rates:
    """`wrong` is 1 while they disagree; a whole window in agreement clears it."""

    def __init__(self):
        self.wrong = 0
        self._from_s = NONE
        self._ms = 0

    def restart(self):
        """The clock was set on purpose: begin anew."""
        self._from_s = NONE

    def follow(self, dt_ms, unix_s):
        """Take one step; returns `wrong`."""
        if unix_s == NONE or self._from_s == NONE:
            self._begin(unix_s)
            return self.wrong
        self._ms += dt_ms
        timer_s = self._ms // 1000
        apart = abs(unix_s - self._from_s - timer_s)
        if apart > JUMP_S:
            self.wrong = 1
            self._begin(unix_s)
        elif timer_s >= WINDOW_S or unix_s - self._from_s >= WINDOW_S:
            self.wrong = 1 if (apart - STEP_S) * 100 > timer_s * APART_PERCENT else 0
            self._begin(unix_s)
        return self.wrong

    def _begin(self, unix_s):
        self._from_s = unix_s
        self._ms = 0
