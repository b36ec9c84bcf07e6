"""The roles that a board's pins play. Board files say which pin; the wiring guide is made from both.

Each role: (name, kind, must be there, pull, what is connected)
kind   bus, pwm, out, in, adc, i2c
pull   "down" outside: 10 kOhm to ground, holds the motor still from reset on; "up" inside the chip; "" none
"""

ROLES = (
    ("probe_bus", "bus", 1, "", "1-Wire data of all probes, 4.7 kOhm to 3.3 V"),
    ("motor_open", "pwm", 1, "down", "motor driver, input that opens the lid"),
    ("motor_shut", "pwm", 1, "down", "motor driver, input that shuts the lid"),
    ("motor_enable", "out", 1, "down", "motor driver, enable"),
    ("at_shut", "in", 1, "up", "end switch shut, normally closed to ground: high = lid is shut, or wire broken"),
    ("at_open", "in", 1, "up", "end switch open, normally closed to ground: high = lid is open, or wire broken"),
    ("hold", "in", 1, "up", "second pole of the hold switch, to ground while moving is allowed: high = hold"),
    ("ack", "in", 0, "up", "silence button to ground: low = pressed"),
    ("siren", "out", 1, "down", "transistor of the siren"),
    ("lamp", "out", 0, "down", "transistor of the lamp"),
    ("motor_current", "adc", 1, "", "current output of the motor driver"),
    ("battery", "adc", 1, "", "battery through 100 kOhm over 10 kOhm"),
    ("pot", "adc", 0, "", "potentiometer on the hinge, between 3.3 V and ground"),
    ("sda", "i2c", 0, "up", "data of light and humidity sensors"),
    ("scl", "i2c", 0, "up", "clock of light and humidity sensors"),
    ("wind", "in", 0, "up", "reed contact of the wind counter to ground"),
    ("rain", "in", 0, "up", "rain sensor: low = wet"),
)


def pins_for(table, fittings):
    """Return role -> pin number: the board's table with the changes of fittings["pins"].

    ValueError with a sentence when a role is unknown or two roles share a pin.
    """
    known = [role[0] for role in ROLES]
    pins = {}
    for role, number in table:
        pins[role] = number
    changes = fittings.get("pins", {})
    for role in changes:
        if role not in known:
            raise ValueError("pins: there is no role {}".format(role))
        pins[role] = changes[role]
    taken = {}
    for role in pins:
        number = pins[role]
        if number in taken:
            raise ValueError("pins: {} and {} share pin {}".format(taken[number], role, number))
        taken[number] = role
    return pins
