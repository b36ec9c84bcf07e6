"""The chip's own calendar: forgets when power goes, keeps time over a restart.

Whatever the family's epoch, only calendar dates pass through here.
"""

import time

from ..clock import NONE, epoch_offset_s

# A calendar before this was never set. Families start at 2000 or 2021 after power-on.
_NEVER_S = 1_735_689_600  # 2025-01-01T00:00:00Z


def days_since_1970(year, month, day):
    """Return whole days of the Gregorian calendar; the year is taken to begin in March, so that leap days end it."""
    if month <= 2:
        year, month = year - 1, month + 12
    leaps = year // 4 - year // 100 + year // 400
    return 365 * year + leaps + (153 * (month - 3) + 2) // 5 + day - 719_469


class Rtc:
    """chip: machine.RTC."""

    def __init__(self, chip):
        self._chip = chip

    def unix_s(self):
        """Return Unix seconds, NONE when the chip's calendar was never set."""
        date = self._chip.datetime()
        seconds = days_since_1970(date[0], date[1], date[2]) * 86_400 + date[4] * 3600 + date[5] * 60 + date[6]
        return seconds if seconds >= _NEVER_S else NONE

    def set(self, unix_s):
        """Set the calendar (in UTC)."""
        date = time.gmtime(unix_s - epoch_offset_s())
        self._chip.datetime((date[0], date[1], date[2], date[6], date[3], date[4], date[5], 0))
