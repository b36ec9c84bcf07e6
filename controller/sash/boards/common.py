"""A real board: the drivers put together behind the seam of board.py.

Board files give pins, timings and the few calls in which families differ.
`machine` is imported by them only when a board is built, so that all of this
can be compiled and tested on a desk.
"""

import asyncio
import os

from ..clock import Clock, ticks_diff, ticks_ms
from ..reading import NONE, Inputs
from ..storage import FileStorage
from . import analog
from .h_bridge import RAMP_MS
from .one_wire import Probes

WATCHDOG_MS = 8_000  # the most that both families can do
SLICE_MS, REST_SLICE_MS = 20, 100  # how often wait() looks at hold and end switches
BLIND_MS = RAMP_MS + 200  # current of a starting motor says nothing about the lid
DATA_FOLDER = "data"  # boards start in their root folder


class Parts:
    """The built drivers; optional ones are None. Made by the board file's `build`."""

    def __init__(self):
        self.bus = self.motor = self.at_shut = self.at_open = self.hold = self.ack = None
        self.siren = self.lamp = self.current = self.battery_mv = self.pot_mv = None
        self.i2c = self.wind = self.rain = self.wifi = self.watchdog = self.rtc = None


class RealBoard:
    """Everything but the family's own calls. See board.py for what each method promises.

    causes: pairs of a constant of the machine module and the word of board.py for it; machine: that module.
    A family's file sets both.
    """

    causes = ()
    machine = None

    def __init__(self, name, fittings, parts, folder=DATA_FOLDER):
        self.name = name
        self.past_end = 0  # bench.py, for a moment
        self.link = None  # set by main.py: its sessions prove that the radio works
        self.light_sleep = None  # function(ms) of a family that can, see docs/decisions/sleep.md
        self._siren = 0
        self._fittings = fittings
        self._parts = parts
        try:
            os.mkdir(folder)
        except OSError:
            pass  # it is there
        self.storage = FileStorage(folder)
        self.probes = Probes(parts.bus, fittings.get("probes", {"air": ""}))
        self._pot_mv = fittings.get("pot_mv", (300, 3000))
        self._divider = fittings.get("battery_divider_permille", 11_000)
        self._switches = fittings.get("end_switches", 1)
        # The core has turned the direction already when the motor's wires are swapped.
        self._opens = -1 if fittings.get("reverse", 0) else 1
        self._ticks = ticks_ms()
        self._clock = Clock(self._ticks)
        self._hold = self._hold_now()
        self._take_rtc()

    # -- reading -------------------------------------------------------------------------

    def read(self):
        """Return the inputs of this step."""
        parts = self._parts
        inputs = Inputs()
        inputs.probes = self.probes.read(parts.motor.moving)
        if self._switches:
            inputs.at_shut, inputs.at_open = parts.at_shut.value(), parts.at_open.value()
        inputs.motor_ma = parts.current.mean_ma()
        inputs.battery_mv = analog.battery_mv(parts.battery_mv, self._divider)
        if self._fittings.get("pot"):
            inputs.pot_permille = analog.pot_permille(parts.pot_mv, self._pot_mv[0], self._pot_mv[1])
        if parts.i2c is not None:
            inputs.light_lx, inputs.humidity_permille = parts.i2c.read()
        if parts.wind is not None:
            inputs.wind_mms = parts.wind.gust_mms()
        if parts.rain is not None:
            inputs.rain = 1 - parts.rain.value()
        inputs.hold = self._hold = self._hold_now()
        inputs.ack = 1 - parts.ack.value() if parts.ack is not None else 0
        return inputs

    def _hold_now(self):
        return self._parts.hold.value()

    # -- acting --------------------------------------------------------------------------

    def apply(self, actions):
        """Carry out motor, siren and lamp."""
        parts = self._parts
        if actions.motor and not self._hold_now() and not self._at_end(actions.motor):
            if actions.motor != parts.motor.direction:
                parts.current.forget()
            parts.motor.run(actions.motor, actions.duty_permille)
        else:
            parts.motor.off()
        parts.siren.value(actions.siren)
        self._siren = actions.siren
        if parts.lamp is not None:
            parts.lamp.value(actions.lamp)

    def safe(self):
        """Motor and siren off, now."""
        self._parts.motor.off()
        self._parts.siren.value(0)

    def driven(self):
        """Return 1 while the motor is asked to run and nothing at the board has stopped it."""
        return self._parts.motor.busy

    def _at_end(self, direction):
        """Return 1 when the end in this direction of the wires is reached already."""
        if not self._switches or self.past_end:
            return 0
        return self._parts.at_open.value() if direction == self._opens else self._parts.at_shut.value()

    # -- time ----------------------------------------------------------------------------

    async def wait(self, next_ms):
        """Sleep in slices, so that the soft start goes on and an end or a hold is seen at once."""
        while True:
            left = next_ms - ticks_diff(ticks_ms(), self._ticks)
            if left <= 0:
                break
            await self._pause(min(left, SLICE_MS if self._parts.motor.busy else REST_SLICE_MS))
            if self._look():
                break
        return self._passed()

    async def _pause(self, pause_ms):
        """Let that long pass; with the chip asleep where that is fitted and nothing runs that it would stop."""
        if self.light_sleep is None or self._parts.motor.busy or self._siren or self._hold:
            await asyncio.sleep_ms(pause_ms)
            return
        await asyncio.sleep_ms(0)  # other tasks first
        self.light_sleep(pause_ms)

    def _look(self):
        """Do what cannot wait for the next step; return 1 to end the waiting."""
        motor = self._parts.motor
        if self._hold_now() != self._hold:
            motor.off()
            return 1
        if motor.moving and self._at_end(motor.direction):
            motor.off()
            return 1
        motor.tick()
        if motor.run_ms() > BLIND_MS:
            self._parts.current.sample()
        return 0

    def _passed(self):
        """Return the ms since the last call, and let the clock know."""
        self._ticks = ticks_ms()
        return self._clock.tick(self._ticks)

    def unix_s(self):
        """Return Unix seconds, NONE while unset."""
        return self._clock.unix_s()

    def set_unix_s(self, unix_s):
        """Set our clock and the chip's, which lives through a soft restart."""
        self._clock.set_unix_s(unix_s)
        if self._clock.unix_s() != NONE and self._parts.rtc is not None:
            self._parts.rtc.set(unix_s)

    def _take_rtc(self):
        if self._parts.rtc is not None:
            unix_s = self._parts.rtc.unix_s()
            if unix_s != NONE:
                self._clock.set_unix_s(unix_s)

    # -- the rest ------------------------------------------------------------------------

    def feed(self):
        """Feed the watchdog."""
        if self._parts.watchdog is not None:
            self._parts.watchdog.feed()

    def network_up(self):
        """Return 1 when the broker may be tried."""
        return self._parts.wifi.up() if self._parts.wifi is not None else 0

    def sessions(self):
        """Return how many sessions the link has had; the radio's ladder watches it."""
        return self.link.sessions if self.link is not None else 0

    def at_rest(self):
        """Return 1 while the motor is off: only then may the radio's ladder restart the board."""
        return 0 if self._parts.motor.busy else 1

    def random_bytes(self, count):
        """Return random bytes from the chip."""
        return os.urandom(count)

    def reset_cause(self):
        """Return why the chip started, in a word of board.py."""
        cause = self.machine.reset_cause()
        for constant, word in self.causes:
            if cause == getattr(self.machine, constant, None):
                return word
        return "unknown"

    def reset(self):
        """Restart the chip."""
        self.safe()
        self.machine.reset()
