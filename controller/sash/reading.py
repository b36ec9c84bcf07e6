"""What the board read, and what the core wants done.

Two plain records pass between the shell that touches the world and the core
that decides. Every number is whole; a missing one is NONE, a missing
temperature NO_MDEGC.
"""

NONE = -1
NO_MDEGC = -999_999

SHUT_DIRECTION, STOP, OPEN_DIRECTION = -1, 0, 1


class Inputs:
    """Raw facts of one step.

    probes          place -> nine scratchpad bytes, or None when the probe did not answer
    at_shut at_open 1 made, 0 not made, NONE no such switch
    motor_ma        motor current
    battery_mv      supply voltage
    pot_permille    lid position by potentiometer
    light_lx        daylight on the frame
    wind_mms        gust of the last minute
    rain            1 wet, 0 dry
    humidity_permille  relative humidity inside
    hold            1 while the hold switch says: hands in the frame
    ack             1 while the silence button is pressed
    """

    __slots__ = (
        "ack",
        "at_open",
        "at_shut",
        "battery_mv",
        "hold",
        "humidity_permille",
        "light_lx",
        "motor_ma",
        "pot_permille",
        "probes",
        "rain",
        "wind_mms",
    )

    def __init__(self):
        self.probes = {}
        self.at_shut = NONE
        self.at_open = NONE
        self.motor_ma = NONE
        self.battery_mv = NONE
        self.pot_permille = NONE
        self.light_lx = NONE
        self.wind_mms = NONE
        self.rain = NONE
        self.humidity_permille = NONE
        self.hold = 0
        self.ack = 0


class Actions:
    """What the shell has to carry out after one step, saves first.

    motor           SHUT_DIRECTION, STOP or OPEN_DIRECTION
    duty_permille   share of full motor power
    siren lamp      1 on, 0 off
    saves           list of (slot name, dict) to be stored before anything moves
    messages        list of (topic suffix, dict or list, qos, retain)
    clock_s         set the clock to this Unix time, or NONE
    next_ms         time until the next step
    """

    __slots__ = ("clock_s", "duty_permille", "lamp", "messages", "motor", "next_ms", "saves", "siren")

    def __init__(self):
        self.motor = STOP
        self.duty_permille = 0
        self.siren = 0
        self.lamp = 0
        self.saves = []
        self.messages = []
        self.clock_s = NONE
        self.next_ms = 5000
