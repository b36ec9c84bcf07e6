"""A make-believe `machine`: pins that remember, converters that give what a test sets.

`now_ms` is the only clock; tests move it. Runs on MicroPython and CPython.
"""

PWRON_RESET, HARD_RESET, WDT_RESET, DEEPSLEEP_RESET, SOFT_RESET = 1, 2, 3, 4, 5

levels = {}  # pin number -> level
history = []  # (pin number, level), the first hundred writes
duties = {}  # pin number -> duty_u16
mv = {}  # pin number -> mV at a converter
handlers = {}  # pin number -> interrupt handler
i2c_devices = {}  # address -> object with write(data), read(count)
state = {"cause": PWRON_RESET, "resets": 0, "fed": 0, "watchdog_ms": 0, "date": (2021, 1, 1, 4, 0, 0, 0, 0)}


def lightsleep(ms):
    """Sleep: remembered, and time passes."""
    state["asleep_ms"] = state.get("asleep_ms", 0) + ms
    state["sleep"](ms)


def forget():
    """Start anew, all pins floating high as with pull-ups."""
    for store in (levels, duties, mv, handlers, i2c_devices):
        store.clear()
    del history[:]
    state.update({"cause": PWRON_RESET, "resets": 0, "fed": 0, "watchdog_ms": 0, "date": (2021, 1, 1, 4, 0, 0, 0, 0)})


class Pin:
    """A pin by number."""

    IN, OUT, PULL_UP, PULL_DOWN, IRQ_FALLING = 0, 1, 2, 3, 4

    def __init__(self, number, mode=-1, pull=None, value=None):
        self.number = number
        if value is not None:
            self.value(value)
        elif mode == self.IN:
            levels.setdefault(number, 1)

    def value(self, *level):
        """Read, or write."""
        if not level:
            return levels.get(self.number, 0)
        levels[self.number] = level[0]
        if len(history) < 100:
            history.append((self.number, level[0]))
        return None

    def irq(self, trigger, handler):
        """Remember the handler."""
        handlers[self.number] = handler


class PWM:
    """Duty of a pin."""

    def __init__(self, pin, freq, duty_u16):
        self.pin = pin
        duties[pin.number] = duty_u16

    def duty_u16(self, duty):
        """Set the duty."""
        if not 0 <= duty <= 65535:
            raise ValueError("duty")
        duties[self.pin.number] = duty


class ADC:
    """Converter of a pin."""

    ATTN_11DB = 3

    def __init__(self, pin, atten=None):
        self.pin = pin

    def read_uv(self):
        """As the ESP32 family gives it."""
        return mv.get(self.pin.number, 0) * 1000

    def read_u16(self):
        """As the RP2 family gives it, rounded up so that whole mV come back."""
        return min(65535, -(-mv.get(self.pin.number, 0) * 65535 // 3300))


class I2C:
    """Bus of make-believe sensors."""

    def __init__(self, number, sda, scl, freq):
        self.pins = (sda.number, scl.number)

    def writeto(self, address, data):
        """Write to a sensor, OSError when there is none."""
        self._device(address).write(data)

    def readfrom(self, address, count):
        """Read from a sensor."""
        return self._device(address).read(count)

    def _device(self, address):
        if address not in i2c_devices:
            raise OSError(19)
        return i2c_devices[address]


class RTC:
    """Calendar of the chip."""

    def datetime(self, *date):
        """Read, or set."""
        if date:
            state["date"] = date[0]
            return None
        return state["date"]


class WDT:
    """Watchdog that counts."""

    def __init__(self, timeout):
        state["watchdog_ms"] = timeout

    def feed(self):
        """Count."""
        state["fed"] += 1


def reset_cause():
    """Return what the test set."""
    return state["cause"]


def reset():
    """Count."""
    state["resets"] += 1
