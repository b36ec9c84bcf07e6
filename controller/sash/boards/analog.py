"""Voltages that mean something: motor current, battery, hinge potentiometer.

`millivolts` is given by the board file: a function pin object -> mV at the pin.
"""

_SAMPLES = 5


def median_mv(read_mv):
    """Return the middle of five readings: one spark from the motor does not count."""
    return sorted([read_mv() for _ in range(_SAMPLES)])[_SAMPLES // 2]


class Current:
    """Motor current from the driver's current output.

    mv_per_a   output for one ampere; zero_mv output without current
    """

    def __init__(self, read_mv, mv_per_a, zero_mv=0):
        self._read_mv = read_mv
        self._mv_per_a = mv_per_a
        self._zero_mv = zero_mv
        self._sum = self._count = 0

    def now_ma(self):
        """Return the current at this moment."""
        return max(0, (median_mv(self._read_mv) - self._zero_mv) * 1000 // self._mv_per_a)

    def sample(self):
        """Take one reading into the mean."""
        self._sum += self.now_ma()
        self._count += 1

    def mean_ma(self):
        """Return the mean since the last call; the present current when nothing was sampled."""
        if not self._count:
            return self.now_ma()
        mean = self._sum // self._count
        self._sum = self._count = 0
        return mean

    def forget(self):
        """Drop the samples: those of a starting motor say nothing about the lid."""
        self._sum = self._count = 0


def battery_mv(read_mv, divider_permille):
    """Return the battery's voltage from that at the pin; divider 11000 for 100 kOhm over 10 kOhm."""
    return median_mv(read_mv) * divider_permille // 1000


def pot_permille(read_mv, shut_mv, open_mv):
    """Return the lid's position from the potentiometer, -1 when it reads far outside its ends (wire broken)."""
    span = open_mv - shut_mv
    if span == 0:
        return -1
    permille = (median_mv(read_mv) - shut_mv) * 1000 // span
    if permille < -100 or permille > 1100:
        return -1
    return max(0, min(1000, permille))
