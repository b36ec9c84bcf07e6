"""RP2040 and RP2350 boards with radio: pins, and the few calls that only this family has.

Chosen so: the three free analog inputs, none of the pins that the radio uses
(23, 24, 25, 29), both motor inputs on one PWM slice, all motor pins low from
reset (this chip pulls its pins down until told otherwise).
"""

from .build import build, join_wifi
from .common import RealBoard

NAME = "rp2"
PINS = (
    ("probe_bus", 2),
    ("motor_open", 10),
    ("motor_shut", 11),
    ("motor_enable", 12),
    ("at_shut", 6),
    ("at_open", 7),
    ("hold", 8),
    ("ack", 9),
    ("siren", 14),
    ("lamp", 15),
    ("motor_current", 26),
    ("battery", 27),
    ("pot", 28),
    ("sda", 4),
    ("scl", 5),
    ("wind", 16),
    ("rain", 17),
)
# What the tests of this table check. Source: the board maker's pin tables; from memory, look at your board's sheet.
ADC_PINS = (26, 27, 28)
INPUT_ONLY = ()
FORBIDDEN = (0, 1, 23, 24, 25, 29)

_REFERENCE_MV = 3300  # the converter's full scale is the board's own supply
# A restart by program shows as watchdog on this family.
_CAUSES = ("PWRON_RESET", "power-on"), ("WDT_RESET", "watchdog")


def read_mv_of(machine, number):
    """Return a function giving mV at a pin."""
    adc = machine.ADC(machine.Pin(number))
    return lambda: adc.read_u16() * _REFERENCE_MV // 65_535


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
