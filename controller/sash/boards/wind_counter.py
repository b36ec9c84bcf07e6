"""Wind from a cup wheel that closes a reed contact: the strongest three seconds of the last minute."""

from ..clock import ticks_diff, ticks_ms

WINDOW_MS = 3_000  # a gust is a mean over three seconds. Source: WMO guide to instruments; from memory.
BOUNCE_MS = 4  # chosen: contacts ring for a millisecond or two
_WINDOWS = 20  # one minute


class WindCounter:
    """mms_per_hz: wind in mm/s for one pulse a second, from the maker's sheet."""

    def __init__(self, pin, mms_per_hz, falling):
        self._mms_per_hz = mms_per_hz
        self._count = 0
        self._last = self._began = ticks_ms()
        self._gusts = [0] * _WINDOWS
        self._slot = 0
        self._full = 0  # windows measured so far, up to _WINDOWS
        pin.irq(trigger=falling, handler=self._pulse)

    def _pulse(self, _pin):
        """Interrupt: no heap here."""
        now = ticks_ms()
        if ticks_diff(now, self._last) >= BOUNCE_MS:
            self._count += 1
            self._last = now

    def gust_mms(self):
        """Return the gust, -1 before the first window is full."""
        now = ticks_ms()
        passed = ticks_diff(now, self._began)
        if passed >= WINDOW_MS:
            count, self._count = self._count, 0
            self._began = now
            self._gusts[self._slot] = count * 1000 * self._mms_per_hz // passed
            self._slot = (self._slot + 1) % _WINDOWS
            self._full = min(self._full + 1, _WINDOWS)
        return max(self._gusts) if self._full else -1
