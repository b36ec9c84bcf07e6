"""What the bench check asks of a real board: look, drive for a moment, sound, radio.

Runs over the serial console while the firmware is idle. Each drive ends by
itself: at its time, an end, hold, too much current, or a second without any.
Answers are plain data.
"""

import asyncio

from ..reading import Actions
from .common import BLIND_MS, SLICE_MS

DEAD_MA, DEAD_MS = 30, 1_000  # chosen: less current than this for so long means none
LONGEST_MS, PAST_END_MS = 240_000, 2_500


class Bench:
    """board: a RealBoard built with watchdog 0 in its fittings."""

    def __init__(self, board):
        self._board = board
        board.safe()

    def look(self):
        """Return what every input says now; probes as hexadecimal digits or None."""
        inputs = self._board.read()
        probes = {}
        for place in inputs.probes:
            pad = inputs.probes[place]
            probes[place] = None if pad is None else pad.hex()
        return {
            "probes": probes,
            "at_shut": inputs.at_shut,
            "at_open": inputs.at_open,
            "motor_ma": inputs.motor_ma,
            "battery_mv": inputs.battery_mv,
            "pot_permille": inputs.pot_permille,
            "hold": inputs.hold,
            "ack": inputs.ack,
        }

    def found(self):
        """Return the ROM codes on the probe bus."""
        return self._board.probes.found()

    def wait(self, ms):
        """Let time pass with the motor off, probes converting."""
        asyncio.run(self._sleep(ms))

    async def _sleep(self, ms):
        while ms > 0:
            ms -= await self._board.wait(min(ms, 500))
            self._board.read()

    def drive(self, direction, permille, ms, limit_ma, past_end=0):
        """Drive; return how it ended and what was measured on the way.

        past_end 1: an end switch does not end it, for a moment at most: this finds swapped motor wires.
        """
        board = self._board
        board.read()  # takes the present hold
        made = Actions()
        made.motor, made.duty_permille = direction, permille
        board.past_end = past_end
        try:
            return asyncio.run(self._drive(board, made, min(ms, PAST_END_MS if past_end else LONGEST_MS), limit_ma))
        finally:
            board.past_end = 0
            board.safe()

    async def _drive(self, board, made, ms, limit_ma):
        await board.wait(0)
        board.apply(made)
        passed = peak = high = idle = 0
        lowest = board.read().battery_mv
        stopped = "time"
        while passed < ms:
            if not board.driven():
                stopped = "hold" if board.read().hold else "end"
                break
            passed += await board.wait(SLICE_MS)
            inputs = board.read()
            lowest = min(lowest, inputs.battery_mv)
            if passed <= BLIND_MS:
                continue
            peak = max(peak, inputs.motor_ma)
            high = high + 1 if inputs.motor_ma > limit_ma else 0
            idle = idle + SLICE_MS if inputs.motor_ma < DEAD_MA else 0
            if high >= 2 or idle >= DEAD_MS:
                stopped = "current" if high >= 2 else "no-current"
                break
        board.safe()
        after = board.read()
        return {
            "stopped": stopped,
            "ms": passed,
            "peak_ma": peak,
            "battery_mv": lowest,
            "at_shut": after.at_shut,
            "at_open": after.at_open,
            "pot_permille": after.pot_permille,
        }

    def siren(self, on):
        """Switch the siren."""
        made = Actions()
        made.siren = on
        self._board.apply(made)

    def radio(self):
        """Return 1 when the network is joined; ask again every second or so."""
        return self._board.network_up()
