"""Time on a board whose tick counter wraps and whose epoch may be 2000.

Whole numbers only: a 32-bit float steps by 128 s at today's Unix time.
"""

import time

NONE = -1
TICKS_MASK = (1 << 30) - 1  # ticks of real boards wrap at 2^30 ms = 12.43 days
_HALF = 1 << 29

# Unix time of 2000-01-01T00:00:00Z, the epoch of some ports.
EPOCH_2000_S = 946_684_800


def ticks_diff(later, earlier):
    """Return later - earlier in ms on a counter that wraps at 2^30; valid within +-6.2 days."""
    return ((later - earlier + _HALF) & TICKS_MASK) - _HALF


def ticks_add(ticks, ms):
    """Return `ticks` moved by `ms`."""
    return (ticks + ms) & TICKS_MASK


def ticks_ms():
    """Return the running counter, masked to 2^30 on every interpreter."""
    if hasattr(time, "ticks_ms"):
        return time.ticks_ms() & TICKS_MASK
    return time.monotonic_ns() // 1_000_000 & TICKS_MASK


def epoch_offset_s(first_year=None):
    """Return what to add to the port's own time to get Unix seconds."""
    if first_year is None:
        first_year = time.gmtime(0)[0]
    return EPOCH_2000_S if first_year == 2000 else 0


class Clock:
    """Uptime and Unix time, kept by adding up elapsed milliseconds.

    uptime_s   whole seconds since start
    """

    def __init__(self, ticks=0):
        self._last = ticks & TICKS_MASK
        self._ms = 0  # part of the current second
        self.uptime_s = 0
        self._base_s = NONE  # Unix time at uptime 0, NONE while unset

    def advance(self, ms):
        """Let `ms` milliseconds pass."""
        self._ms += ms
        self.uptime_s += self._ms // 1000
        self._ms %= 1000

    def tick(self, ticks):
        """Take the counter's present value; return the ms since the last call, never negative."""
        passed = ticks_diff(ticks & TICKS_MASK, self._last)
        if passed < 0:  # a counter read out of order must not turn time back
            return 0
        self._last = ticks & TICKS_MASK
        self.advance(passed)
        return passed

    def unix_s(self):
        """Return Unix seconds, NONE while the clock was never set."""
        return NONE if self._base_s == NONE else self._base_s + self.uptime_s

    def set_unix_s(self, unix_s):
        """Set the clock; a number that is not a Unix time (before 2000) unsets it."""
        self._base_s = unix_s - self.uptime_s if unix_s >= EPOCH_2000_S else NONE
