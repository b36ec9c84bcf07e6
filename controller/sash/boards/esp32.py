"""ESP32 family: pins, and the few calls that only this family has.

Chosen so: analog inputs on the first converter only (the second is blind while
the radio works), none of the pins that decide how the chip starts (0, 2, 5, 12,
15), none of the flash (6 to 11), and motor pins that stay low from reset.
Pin 14 twitches while the chip starts, so it has the button that is hardly ever pressed.
Modules with extra memory use 16 and 17 themselves: give "rain" another pin there.
"""

from .build import build, join_wifi
from .common import RealBoard

NAME = "esp32"
PINS = (
    ("probe_bus", 4),
    ("motor_open", 25),
    ("motor_shut", 26),
    ("motor_enable", 27),
    ("at_shut", 32),
    ("at_open", 33),
    ("hold", 13),
    ("ack", 14),
    ("siren", 18),
    ("lamp", 19),
    ("motor_current", 34),
    ("battery", 35),
    ("pot", 36),
    ("sda", 21),
    ("scl", 22),
    ("wind", 23),
    ("rain", 16),
)
# What the tests of this table check. Source: the chip maker's pin tables; from memory, look at your module's sheet.
ADC_PINS = (32, 33, 34, 35, 36, 37, 38, 39)
INPUT_ONLY = (34, 35, 36, 37, 38, 39)
FORBIDDEN = (0, 1, 2, 3, 5, 6, 7, 8, 9, 10, 11, 12, 15)

# machine.reset_cause() of this family, in words of board.py. Brown-out shows as power-on, a panic as hard.
_CAUSES = ("PWRON_RESET", "power-on"), ("WDT_RESET", "watchdog"), ("SOFT_RESET", "soft"), ("HARD_RESET", "unknown")


def read_mv_of(machine, number):
    """Return a function giving mV at a pin of the first converter, calibrated by the chip."""
    adc = machine.ADC(machine.Pin(number), atten=machine.ADC.ATTN_11DB)
    return lambda: adc.read_uv() // 1000


class Board(RealBoard):
    """See board.py."""

    causes = _CAUSES

    def __init__(self, fittings, **more):
        import machine
        import onewire

        self.machine = machine
        parts = build(machine, onewire, PINS, fittings, lambda number: read_mv_of(machine, number))
        super().__init__(NAME, fittings, parts, **more)
        if fittings.get("wifi"):
            import network

            join_wifi(self, parts, fittings, network.WLAN(network.STA_IF))
        elif fittings.get("sleep") and not fittings.get("wind"):
            # The radio and the wind's pulses would not live through it.
            self.light_sleep = machine.lightsleep
