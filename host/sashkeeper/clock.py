"""Where the host gets the time from.

Nothing else on the host reads the system clock, so tests and the demo run a
winter in seconds by handing in a ``SetClock``.
"""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """Gives the present time."""

    def now_s(self) -> float:
        """Return seconds since 1970-01-01 00:00 UTC."""
        ...


class SystemClock:
    """The computer's own clock."""

    def now_s(self) -> float:
        """Return seconds since 1970-01-01 00:00 UTC."""
        return time.time()


class SetClock:
    """A clock that stands still until it is moved."""

    def __init__(self, now_s: float = 0.0) -> None:
        self._now_s = float(now_s)

    def now_s(self) -> float:
        """Return the time it was last set to, seconds since 1970-01-01 00:00 UTC."""
        return self._now_s

    def set(self, now_s: float) -> None:
        """Set the time; going back is allowed, since real clocks do it too."""
        self._now_s = float(now_s)

    def advance(self, seconds_s: float) -> None:
        """Move the time on."""
        self._now_s += seconds_s
