"""A board made of text lines: the same firmware on a desk, its world at the other end of a pipe.

The world writes        S dt_ms unix_s at_shut at_open motor_ma battery_mv pot_permille light_lx wind_mms
                          rain humidity_permille hold ack place=18-hex-digits|place=- ...
the firmware answers    A motor duty_permille siren lamp next_ms link_up sent got waiting
                        once every stage of the step is done, saves included.
P asks for the answer again, no time passes but the link gets a turn. Q ends the firmware cleanly, end
of input at once. Lines that begin with "# " are log.

lockstep   time is what the S lines say.
real       the firmware sleeps for next_ms itself, then writes `N elapsed_ms` and takes the next S line
           for what it reads; dt_ms of that line is ignored, elapsed_ms counts.

When the harness has no clock for us (unix_s -1) the time set by an order runs on by dt_ms.
"""

import asyncio
import os
import sys

from ..board import Stopped
from ..clock import NONE, Clock, ticks_diff, ticks_ms
from ..net import ON_BOARD, sleep_ms, wait_for_ms
from ..reading import Inputs
from ..storage import FileStorage

RESET_EXIT = 3  # the process ends with this code when the firmware resets itself
_FIELDS = (
    "at_shut",
    "at_open",
    "motor_ma",
    "battery_mv",
    "pot_permille",
    "light_lx",
    "wind_mms",
    "rain",
    "humidity_permille",
    "hold",
    "ack",
)


async def open_lines():
    """Return a coroutine function that gives the next line of standard input, "" at its end."""
    if ON_BOARD:
        return asyncio.StreamReader(sys.stdin.buffer).readline
    reader = asyncio.StreamReader()
    loop = asyncio.get_running_loop()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    return reader.readline


class Board:
    """See board.py. folder holds the storage; `reset-cause` in it, if there, is read once."""

    name = "virtual"

    def __init__(self, fittings, folder, mode):
        self.storage = FileStorage(folder)
        self.link = None  # set by main_virtual: its counters go into the answers
        self.fed = 0
        self._name_server = fittings.get("name_server", ("127.0.0.1", 53))
        self._real = mode == "real"
        self._lines = None
        self._inputs = Inputs()
        self._given_s = NONE  # the harness's clock
        self._shift_s = 0  # what an order added to it
        self._clock = Clock()
        self._answer = None  # outputs of the last step
        self._ticks = ticks_ms()
        self._cause = (self.storage.read("reset-cause") or b"power-on").decode().strip()
        self.storage.remove("reset-cause")

    # -- the seam ------------------------------------------------------------------------

    async def wait(self, next_ms):
        """Answer for the step that is done; return the ms until the next."""
        if self._lines is None:
            self._lines = await open_lines()
        if self._answer is not None:
            self._print_answer()
        if self._real:
            return await self._wait_real(next_ms)
        return self._take(await self._sense_line())

    async def _wait_real(self, next_ms):
        target = next_ms if self._answer is not None else 0
        while target:
            left = target - ticks_diff(ticks_ms(), self._ticks)
            if left <= 0:
                break
            try:
                await self._control(await wait_for_ms(self._lines(), left))
            except asyncio.TimeoutError:
                break
        now = ticks_ms()
        passed = ticks_diff(now, self._ticks)
        self._ticks = now
        print("N", passed)
        _flush()
        self._take(await self._sense_line())
        return passed

    async def _sense_line(self):
        while True:
            line = await self._lines()
            if line[:1] == b"S":
                return line
            await self._control(line)

    async def _control(self, line):
        """Handle P, Q and the end of input."""
        if line[:1] == b"P":
            await sleep_ms(2)
            self._print_answer()
        elif line[:1] == b"Q":
            raise Stopped()
        elif not line:
            sys.exit(0)  # the world is gone: as good as a power cut
        else:
            raise ValueError("the line {} is none of S, P, Q".format(line))

    def _take(self, line):
        """Read an S line into the inputs; return its dt_ms."""
        words = line.decode().split()
        inputs = Inputs()
        at = 3
        for field in _FIELDS:
            setattr(inputs, field, int(words[at]))
            at += 1
        for index in range(at, len(words)):
            place, _, digits = words[index].partition("=")
            inputs.probes[place] = None if digits == "-" else bytes.fromhex(digits)
        self._inputs = inputs
        self._given_s = int(words[2])
        self._clock.advance(int(words[1]))
        return int(words[1])

    def read(self):
        """Return the inputs of the last S line."""
        return self._inputs

    def apply(self, actions):
        """Remember the outputs; they go out when the step is done."""
        self._answer = (actions.motor, actions.duty_permille, actions.siren, actions.lamp, actions.next_ms)

    def _print_answer(self):
        link = self.link
        counters = (link.up, link.sent, link.got, link.waiting) if link else (0, 0, 0, 0)
        print("A %d %d %d %d %d" % (self._answer or (0, 0, 0, 0, 0)), "%d %d %d %d" % counters)
        _flush()

    def unix_s(self):
        """Return Unix seconds or NONE."""
        return self._clock.unix_s() if self._given_s == NONE else self._given_s + self._shift_s

    def set_unix_s(self, unix_s):
        """Set the clock."""
        self._clock.set_unix_s(unix_s)
        if self._given_s != NONE:
            self._shift_s = unix_s - self._given_s

    def feed(self):
        """Count; a desk has no watchdog."""
        self.fed += 1

    def reset_cause(self):
        """Return why this run began."""
        return self._cause

    def reset(self):
        """End the process; the harness starts it again."""
        print("# reset")
        _flush()
        sys.exit(RESET_EXIT)

    def random_bytes(self, count):
        """Return `count` random bytes."""
        return os.urandom(count)

    def network_up(self):
        """Loopback is always there."""
        return 1

    def name_server(self):
        """Return the name server of the fittings, for tests; a desk needs none."""
        return tuple(self._name_server)


def _flush():
    if not ON_BOARD:
        sys.stdout.flush()
