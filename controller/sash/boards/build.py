"""Turns pin numbers into drivers; the same for every family that has MicroPython's `machine`."""

from . import pins as roles
from .analog import Current
from .common import WATCHDOG_MS, Parts
from .h_bridge import PWM_HZ, HBridge
from .i2c_sensors import I2cSensors
from .rtc import Rtc
from .wind_counter import WindCounter

MV_PER_A = 500  # common practice, no source: drivers and shunt amplifiers give some 500 mV for an ampere
MMS_PER_HZ = 667  # common practice, no source: 2.4 km/h for one pulse a second


def motor_first(machine, numbers):
    """Put the motor's pins low before anything else is done."""
    for role in ("motor_enable", "motor_open", "motor_shut"):
        machine.Pin(numbers[role], machine.Pin.OUT, value=0)


def build(machine, onewire, table, fittings, read_mv_of):
    """Return the Parts of a board.

    table       role -> pin rows of the board file
    read_mv_of  function pin number -> function giving mV at that pin
    """
    numbers = roles.pins_for(table, fittings)
    motor_first(machine, numbers)
    pin = machine.Pin

    def pwm(role):
        return machine.PWM(pin(numbers[role]), freq=PWM_HZ, duty_u16=0)

    def contact(role):
        return pin(numbers[role], pin.IN, pin.PULL_UP)

    parts = Parts()
    enable = pin(numbers["motor_enable"], pin.OUT, value=0)
    parts.motor = HBridge(pwm("motor_open"), pwm("motor_shut"), enable)
    parts.bus = onewire.OneWire(pin(numbers["probe_bus"]))
    parts.at_shut, parts.at_open, parts.hold = contact("at_shut"), contact("at_open"), contact("hold")
    parts.ack = contact("ack")
    parts.siren = pin(numbers["siren"], pin.OUT, value=0)
    parts.lamp = pin(numbers["lamp"], pin.OUT, value=0)
    mv_per_a, zero_mv = fittings.get("current_mv_per_a", MV_PER_A), fittings.get("current_zero_mv", 0)
    parts.current = Current(read_mv_of(numbers["motor_current"]), mv_per_a, zero_mv)
    parts.battery_mv = read_mv_of(numbers["battery"])
    if fittings.get("pot"):
        parts.pot_mv = read_mv_of(numbers["pot"])
    if fittings.get("light") or fittings.get("humidity"):
        parts.i2c = I2cSensors(machine.I2C(0, sda=pin(numbers["sda"]), scl=pin(numbers["scl"]), freq=100_000))
    if fittings.get("wind"):
        parts.wind = WindCounter(contact("wind"), fittings.get("wind_mms_per_hz", MMS_PER_HZ), pin.IRQ_FALLING)
    if fittings.get("rain"):
        parts.rain = contact("rain")
    parts.rtc = Rtc(machine.RTC())
    if fittings.get("watchdog", 1):
        parts.watchdog = machine.WDT(timeout=WATCHDOG_MS)
    return parts


def join_wifi(board, parts, fittings, wlan):
    """Give the board its radio when the fittings name a network."""
    wanted = fittings.get("wifi")
    if not wanted or not wanted.get("ssid"):
        return
    from .wifi import Wifi

    parts.wifi = Wifi(wlan, wanted["ssid"], wanted.get("password", ""), board.sessions, board.at_rest, board.reset)
